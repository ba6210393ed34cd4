from xml.etree import ElementTree

import numpy as np
import pytest
from scipy.stats import binomtest

from identify.classifier import softmax
from training import curves, figures


@pytest.mark.parametrize(("errors", "count"), [(0, 10), (1, 100), (5, 300), (30, 400)])
def test_upper_bound_is_clopper_and_pearson(errors, count):
    # a two-sided exact interval at 90 % has the one-sided 95 % limit as its upper end (scipy's own implementation)
    oracle = binomtest(errors, count).proportion_ci(0.90, method="exact").high
    assert figures.upper_bound(errors, count, 0.05) == pytest.approx(oracle, rel=1e-9)


def test_no_error_in_149_shows_two_percent():
    # 1 - 0.05^(1/n) <= 0.02 first holds at n = 149 (the "rule of three", Hanley & Lippman-Hand 1983, gives 150)
    assert figures.upper_bound(0, 149, 0.05) <= 0.02 < figures.upper_bound(0, 148, 0.05)


@pytest.mark.parametrize(("right", "count"), [(190, 200), (0, 7), (7, 7), (50, 100)])
def test_wilson(right, count):
    oracle = binomtest(right, count).proportion_ci(0.95, method="wilson")
    assert figures.wilson(right, count) == pytest.approx((oracle.low, oracle.high), abs=2e-5)


def test_temperature_is_found_again():
    rng = np.random.default_rng(1)
    logits = rng.normal(0, 2, (20000, 5))
    truth = np.array([rng.choice(5, p=row) for row in softmax(logits, axis=1)])
    assert figures.fit_temperature(3.0 * logits, truth) == pytest.approx(3.0, rel=0.05)
    before = softmax(3.0 * logits, axis=1)
    after = softmax(3.0 * logits, 3.0, axis=1)
    gaps = [figures.expected_calibration_error(p.max(axis=1), p.argmax(axis=1) == truth) for p in (before, after)]
    assert gaps[1] < 0.02 < gaps[0]


def test_expected_calibration_error_by_hand():
    # two bins: 0.9 sure and 1 of 2 right (gap 0.4), 0.6 sure and 2 of 2 right (gap 0.4)
    gap = figures.expected_calibration_error(np.array([0.9, 0.9, 0.6, 0.6]), np.array([True, False, True, True]))
    assert gap == pytest.approx(0.4)


def test_risk_coverage_area_by_hand():
    area = figures.area_under_risk_coverage(np.array([0.9, 0.8, 0.7]), np.array([True, False, True]))
    assert area == pytest.approx((0 + 1 / 2 + 1 / 3) / 3)


def test_the_threshold_keeps_its_promise():
    # simulated answers whose chance of being right is their confidence: in 200 draws the true risk above the
    # threshold may exceed 2 % in at most 5 % of them (Geifman & El-Yaniv 2017); binomial slack of three sigma
    rng = np.random.default_rng(5)
    broken = 0
    for _ in range(200):
        confidence = 1 - rng.beta(0.5, 6, 2000)
        right = rng.random(2000) < confidence
        threshold, bound = figures.abstention_threshold(confidence, right, risk=0.02, delta=0.05)
        if bound <= 0.02:
            many = 1 - rng.beta(0.5, 6, 20000)
            broken += float(np.mean(1 - many[many >= threshold])) > 0.02
    assert broken <= 200 * 0.05 + 3 * np.sqrt(200 * 0.05 * 0.95)


def test_the_threshold_says_when_it_can_promise_nothing():
    right = np.array([True] * 20)
    _, bound = figures.abstention_threshold(np.linspace(0.5, 1, 20), right, risk=0.01, delta=0.05)
    assert bound > 0.01


def test_conformal_sets_cover():
    # split conformal: coverage of a new case is at least the level (Vovk et al. 2005); over 1,000 draws of 100
    # calibration cases the mean coverage follows Beta(96, 5), mean 96 / 101
    rng = np.random.default_rng(2)
    covered = [float((rng.random(500) >= figures.conformal_limit(rng.random(100), 0.95)).mean()) for _ in range(1000)]
    assert np.mean(covered) == pytest.approx(96 / 101, abs=0.004)


def test_too_few_cases_give_the_whole_set():
    assert figures.conformal_limit(np.array([0.9, 0.8]), 0.95) == 0.0


def test_confusion_counts():
    table = figures.confusion(np.array([0, 0, 1]), np.array([0, 2, 1]), 2, 3)
    assert table.tolist() == [[1, 0, 1], [0, 1, 0]]


def test_bins_of_confidence_hold_all_answers_once():
    rng = np.random.default_rng(4)
    confidence = rng.uniform(0.2, 1.0, 400)
    right = rng.random(400) < confidence
    found = figures.reliability(confidence, right)
    assert sum(count for count, _, _ in found) == 400
    assert sum(count * accuracy for count, _, accuracy in found) == pytest.approx(right.sum())
    assert sum(count * sure for count, sure, _ in found) == pytest.approx(confidence.sum())
    assert figures.expected_calibration_error(confidence, right) < 0.08  # sampled from its own probabilities
    assert figures.expected_calibration_error(confidence, ~right) > 0.15


def test_risk_at_full_coverage_is_the_error_rate():
    confidence = np.array([0.9, 0.8, 0.7, 0.6])
    right = np.array([True, False, True, False])
    assert figures.risk_coverage(confidence, right) == [
        (0.25, 0.0),
        (0.5, 0.5),
        (0.75, pytest.approx(1 / 3)),
        (1.0, 0.5),
    ]
    many = np.linspace(0, 1, 1000)
    assert len(figures.risk_coverage(many, many > 0.5)) == 50


def test_the_card_has_a_dot_a_bin_and_a_curve_a_set():
    one = {"reliability": [(30, 0.5, 0.4), (10, 0.9, 1.0)], "risk_coverage": [(0.5, 0.0), (1.0, 0.2)]}
    picture = ElementTree.fromstring(curves.drawn({"first": one, "second": one}))
    name = "{http://www.w3.org/2000/svg}"
    dots = picture.findall(f"{name}circle")
    assert len(dots) == 4
    assert float(dots[0].get("r")) == pytest.approx(3**0.5 * float(dots[1].get("r")), rel=0.02)  # its area is the count
    assert float(dots[1].get("cy")) == pytest.approx(curves.TOP_PX)  # all right: at the top
    lines = [line.get("points") for line in picture.findall(f"{name}polyline") if line.get("stroke") in curves.COLOURS]
    assert len(lines) == 2
    assert lines[0].split()[-1] == f"{curves.LEFT_PX + 2 * curves.SIDE_PX + curves.GAP_PX:g},{curves.TOP_PX:g}"
    assert "second, 40 pictures" in {text.text for text in picture.findall(f"{name}text")}
