"""Several photos of one part. Weighted mean and its variance: JCGM 100:2008, 4.1.4 and 5.1.2, worked by hand."""

from __future__ import annotations

import importlib.util
import math
from dataclasses import replace
from pathlib import Path

import pytest

from identify import fusion
from identify.model import UNSURE, BudgetLine, Measurement, NotMeasured, Recognition, Variety


def _neighbour(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made_cases = _neighbour("made_cases")


def seen(shares: dict[str, float], answer: str | None = None, view: str = "lying", **said: Variety) -> Recognition:
    best = answer or max(shares, key=lambda name: shares[name])
    return Recognition(best, shares, (best,), view, said, None, made_cases.SHA)


def value(mm: float, edge: float, shared: float = 0.0, quantity: str = "body_diameter") -> Measurement:
    lines = (BudgetLine("edge", edge), BudgetLine("reference size", shared))
    return Measurement(quantity, mm, 2 * math.hypot(edge, shared), "mm", "made", lines)


def test_one_photo_stays_as_it_is():
    one = seen({"a": 0.7, "b": 0.3})
    assert fusion.recognitions([one]) is one
    measured, missed = fusion.measurements([(value(35.0, 0.2),)], [()])
    assert measured == (value(35.0, 0.2),) or measured[0].value == 35.0
    assert missed == ()


def test_probabilities_multiply():
    joint = fusion.recognitions([seen({"a": 0.6, "b": 0.4}), seen({"a": 0.7, "b": 0.3})])
    assert joint.probabilities["a"] == pytest.approx(0.42 / (0.42 + 0.12))
    assert sum(joint.probabilities.values()) == pytest.approx(1.0)
    assert joint.answer == "a"
    assert set(joint.prediction_set) == {"a", "b"}


def test_no_photo_alone_rules_a_class_out():
    joint = fusion.recognitions([seen({"a": 1.0, "b": 0.0}), *[seen({"a": 0.2, "b": 0.8})] * 8])
    assert joint.answer == "b"


def test_unsure_photos_stay_unsure():
    joint = fusion.recognitions([seen({"a": 0.6, "b": 0.4}, UNSURE), seen({"a": 0.5, "b": 0.5}, UNSURE)])
    assert joint.answer == UNSURE


def test_the_bench_view_wins_over_the_installed_one():
    shares = {"a": 0.9, "b": 0.1}
    assert fusion.recognitions([seen(shares, view="installed"), seen(shares, view="standing")]).view == "standing"
    assert fusion.recognitions([seen(shares, view="installed")] * 2).view == "installed"


def test_second_answers_multiply_and_only_of_the_common_class():
    shares = {"a": 0.9, "b": 0.1}
    joint = fusion.recognitions(
        [
            seen(shares, base=Variety("flat", 0.8)),
            seen(shares, base=Variety("flat", 0.6)),
            seen({"a": 0.45, "b": 0.55}, packing=Variety("gland", 0.9)),
        ]
    )
    assert set(joint.varieties) == {"base"}
    assert joint.varieties["base"].answer == "flat"
    assert joint.varieties["base"].probability == pytest.approx(0.48 / (0.48 + 0.08))


def test_what_each_photo_draws_anew_averages_out():
    measured, _ = fusion.measurements([(value(35.0, 0.2),), (value(35.2, 0.2),)], [(), ()])
    assert measured[0].value == pytest.approx(35.1)
    assert measured[0].u95 == pytest.approx(2 * 0.2 / math.sqrt(2))
    assert "2 photos" in measured[0].method


def test_weights_are_inverse_variances():
    measured, _ = fusion.measurements([(value(35.0, 0.1),), (value(35.3, 0.2),)], [(), ()])
    assert measured[0].value == pytest.approx((35.0 / 0.01 + 35.3 / 0.04) / (1 / 0.01 + 1 / 0.04))
    assert measured[0].u95 == pytest.approx(2 / math.sqrt(1 / 0.01 + 1 / 0.04))


def test_what_the_photos_share_does_not_average_out():
    measured, _ = fusion.measurements([(value(35.0, 0.0, 0.2),)] * 4, [()] * 4)
    assert measured[0].u95 == pytest.approx(2 * 0.2)
    both, _ = fusion.measurements([(value(35.0, 0.3, 0.4),)] * 4, [()] * 4)
    assert both[0].u95 == pytest.approx(2 * math.hypot(0.3 / 2, 0.4))
    assert sum(line.u**2 for line in both[0].budget) == pytest.approx((both[0].u95 / 2) ** 2)


def test_a_value_without_lines_counts_by_its_u95():
    bare = replace(value(35.0, 0.2), budget=())
    measured, _ = fusion.measurements([(bare,), (bare,)], [(), ()])
    assert measured[0].u95 == pytest.approx(0.4 / math.sqrt(2))


@pytest.mark.parametrize(("second", "agree"), [(35.5, True), (36.5, False)])
def test_contradicting_values_are_not_averaged(second, agree):
    # two values of u = 0.2: 99 % of their differences lie below 2.576 * 0.2 * sqrt(2) = 0.73
    measured, missed = fusion.measurements([(value(35.0, 0.2),), (value(second, 0.2),)], [(), ()])
    assert bool(measured) == agree
    if not agree:
        assert "contradict" in missed[0].reason
        assert "35.00 ± 0.40 mm" in missed[0].reason


def test_one_photo_gives_what_another_lacks():
    lacking = NotMeasured("body_diameter", "No coin found.", "Lay one down.")
    other = NotMeasured("overall_length", "Standing.", "Lay it on its side.")
    measured, missed = fusion.measurements([(), (value(35.0, 0.2),)], [(lacking, other), (other,)])
    assert [each.quantity for each in measured] == ["body_diameter"]
    assert missed == (other,)
