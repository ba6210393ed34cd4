"""A shop's own rows beside the generic rows: hand-worked posteriors, and what a list may never change."""

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from identify import rules, tables
from identify.model import Measurement, Recognition
from identify.rules.belief import believe
from identify.rules.evidence import gather
from identify.rules.likelihood import densities, density
from identify.tables.advice import CheckRow
from identify.tables.rows import CandidateRow
from identify.tables.stock import OWN, Stock, StockRow

T = tables.load()
CLASS = next(name for name, block in T.classes.items() if block.part)
ORIGIN = {"source": "own-estimate", "evidence": "common practice", "confidence": "M"}


def row(name, prior=1.0, *, size=None, said=None, options=None, class_id=CLASS, thread=""):
    ranges = {"body_diameter": size} if size else {}
    attributes = {key: (value,) for key, value in (said or {}).items()}
    return CandidateRow(name, class_id, name, prior, attributes, options or {}, thread, ranges, **ORIGIN)


def own(number, quantity=1, **stated):
    return StockRow(number, quantity, None, row(OWN + number, **stated), 1)


def small(*generic):
    """Tables with these rows only; no floor and no wear, so that the hand-worked figures are exact."""
    numbers = {"class_floor": 0.0, "other_share": 0.1, "stock_share": 0.5, "rank_outlier": 0.02, "answer_noise": 0.04}
    changed = {name: replace(T.settings[name], value=value) for name, value in numbers.items()}
    question = CheckRow(
        *("colour", ("*",), "colour", "choice", "Colour?", "Look.", "It tells.", {"red": "red", "blue": "blue"}, ()),
        *(None, 1.0, False, "own-estimate", "common practice", "M"),
    )
    return replace(
        T,
        candidates={one.id: one for one in generic},
        settings=T.settings | changed,
        quantities=T.quantities | {"body_diameter": replace(T.quantities["body_diameter"], wear=0.0)},
        checks={"colour": question},
        conversions={},
        confusables={},
    )


SURE = Recognition(CLASS, {CLASS: 1.0}, (CLASS,), "lying", {}, None, "")


def measured(value, u95=1.0):
    return Measurement("body_diameter", value, u95, "mm", "")


def judged(known, parts, found=(), answers=None):
    """Probabilities of the candidates, and of the shop's rows under each."""
    verdict = rules.judge(SURE, found, answers=answers, tables=known, stock=Stock(tuple(parts)))
    candidates = {one.id: one.probability for one in verdict.candidates}
    offers = {(one.id, each.part_number): each.probability for one in verdict.candidates for each in one.stock}
    assert math.fsum(candidates.values()) == pytest.approx(1.0, abs=1e-12)
    return candidates, offers


def test_hand_worked_two_rows_of_one_size():
    """Row a (red, weight 3 of 4) holds 0.675. Two stock rows of it share nine tenths of that: 0.30375 each.

    Now 36 mm is measured, u 0.5, and one of them states 36 mm; anywhere is 1/82 a mm, an outlier in fifty:
    (0.98 x 0.797885 + 0.02 / 82) x 82 = 64.1380 times as likely as a row that states no diameter. Row a weighs
    0.675 x (0.1 + 0.45 + 0.45 x 64.1380) = 19.8532, row b 0.225, other 0.1; sum 20.1782.
    """
    known = small(row("a", 3, said={"colour": "red"}), row("b", said={"colour": "blue"}))
    parts = [own("S1", said={"colour": "red"}), own("S2", said={"colour": "red"}, size=(36.0, 36.0))]
    candidates, offers = judged(known, parts)
    assert candidates == pytest.approx({"a": 0.675, "b": 0.225, "other": 0.1}, abs=1e-9)
    assert offers == pytest.approx({("a", "S1"): 0.30375, ("a", "S2"): 0.30375}, abs=1e-9)
    candidates, offers = judged(known, parts, [measured(36.0)])
    assert candidates == pytest.approx({"a": 0.983893, "b": 0.011151, "other": 0.004956}, abs=2e-6)
    assert offers == pytest.approx({("a", "S2"): 0.965493, ("a", "S1"): 0.015053}, abs=2e-6)


