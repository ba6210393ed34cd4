"""Rulers drawn in perspective; the inch is 25.4 mm (international yard and pound agreement, 1959)."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from identify import reference
from identify.geometry.ticks import Comb
from identify.model import NotMeasured, Reference
from identify.reference import numerals, ruler, scales
from identify.reference.lean import Lean
from identify.reference.ruler_ends import Edge, End, on_named

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


def print_ruler(scene, *, angle, length, width, every_mm, face=0.55, ink=0.03):
    """A ruler with numerals as printed, of millimetres (``every_mm``) or centimetres, at 10 px a millimetre."""
    board = np.full((round(width * 10), round((length + 10) * 10)), 255, np.uint8)
    for k in range(round(length) + 1):
        x, tall = 50 + 10 * k, 6.5 if k % 10 == 0 else 4.9 if k % 5 == 0 else 3.2
        board[: round(tall * 10), x - 1 : x + 1] = 0
        if k % 10 == 0:
            text = str(k if every_mm else k // 10)
            wide, high = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, width / 22, 2)[0]
            cv2.putText(
                board, text, (x - wide // 2, 77 + high), cv2.FONT_HERSHEY_SIMPLEX, width / 22, 0, 2, cv2.LINE_AA
            )
    turn = np.radians(angle)
    local = scene.mm @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    at = ((local + np.array([length / 2 + 5, width / 2])) * 10).astype(np.float32)
    soft = cv2.GaussianBlur(board, (0, 0), 10 / 2 / scene.camera.focal_px * scene.distance_mm)  # a pixel's own width
    seen = cv2.remap(soft, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=0) / 255
    whole = np.full_like(board, 255)
    cover = cv2.remap(whole, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=0)[..., None] / 255
    scene.light = scene.light * (1 - cover) + cover * (ink + (face - ink) * seen[..., None])


PRINTED = [
    # tilt, turn, distance, angle, length, width, in millimetres, ink, texture, noise, face
    (30, 304, 327, 89, 200.0, 34.0, False, 0.2, "wood", 0.01, 0.55),
    (31, 31, 404, 66, 300.0, 34.0, False, 0.3, "stone", 0.004, 0.8),
    (8, 40, 400, 35, 150.0, 18.0, True, 0.03, "plain", 0.004, 0.55),
]


@pytest.mark.parametrize(
    ("tilt", "turn", "distance", "angle", "length", "width", "every_mm", "ink", "texture", "noise", "face"), PRINTED
)
def test_printed_numerals_help_where_millimetres_are_fine(
    bench, tilt, turn, distance, angle, length, width, every_mm, ink, texture, noise, face
):
    scene = bench(
        tilt_deg=tilt,
        turn_deg=turn,
        distance_mm=distance,
        size=(1024, 768),
        level=0.25,
        seed=7,
        texture=texture,
        noise=noise,
    )
    print_ruler(scene, angle=angle, length=length, width=width, every_mm=every_mm, ink=ink, face=face)
    found = ruler.find(scene.photo())
    assert isinstance(found, Reference), found
    mm = to_mm(found, ends_px(scene, (0.0, 0.0), angle, length, width))
    assert np.linalg.norm(mm[1] - mm[0]) == pytest.approx(length, rel=0.015)


def test_marks_slopes_that_say_little_leave_the_tilt_to_what_is_usual(bench):
    """Three slopes, none clearly better: the one that the prior favours."""
    rng = np.random.default_rng(3)
    flat = rng.normal(0, 0.3, (40, 400))
    comb = Comb(20.0, 10.0, 0.0)
    numbers = np.arange(19.0)
    found = scales.Reading(comb, numbers, comb.at(numbers), 2.5, 0, 0.3, 0.9, 8.0, 0.02)
    turns = np.linspace(-0.5, 0.5, 101)
    prior = -0.5 * ((turns - 0.1) / 0.05) ** 2
    told = scales.leaning(flat, found, turns, np.zeros(101), prior)
    assert told.comb.s0 == pytest.approx(0.1, abs=0.06)
    assert told.u_lean > 0.02


def labelled(scene, at, angle, size_mm):
    """A label map (h, w) of a scene, an eighth as large, with a box that is called reference."""
    turn = np.radians(angle)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size_mm) / 2
    labels = np.zeros((scene.size[1] // 8, scene.size[0] // 8), np.uint8)
    cv2.fillPoly(labels, [np.round(scene.px(corners @ matrix.T + at) / 8).astype(np.int32)], 2)
    return labels


@pytest.mark.parametrize(("angle", "tilt"), [(15.0, 8), (110.0, 20)])
def test_far_ruler_is_read_by_its_numerals(bench, angle, tilt):
    scene = bench(tilt_deg=tilt, turn_deg=50, distance_mm=480, size=(1000, 750), blur_px=1.6)
    draw_ruler(scene, at=(5.0, 4.0), angle=angle, length=150.0, width=28.0, mark=lambda k: 3.0 + 3.0 * (k % 10 == 0))
    for k in range(151):  # marks, drawn over: too fine to be seen, as where a ruler is overexposed
        scene.box((5.0, 4.0), angle, (1.1, 6.5), STEEL, shift=(k - 75.0, -14.0 + 3.2))
    labels = labelled(scene, np.array([5.0, 4.0]), angle, (160.0, 28.0))
    photo = scene.photo()
    assert isinstance(ruler.find(photo), NotMeasured)
    found = ruler.find(photo, labels=labels)
    assert isinstance(found, Reference), found
    mm = to_mm(found, ends_px(scene, (5.0, 4.0), angle, 150.0, 28.0))
    assert np.linalg.norm(mm[1] - mm[0]) == pytest.approx(150.0, rel=0.01)


def test_strip_without_numerals_is_no_ruler(bench):
    scene = bench(tilt_deg=8, turn_deg=50, distance_mm=480, size=(1000, 750))
    scene.box((0.0, 0.0), 20.0, (160.0, 28.0), STEEL)
    found = ruler.find(scene.photo(), labels=labelled(scene, np.zeros(2), 20.0, (160.0, 28.0)))
    assert isinstance(found, NotMeasured)


def test_marks_on_what_is_called_bench_are_no_ruler(bench):
    scene = bench(tilt_deg=10, distance_mm=300)
    draw_ruler(scene)
    photo = scene.photo()
    own, elsewhere = (labelled(scene, np.array([0.0, y_mm]), 0.0, (160.0, 25.0)) for y_mm in (30.0, -60.0))
    found = reference.find(photo, "auto", labels=own)
    assert isinstance(found, Reference)
    assert found.kind == "ruler"
    assert isinstance(reference.find(photo, "auto", labels=elsewhere), NotMeasured)
    assert isinstance(reference.find(photo, "ruler", labels=elsewhere), Reference)  # whoever names it has seen it


def strip(places, widths_px, depth_px=56, length=720):
    """A white ruler's edge along the top, with dark bars (K,) of given widths that reach half across it."""
    rgb = np.full((depth_px + 30, length, 3), 200, np.uint8)
    for place, width in zip(places, widths_px, strict=True):
        rgb[8 : depth_px * 3 // 4, round(place - width / 2) : round(place + width / 2)] = 60
    return cv2.GaussianBlur(rgb, (0, 0), 0.8)


EDGE = Edge(np.array([0.0, 0.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]), 720.0)


def test_long_and_short_marks_do_not_pass_for_numerals():
    places = np.arange(20, 710, 17.0)
    equal = numerals.read(strip(places, np.full(len(places), 6)), EDGE, 56.0)
    assert not isinstance(equal, str)
    assert equal[0].comb.a == pytest.approx(17.0, rel=0.02)
    widths = np.where(np.arange(len(places)) % 2 == 0, 8, 3)
    assert numerals.read(strip(places, widths), EDGE, 56.0) == numerals.MARKS


def test_the_end_that_fits_the_other_end_is_taken():
    """Of three lines at one end the one that a single turn of the ruler explains along with the other end."""
    comb = Comb(20.0, 10.0, 0.0)
    numbers = np.arange(19.0)
    scale = scales.Reading(comb, numbers, comb.at(numbers), 10.0, 0, 0.3, 0.9, 8.0, 0.3)
    flat = np.random.default_rng(3).normal(0, 0.3, (40, 720))
    edge = Edge(np.array([300.0, 250.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]), 400.0)
    lean = Lean(edge, scale, 800.0, (1024, 768))
    # the lines square to the edge on a plane turned by 25 degrees about it meet 800 px / tan 25 below the middle
    first, last = ((511.5 - 300 - foot) / (383.5 + 800 / np.tan(np.radians(25)) - 250) for foot in (10.0, 380.0))

    def near(slopes):
        told = lean.of_marks(flat, [[End(10.0, first, 0.012)], [End(380.0, slope, 0.012) for slope in slopes]])
        return told.comb.s0 + told.comb.s1 * 380.0

    assert near([last]) == pytest.approx(last, abs=0.01)
    assert near([last + 0.2, last, last + 0.3]) == pytest.approx(last, abs=0.02)


def test_sides_of_a_named_ruler_are_found_among_many_lines(bench):
    scene = bench(tilt_deg=12, turn_deg=50, distance_mm=300)
    for x in np.arange(-300, 300, 2.5):  # a ribbed mat
        scene.box((0.0, 0.0), 20.0, (1.2, 600.0), (0.12, 0.1, 0.1), shift=(x, 0.0))
    draw_ruler(scene, at=(5.0, 4.0), angle=65.0, length=150.0, width=28.0)
    found = ruler.find(scene.photo(), labels=labelled(scene, np.array([5.0, 4.0]), 65.0, (160.0, 28.0)))
    assert isinstance(found, Reference), found
    mm = to_mm(found, ends_px(scene, (5.0, 4.0), 65.0, 150.0, 28.0))
    assert np.linalg.norm(mm[1] - mm[0]) == pytest.approx(150.0, rel=0.01)


def test_an_edge_seen_in_part_is_followed_as_far_as_what_is_named():
    labels = np.zeros((300, 400), np.uint8)
    labels[100:120, 50:350] = 2
    line = Edge(np.array([300.0, 199.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]), 200.0)
    found = on_named(labels, line, (800, 600))
    assert found.named
    assert found.origin[0] == pytest.approx(100.0, abs=8)
    assert found.length == pytest.approx(600.0, abs=16)
    assert on_named(labels, replace(line, origin=np.array([300.0, 400.0])), (800, 600)) is None
