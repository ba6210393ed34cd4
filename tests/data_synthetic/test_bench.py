"""Builders, threads, rest and references against published sizes and plain geometry; one small render."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("manifold3d")

from data_synthetic import camera, footprint, generate, lights, references, rest, scene, textures, thread
from data_synthetic.finish import LOOKS
from data_synthetic.mesh import MATERIALS, Part, hexagon
from identify import tables

pytestmark = pytest.mark.render

FAMILIES = list(generate.FAMILIES)


def part_of(class_id: str, seed: int) -> Part:
    return generate.FAMILIES[class_id](np.random.default_rng(seed))


# ISO 228-1:1994, table of parallel pipe threads: major diameter, pitch, minor diameter [mm].
@pytest.mark.parametrize(
    ("size", "major", "pitch", "minor"),
    [
        ("G1/4", 13.157, 1.337, 11.445),
        ("G3/8", 16.662, 1.337, 14.950),
        ("G1/2", 20.955, 1.814, 18.631),
        ("G3/4", 26.441, 1.814, 24.117),
        ("G1", 33.249, 2.309, 30.291),
    ],
)
def test_pipe_thread_has_the_standards_size(size: str, major: float, pitch: float, minor: float) -> None:
    bar = thread.pipe_thread(size, 0.0, 8 * pitch, "brass")
    x, y, z = bar.vertices_mm.T
    radius = np.hypot(x, y)
    full = (z > 1.5 * pitch) & (z < 6.5 * pitch)
    assert 2 * radius[full].max() == pytest.approx(major, abs=0.002)
    assert 2 * radius[full].min() == pytest.approx(minor, abs=0.01)
    line = full & (np.abs(np.arctan2(y, x)) < 1e-6)
    crests = np.sort(z[line][radius[line] > radius[line].max() - 0.01])
    starts = crests[np.concatenate([[True], np.diff(crests) > pitch / 2])]
    assert np.diff(starts) == pytest.approx(pitch, abs=0.001)


def test_thread_flanks_are_whitworth() -> None:
    pitch = 1.814  # ISO 228-1: flanks at 27.5 degrees to the normal of the axis
    places = np.array([0.2, 0.3])
    rise = np.diff(thread.drop_mm(places, pitch))[0]
    assert np.degrees(np.arctan(0.1 * pitch / rise)) == pytest.approx(27.5, abs=0.1)


def test_hexagon_is_as_wide_as_named() -> None:
    nut = hexagon(22.0, 0.0, 8.0, "brass")
    middle = nut.vertices_mm[np.abs(nut.vertices_mm[:, 2] - 4) < 2]
    assert np.ptp(middle[:, 0]) == pytest.approx(22.0, abs=1e-6)
    assert np.ptp(nut.vertices_mm[:, 1]) == pytest.approx(22.0 / np.cos(np.pi / 6), abs=1e-3)


def test_every_material_has_a_look() -> None:
    assert set(MATERIALS) == set(LOOKS)


def test_metals_keep_their_hue() -> None:
    for name in ("chrome", "steel", "zinc"):
        colour = np.array(LOOKS[name][0])
        assert np.ptp(colour) / colour.mean() < 0.1


@pytest.mark.parametrize("class_id", FAMILIES)
def test_same_seed_gives_the_same_part(class_id: str) -> None:
    first, again, other = (part_of(class_id, seed) for seed in (5, 5, 6))
    assert np.array_equal(first.points_mm(), again.points_mm())
    assert first.dimensions_mm == again.dimensions_mm
    assert first.points_mm().shape != other.points_mm().shape or not np.allclose(first.points_mm(), other.points_mm())


LIMITS = {
    "body_diameter": (12, 52),
    "thread_major_diameter": (16.6, 26.5),
    "thread_pitch": (1.33, 1.82),
    "hex_across_flats": (16, 42),
    "overall_length": (25, 170),
    "spline_count": (16, 42),
    "spline_diameter": (6, 14),
    "stem_square": (4.5, 11.5),
}


@pytest.mark.parametrize("class_id", FAMILIES)
def test_dimensions_are_true_and_sane(class_id: str) -> None:
    for seed in range(6):
        part = part_of(class_id, seed)
        points = part.points_mm()
        assert part.class_id == class_id
        assert points[:, 2].min() == pytest.approx(0.0, abs=1e-9)
        assert all(LIMITS[name][0] <= value <= LIMITS[name][1] for name, value in part.dimensions_mm.items())
        if part.stands_on:
            assert part.dimensions_mm["overall_length"] == pytest.approx(points[:, 2].max(), abs=1e-9)
            low, high = part.rim_z_mm
            wide = part.dimensions_mm.get("body_diameter", part.dimensions_mm.get("thread_major_diameter"))
            band = points[(points[:, 2] > low - 0.01) & (points[:, 2] < high + 0.01)]
            round_it = np.hypot(band[:, 0], band[:, 1])
            assert np.min(np.abs(2 * round_it - wide)) < 0.02


@pytest.mark.parametrize("class_id", FAMILIES)
def test_lying_part_rests_on_its_hull(class_id: str) -> None:
    placed = rest.lying(part_of(class_id, 3), np.random.default_rng(1))
    assert placed is not None
    points = placed.points_mm()
    assert points[:, 2].min() == pytest.approx(0.0, abs=1e-6)
    touching = points[points[:, 2] < 0.02]
    assert len(touching) >= 3
    spread = touching[:, :2] - touching[:, :2].mean(0)
    assert np.linalg.norm(spread, axis=1).max() > 1.0
    assert placed.rotation @ placed.rotation.T == pytest.approx(np.eye(3), abs=1e-9)


@pytest.mark.parametrize("how", ["lying", "standing"])
def test_parts_rest_as_asked_and_the_manifest_says_what_is_measured(how: str) -> None:
    part = part_of("compression-screw", 3)
    made = scene.on_bench(
        part, np.random.default_rng(4), split="training", width_px=320, height_px=240, natural=True, rest=how
    )
    assert made.truth["view"] == how
    low, high = made.truth["pose"]["measured_mm"]
    assert 0 < low < high < part.dimensions_mm["overall_length"]
    points = part.points_mm()
    here = points[(points[:, 2] > low) & (points[:, 2] < high)]
    crests = 2 * np.percentile(np.hypot(here[:, 0], here[:, 1]), 99)
    assert crests == pytest.approx(part.dimensions_mm["thread_major_diameter"], rel=0.02)


def test_standing_part_knows_its_rim() -> None:
    part = part_of("single-lever-cartridge", 2)
    placed = rest.standing(part, np.random.default_rng(0))
    assert placed is not None
    points = placed.points_mm()
    full = points[np.abs(2 * np.hypot(points[:, 0], points[:, 1]) - part.dimensions_mm["body_diameter"]) < 0.05]
    assert full[:, 2].max() == pytest.approx(placed.rim_height_mm, abs=0.05)


def test_coins_have_the_tables_sizes() -> None:
    known = tables.load().references
    for name, (diameter, thick, _, _) in references.COINS.items():
        if name in known:
            assert known[name].diameter_mm == pytest.approx(diameter), name
            assert known[name].thickness_mm in (None, pytest.approx(thick)), name
    assert len(set(references.COINS) & set(known)) >= 15


def test_coin_mesh_is_as_wide_as_the_coin() -> None:
    made = references.coin(np.random.default_rng(0), "eur-1")  # Regulation (EU) 729/2014: 23.25 x 2.33
    radius = np.hypot(*made.surface.vertices_mm[:, :2].T)
    assert 2 * radius.max() == pytest.approx(23.25, abs=1e-6)
    assert np.ptp(made.surface.vertices_mm[:, 2]) == pytest.approx(2.33, abs=1e-6)


def test_card_is_id1() -> None:
    made = references.card(np.random.default_rng(0))  # ISO/IEC 7810 ID-1
    assert np.ptp(made.surface.vertices_mm, axis=0) == pytest.approx([85.60, 53.98, 0.76], abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_ruler_ticks_are_one_millimetre_apart(seed: int) -> None:
    made = references.ruler(np.random.default_rng(seed))
    row = made.picture[3].mean(1)
    dark = row < 0.5 * np.median(row[row > 0.3])
    edges = np.flatnonzero(np.diff(dark.astype(int)))
    starts = edges[::2] if dark[edges[0] + 1] else edges[1::2]
    steps = np.diff(starts)
    inner = steps[1:-1]
    length = np.ptp(made.surface.vertices_mm[:, 0])
    assert inner * length / made.picture.shape[1] == pytest.approx(1.0, abs=1e-9)
    assert made.marks_mm is not None
    assert np.linalg.norm(np.diff(made.marks_mm, axis=0)) == pytest.approx(made.span_mm)


@pytest.mark.parametrize("seed", range(8))
def test_reference_lies_beside_the_part(seed: int) -> None:
    rng = np.random.default_rng(seed)
    placed = rest.at_rest(part_of(FAMILIES[seed % 6], seed), rng)
    laid = scene.lay_reference(rng, ("coin", "card", "ruler")[seed % 3], placed, detail=32)
    if not laid.on_part:
        assert not footprint.overlap(footprint.hull_xy(placed.points_mm()), laid.footprint_xy)
        assert laid.surface.vertices_mm[:, 2].min() == pytest.approx(0.0, abs=1e-9)
    else:
        assert laid.surface.vertices_mm[:, 2].min() == pytest.approx(placed.points_mm()[:, 2].max(), abs=1e-6)


def test_splits_share_no_bench_light_or_seed() -> None:
    for families in (textures.FAMILIES, lights.FAMILIES):
        names = [name for found in families.values() for name in found]
        assert len(names) == len(set(names))
    jobs = [generate.Job(".", 64, 64, 4, 1, split, 0.0, True) for split in generate.SPLITS]
    first, second, third, fourth = (generate.composed(job, 4)[0].truth for job in jobs)
    assert first["bench"] in textures.FAMILIES["training"]
    assert {second["bench"], third["bench"]} <= set(textures.FAMILIES["evaluation"])
    assert fourth["bench"] in textures.FAMILIES["calibration"]
    assert fourth["light"] in lights.FAMILIES["calibration"]
    assert first["dimensions_mm"] != second["dimensions_mm"] != fourth["dimensions_mm"]
    assert third["class"] == "none"


def test_exif_carries_the_focal_length() -> None:
    data = camera.jpeg(np.zeros((8, 8, 3), np.uint8), quality=80, focal35_mm=26)
    assert Image.open(io.BytesIO(data)).getexif().get_ifd(0x8769)[0xA405] == 26


def test_torn_manifest_line_is_made_again(tmp_path) -> None:
    good = json.dumps({"file": "images/000000.jpg"})
    (tmp_path / "manifest.jsonl").write_text(f'{good}\n{good}\n{{"file": "images/0000')
    assert generate.lines_of(tmp_path) == {0: good}


def test_views_of_one_part_differ_in_all_but_the_part() -> None:
    job = generate.Job(".", 64, 64, 4, 1, "training", 0.0, True, "compression-screw", 2)
    (first, _), (second, _), (other, _) = (generate.composed(job, number) for number in (0, 1, 2))
    assert [job.part_of(number) for number in (0, 1, 2)] == [0, 0, 1]
    assert first.truth["dimensions_mm"] == second.truth["dimensions_mm"] != other.truth["dimensions_mm"]
    assert first.truth["camera"] != second.truth["camera"]
    assert not np.array_equal(first.setting.environment, second.setting.environment)
    assert first.setting.bench is not None
    assert second.setting.bench is not None
    assert not np.allclose(first.setting.bench.corners_mm, second.setting.bench.corners_mm)


def test_a_shape_that_fails_is_listed_and_the_rest_is_made(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    def some_fail(job: generate.Job, number: int) -> dict:
        if number == 1:
            raise ValueError("no closed ring")
        return {"file": f"images/{number:06d}.jpg"}

    monkeypatch.setattr(generate, "made", some_fail)
    monkeypatch.setattr(generate, "_start", lambda threads, renderer: None)
    job = generate.Job(str(tmp_path), 8, 8, 1, 1, "training", 0.0, False)
    assert generate.generate(job, 3, say=False) == 2
    assert set(generate.lines_of(tmp_path)) == {0, 2}
    assert json.loads((tmp_path / "failed.jsonl").read_text()) == {"number": 1, "failed": "ValueError: no closed ring"}
    monkeypatch.setattr(generate, "made", lambda job, number: {"file": f"images/{number:06d}.jpg"})
    assert generate.generate(job, 3, say=False) == 1
    assert set(generate.lines_of(tmp_path)) == {0, 1, 2}
    assert (tmp_path / "failed.jsonl").read_text() == ""
