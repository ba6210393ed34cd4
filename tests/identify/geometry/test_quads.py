"""Rectangles in perspective: their side ratio from a focal length, and candidates from lines."""

import numpy as np
import pytest

from identify.geometry.camera import rotation_from_vector
from identify.geometry.quads import distinct, from_lines, is_convex, misfit, seen_with, square_to_quad
from identify.geometry.strokes import Strokes, join, segments

FOCAL, CENTRE = 800.0, np.array([499.5, 374.5])


def rectangle_px(width, height, tilt_deg, turn_deg, distance=300.0):
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array([width, height]) / 2
    axis = np.radians(turn_deg)
    turn = rotation_from_vector(np.radians(tilt_deg) * np.array([np.cos(axis), np.sin(axis), 0]))
    seen = np.column_stack([corners, np.zeros(4)]) @ turn.T + [8.0, -5.0, distance]
    return CENTRE + FOCAL * seen[:, :2] / seen[:, 2:]


@pytest.mark.parametrize(("tilt", "turn"), [(0, 0), (10, 30), (25, 100), (40, 250), (55, 310)])
@pytest.mark.parametrize("ratio", [1.0, 1.4142, 1.5858, 2.5])
def test_side_ratio_and_tilt(tilt, turn, ratio):
    shape = seen_with(rectangle_px(50 * ratio, 50, tilt, turn)[None], FOCAL, CENTRE)
    assert shape.ratio[0] == pytest.approx(ratio, rel=1e-6)
    assert abs(shape.cosine[0]) < 1e-6
    assert np.degrees(shape.tilt_rad[0]) == pytest.approx(tilt, abs=1e-3)


def test_misfit_tells_a_card_from_paper_and_needs_a_possible_focal_length():
    card, paper = rectangle_px(85.6, 53.98, 25, 40), rectangle_px(105, 74.2, 25, 40)
    both = np.array([card, paper])
    near = misfit(both, 85.6 / 53.98, np.array([780.0, 800.0, 820.0]), CENTRE, (0.025, 0.03))
    assert near[0] < 0.3
    assert near[1] > 3
    assert misfit(card[None], 85.6 / 53.98, np.array([200.0]), CENTRE, (0.025, 0.03))[0] > 3


def test_square_maps_to_its_corners():
    corners = rectangle_px(70, 40, 33, 77)
    square = np.array([[0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1.0]])
    mapped = square @ square_to_quad(corners[None])[0].T
    assert mapped[:, :2] / mapped[:, 2:] == pytest.approx(corners)


def test_quadrilateral_from_broken_lines():
    corners = rectangle_px(85.6, 53.98, 20, 60)
    pieces = []
    for n in range(4):
        start, end = corners[n], corners[(n + 1) % 4]
        pieces += [[start + a * (end - start), start + b * (end - start)] for a, b in ((0.06, 0.4), (0.55, 0.94))]
    pieces.append([[20.0, 20.0], [900.0, 40.0]])
    strokes = join(np.array(pieces))
    assert len(strokes.ends_px) == 5
    quads = from_lines(strokes, shortest_px=30.0, size_px=(1000, 750))
    best = quads[0]
    assert sorted(np.linalg.norm(best[:, None] - corners, axis=2).argmin(axis=1)) == [0, 1, 2, 3]
    assert np.linalg.norm(best[:, None] - corners, axis=2).min(axis=1).max() < 0.5


def test_no_lines_no_quadrilaterals():
    none = Strokes(np.zeros((0, 2, 2)), np.zeros(0))
    assert from_lines(none, shortest_px=30.0, size_px=(1000, 750)).shape == (0, 4, 2)
    assert len(segments(np.full((100, 100), 128, np.uint8))) == 0
    assert len(join(np.zeros((0, 2, 2))).ends_px) == 0


def test_convexity_and_distinctness():
    square = np.array([[0, 0], [10, 0], [10, 10], [0, 10.0]])
    bow = square[[0, 2, 1, 3]]
    assert is_convex(np.array([square, square[::-1], bow])).tolist() == [True, True, False]
    assert distinct(np.array([square, np.roll(square, 1, axis=0) + 0.5, square + 30]), apart_px=3.0, most=5) == [0, 2]
