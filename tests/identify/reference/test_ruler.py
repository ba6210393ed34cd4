"""Rulers drawn in perspective; the inch is 25.4 mm (international yard and pound agreement, 1959)."""

import cv2
import numpy as np
import pytest

from identify.geometry.ticks import Comb
from identify.model import NotMeasured, Reference
from identify.reference import ruler, scales

STEEL = (0.55, 0.56, 0.58)


def metric(k):
    return 6.0 if k % 10 == 0 else 4.5 if k % 5 == 0 else 3.0


def sixteenths(k):
    return next(length for step, length in ((16, 8.0), (8, 6.5), (4, 5.2), (2, 4.0), (1, 2.8)) if k % step == 0)


def draw_ruler(
    scene,
    *,
    at=(0.0, 30.0),
    angle=0.0,
    length=150.0,
    width=25.0,
    step=1.0,
    mark=metric,
    ink=(0.03, 0.03, 0.03),
    face=STEEL,
    thick=0.2,
    numerals=True,
):
    """A ruler whose marks start at its lower edge; mark k stands at x = k step - length / 2 in its own frame."""
    scene.box(at, angle, (length + 10, width), face)
    for k in range(round(length / step) + 1):
        tall = mark(k)
        scene.box(at, angle, (thick, tall), ink, shift=(k * step - length / 2, -width / 2 + tall / 2))
        if numerals and mark(k) == mark(0):
            scene.box(at, angle, (1.6, 2.6), ink, shift=(k * step - length / 2 - 0.4, -width / 2 + tall + 2.6))


def to_mm(found, px):
    homography, _ = cv2.findHomography(found.points_px, found.points_mm)
    return cv2.perspectiveTransform(np.asarray(px, float)[None], homography)[0]


def ends_px(scene, at, angle, length, width):
    turn = np.radians(angle)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ends = np.array([[-length / 2, -width / 2], [length / 2, -width / 2], [-length / 2, width / 2]])
    return scene.px(ends @ matrix.T + at)


SCENES = [
    # tilt, turn, distance, angle, texture, size, width, ink, face
    (0, 0, 260, 0, "plain", (1600, 1200), 25.0, (0.03, 0.03, 0.03), STEEL),
    (10, 90, 280, 30, "stone", (1600, 1200), 18.0, (0.03, 0.03, 0.03), (0.75, 0.74, 0.7)),
    (20, 30, 300, 75, "plain", (1600, 1200), 30.0, (0.05, 0.05, 0.05), (0.6, 0.45, 0.12)),
    (30, 200, 300, 140, "plain", (1600, 1200), 25.0, (0.03, 0.03, 0.03), STEEL),
    (15, 120, 280, 200, "wood", (1600, 1200), 25.0, (0.8, 0.8, 0.8), (0.03, 0.03, 0.035)),
    (25, 300, 230, 10, "stone", (1600, 1200), 15.0, (0.03, 0.03, 0.03), STEEL),
    (5, 10, 210, 60, "plain", (1000, 750), 25.0, (0.02, 0.02, 0.02), STEEL),
    (20, 250, 210, 100, "stone", (1000, 750), 20.0, (0.02, 0.02, 0.02), (0.75, 0.74, 0.7)),
]


@pytest.mark.parametrize(("tilt", "turn", "distance", "angle", "texture", "size", "width", "ink", "face"), SCENES)
def test_millimetre_ruler_gives_lengths_along_and_across(
    bench, tilt, turn, distance, angle, texture, size, width, ink, face
):
    scene = bench(
        tilt_deg=tilt,
        turn_deg=turn,
        distance_mm=distance,
        texture=texture,
        size=size,
        seed=tilt,
        level=0.25,
        blur_px=0.8,
    )
    draw_ruler(scene, at=(4.0, 6.0), angle=angle, width=width, length=120.0, ink=ink, face=face)
    found = ruler.find(scene.photo())
    assert isinstance(found, Reference), found
    mm = to_mm(found, ends_px(scene, (4.0, 6.0), angle, 120.0, width))
    assert np.linalg.norm(mm[1] - mm[0]) == pytest.approx(120.0, abs=0.12)
    # across, from a focal length exact here: the width is estimated, not known
    assert np.linalg.norm(mm[2] - mm[0]) == pytest.approx(width, rel=0.03)
    assert found.u_px < 0.4
    assert len(found.points_px) > 60


@pytest.mark.parametrize(
    ("step", "mark", "length"), [(25.4 / 16, sixteenths, 127.0), (1.0, metric, 120.0)], ids=["inch", "mm"]
)
def test_unit_is_told_from_the_long_and_short_marks(bench, step, mark, length):
    scene = bench(tilt_deg=12, turn_deg=40, distance_mm=280, size=(1600, 1200), level=0.25)
    draw_ruler(scene, at=(0.0, 0.0), angle=20.0, length=length, step=step, mark=mark)
    found = ruler.find(scene.photo())
    assert isinstance(found, Reference), found
    mm = to_mm(found, ends_px(scene, (0.0, 0.0), 20.0, length, 25.0))
    assert np.linalg.norm(mm[1] - mm[0]) == pytest.approx(length, abs=0.15)


