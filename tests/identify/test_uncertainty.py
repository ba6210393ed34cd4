from __future__ import annotations

import math

import numpy as np
import pytest

from identify.geometry.camera import on_height
from identify.model import Array, BudgetLine, Camera, Pose
from identify.uncertainty import Estimate, Extra, mixed_budget, mixture, monte_carlo, propagate

CAMERA = Camera(1156.0, (799.5, 599.5), 0.02, "EXIF")


def above(covariance: np.ndarray, height_mm: float = 300.0) -> Pose:
    """A camera that looks straight down."""
    return Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, height_mm]), covariance)


def span(camera: Camera, pose: Pose, shifts: Array) -> float:
    """Distance on the bench between two pixels, the second moved outward by a shift [mm]."""
    ends = np.array([[600.0, 500.0], [700.0 + (shifts[0] if len(shifts) else 0.0), 650.0]])
    plan = on_height(camera, pose, ends)
    return float(np.linalg.norm(plan[1] - plan[0]))


@pytest.mark.parametrize(
    ("inputs", "expected"),
    [
        # JCGM 100:2008, 5.1.2 on a product: relative uncertainties add in quadrature
        ((0.01, 0.0), 0.01),
        ((0.0, 3.0), 0.01),
        ((0.01, 3.0), math.hypot(0.01, 0.01)),
    ],
)
def test_relative_uncertainties_of_a_scale_add_in_quadrature(inputs: tuple[float, float], expected: float) -> None:
    covariance = np.zeros((7, 7))
    covariance[0, 0], covariance[6, 6] = inputs[0] ** 2, inputs[1] ** 2
    estimate = propagate(span, CAMERA, above(covariance))
    assert estimate.u / estimate.value == pytest.approx(expected, rel=1e-3)


def test_end_gauge_example_of_the_guide() -> None:
    """JCGM 100:2008, H.1, table H.1: u(ls) 25, u(d) 9.7, u(dalpha) 2.9, u(dtheta) 16.6 nm give u_c = 32 nm."""
    lines = (25.0, 9.7, 2.9, 16.6)
    estimate = Estimate(50.000838, tuple(BudgetLine(str(u), u) for u in lines))
    assert estimate.u == pytest.approx(32, abs=0.6)


def test_budget_agrees_with_monte_carlo_within_a_tenth() -> None:
    source = np.random.default_rng(4)
    mixing = source.normal(size=(7, 7)) * np.array([0.01, 0.01, 0.01, 0.01, 0.5, 0.5, 2.0])[:, None] * 0.4
    pose = above(mixing @ mixing.T)
    extras = (Extra("edge", 0.4),)
    estimate = propagate(span, CAMERA, pose, extras=extras)
    drawn = monte_carlo(span, CAMERA, pose, extras=extras, draws=4000, seed=1)
    assert estimate.u == pytest.approx(float(np.std(drawn)), rel=0.10)
    assert estimate.value == pytest.approx(float(np.mean(drawn)), abs=3 * estimate.u / math.sqrt(4000) + 0.05)


def test_lines_within_the_pose_are_shown_apart_and_do_not_add() -> None:
    covariance = np.diag([1e-4, 0, 0, 0, 0, 0, 9.0])
    plain = propagate(span, CAMERA, above(covariance))
    told = propagate(span, CAMERA, above(covariance), within=(BudgetLine("reference size", 0.1),))
    assert told.u == pytest.approx(plain.u)
    assert {line.name for line in told.budget} == {"focal length", "reference size", "pose"}


def test_a_value_that_is_not_finite_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        propagate(lambda camera, pose, shifts: math.nan, CAMERA, above(np.zeros((7, 7))))


@pytest.mark.parametrize(
    ("values", "spreads", "weights"),
    [
        ((20.0, 21.0), (0.1, 0.1), (0.5, 0.5)),
        ((20.0, 20.4), (0.2, 0.1), (0.9, 0.1)),
        ((35.0, 30.0), (0.2, 0.2), (0.97, 0.03)),
    ],
)
def test_a_mixture_holds_95_percent(values: tuple, spreads: tuple, weights: tuple) -> None:
    estimates = [Estimate(value, (BudgetLine("all", u),)) for value, u in zip(values, spreads, strict=True)]
    value, u95 = mixture(estimates, weights)
    source = np.random.default_rng(0)
    which = source.choice(len(values), p=weights, size=200_000)
    drawn = source.normal(np.array(values)[which], np.array(spreads)[which])
    held = float(np.mean(np.abs(drawn - value) <= u95))
    assert 0.947 <= held <= 0.965


def test_one_estimate_alone_gives_twice_its_uncertainty() -> None:
    assert mixture([Estimate(20.0, (BudgetLine("all", 0.25),))], [0.3]) == (20.0, 0.5)


def test_the_budget_of_two_poses_names_the_sign_of_the_tilt() -> None:
    two = [Estimate(20.0, (BudgetLine("pose", 0.1),)), Estimate(21.0, (BudgetLine("pose", 0.1),))]
    lines = {line.name: line.u for line in mixed_budget(two, [0.5, 0.5])}
    assert lines["sign of the tilt"] == pytest.approx(0.5)
    assert lines["pose"] == pytest.approx(0.1)


@pytest.mark.parametrize(("estimates", "weights"), [([], []), ([Estimate(1.0, ())], []), ([Estimate(1.0, ())], [0.0])])
def test_a_mixture_of_nothing_is_refused(estimates: list, weights: list) -> None:
    with pytest.raises(ValueError, match="weights"):
        mixture(estimates, weights)
