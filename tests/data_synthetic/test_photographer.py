"""Whoever takes the photo: mirrored where the camera is, and out of the frame where a shadow is thrown."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="the render extra is not installed")

from data_synthetic import generate, lights, photographer
from data_synthetic.camera import held
from data_synthetic.spindle import sleeve

pytestmark = pytest.mark.render

SIZE = {"width_px": 256, "height_px": 192}


def view_of(seed: int):
    rng = np.random.default_rng(seed)
    return held(rng, np.zeros(3), focal35_mm=26.0, distance_mm=300.0, tilt_deg=float(rng.uniform(0, 40)),
                azimuth_deg=float(rng.uniform(0, 360)), roll_deg=float(rng.uniform(0, 360)), **SIZE)  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_a_face_that_looks_at_the_camera_mirrors_something_dark(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photographer, "MIRRORED_SHARE", 1.0)
    view = view_of(seed)
    room = np.ones((lights.HEIGHT, lights.WIDTH, 3), np.float32)
    seen = photographer.mirrored(room, view, np.random.default_rng(seed))
    eye = -view.lens.rotation.T @ view.lens.translation_mm
    towards = eye / np.linalg.norm(eye)
    there = np.unravel_index(np.argmax(photographer.WAYS @ towards), room.shape[:2])
    assert seen[there].max() < 0.2
    assert np.median(seen) == pytest.approx(1.0)  # most of the room is as it was


def test_what_throws_a_shadow_is_beyond_the_frame(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photographer, "SHADOW_SHARE", 1.0)
    thrown = 0
    for seed in range(12):
        view, rng = view_of(seed), np.random.default_rng(seed)
        light = lights.sun(rng).environment
        for piece in photographer.shading(light, view, np.array([0.0, 0.0, 10.0]), rng):
            thrown += 1
            xy = view.project(piece.vertices_mm)
            ahead = piece.vertices_mm @ view.lens.rotation[2] + view.lens.translation_mm[2] > 0
            inside = np.all((xy > 0) & (xy < [SIZE["width_px"], SIZE["height_px"]]), axis=1)
            assert not np.any(ahead & inside)
            way = photographer.strongest(light)
            assert way is not None
            foot = piece.vertices_mm.mean(0)
            foot = foot - way * foot[2] / way[2]
            assert np.hypot(*foot[:2]) < 400  # its shadow falls about where the part is
    assert thrown >= 6


def test_some_solenoid_valves_are_straight_pipes() -> None:
    valves = [generate.FAMILIES["sensor"](np.random.default_rng(seed)) for seed in range(60)]
    straight = [valve.dimensions_mm for valve in valves if "overall_length" in valve.dimensions_mm]
    longer = [sizes["overall_length"] - sizes["body_diameter"] > 38 for sizes in straight if "body_diameter" in sizes]
    assert 2 <= sum(longer) < len(longer)


@pytest.mark.parametrize("seed", range(5))
def test_a_sleeve_is_a_narrow_tube_from_the_hexagon_up(seed: int) -> None:
    made, top = sleeve(np.random.default_rng(seed), 12.0, 20.0, "chrome")
    reach = np.hypot(*made.vertices_mm[:, :2].T)
    assert made.vertices_mm[:, 2].max() == pytest.approx(top)
    assert top > 12 + 19
    assert reach.max() <= 0.5 * 1.3 * 20.0
    assert np.median(reach[made.vertices_mm[:, 2] < top - 12]) <= 0.45 * 20.0 + 1e-9
