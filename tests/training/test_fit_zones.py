"""Fitting what a window's rating counts for: the right windows win, and evaluation pictures are refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from identify.dimensions import zone
from training import fit_zones

pytestmark = pytest.mark.train


def case(seed: int) -> fit_zones.Case:
    """Twelve windows of one part: three show its thread of 20.955 mm, and the network speaks for these."""
    rng = np.random.default_rng(seed)
    right = np.arange(12) < 3
    features = rng.normal(0, 1, (12, len(zone.TOLD)))
    features[:, list(zone.TOLD).index("told")] += np.where(right, 3.0, -3.0)
    size = np.where(right, 20.955, 26.441)
    spans = np.column_stack([np.arange(12.0), np.arange(12.0) + 8])
    return fit_zones.Case(f"{seed}.jpg", "true", features, size, size, spans, -4.0, 20.955)


def test_the_told_windows_win() -> None:
    weights = fit_zones.fitted([case(seed) for seed in range(40)])
    assert weights[list(zone.TOLD).index("told")] > 0.3
    answers = [fit_zones.answer(one, weights) for one in map(case, range(100, 130))]
    assert np.mean([abs(error) < 0.01 and chance > 0.5 for chance, error in answers]) > 0.9
    none = fit_zones.answer(case(1), np.append(weights[:-2], [50.0, 0.0]))
    assert none[0] < 1e-6, "nothing outweighs every window"


def test_the_slope_is_that_of_the_loss() -> None:
    data, weights = [case(seed) for seed in range(3)], np.random.default_rng(0).normal(0, 0.3, len(zone.TOLD) + 2)
    _, slope = fit_zones._loss(weights, data)
    for index in range(len(weights)):
        step = np.zeros_like(weights)
        step[index] = 1e-5
        change = fit_zones._loss(weights + step, data)[0] - fit_zones._loss(weights - step, data)[0]
        assert slope[index] == pytest.approx(change / 2e-5, rel=1e-3, abs=1e-4)


def test_evaluation_pictures_are_refused() -> None:
    with pytest.raises(SystemExit, match="evaluation"):
        list(fit_zones.cases(Path("pictures"), {"split": "evaluation", "class": "sensor", "view": "lying"}))
