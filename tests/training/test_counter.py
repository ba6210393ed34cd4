"""The simulated counter: what its parts and users do, and bounds that the run of 2000 parts supports."""

import json

import numpy as np
import pytest

from identify import tables
from training import counter
from training.figures import wilson

T = tables.load()
PARTS = 200


@pytest.fixture(scope="module")
def plain():
    return counter.run(PARTS, 1)


def test_an_order_that_is_given_is_right(plain):
    """200 parts: at 97 % right the lower limit of Wilson's interval is 93.6 %; the same parts without slips."""
    assert plain.ordered >= 0.93 * PARTS
    assert wilson(plain.right, plain.ordered)[0] >= 0.936
    clean = counter.run(PARTS // 2, 1, slips=0.0)
    assert clean.right == clean.ordered >= 0.97 * clean.parts


def test_it_asks_less_than_the_tables_order(plain):
    fixed = counter.run(PARTS, 1, pick=counter.in_fixed_order)
    assert np.mean(plain.questions) <= 0.60 * np.mean(fixed.questions)
    assert np.mean(plain.minutes) <= 0.60 * np.mean(fixed.minutes)


@pytest.mark.parametrize("trick", ["photo", "size", "answer"])
def test_a_wrong_class_or_size_is_found_out(trick):
    tally = counter.run(PARTS // 2, 1, trick=trick)
    assert tally.right >= 0.90 * tally.parts


def test_parts_that_no_row_lists_are_seldom_ordered():
    tally = counter.run(PARTS // 2, 1, trick="part")
    assert tally.right == 0
    assert tally.ordered <= 0.05 * tally.parts


def test_parts_are_drawn_by_their_weights():
    """Classes alike, rows by weight within their class: 3000 draws, four standard deviations of a binomial."""
    rng = np.random.default_rng(3)
    drawn = [counter.draw_part(rng, T) for _ in range(3000)]
    rows = [row for row in T.candidates.values() if row.confidence != "L"]
    classes = {row.class_id for row in rows}
    for row in rows:
        p = row.prior / sum(each.prior for each in rows if each.class_id == row.class_id) / len(classes)
        seen = sum(part.row is row for part in drawn) / len(drawn)
        assert seen == pytest.approx(p, abs=4 * (p * (1 - p) / len(drawn)) ** 0.5), row.id
    assert all(part.values[name] in values for part in drawn for name, values in part.row.options.items())


def test_users_slip_as_often_as_they_should():
    rng, row = np.random.default_rng(4), T.checks["base-form"]
    check = counter.Check(row.question, row.how, row.why, 1.0, row.minutes, row.id, tuple(row.answers))
    part = next(p for p in (counter.draw_part(rng, T) for _ in range(200)) if "base" in p.values)
    wrong = [counter.answer(check, part, 0.02, rng, T) != part.values["base"] for _ in range(5000)]
    assert np.mean(wrong) == pytest.approx(0.02, abs=4 * (0.02 * 0.98 / 5000) ** 0.5)
    strange = next(p for p in (counter.draw_part(rng, T) for _ in range(200)) if "base" not in p.values)
    assert counter.answer(check, strange, 0.02, rng, T) == "can't tell"


def test_the_photos_answers_follow_the_card():
    counts = counter.confusion()
    assert set(counts) == set(T.classes)
    evaluated = json.loads((counter.CARD.parent / "run" / "evaluation-evaluation.json").read_text())
    assert sum(map(sum, (row.values() for row in counts.values()))) == evaluated["pictures"]
    rng = np.random.default_rng(5)
    part = counter.draw_part(rng, T)
    own = counts[part.row.class_id]
    seen = [counter.photo_of(part, own, rng, T) for _ in range(2000)]
    assert all(sum(one.probabilities.values()) == pytest.approx(1.0) for one in seen)
    for name, count in own.items():
        p = count / sum(own.values())
        said = np.mean([one.answer == name for one in seen])
        assert said == pytest.approx(p, abs=4 * (p * (1 - p) / len(seen)) ** 0.5 + 1e-9), name


def test_measured_sizes_lie_within_their_u95_nineteen_times_in_twenty():
    rng = np.random.default_rng(6)
    inside = []
    for _ in range(3000):
        part = counter.draw_part(rng, T)
        inside += [abs(one.value - part.sizes[one.quantity]) <= one.u95 for one in counter.measured(part, rng, T)]
    assert np.mean(inside) == pytest.approx(0.9545, abs=0.02)
