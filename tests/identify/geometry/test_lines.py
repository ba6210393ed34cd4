"""Lines fitted to drawn edges, and to points whose answer is known."""

import numpy as np
import pytest
from scipy.special import ndtr

from identify.geometry.line_fit import crossing, fit_line, u_crossing_px
from identify.geometry.lines import refine_edge


def step_picture(angle_deg, offset_px, blur_px=1.0, size=120, low=0.1, high=0.6, seam=None):
    """Two fields of light meeting in a blurred straight edge through the middle, in sRGB codes (IEC 61966-2-1)."""
    y, x = np.indices((size, size)).astype(float)
    angle = np.radians(angle_deg)
    away = -(x - size / 2) * np.sin(angle) + (y - size / 2) * np.cos(angle) - offset_px
    light = low + (high - low) * ndtr(away / blur_px)
    if seam is not None:
        width, depth = seam
        light -= depth * (ndtr((away + width) / blur_px) - ndtr(away / blur_px))
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.dstack([np.round(255 * coded).astype(np.uint8)] * 3), np.array([-np.sin(angle), np.cos(angle)])


@pytest.mark.parametrize("angle", [0.0, 13.0, 45.0, 88.0, 140.0])
@pytest.mark.parametrize("offset", [0.0, 0.37, -2.2])
def test_edge_is_located_in_linear_light(angle, offset):
    rgb, normal = step_picture(angle, offset)
    along = np.array([normal[1], -normal[0]])
    middle = np.array([60.0, 60.0])
    line, share = refine_edge(rgb, middle - 40 * along, middle + 40 * along, reach_px=4.0)
    assert (line.point_px - middle) @ normal == pytest.approx(offset, abs=0.04)
    assert abs(line.direction @ normal) < 0.002
    assert share > 0.9


@pytest.mark.parametrize("blur", [0.7, 1.0, 1.3])
def test_dark_seam_is_crossed_towards_the_object(blur):
    rgb, _ = step_picture(0.0, 0.0, blur_px=blur, low=0.5, high=0.55, seam=(4.0, 0.35))
    start, end = np.array([20.0, 56.0]), np.array([100.0, 56.0])
    outer, _ = refine_edge(rgb, start, end, reach_px=3.0)
    inner, _ = refine_edge(rgb, start, end, reach_px=3.0, inward=1.0, seam_px=6.0)
    assert outer.point_px[1] == pytest.approx(56.0, abs=0.25)
    assert inner.point_px[1] == pytest.approx(60.0, abs=0.25)


@pytest.mark.parametrize("picture", ["flat", "short"])
def test_no_edge_gives_none(picture):
    rgb = np.full((80, 80, 3), 90, np.uint8)
    end = (12.0, 40.0) if picture == "short" else (70.0, 40.0)
    assert refine_edge(rgb, np.array([10.0, 40.0]), np.array(end), reach_px=4.0) is None


def test_biweight_ignores_a_third_of_wrong_points():
    rng = np.random.default_rng(3)
    x = np.linspace(0, 100, 90)
    points = np.column_stack([x, 0.3 * x + 5 + rng.normal(0, 0.1, 90)])
    points[::3, 1] += rng.uniform(3, 20, 30)
    line = fit_line(points)
    assert line.direction[1] / line.direction[0] == pytest.approx(0.3, abs=0.002)
    assert line.offset_px([[50.0, 20.0]])[0] == pytest.approx(0.0, abs=0.1)
    assert np.count_nonzero(line.kept) == pytest.approx(60, abs=4)


def test_stated_uncertainty_of_a_corner_matches_its_scatter():
    """Monte Carlo (JCGM 101): the spread of the crossing of two fitted lines against the first-order figure."""
    rng = np.random.default_rng(5)
    steps = np.linspace(10, 110, 40)
    corners, stated = [], []
    for _ in range(300):
        one = fit_line(np.column_stack([steps, rng.normal(0, 0.2, 40)]))
        other = fit_line(np.column_stack([rng.normal(0, 0.2, 40), steps]))
        corners.append(crossing(one, other))
        stated.append(u_crossing_px(one, other, corners[-1]))
    assert np.mean(stated) == pytest.approx(np.std(corners, axis=0).mean(), rel=0.25)


def test_parallel_lines_do_not_cross():
    one = fit_line(np.array([[0.0, 0.0], [50.0, 0.1]]))
    other = fit_line(np.array([[0.0, 9.0], [50.0, 9.0]]))
    assert crossing(one, other) is None


def test_one_point_is_no_line():
    with pytest.raises(ValueError, match="got 1"):
        fit_line(np.array([[1.0, 2.0]]))
