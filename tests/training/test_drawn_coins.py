"""Coins measured by a coin on drawn benches: the rays' geometry is exact, so every size and every pose is known."""

import math
from dataclasses import replace

import numpy as np
import pytest

from identify import tables
from identify.geometry import ellipse as ellipses
from identify.model import Photo
from identify.reference.rims import find_rims
from training import coin_scenes, drawn_coins, measure_coins, real_photos

SIZE = (1000, 750)
SEEDS = range(9000, 9004)  # training.fit_rings starts its seeds at 0 and stays far below a million scenes of one coin
U_FOCAL, U_COIN_MM = 0.02, 0.03  # as the tables and EXIF have them


def bench(seed):
    """A drawn photo of many coins, its stage, and the row that names them."""
    rng = np.random.default_rng([1, seed])
    stage = coin_scenes.random_bench(rng, 9, size_wh=SIZE, u_mm=U_COIN_MM)
    rgb = drawn_coins.developed(drawn_coins.light(stage, (0, 0, *SIZE), rays=2), rng)
    focal35_mm = stage.focal_px / math.hypot(*SIZE) * 43.2666 * math.exp(rng.normal(0, U_FOCAL))
    coin = stage.coins[0]
    row = replace(
        tables.load().reference("eur-50c"),
        diameter_mm=2 * float(np.median([each.radius_mm for each in stage.coins])),
        thickness_mm=coin.thickness_mm,
    )
    return Photo("drawn", "0" * 64, rgb, *SIZE, float(focal35_mm)), stage, row


@pytest.fixture(scope="module")
def measured():
    results = []
    for seed in SEEDS:
        photo, stage, row = bench(seed)
        rims = find_rims(photo)
        results.append((stage, rims, real_photos.coins_by_coin(str(seed), photo, rims, row)))
    return results


def test_coins_are_found_where_they_were_drawn(measured):
    for stage, rims, _ in measured:
        true = [ellipses.fit(stage.circle_px(coin, 1.0)).ellipse for coin in stage.coins]
        assert len(rims) <= len(true)
        missed = [
            min(math.hypot(rim.ellipse.x_px - each.x_px, rim.ellipse.y_px - each.y_px) / each.major_px for rim in rims)
            for each in true
        ]
        assert np.mean(np.array(missed) < 0.05) > 0.85


def test_sizes_lie_within_what_is_claimed(measured):
    errors = np.array([[each.error_percent, each.u_percent] for _, _, sizes in measured for each in sizes])
    assert len(errors) >= 25
    assert np.mean(np.abs(errors[:, 0]) <= 2 * errors[:, 1]) >= 0.93
    assert np.median(np.abs(errors[:, 0])) <= 0.8
    assert np.percentile(np.abs(errors[:, 0]), 95) <= 2.5


def test_the_wall_shows_on_the_side_that_faces_the_camera():
    # far side: top rim and outline are one; near side: the outline is the bottom rim, thickness times sine beyond
    rng = np.random.default_rng(3)
    stage = coin_scenes.random_bench(rng, 3, size_wh=SIZE)
    coin = stage.coins[0]
    top, bottom = (stage.circle_px(coin, height).mean(axis=0) for height in (1.0, 0.0))
    nadir = stage.pixels(np.append((-stage.rotation.T @ stage.translation_mm)[:2], 0.0)[None])[0]
    assert float((bottom - top) @ (nadir - top)) > 0


def test_the_pose_of_a_lone_coin_is_scored():
    found = [measure_coins.posed(measure_coins.SEED + seed) for seed in range(3)]
    posed = [one for one in found if isinstance(one, measure_coins.Posed)]
    assert posed
    assert all(one.nearest_deg < 5 and len(one.errors) == len(one.u95) == 4 for one in posed)
    assert str(len(posed)) in measure_coins.table(posed)[-1]