def test_hand_worked_size_that_no_generic_row_has():
    """43 mm is measured, u 0.5; the tables have 35 and 40 mm, the shop 43 mm.

    35 and 40 mm are outliers: 0.45 x 0.02 / 82 = 0.000109756 each. Half of other is the shop's: 0.05 x (0.98 x
    0.797885 + 0.02 / 82) = 0.0391086; the rest of it 0.05 / 82 = 0.000609756. Sum 0.0399379.
    """
    known = small(row("a", size=(35.0, 35.0)), row("b", size=(40.0, 40.0)))
    candidates, offers = judged(known, [own("S", size=(43.0, 43.0))], [measured(43.0)])
    wanted = {"stock:S": 0.979236, "other": 0.015268, "a": 0.002748, "b": 0.002748}
    assert candidates == pytest.approx(wanted, abs=2e-6)
    assert offers == pytest.approx({("stock:S", "S"): 0.979236}, abs=2e-6)


def test_hand_worked_row_of_two_sizes():
    """A part that says no colour belongs to red (weight 3) and blue (weight 1): 0.9 x 3/4 and 0.9 x 1/4 of each."""
    known = small(row("a", 3, said={"colour": "red"}), row("b", said={"colour": "blue"}))
    candidates, offers = judged(known, [own("S")])
    assert candidates == pytest.approx({"a": 0.675, "b": 0.225, "other": 0.1}, abs=1e-9)
    assert offers == pytest.approx({("a", "S"): 0.675 * 0.675, ("b", "S"): 0.225 * 0.225}, abs=1e-9)


def test_rows_that_state_the_same_share_one_probability_and_what_is_there_comes_first():
    known = small(row("a", size=(35.0, 35.0)))
    parts = [own("B", 0, size=(35.0, 35.0)), own("C", 3, size=(35.0, 35.0)), own("D", None, size=(35.0, 35.0))]
    found = rules.judge(SURE, (), tables=known, stock=Stock(tuple(parts))).candidates[0].stock
    assert [(each.part_number, each.quantity) for each in found] == [("C", 3), ("D", None), ("B", 0)]
    assert {round(each.probability, 12) for each in found} == {0.81}


@pytest.mark.parametrize("value", [34.0, 35.2, 36.0, 43.0])
@pytest.mark.parametrize("answers", [{}, {"colour": "red"}, {"colour": "blue"}])
def test_the_same_as_bayes_over_the_rows_written_out(value, answers):
    """A list is no more than rows: the plain posterior over generic row and variants, each with its weight, agrees.

    Row a leaves the colour open; the shop has it in red, and in blue with 34.8 to 35.0 mm. Row b is not in stock.
    """
    open_colour = {"colour": ("red", "blue")}
    a, b = row("a", 2, size=(34.7, 35.3), options=open_colour), row("b", 1, size=(39.7, 40.3))
    parts = [own("R", said={"colour": "red"}), own("B", said={"colour": "blue"}, size=(34.8, 35.0))]
    # a part without a diameter of its own has that of row a, to which it belongs
    parts[0] = replace(parts[0], row=replace(parts[0].row, ranges={"body_diameter": (34.0, 36.0)}))
    written = small(
        replace(a, prior=0.2),
        row("R", 0.9, size=(34.7, 35.3), said={"colour": "red"}),
        row("B", 0.9, size=(34.8, 35.0), said={"colour": "blue"}),
        b,
    )
    belief = believe(gather(SURE, [measured(value)], answers, written), written)
    plain = dict(zip([*(one.id for one in belief.rows), "other"], belief.p.tolist(), strict=True))
    candidates, offers = judged(small(a, b), parts, [measured(value)], answers)
    assert candidates["a"] == pytest.approx(plain["a"] + plain["R"] + plain["B"], rel=1e-9)
    assert candidates["other"] == pytest.approx(plain["other"], rel=1e-9)
    for name in ("R", "B"):
        if plain[name] > 0.01 * max(plain["R"], plain["B"]):
            assert offers["a", name] == pytest.approx(plain[name], rel=1e-9)


def restated():
    """A list that says of each generic row what the tables say of it, and no more."""
    rows = [one for one in T.candidates.values() if one.confidence != "L"]
    return [StockRow(one.id, 1, None, replace(one, id=OWN + one.id, options={}), at) for at, one in enumerate(rows)]


