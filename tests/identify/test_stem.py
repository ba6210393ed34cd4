"""Stems seen end-on: drawn faces with teeth of known number, and shapes that have none."""

import numpy as np
import pytest

from identify import dimensions
from identify.dimensions import hull, stem
from identify.model import NotMeasured, Outline, Plane
from training.drawn_stems import END_MM, drawn, over_the_bench, regular_xy, splined_xy


def read(section_xy: np.ndarray, seed: int, distance_mm: float, *, blur_px: float = 1.0, noise: float = 0.012):
    rng = np.random.default_rng([9, seed])
    camera, pose = over_the_bench(float(rng.uniform(0, 12)), distance_mm)
    photo = drawn(section_xy, camera, pose, seed=seed, bored=seed % 2 == 0, blur_px=blur_px, noise=noise)
    return stem.read(photo, camera, pose, rng.normal(0, 0.5, 2), u_size_rel=0.001)


@pytest.mark.parametrize(
    ("teeth", "diameter_mm"), [(8, 8.0), (12, 7.5), (18, 8.0), (20, 7.5), (21, 9.0), (24, 8.5), (28, 9.0), (36, 9.5)]
)
def test_teeth_are_counted_and_measured(teeth: int, diameter_mm: float) -> None:
    found = read(splined_xy(teeth, diameter_mm), teeth, 260.0)
    assert not isinstance(found, NotMeasured), found
    assert found[stem.COUNT].estimate.value == teeth
    over = found[stem.DIAMETER].estimate
    assert abs(over.value - diameter_mm) < 2 * over.u


@pytest.mark.parametrize("corners", [4, 6, 8, 12, 200])
@pytest.mark.parametrize("seed", [1, 2])
def test_flats_and_rounds_are_no_teeth(corners: int, seed: int) -> None:
    found = read(regular_xy(corners, 8.0), 100 * corners + seed, 260.0)
    assert isinstance(found, NotMeasured)
    assert found.reason
    assert found.advice


def test_teeth_under_four_pixels_are_not_counted() -> None:
    found = read(splined_xy(44, 7.0), 3, 640.0, blur_px=0.6)
    assert isinstance(found, NotMeasured)
    assert found.reason
    assert found.advice


def test_a_smeared_face_is_not_guessed() -> None:
    found = read(splined_xy(36, 8.0), 4, 300.0, blur_px=5.0)
    assert isinstance(found, NotMeasured)
    assert "ring of teeth" in found.reason


WANTED = (stem.COUNT, stem.DIAMETER)


def measured(section_xy: np.ndarray, *, view: str = "standing"):
    camera, pose = over_the_bench(8.0, 260.0)
    photo = drawn(section_xy, camera, pose, seed=5, bored=True, blur_px=1.0, noise=0.012)
    body_px = hull.silhouette(np.zeros(2), np.full(2, 11.0), np.array([END_MM - 14, 0.0]), camera, pose)
    ring = np.vstack([body_px, body_px[:1]])
    along = np.linspace(0, len(body_px), 720, endpoint=False)
    body_px = np.column_stack([np.interp(along, np.arange(len(ring)), column) for column in ring.T])
    outline = Outline(body_px, np.ones((4, 4), bool), 1000, 0.2, False, "drawn")
    plane = Plane(camera, (pose,), 8.0, 260.0)
    return dimensions.measure(
        photo, outline, plane, reference=None, view=view, answer="quarter-turn-ceramic", wanted=WANTED
    )


def test_a_standing_head_gives_its_splines() -> None:
    found, missed = measured(splined_xy(20, 8.0))
    assert not missed
    assert [one.quantity for one in found] == list(WANTED)
    assert (found[0].value, found[0].unit) == (20, "1")
    assert abs(found[1].value - 8.0) <= found[1].u95 < 1.6


@pytest.mark.parametrize(("section_xy", "view"), [(regular_xy(4, 8.0), "standing"), (splined_xy(20, 8.0), "lying")])
def test_a_head_whose_splines_are_not_seen_says_what_helps(section_xy: np.ndarray, view: str) -> None:
    found, missed = measured(section_xy, view=view)
    assert not found
    assert [one.quantity for one in missed] == list(WANTED)
    assert all(one.reason and one.advice for one in missed)
