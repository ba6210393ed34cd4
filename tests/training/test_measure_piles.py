"""The benchmark of standing parts on exact silhouettes of the generator's shapes."""

from __future__ import annotations

import math

import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="the render extra is not installed")

from data_synthetic import mesh, rest, scene
from training import measure_piles

pytestmark = pytest.mark.render


def test_a_silhouette_is_that_of_the_solid() -> None:
    """A disc 40 mm wide seen from straight above: its upper face's circle, focal length times radius over distance."""
    part = mesh.Part("none", "", (mesh.cylinder(40.0, 0.0, 20.0, "brass", around=256),))
    placed = rest.Placed(part, "standing", np.eye(3), np.zeros(3))
    view = scene.held(
        np.random.default_rng(0),
        np.zeros(3),
        focal35_mm=26.0,
        distance_mm=300.0,
        tilt_deg=0.0,
        azimuth_deg=0.0,
        roll_deg=0.0,
        width_px=measure_piles.WIDTH_PX,
        height_px=measure_piles.HEIGHT_PX,
    )
    border = measure_piles.silhouette(placed, view)
    radius_px = view.camera.focal_px * 20.0 / 280.0
    assert np.hypot(*(border - border.mean(axis=0)).T).mean() == pytest.approx(radius_px, abs=0.5)


def test_a_part_is_seen_twice_and_what_is_given_holds() -> None:
    found = [one for number in (0, 1) for one in measure_piles.trial("thermostatic", number)]
    assert len(found) == 4
    given = [one for one in found if math.isfinite(one[2])]
    assert len(given) >= 3
    assert sum(abs(value - truth) <= u95 for _, truth, value, u95 in given) >= len(given) - 1


def test_a_line_counts_what_is_given_and_what_holds() -> None:
    trials = np.array([[5, 40.0, 41.0, 2.0], [6, 40.0, 38.0, 1.0], [7, 40.0, np.nan, np.nan]])
    assert measure_piles.line("all", trials).split() == ["all", "3", "2", "-1.25", "3.75", "4.88", "3.75", "50"]
