"""The posterior against hand-worked examples, and its invariances."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from identify import rules, tables
from identify.errors import UsageError
from identify.model import Measurement, Recognition
from identify.rules.belief import believe
from identify.rules.evidence import gather
from identify.tables.advice import CheckRow
from identify.tables.rows import CandidateRow

OTHER_CLASS = "thermostatic"
T = tables.load()
CLASS = next(name for name, block in T.classes.items() if block.part)


def row(name, prior=1.0, *, size=None, confidence="M", attributes=None, options=None, class_id=CLASS):
    spans = {"body_diameter": size} if size else {}
    kind = {"source": "own-estimate", "evidence": "common practice", "confidence": confidence}
    return CandidateRow(name, class_id, name, prior, attributes or {}, options or {}, "", spans, **kind)


def small(*rows, **values):
    """Tables with these rows only, and these settings; no floor, so that the hand-worked figures are exact."""
    numbers = {"class_floor": 0.0, "other_share": 0.1} | values
    changed = {name: replace(T.settings[name], value=value) for name, value in numbers.items()}
    quantities = T.quantities | {"body_diameter": replace(T.quantities["body_diameter"], wear=0.0)}
    rest = (None, 1.0, False, "own-estimate", "common practice", "M")
    colours = {"red": "red", "blue": "blue"}
    question = CheckRow("colour", ("*",), "colour", "choice", "Colour?", "Look.", "It tells.", colours, (), *rest)
    asked = {"colour": question, "own-colour": replace(question, id="own-colour", classes=(CLASS,))}
    asked |= {name: check for name, check in T.checks.items() if check.decides == "order"}
    return replace(
        T,
        candidates={one.id: one for one in rows},
        settings=T.settings | changed,
        quantities=quantities,
        checks=asked,
        conversions={},
        confusables={},
    )


def sure(p=1.0):
    return Recognition(CLASS, {CLASS: p}, (CLASS,), "lying", {}, None, "")


def posterior(own, recognition=None, measured=(), answers=None):
    belief = believe(gather(recognition or sure(), measured, answers or {}, own), own)
    return dict(zip([*(one.id for one in belief.rows), "other"], belief.p.tolist(), strict=True))


def test_without_evidence_the_weights_share_what_other_leaves():
    """Weights 3 : 1 of 0.9 are 0.675 and 0.225."""
    found = posterior(small(row("a", 3), row("b", 1)))
    assert found == pytest.approx({"a": 0.675, "b": 0.225, "other": 0.1}, abs=1e-9)


def test_hand_worked_answer():
    """0.45 x 0.96, 0.45 x 0.04 and 0.1 x 0.5 over their sum 0.5."""
    own = small(row("a", attributes={"colour": ("red",)}), row("b", attributes={"colour": ("blue",)}))
    found = posterior(own, answers={"colour": "red"})
    assert found == pytest.approx({"a": 0.864, "b": 0.036, "other": 0.1}, abs=1e-9)


def test_hand_worked_measurement():
    """36 mm with u 0.5 between rows of 35 and 40 mm; anywhere is 1/82 a mm, an outlier in fifty.

    35: 0.98 x 0.107982 + 0.02 / 82 = 0.106066; 40: 0.02 / 82 = 0.000243902 (its normal density is 1e-14);
    other: 1 / 82 = 0.0121951. Times 0.45, 0.45, 0.1: 0.0477298, 0.000109756, 0.00121951; sum 0.0490591.
    """
    own = small(row("a", size=(35.0, 35.0)), row("b", size=(40.0, 40.0)), rank_outlier=0.02)
    found = posterior(own, measured=[Measurement("body_diameter", 36.0, 1.0, "mm", "")])
    assert found == pytest.approx({"a": 0.972904, "b": 0.002237, "other": 0.024858}, abs=2e-6)


def test_hand_worked_option():
    """A row that leaves red or blue open hears red with probability 0.5, like other; red itself with 0.96."""
    own = small(row("open", options={"colour": ("red", "blue")}), row("red", attributes={"colour": ("red",)}))
    found = posterior(own, answers={"colour": "red"})
    total = 0.45 * 0.5 + 0.45 * 0.96 + 0.1 * 0.5
    assert found == pytest.approx({"open": 0.225 / total, "red": 0.432 / total, "other": 0.05 / total}, abs=1e-9)
    belief = believe(gather(sure(), (), {"colour": "red"}, own), own)
    assert belief.options[0]["colour"] == pytest.approx({"red": 0.96, "blue": 0.04})


def coloured():
    return small(row("a", attributes={"colour": ("red",)}), row("b", attributes={"colour": ("blue",)}))


def test_hand_worked_second_answer():
    """Red twice: 0.45 x 0.96², 0.45 x 0.04², 0.1 x 0.5² over 0.44044; red, then blue: 0.45 x 0.96 x 0.04 for both."""
    own = coloured()
    twice = posterior(own, answers={"colour": "red", "colour:again": "red"})
    assert twice == pytest.approx({"a": 0.941604, "b": 0.001635, "other": 0.056761}, abs=1e-6)
    torn = posterior(own, answers={"colour": "red", "colour:again": "blue"})
    assert torn == pytest.approx({"a": 0.290127, "b": 0.290127, "other": 0.419745}, abs=1e-6)  # 0.01728, 0.01728, 0.025


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        # 0.864, 0.036 and 0.1 after red; times 0.96, 0.04, 0.04 over 0.83488
        ("all of it", {"a": 0.993484, "b": 0.001725, "other": 0.004791}),
        # times 0.04, 0.96, 0.96 over 0.16512
        ("not all of it", {"a": 0.209302, "b": 0.209302, "other": 0.581395}),
        ("can't tell", {"a": 0.864, "b": 0.036, "other": 0.1}),
    ],
)
def test_hand_worked_order_that_is_read_back(said, expected):
    assert posterior(coloured(), answers={"colour": "red", "read-back:a": said}) == pytest.approx(expected, abs=1e-6)


def test_hand_worked_option_that_is_read_back():
    """Row: 0.9 (0.5 x 0.96² + 0.5 x 0.04²) = 0.41544; other: 0.1 x 0.5 x 0.04 = 0.002. Red: 0.4608 / 0.4616."""
    own = small(row("open", options={"colour": ("red", "blue")}))
    answers = {"colour": "red", "read-back:open+red": "all of it"}
    assert posterior(own, answers=answers) == pytest.approx({"open": 0.995209, "other": 0.004791}, abs=1e-6)
    belief = believe(gather(sure(), (), answers, own), own)
    assert belief.options[0]["colour"]["red"] == pytest.approx(0.998267, abs=1e-6)
    assert belief.best == (0, ("red",), pytest.approx(0.995209 * 0.998267, abs=1e-6))


def test_hand_worked_silence():
    """Who can't tell what only the first class has: 0.1 against 0.6. 0.045, 0.27, 0.005 + 0.03 over 0.35.

    A second silence of the same user counts no more.
    """
    own = small(row("a", attributes={"colour": ("red",)}), row("b", class_id=OTHER_CLASS))
    both = Recognition(CLASS, {CLASS: 0.5, OTHER_CLASS: 0.5}, (CLASS,), "lying", {}, None, "")
    own = replace(own, checks=own.checks | {"second": replace(own.checks["own-colour"], id="second")})
    for answers in ({"own-colour": "can't tell"}, {"own-colour": "can't tell", "second": "can't tell"}):
        found = posterior(own, both, answers=answers)
        assert found == pytest.approx({"a": 0.128571, "b": 0.771429, "other": 0.1}, abs=1e-6)


@pytest.mark.parametrize("name", ["read-back", "read-back:c", "read-back:a+red", "colour:twice", "colours"])
def test_an_answer_to_no_check_is_refused(name):
    with pytest.raises(UsageError, match=r"No check|is no order"):
        gather(sure(), (), {name: "all of it"}, coloured())


@given(st.permutations(range(39)))
@settings(max_examples=20, deadline=None)
def test_permuting_rows_permutes_results(order):
    rows = list(T.candidates.items())
    assert len(rows) == len(order)
    values = [Measurement("thread_major_diameter", 20.8, 0.5, "mm", "")]
    answers = {"size-pattern": "15 mm heavy", "splines": "20", "site": "can't tell"}
    seen = Recognition("unsure", dict.fromkeys(T.classes, 1 / len(T.classes)), (), "lying", {}, None, "")
    found = {}
    for own in (T, replace(T, candidates=dict(rows[at] for at in order))):
        belief = believe(gather(seen, values, answers, own), own)
        found[own is T] = {
            one.id: (p, belief.options[k]) for k, (one, p) in enumerate(zip(belief.rows, belief.p[:-1], strict=True))
        }
    for name, (p, options) in found[True].items():
        assert found[False][name][0] == pytest.approx(p, rel=1e-9)
        assert found[False][name][1] == options


def test_cant_tell_says_nothing():
    own = small(row("a", 3, attributes={"colour": ("red",)}), row("b", attributes={"colour": ("blue",)}))
    assert posterior(own, answers={"colour": "can't tell"}) == pytest.approx(posterior(own))


@pytest.mark.parametrize(("confidence", "at_most", "at_least"), [("H", 0.02, 0.0), ("M", 1.0, 0.02)])
def test_only_a_row_of_high_confidence_is_ruled_out_by_its_size(confidence, at_most, at_least):
    own = small(row("a", size=(35.0, 35.0), confidence=confidence), row("b", size=(35.0, 35.0)))
    found = posterior(own, measured=[Measurement("body_diameter", 60.0, 0.4, "mm", "")])
    share = found["a"] / (found["a"] + found["other"])
    assert at_least <= share <= at_most


def test_a_row_of_low_confidence_is_never_ranked_but_named():
    own = small(row("a", size=(35.0, 35.0)), row("low", size=(42.0, 42.0), confidence="L"))
    verdict = rules.judge(sure(), [Measurement("body_diameter", 42.1, 0.5, "mm", "")], tables=own)
    assert [one.id for one in verdict.candidates] == ["other", "a"]
    assert verdict.candidates[0].because[0].startswith("low:")


def test_probability_of_an_unseen_class_goes_to_other():
    assert posterior(small(row("a")), sure(0.6))["other"] == pytest.approx(0.1 * 1.0, abs=1e-9)  # normalised to one
    two = Recognition(CLASS, {CLASS: 0.6, "none": 0.4}, (CLASS,), "lying", {}, None, "")
    assert posterior(small(row("a")), two)["other"] == pytest.approx(0.4 + 0.06, abs=1e-9)


def test_a_class_without_sizes_does_not_lose_to_one_that_has_them(recognise, measure):
    """A row that does not state a size is taken half like the listed sizes."""
    for name in ("thermostatic", "push-non-hold-open", "sensor"):
        verdict = rules.judge(
            recognise(name, 0.9), [measure("body_diameter", 35.0), measure("thread_pitch", 1.81, 0.04)]
        )
        best = T.candidates[verdict.candidates[0].id]
        assert best.class_id == name


def test_order_of_evidence_and_of_rows_does_not_matter(recognise, measure):
    values = [measure("thread_major_diameter", 20.9), measure("thread_pitch", 1.80, 0.05)]
    answers = {"spindle-reach": "yes", "site": "no", "size-pattern": "15 mm heavy"}
    first = rules.judge(recognise("compression-screw"), values, answers=answers)
    turned = replace(T, candidates=dict(reversed(T.candidates.items())))
    second = rules.judge(
        recognise("compression-screw"), values[::-1], answers=dict(reversed(answers.items())), tables=turned
    )
    assert [one.id for one in first.candidates] == [one.id for one in second.candidates]
    for one, other in zip(first.candidates, second.candidates, strict=True):
        assert one.probability == pytest.approx(other.probability, rel=1e-12)


@settings(max_examples=40, deadline=None)
@given(
    weights=st.lists(st.floats(0.0, 1.0), min_size=len(T.classes), max_size=len(T.classes)).filter(
        lambda w: sum(w) > 0
    ),
    diameter=st.floats(5.0, 65.0),
    u95=st.floats(0.0, 5.0),
)
def test_the_posterior_is_a_distribution_whatever_is_measured(weights, diameter, u95):
    p = {name: weight / sum(weights) for name, weight in zip(T.classes, weights, strict=True)}
    seen = Recognition("unsure", p, tuple(p), "lying", {}, None, "")
    measured = [Measurement(name, diameter, u95, "mm", "") for name in ("thread_major_diameter", "body_diameter")]
    belief = believe(gather(seen, measured, {}, T), T)
    assert np.all(belief.p >= 0)
    assert math.fsum(belief.p) == pytest.approx(1.0, abs=1e-12)
    assert math.fsum(belief.classes.values()) == pytest.approx(1.0, abs=1e-9)
    for options in belief.options:
        assert all(sum(values.values()) == pytest.approx(1.0) for values in options.values())


def test_posteriors_are_calibrated_on_parts_drawn_from_the_rows():
    """Parts drawn by the weights and measured with u 0.25 mm: the first candidate is right as often as it says."""
    rng = np.random.default_rng(5)
    listed = [one for one in T.candidates.values() if "body_diameter" in one.ranges and one.confidence != "L"]
    weight = np.array([one.prior for one in listed]) / sum(one.prior for one in listed)
    own = replace(T, candidates={one.id: one for one in listed})
    name = listed[0].class_id
    seen = Recognition(name, {name: 1.0}, (name,), "lying", {}, None, "")
    claimed, right = [], []
    for _ in range(600):
        part = listed[rng.choice(len(listed), p=weight)]
        value = rng.normal(rng.uniform(*part.ranges["body_diameter"]), 0.25)
        belief = believe(gather(seen, [Measurement("body_diameter", value, 0.5, "mm", "")], {}, own), own)
        best = int(np.argmax(belief.p))
        claimed.append(belief.p[best])
        right.append(best < len(listed) and belief.rows[best].id == part.id)
    spread = math.sqrt(sum(p * (1 - p) for p in claimed)) / len(claimed)
    assert np.mean(right) == pytest.approx(np.mean(claimed), abs=3 * spread + 0.02)
