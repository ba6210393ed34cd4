"""Combs of marks on a line in perspective, from profiles made of exact bars."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from identify.geometry.ticks import Comb, find_combs, fit, flatten, peaks, read_pattern

TENS = np.array([0, 2, 2, 2, 2, 1, 2, 2, 2, 2])
SIXTEENTHS = np.array([0, 4, 3, 4, 2, 4, 3, 4, 1, 4, 3, 4, 2, 4, 3, 4])


def strip(comb, count, length=900, depth=6, noise=0.02, seed=1):
    """Dark bars a fifth of a step wide, area-sampled and blurred."""
    x = np.arange(length)
    rows = []
    for row in range(depth):
        light = np.ones(length)
        k = np.arange(count)
        for middle, half in zip(comb.at(k, float(row)), 0.1 * comb.spacing(k), strict=True):
            light -= 0.5 * np.clip(np.minimum(x + 0.5, middle + half) - np.maximum(x - 0.5, middle - half), 0, 1)
        rows.append(gaussian_filter1d(light, 0.8))  # a lens
    return np.array(rows) + np.random.default_rng(seed).normal(0, noise, (depth, length))


@pytest.mark.parametrize(
    ("a", "c", "lean"),
    [(6.0, 0.0, 0.0), (7.5, 0.0015, 0.1), (4.2, -0.0008, -0.15), (12.0, 0.004, 0.2), (9.0, -0.002, 0)],
)
def test_comb_is_found_and_fitted(a, c, lean):
    true = Comb(a, 20.0, c, s0=lean, s1=1e-4)
    count = 0
    while count < 130 and 0 < true.at(np.array([count]))[0] < 880 and true.spacing(np.array([count]))[0] > 3:
        count += 1
    flat = flatten(strip(true, count))
    found = find_combs(flat[:3].mean(axis=0))[0]
    numbers = np.arange(2, count - 2) + np.round(found.number(true.at(np.array([0.0]))))[0]
    places = peaks(flat[:6], found, np.arange(6.0), numbers)
    fitted, _, _ = fit(found, numbers, places, np.arange(6.0))
    errors = fitted.at(numbers) - true.at(np.arange(2, count - 2))
    assert np.sqrt(np.mean(errors**2)) < 0.08
    assert fitted.s0 + 450 * fitted.s1 == pytest.approx(lean + 450e-4, abs=0.03)


def test_noise_is_no_comb():
    rng = np.random.default_rng(2)
    found = [find_combs(flatten(rng.normal(0, 1, (4, 900))).mean(axis=0))[0].coherence for _ in range(5)]
    assert max(found) < 0.05  # what the ruler asks for


def test_numbers_undo_places():
    comb = Comb(7.0, 13.0, 0.002)
    k = np.arange(80.0)
    assert comb.number(comb.at(k)) == pytest.approx(k)
    assert comb.finer(4).at(4 * k) == pytest.approx(comb.at(k))
    assert np.diff(comb.at(k)) == pytest.approx(comb.spacing(k[:-1] + 0.5), rel=1e-3)


@pytest.mark.parametrize(("ranks", "shift"), [(TENS, 0), (TENS, 7), (SIXTEENTHS, 5)])
def test_pattern_is_read_with_its_shift(ranks, shift):
    rng = np.random.default_rng(4)
    numbers = np.arange(3, 103)
    ink = 30.0 - 5 * ranks[(numbers - shift) % len(ranks)] + rng.normal(0, 1.5, 100)
    score, found = read_pattern(ink, numbers, ranks)
    assert score > 0.7
    assert found == shift


@pytest.mark.parametrize("kind", ["even", "inch for mm", "mm for inch", "every other longer"])
def test_other_patterns_are_refused(kind):
    rng = np.random.default_rng(6)
    numbers = np.arange(112)
    true = {
        "even": np.array([2]),
        "inch for mm": SIXTEENTHS,
        "mm for inch": TENS,
        "every other longer": np.array([0, 2]),
    }
    ranks = true[kind]
    ink = 30.0 - 5 * ranks[numbers % len(ranks)] + rng.normal(0, 1.5, 112)
    assert read_pattern(ink, numbers, SIXTEENTHS if kind == "mm for inch" else TENS)[0] < 0.3
