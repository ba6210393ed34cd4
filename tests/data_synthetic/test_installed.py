"""Installed taps and their rooms: sound meshes, fixed to deck or wall, of a tap's size, varied and repeatable."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="the render extra is not installed")

from data_synthetic import installed, rooms
from data_synthetic.mesh import InstalledScene, Solid
from data_synthetic.tap_shapes import Tap

pytestmark = pytest.mark.render

FITTINGS = [name for name in installed.CLASSES if name != "none"]
SEEDS = range(4)


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


@cache
def fitted(class_id: str, seed: int) -> Tap:
    return installed.fitting(class_id, rng(seed))


@cache
def built(class_id: str, seed: int) -> InstalledScene:
    return installed.build(class_id, rng(seed))


def volume_mm3(piece: Solid) -> float:
    """Signed volume by the divergence theorem: positive where the faces look outward."""
    a, b, c = (piece.vertices_mm[piece.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def assert_sound(piece: Solid) -> None:
    assert np.isfinite(piece.vertices_mm).all()
    assert np.isfinite(piece.normals).all()
    assert piece.faces.min() >= 0
    assert piece.faces.max() < len(piece.vertices_mm)
    assert np.linalg.norm(piece.normals, axis=1) == pytest.approx(1.0, abs=1e-6)
    assert volume_mm3(piece) > 0
    single = piece.vertices_mm.astype(np.float32)[piece.faces].astype(float)
    area = np.linalg.norm(np.cross(single[:, 1] - single[:, 0], single[:, 2] - single[:, 0]), axis=1)
    assert (area > 0).all(), "a face that vanishes in single precision makes the renderer's light undefined"


def corners_mm(solids: tuple[Solid, ...]) -> tuple[np.ndarray, np.ndarray]:
    points = np.concatenate([piece.vertices_mm for piece in solids])
    return points.min(0), points.max(0)


@pytest.mark.parametrize("class_id", FITTINGS)
@pytest.mark.parametrize("seed", SEEDS)
def test_fitting_is_sound_and_fixed_to_its_base(class_id: str, seed: int) -> None:
    tap = fitted(class_id, seed)
    for piece in (*tap.solids, *tap.partner, *tap.around):
        assert_sound(piece)
    low, high = corners_mm(tap.solids)
    gap = low[2] if tap.mount == "deck" else -high[1]
    assert -6.0 <= gap <= 0.2, "it neither floats before its base nor sinks into it"
    assert 60 < np.linalg.norm(high - low) < 700
    assert 35 < (high - low).max() < 560


@pytest.mark.parametrize("class_id", FITTINGS)
def test_every_piece_hangs_together(class_id: str) -> None:
    """Each piece's box touches another piece's box, or the deck or wall: no handle floats in the air."""
    for seed in SEEDS:
        tap = fitted(class_id, seed)
        boxes = [(piece.vertices_mm.min(0) - 0.3, piece.vertices_mm.max(0) + 0.3) for piece in tap.solids]
        for k, (low, high) in enumerate(boxes):
            based = low[2] < 1 if tap.mount == "deck" else high[1] > -1
            met = [
                (low <= other_high).all() and (other_low <= high).all()
                for j, (other_low, other_high) in enumerate(boxes)
                if j != k
            ]
            assert based or any(met), (seed, tap.subtype, k, tap.solids[k].material)


@pytest.mark.parametrize("class_id", installed.CLASSES)
def test_same_seed_gives_the_same_scene(class_id: str) -> None:
    first, second = built(class_id, 1), installed.build(class_id, rng(1))
    assert first.subtype == second.subtype
    assert len(first.solids) == len(second.solids)
    for one, other in zip((*first.solids, *first.surroundings), (*second.solids, *second.surroundings), strict=True):
        np.testing.assert_array_equal(one.vertices_mm, other.vertices_mm)
        assert (one.material, one.tint) == (other.material, other.tint)
    assert first.camera_target_mm == second.camera_target_mm


@pytest.mark.parametrize(
    ("class_id", "at_least"),
    [("compression-screw", 4), ("quarter-turn-ceramic", 4), ("push-non-hold-open", 3), ("single-lever-cartridge", 4),
     ("thermostatic", 2), ("sensor", 4)],
)  # fmt: skip
def test_body_styles_and_sizes_vary(class_id: str, at_least: int) -> None:
    taps = [fitted(class_id, seed) for seed in range(18)]
    assert len({tap.subtype for tap in taps}) >= at_least
    assert len({tap.solids[0].material for tap in taps}) >= 4
    sizes = np.array([np.ptp(np.concatenate([p.vertices_mm for p in tap.solids]), axis=0) for tap in taps])
    assert (sizes.std(0) > 8).all(), "mm, in each direction"


@pytest.mark.parametrize("class_id", installed.CLASSES)
def test_scene_has_a_base_for_the_tap_and_a_camera_before_the_wall(class_id: str) -> None:
    for seed in SEEDS:
        scene = built(class_id, seed)
        assert scene.class_id == class_id
        assert scene.wall_y_mm is not None
        for piece in scene.surroundings:
            assert_sound(piece)
        assert bool(scene.solids) == (class_id != "none")
        near, far = scene.camera_distance_mm
        assert 0 < near < far < 3000
        low, high = scene.camera_elevation_deg
        assert -20 <= low < high <= 70
        for elevation in (low, high):
            for azimuth in scene.camera_azimuth_deg:
                ahead = np.cos(np.radians(elevation)) * np.cos(np.radians(azimuth))
                assert scene.camera_target_mm[1] - near * ahead < scene.wall_y_mm


def test_pairs_stand_apart_with_the_hot_tap_on_the_left() -> None:
    """Hot left, cold right facing the tap: EN 816:2017, 5.2 d."""
    marked = 0
    for seed in range(18):
        tap = fitted("compression-screw", seed)
        if not tap.partner:
            continue
        scene = built("compression-screw", seed)
        assert len(scene.solids) == len(tap.solids) + len(tap.partner)
        by_side = {
            side: {piece.tint for piece in scene.solids if piece.tint and side * piece.vertices_mm[:, 0].mean() > 20}
            for side in (-1, 1)
        }
        red = [tint for tint in by_side[-1] if tint[0] > 0.6 and tint[1] < 0.1]
        blue = [tint for tint in by_side[1] if tint[2] > 0.5 and tint[0] < 0.1]
        marked += bool(red and blue)
        assert not any(tint[0] > 0.6 and tint[1] < 0.1 for tint in by_side[1])
    assert marked >= 2


def test_sensor_taps_have_a_dark_eye() -> None:
    for seed in range(10):
        tap = fitted("sensor", seed)
        assert any(piece.material == "black_plastic" and (piece.roughness or 1) < 0.1 for piece in tap.solids)


def test_thermostatic_form_follows_the_build() -> None:
    forms = set()
    for seed in range(10):
        tap = fitted("thermostatic", seed)
        forms.add(tap.variety["form"])
        assert tap.variety["form"] == ("bar-mixer" if tap.subtype == "bar-mixer" else "concealed-valve")
        if tap.subtype == "bar-mixer":
            assert 135 < tap.spacing_mm < 165
            wide = np.ptp(np.concatenate([p.vertices_mm for p in tap.solids])[:, 0])
            assert wide > tap.spacing_mm + 90, "two end knobs beyond the unions"
    assert forms == {"bar-mixer", "concealed-valve"}


@pytest.mark.parametrize("name", ["basin", "sink", "bath", "worktop"])
def test_deck_is_level_under_the_tap(name: str) -> None:
    """The surroundings have a face at z = 0 round the tap hole, or the textured deck lies there."""
    for seed in range(4):
        room = rooms.for_deck(rng(seed), name, holes_mm=0.0, height_mm=120.0)
        if room.deck_z_mm is not None:
            assert room.deck_z_mm == 0.0
            continue
        heights = [_height_at(piece, 0.0, 0.0) for piece in room.solids]
        assert max(heights) == pytest.approx(0.0, abs=0.05)
        depths = [_height_at(piece, 70.0, -150.0) for piece in room.solids]
        assert max(depths) < -60, "the bowl is open before the tap"


def _height_at(piece: Solid, x: float, y: float) -> float:
    """Highest crossing of the upright line through (x, y) with the piece's faces."""
    a, b, c = (piece.vertices_mm[piece.faces[:, k]] for k in range(3))
    d = (b[:, 1] - c[:, 1]) * (a[:, 0] - c[:, 0]) + (c[:, 0] - b[:, 0]) * (a[:, 1] - c[:, 1])
    flat = np.abs(d) > 1e-9
    a, b, c, d = a[flat], b[flat], c[flat], d[flat]
    u = ((b[:, 1] - c[:, 1]) * (x - c[:, 0]) + (c[:, 0] - b[:, 0]) * (y - c[:, 1])) / d
    v = ((c[:, 1] - a[:, 1]) * (x - c[:, 0]) + (a[:, 0] - c[:, 0]) * (y - c[:, 1])) / d
    hit = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9)
    return float((u * a[:, 2] + v * b[:, 2] + (1 - u - v) * c[:, 2])[hit].max(initial=-1e9))


def test_unknown_class_is_named() -> None:
    with pytest.raises(ValueError, match="'gate-valve'"):
        installed.fitting("gate-valve", rng(0))