@pytest.mark.parametrize(
    ("name", "found", "answers"),
    [
        (CLASS, [("thread_major_diameter", 20.9)], {}),
        ("single-lever-cartridge", [("body_diameter", 35.1)], {"base-form": "flat"}),
        ("quarter-turn-ceramic", [("thread_major_diameter", 20.9)], {"splines": "20"}),
        ("unsure", [], {}),
        ("none", [], {}),
    ],
)
def test_a_list_that_says_nothing_new_moves_nothing(recognise, measure, name, found, answers):
    seen, values = recognise(name), [measure(*one) for one in found]
    without = rules.judge(seen, values, answers=answers)
    with_list = rules.judge(seen, values, answers=answers, stock=Stock(tuple(restated())))
    for before, after in zip(without.candidates, with_list.candidates, strict=True):
        assert after.id == before.id
        assert after.probability == pytest.approx(before.probability, rel=1e-9, abs=1e-15)
    assert [each.id for each in with_list.checks] == [each.id for each in without.checks]
    assert all(each.stock is None for each in without.candidates)
    assert all(each.stock is not None for each in with_list.candidates)


def test_an_answer_and_a_count_single_out_the_part_in_stock(recognise, measure):
    seen = recognise("quarter-turn-ceramic")
    thread = next(one.thread for one in T.candidates.values() if one.class_id == "quarter-turn-ceramic")
    parts = [
        StockRow(f"C{count}{opens}", 1, None, replace(
            row("x", class_id="quarter-turn-ceramic", said={"opens": opens}, thread=thread),
            ranges={"spline_count": (count, count)}), 1)
        for count in (20, 24) for opens in ("clockwise", "anticlockwise")
    ]  # fmt: skip
    answers = {"splines": "20", "opening-direction": next(iter(T.checks["opening-direction"].answers))}
    meant = next(iter(T.checks["opening-direction"].answers.values()))
    verdict = rules.judge(seen, [measure("thread_major_diameter", 20.9)], answers=answers, stock=Stock(tuple(parts)))
    assert verdict.candidates[0].stock[0].part_number == f"C20{meant}"


SIZES = st.one_of(st.none(), st.floats(20, 50).map(lambda low: (round(low, 1), round(low, 1) + 0.4)))
SAID = st.sampled_from([{}, {"colour": "red"}, {"colour": "blue"}])


@settings(max_examples=60, deadline=None)
@given(
    stated=st.lists(st.tuples(SIZES, SAID), max_size=30),
    value=st.floats(9, 89),
    answer=st.sampled_from([{}, {"colour": "red"}]),
    seed=st.integers(0, 99),
)
def test_the_order_of_the_list_does_not_matter_and_the_sum_is_one(stated, value, answer, seed):
    known = small(
        row("a", 2, size=(34.7, 35.3), options={"colour": ("red", "blue")}),
        row("b", size=(39.7, 40.3), said={"colour": "red"}),
    )
    parts = [own(f"P{at}", size=size, said=said) for at, (size, said) in enumerate(stated)]
    mixed = random.Random(seed).sample(parts, len(parts))
    candidates, offers = judged(known, parts, [measured(value)], answer)
    assert judged(known, mixed, [measured(value)], answer) == (candidates, offers)
    for (name, _), p in offers.items():
        assert 0.0 < p <= candidates[name] * (1 + 1e-9)


def test_a_long_list_of_odd_sizes_leaves_the_rest_in_other():
    """Only so many own rows stand by themselves; what the others hold stays in ``other``, so that all sum to 1."""
    known = small(row("a", size=(35.0, 35.0)))
    parts = [own(f"P{at:03}", size=(40 + at / 20, 40 + at / 20)) for at in range(200)]
    candidates, _ = judged(known, parts, [measured(44.0, 4.0)])
    assert 2 <= sum(name.startswith(OWN) for name in candidates) <= 20
    assert candidates["other"] > 0.3


def test_densities_are_those_of_one_part():
    low, high = np.array([30.0, 34.7, 35.0, np.nan]), np.array([31.0, 35.3, 35.0, np.nan])
    found = densities(34.9, 0.2, low, high, wear=0.1)
    wanted = [density(34.9, 0.2, float(a), float(b), wear=0.1) for a, b in zip(low[:3], high[:3], strict=True)]
    assert found[:3] == pytest.approx(wanted, rel=1e-12)
    assert np.isnan(found[3])


def test_a_part_that_only_the_list_has_names_the_list_as_its_source():
    known = small(row("a", size=(35.0, 35.0)))
    verdict = rules.judge(SURE, [measured(43.0)], tables=known, stock=Stock((own("S", size=(43.0, 43.0)),)))
    assert (verdict.decision, verdict.remark.split(":")[:2]) == ("order", ["Order stock", "S"])
    best = verdict.candidates[0]
    assert (best.id, best.sources) == ("stock:S", ("the shop's own stock list",))
    assert best.dimensions["body_diameter_mm"] == 43.0
    assert any("measured 43.00" in because for because in best.because)
