"""The scatter of coins about a smooth bench, on sizes and a disc whose truth is known."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from identify.model import Ellipse
from training.coin_scatter import Scatter, best_errors, off_smooth, stepped


def test_a_bench_seen_aslant_leaves_nothing_and_one_high_coin_stands_out() -> None:
    places = np.random.default_rng(3).uniform(-0.5, 0.5, (40, 2))
    depth = 1 / (1 + places @ [0.1, -0.05])  # a plane: inverse depth is linear over the picture
    sizes = math.log(50) - np.log(depth)
    assert np.abs(off_smooth(places, sizes)).max() < 0.075**3 / 3, "the third term of the logarithm"
    sizes[7] += 0.02
    off = off_smooth(places, sizes)
    assert off[7] == pytest.approx(0.02 * math.sqrt(40 / 34), rel=0.15)
    assert np.abs(np.delete(off, 7)).max() < 2e-3


def test_a_lost_size_stays_unknown() -> None:
    places = np.random.default_rng(4).uniform(-0.5, 0.5, (20, 2))
    sizes = np.full(20, 3.0)
    sizes[4] = math.nan
    off = off_smooth(places, sizes)
    assert np.isnan(off[4])
    assert np.abs(np.delete(off, 4)).max() < 1e-9


def test_the_step_of_light_is_found_to_a_tenth_of_a_percent() -> None:
    y, x = np.mgrid[:160, :160]
    away = np.hypot((x - 80.3) / 50.0, (y - 79.6) / 47.0)
    light = cv2.GaussianBlur((away < 1).astype(np.float32), (0, 0), 1.0)[..., None].repeat(3, axis=2)
    assert stepped(light, Ellipse(80.0, 80.0, 49.0, 47.5, 0.0)) == pytest.approx(0.5 * math.log(50 * 47), abs=1e-3)


def test_two_coins_are_off_by_the_root_of_two_of_one() -> None:
    scenes = [Scatter("one", 30, 12, 1.0, 1.0, 0.5)]
    middle, high = best_errors(scenes, np.random.default_rng(0))
    assert middle == pytest.approx(0.6745 * math.sqrt(2) * 0.5, rel=0.03)
    assert high == pytest.approx(1.96 * math.sqrt(2) * 0.5, rel=0.03)
