"""Densities against hand-worked values and against a library."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from identify.rules.likelihood import density, mixed, row_spread, said


def test_spread_of_a_rectangular_distribution():
    """JCGM 100:2008, 4.3.7: half-width over root three."""
    assert row_spread(34.7, 35.3) == pytest.approx(0.3 / math.sqrt(3))


@pytest.mark.parametrize("value", [33.0, 34.6, 35.0, 35.9])
def test_without_wear_it_is_the_normal_density(value):
    u, spread = 0.3, 0.3 / math.sqrt(3)
    expected = stats.norm(35.0, math.hypot(u, spread)).pdf(value)
    assert density(value, u, 34.7, 35.3) == pytest.approx(expected, rel=1e-12)


def test_hand_worked_density():
    """u 0.5, one unit above 35: 0.79788 exp(-2) = 0.10798."""
    assert density(36.0, 0.5, 35.0, 35.0) == pytest.approx(0.10798, abs=1e-5)


@pytest.mark.parametrize(("u", "wear"), [(0.1, 0.0), (0.2, 0.1), (0.05, 0.5)])
def test_density_integrates_to_one(u, wear):
    total, _ = integrate.quad(lambda x: density(x, u, 20.671, 20.955, wear=wear), 15, 25, points=[20.813], limit=200)
    assert total == pytest.approx(1.0, abs=1e-6)


def test_wear_makes_a_thread_smaller_and_never_larger():
    below, above = (density(20.813 + step, 0.1, 20.671, 20.955, wear=0.2) for step in (-0.4, 0.4))
    assert below > 2 * above
    without = density(20.813 - 0.4, 0.1, 20.671, 20.955)
    assert below > without


def test_a_perfect_measurement_does_not_divide_by_zero():
    assert np.isfinite(density(35.0, 0.0, 35.0, 35.0))


def test_mixture_keeps_a_share_for_what_has_nothing_to_do_with_the_row():
    assert mixed(2.0, 0.1, 0.05) == pytest.approx(0.95 * 2.0 + 0.05 * 0.1)


def test_what_is_said_sums_to_one_over_the_values():
    assert said("b", ("a", "b", "c"), 0.96) == pytest.approx({"a": 0.02, "b": 0.96, "c": 0.02})
