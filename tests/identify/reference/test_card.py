"""Cards drawn in perspective; the size of the card is that of ISO/IEC 7810 ID-1."""

import cv2
import numpy as np
import pytest

from identify.geometry.quads import seen_with, square_to_quad
from identify.model import NotMeasured, Reference
from identify.reference import card
from identify.reference.corners import roundness

ID1 = (85.60, 53.98)  # ISO/IEC 7810
RADIUS = 3.18
COLOURS = {
    "white": (0.82, 0.82, 0.80),
    "blue": (0.06, 0.12, 0.40),
    "grey": (0.40, 0.40, 0.41),
    "orange": (0.55, 0.22, 0.10),
    "black": (0.02, 0.02, 0.02),
}


def draw_card(scene, *, at=(0.0, 0.0), angle=20.0, colour="blue", stripe=False, size=ID1, corner=RADIUS):
    scene.box(at, angle, size, COLOURS[colour], corner)
    if stripe:
        scene.box(at, angle, (size[0], 12.0), COLOURS["black"], shift=(0, 16.5))
        scene.box(at, angle, (60.0, 8.0), (0.7, 0.7, 0.66), shift=(-6, 2))
    else:
        scene.box(at, angle, (12.0, 9.0), (0.5, 0.4, 0.15), 1.5, shift=(-26, 6))
        for n in range(16):
            scene.box(at, angle, (2.2, 4.0), (0.6, 0.6, 0.6), shift=(-32 + 4.2 * n, -8))


def clutter(scene, count=6):
    for _ in range(count):
        place = tuple(scene.rng.uniform(-110, 110, 2))
        if np.hypot(*place) > 75:
            scene.box(
                place,
                float(scene.rng.uniform(0, 180)),
                tuple(scene.rng.uniform(8, 70, 2)),
                tuple(scene.rng.uniform(0.05, 0.7, 3)),
            )


def worst_corner_px(found, truth_px):
    apart = np.linalg.norm(found.points_px[:, None] - truth_px[None], axis=2)
    assert sorted(apart.argmin(axis=1)) == [0, 1, 2, 3]
    return float(apart.min(axis=1).max())


SCENES = [
    # tilt, turn, distance, angle, colour, stripe, texture, cluttered
    (0, 0, 300, 0, "blue", False, "plain", False),
    (5, 90, 260, 101, "white", True, "plain", False),
    (10, 200, 320, 37, "orange", False, "stone", True),
    (15, 45, 300, 0, "black", False, "wood", True),
    (20, 120, 350, 101, "blue", True, "stone", False),
    (25, 300, 280, 37, "white", False, "wood", True),
    (30, 10, 400, 0, "orange", False, "plain", True),
    (35, 260, 330, 0, "blue", False, "wood", False),
    (12, 150, 450, 101, "white", False, "stone", True),
    (18, 330, 240, 37, "grey", True, "plain", False),
    (35, 80, 300, 101, "orange", True, "stone", False),
    (0, 0, 420, 37, "black", False, "wood", False),
]


@pytest.mark.parametrize(("tilt", "turn", "distance", "angle", "colour", "stripe", "texture", "cluttered"), SCENES)
def test_card_is_found_to_a_fraction_of_a_pixel(bench, tilt, turn, distance, angle, colour, stripe, texture, cluttered):
    scene = bench(tilt_deg=tilt, turn_deg=turn, distance_mm=distance, texture=texture, seed=tilt + angle)
    if cluttered:
        clutter(scene)
    draw_card(scene, at=(5.0, -4.0), angle=angle, colour=colour, stripe=stripe)
    found = card.find(scene.photo())
    assert isinstance(found, Reference), found
    assert found.kind == "card"
    assert worst_corner_px(found, scene.corners_px((5.0, -4.0), angle, ID1)) < 0.6
    assert np.ptp(found.points_mm, axis=0) == pytest.approx(ID1)
    assert found.u_px < 0.5


