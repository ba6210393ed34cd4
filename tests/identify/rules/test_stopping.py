"""When the rules say order, ask on, compare or wait; reading an order back; rows that no check tells apart."""

import math
import subprocess
import sys
from dataclasses import replace

import pytest

from identify import rules, tables

T = tables.load()
SCREW = "compression-screw"
ANSWERS = {"spindle-reach": "no", "site": "no", "action": "turns several times"}


@pytest.fixture
def screw(recognise, measure):
    """Verdict on a screw-down head whose thread was measured well."""
    values = [measure("thread_major_diameter", 20.9, 0.3), measure("thread_pitch", 1.81, 0.04)]

    def judge(own=T, **answers):
        told = {name.replace("_", "-"): said for name, said in answers.items()}
        return rules.judge(recognise(SCREW), values, answers=ANSWERS | told, tables=own)

    return judge


def test_an_order_needs_its_row_and_its_options(recognise, measure, screw):
    start = rules.judge(recognise(SCREW), [measure("thread_major_diameter", 20.9, 0.3)])
    assert start.decision == "ask"
    assert start.remark == f"Not settled: next check: {start.checks[0].question}"
    row_only = screw()
    assert row_only.candidates[0].probability > 0.95
    assert row_only.decision == "ask"
    assert row_only.remark.startswith("One row holds 9")
    assert row_only.checks[0].id == "size-pattern"
    complete = screw(size_pattern="15 mm heavy")
    assert complete.decision == "ask"  # 0.96 of 0.97: one slip in twenty-five is too many
    assert complete.checks[0].id == "read-back:screw-g1/2-exposed+15_heavy"


def test_an_order_that_agrees_is_given_with_what_belongs_before_it(recognise, measure):
    values = [measure("thread_major_diameter", 20.9, 0.3), measure("thread_pitch", 1.81, 0.04)]
    answers = ANSWERS | {"size-pattern": "15 mm heavy", "read-back:screw-g1/2-exposed+15_heavy": "all of it"}
    verdict = rules.judge(recognise(SCREW), values, answers=answers)
    assert verdict.decision == "order"
    row = T.candidates["screw-g1/2-exposed"]
    assert verdict.remark.startswith(f"Order {row.description}; size pattern 15 heavy: over 99% sure.")
    assert "Before you order:" in verdict.remark
    assert all(T.checks[name].question in verdict.remark for name in ("seat", "drive"))
    assert verdict.candidates[0].dimensions["size_pattern"] == "15 heavy"


def test_an_order_that_differs_is_asked_about_once_more(recognise, measure):
    values = [measure("thread_major_diameter", 20.9, 0.3)]
    answers = ANSWERS | {"size-pattern": "15 mm heavy"}
    before = rules.judge(recognise(SCREW), values, answers=answers)
    answers["read-back:screw-g1/2-exposed+15_heavy"] = "not all of it"
    verdict = rules.judge(recognise(SCREW), values, answers=answers)
    asked = [check for check in verdict.checks if check.id.endswith(":again")]
    assert not [check for check in before.checks if check.id.endswith(":again")]
    assert {"spindle-reach:again", "size-pattern:again"} <= {check.id for check in asked}
    assert all(check.question.startswith("Once more: ") for check in asked if not check.id.startswith("read-back"))
    answers["spindle-reach:again"] = "yes"
    assert "spindle-reach:again" not in {c.id for c in rules.judge(recognise(SCREW), values, answers=answers).checks}


def test_the_gain_of_reading_back_is_the_information_of_its_answer(screw):
    """Agree or not of one order of probability q: H(0.96 q + 0.04 (1 - q)) - H(0.04), by who can tell (0.9)."""
    verdict = screw(size_pattern="15 mm heavy")
    check = next(check for check in verdict.checks if check.id.startswith("read-back"))
    # p(row) times 0.96 for the option that was told
    q = verdict.candidates[0].probability * 0.96
    agree = 0.96 * q + 0.04 * (1 - q)
    assert check.gain_bits == pytest.approx(0.9 * (entropy(agree) - entropy(0.04)), abs=1e-9)


def entropy(p):
    return -p * math.log2(p) - (1 - p) * math.log2(1 - p)


def test_when_no_check_tells_more_what_is_open_is_said(recognise):
    answers = dict.fromkeys(T.checks.keys() - {"read-back"}, "can't tell")
    verdict = rules.judge(recognise("single-lever-cartridge"), [], answers=answers)
    assert verdict.decision == "compare"
    assert "Still open: cartridge-35-flat" in verdict.remark
    assert "hot limit ring with or without" in verdict.remark


def test_an_answer_that_forbids_an_order_is_said_first(recognise):
    verdict = rules.judge(recognise("thermostatic"), [], answers={"sides": "no"})
    assert verdict.decision == "wait"
    assert verdict.remark.startswith("Do not order yet: Is hot on the left")


def test_rows_that_no_check_tells_apart_are_named_and_either_is_ordered(screw):
    """Two rows of one size and the same attributes: at even odds no check tells a tenth of a bit of them."""
    row = T.candidates["screw-g1/2-exposed"]
    own = replace(T, candidates=T.candidates | {"second": replace(row, id="second", description="The same again")})
    verdict = screw(own, size_pattern="15 mm heavy")
    pair = next(pair for pair in verdict.pairs if "No check tells" in pair.text)
    assert (pair.first, pair.second, pair.check) == ("screw-g1/2-exposed", "second", "")
    assert "order either, or compare both" in pair.text
    shares = {one.id: one.probability for one in verdict.candidates}
    assert shares["second"] == pytest.approx(shares["screw-g1/2-exposed"])
    assert [pair for pair in screw(size_pattern="15 mm heavy").pairs if "No check tells" in pair.text] == []


def test_listed_rows_are_all_told_apart_by_some_check():
    """No two rows of the tables state the same of everything that a check asks for."""
    asked = {check.decides for check in T.checks.values()}
    seen = {}
    for row in T.candidates.values():
        thread = T.threads[row.thread].ranges.items() if row.thread else ()
        known = {**dict(thread), **row.ranges, **row.attributes, **row.options}
        key = (row.class_id, *sorted((name, value) for name, value in known.items() if name in asked))
        assert key not in seen, (row.id, seen[key])
        seen[key] = row.id


def test_the_rules_need_neither_opencv_nor_the_network():
    """A new process that judges one part loads neither OpenCV nor the network's runtime."""
    code = (
        "import sys\n"
        "from identify import rules\n"
        "from identify.model import Recognition\n"
        "rules.judge(Recognition('unsure', {}, (), 'lying', {}, None, ''), [])\n"
        "print(sorted({name.partition('.')[0] for name in sys.modules} & {'cv2', 'onnxruntime', 'PIL', 'scipy'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