def test_points_are_right_handed_and_marks_are_whole_millimetres(bench):
    scene = bench(tilt_deg=10, turn_deg=60, distance_mm=280, size=(1600, 1200), level=0.25)
    draw_ruler(scene, angle=15.0, length=120.0)
    found = ruler.find(scene.photo())
    linear = np.linalg.lstsq(
        found.points_mm - found.points_mm.mean(axis=0), found.points_px - found.points_px.mean(axis=0), rcond=None
    )[0]
    assert np.linalg.det(linear) < 0  # pixel y runs down
    assert found.points_mm[:-3, 0] == pytest.approx(np.round(found.points_mm[:-3, 0]))
    assert np.all(found.points_mm[:-3, 1] == 0)


def test_part_over_the_marks_leaves_the_scale(bench):
    scene = bench(tilt_deg=10, turn_deg=60, distance_mm=280, size=(1600, 1200), level=0.25)
    draw_ruler(scene, at=(0.0, 0.0), angle=0.0, length=140.0)
    scene.disc((-10.0, -14.0), 15.0, (0.5, 0.4, 0.2))
    found = ruler.find(scene.photo())
    assert isinstance(found, Reference), found
    mm = to_mm(found, ends_px(scene, (0.0, 0.0), 0.0, 140.0, 25.0))
    assert np.linalg.norm(mm[1] - mm[0]) == pytest.approx(140.0, abs=0.15)


def not_rulers(scene, what):
    if what == "strip without marks":
        scene.box((0, 0), 20.0, (160, 25), STEEL)
    elif what == "even marks, none longer":
        draw_ruler(scene, angle=20.0, mark=lambda k: 3.0, numerals=False, length=120.0)
    elif what == "comb":
        for n in range(40):
            scene.box((0, 0), 20.0, (1.2, 22.0), (0.03, 0.03, 0.03), shift=(3.0 * n - 60, 10.0))
        scene.box((0, 0), 20.0, (124, 10), (0.03, 0.03, 0.03), shift=(0, 26.0))
    elif what == "thread":
        scene.box((0, 0), 20.0, (20.0, 30.0), (0.5, 0.4, 0.2))
        for n in range(11):
            scene.box((0, 0), 20.0, (21.2, 0.9), (0.6, 0.5, 0.25), shift=(0.0, 1.814 * n - 9))
    elif what == "lines of text":
        for row in range(12):
            for column in range(30):
                if scene.rng.random() < 0.8:
                    scene.box((0, 0), 10.0, (2.0, 3.0), (0.05, 0.05, 0.05), shift=(3.1 * column - 45, 7.0 * row - 40))
    elif what == "card":
        scene.box((0, 0), 20.0, (85.6, 53.98), (0.06, 0.12, 0.4), 3.18)


@pytest.mark.parametrize("texture", ["plain", "wood"])
@pytest.mark.parametrize(
    "what", ["empty", "strip without marks", "even marks, none longer", "comb", "thread", "lines of text", "card"]
)
def test_other_things_are_not_rulers(bench, texture, what):
    scene = bench(tilt_deg=15, distance_mm=280, texture=texture, seed=5)
    not_rulers(scene, what)
    found = ruler.find(scene.photo())
    assert isinstance(found, NotMeasured)
    assert found.advice


def test_a_profile_without_marks_gives_no_reading():
    flat = np.zeros((40, 400))
    assert isinstance(scales.read(flat, Comb(10.0, 5.0, 0.0), 4), str)


def test_marks_too_fine_for_the_picture_are_refused(bench):
    scene = bench(distance_mm=450, size=(800, 600), level=0.25)  # 1.3 px a millimetre
    draw_ruler(scene, at=(0.0, 0.0), angle=10.0, length=150.0, numerals=False)
    found = ruler.find(scene.photo())
    assert isinstance(found, NotMeasured)


def test_numerals_alone_are_not_taken_for_marks(bench):
    """A number every 10 mm, its marks too fine to be seen: every other one larger, as long marks would be."""
    scene = bench(tilt_deg=3, turn_deg=10, distance_mm=420, size=(1024, 768))
    scene.box((0.0, 30.0), 0.0, (160, 25), STEEL)
    for k in range(16):
        wide = (1.6, 2.6) if k % 2 else (2.6, 3.4)
        scene.box((0.0, 30.0), 0.0, wide, (0.03, 0.03, 0.03), shift=(10.0 * k - 75, -4.0))
    found = ruler.find(scene.photo())
    assert isinstance(found, NotMeasured)