def test_corners_are_right_handed_and_give_the_size_back(bench):
    scene = bench(tilt_deg=20, turn_deg=70, distance_mm=300)
    draw_card(scene, at=(10, 5), angle=25, colour="white")
    found = card.find(scene.photo())
    px, mm = found.points_px, found.points_mm

    def area(points):
        x, y = points.T
        return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))

    assert area(mm) > 0 > area(px)  # pixel y runs down
    shape = seen_with(px[None], scene.camera.focal_px, np.array(scene.camera.centre_xy_px))
    assert shape.ratio[0] == pytest.approx(85.60 / 53.98, rel=0.004)
    assert abs(shape.cosine[0]) < 0.004
    assert np.degrees(shape.tilt_rad[0]) == pytest.approx(20, abs=1.0)


def test_card_without_focal_length(bench):
    scene = bench(tilt_deg=22, turn_deg=110, distance_mm=310)
    draw_card(scene, colour="orange")
    found = card.find(scene.photo(exif=False))
    assert isinstance(found, Reference)
    assert worst_corner_px(found, scene.corners_px((0, 0), 20.0, ID1)) < 0.6


def test_part_over_a_corner_is_said_and_does_not_move_the_others(bench):
    scene = bench(tilt_deg=10, distance_mm=300)
    draw_card(scene, angle=0.0, colour="blue")
    scene.disc((42.0, 22.0), 17.0, (0.6, 0.5, 0.2))
    found = card.find(scene.photo())
    assert isinstance(found, Reference)
    assert worst_corner_px(found, scene.corners_px((0, 0), 0.0, ID1)) < 0.8


def test_contact_shadow_is_not_taken_for_the_edge(bench):
    scene = bench(tilt_deg=0, distance_mm=280, level=0.5)
    scene.box((0.7, 0.7), 0.0, ID1, (0.15, 0.15, 0.15), RADIUS)
    draw_card(scene, angle=0.0, colour="white")
    found = card.find(scene.photo())
    assert isinstance(found, Reference)
    assert worst_corner_px(found, scene.corners_px((0, 0), 0.0, ID1)) < 0.6


def test_full_size_photo_is_as_sharp_in_millimetres(bench):
    scene = bench(tilt_deg=12, distance_mm=300, size=(1600, 1200), texture="stone")
    draw_card(scene, colour="orange", angle=63.0)
    found = card.find(scene.photo())
    assert isinstance(found, Reference)
    assert worst_corner_px(found, scene.corners_px((0, 0), 63.0, ID1)) < 0.6


def not_cards(scene, what):
    if what == "empty":
        return
    if what == "sheet of paper":
        scene.box((0, 0), 30.0, (148, 105), COLOURS["white"])
    elif what == "golden sheet with sharp corners":
        scene.box((0, 0), 30.0, (85.6, 53.98), COLOURS["white"])
    elif what == "phone":
        scene.box((0, 0), 15.0, (146, 71), COLOURS["black"], 9.0)
    elif what == "passport":  # ID-3: 125 x 88
        scene.box((0, 0), 15.0, (125, 88), COLOURS["blue"], RADIUS)
    elif what == "square tile":
        scene.box((0, 0), 15.0, (97, 97), COLOURS["grey"], 1.0)
    elif what == "tiled wall":
        for row in range(-4, 5):
            for column in range(-4, 5):
                scene.box(
                    (0, 0), 5.0, (83.0, 51.5), COLOURS["grey"], shift=(86.0 * column + 43 * (row % 2), 54.5 * row)
                )
    elif what == "coins":
        for n in range(4):
            scene.disc((-60 + 40 * n, 20 * (n % 2)), 12.0, COLOURS["orange"])
    elif what == "clutter":
        clutter(scene, 14)


@pytest.mark.parametrize(
    "what",
    [
        "empty",
        "sheet of paper",
        "golden sheet with sharp corners",
        "phone",
        "passport",
        "square tile",
        "tiled wall",
        "coins",
        "clutter",
    ],
)
@pytest.mark.parametrize(("texture", "tilt"), [("plain", 0), ("wood", 25), ("stone", 12)])
def test_other_things_are_not_cards(bench, texture, what, tilt):
    scene = bench(tilt_deg=tilt, distance_mm=320, texture=texture, seed=tilt + 3)
    not_cards(scene, what)
    found = card.find(scene.photo())
    assert isinstance(found, NotMeasured)
    assert found.advice


def test_card_cut_by_the_frame_is_refused(bench):
    scene = bench(distance_mm=250)
    draw_card(scene, at=(150.0, 0.0), angle=0.0)
    found = card.find(scene.photo())
    assert isinstance(found, NotMeasured)


def test_larger_card_by_its_own_size(bench):
    scene = bench(tilt_deg=15, distance_mm=350)
    scene.box((0, 0), 20.0, (125.0, 88.0), COLOURS["blue"], RADIUS)
    size = card.CardSize(id="card-id3", width_mm=125.0, height_mm=88.0)  # ISO/IEC 7810 ID-3
    found = card.find(scene.photo(), size=size)
    assert isinstance(found, Reference)
    assert found.id == "card-id3"
    assert worst_corner_px(found, scene.corners_px((0, 0), 20.0, (125.0, 88.0))) < 0.6


def speckled(scene, size_mm=1.6):
    """Granite: light, grey and dark grains about as large as a card's corner."""
    grain = scene.rng.normal(size=scene.light.shape[:2]).astype(np.float32)
    soft = cv2.GaussianBlur(grain, (0, 0), size_mm / 2 * scene.camera.focal_px / scene.distance_mm)
    soft /= soft.std()
    scene.light *= np.select([soft < -0.6, soft > 0.4], [0.15, 1.9], 1.0)[..., None]


@pytest.mark.parametrize(
    ("tilt", "angle", "colour", "seed"), [(12, 12, "orange", 1), (17, 40, "blue", 2), (25, 70, "orange", 3)]
)
def test_card_on_speckled_stone(bench, tilt, angle, colour, seed):
    scene = bench(tilt_deg=tilt, distance_mm=330, seed=seed, level=0.3)
    speckled(scene)
    draw_card(scene, angle=angle, colour=colour)
    found = card.find(scene.photo())
    assert isinstance(found, Reference), found
    assert worst_corner_px(found, scene.corners_px((0.0, 0.0), angle, ID1)) < 2.5


def test_sharp_corners_are_told_by_their_colours(bench):
    size = np.array(ID1)
    for corner, low, high in ((RADIUS, 0.7, 1.3), (0.0, -0.3, 0.3)):
        scene = bench(tilt_deg=10, distance_mm=330, seed=4, level=0.3)
        speckled(scene)
        draw_card(scene, angle=30.0, colour="orange", corner=corner)
        corners = scene.corners_px((0.0, 0.0), 30.0, ID1)
        to_px = square_to_quad(corners[None])[0] @ np.diag([1 / size[0], 1 / size[1], 1.0])
        told = roundness(scene.photo().rgb, to_px, size, RADIUS)
        assert told is not None
        assert low < told.share < high


def test_a_card_of_the_benchs_own_colours_tells_no_corners(bench):
    scene = bench(distance_mm=330)
    corners = scene.corners_px((0.0, 0.0), 30.0, ID1)
    to_px = square_to_quad(corners[None])[0] @ np.diag([1 / ID1[0], 1 / ID1[1], 1.0])
    assert roundness(scene.photo().rgb, to_px, np.array(ID1), RADIUS) is None


def test_white_card_on_a_white_bench_shows_its_arcs_only_by_their_edges(bench):
    scene = bench(tilt_deg=4, distance_mm=260, seed=6, level=0.66, size=(1600, 1200), noise=0.02)
    draw_card(scene, angle=25.0, colour="white", stripe=True)
    found = card.find(scene.photo())
    assert isinstance(found, Reference), found
    assert worst_corner_px(found, scene.corners_px((0.0, 0.0), 25.0, ID1)) < 2.5


def test_a_line_of_print_does_not_pass_for_a_side():
    """Of two fits that hold, the one with the card's own corners is taken, not the one that is seen clearer."""
    corners = np.array([[100.0, 100.0], [400.0, 100.0], [400.0, 289.0], [100.0, 289.0]])
    own = card._Fit(corners, (), np.full(4, 0.85), 0.1, np.full(4, 3.2), 0.0)
    print_ = card._Fit(corners, (), np.full(4, 0.95), 0.1, np.array([3.2, 3.1, 0.2, np.inf]), 0.0)
    small = card._Fit(corners, (), np.full(4, 0.95), 0.1, np.full(4, np.nan), 0.0)
    assert print_.score > own.score
    assert card._rank(own, card.ID1) > card._rank(print_, card.ID1)
    assert card._rank(small, card.ID1) == small.score  # where no corner can be told none is held against it
