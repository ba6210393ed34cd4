"""Ellipse fits and circle poses against exact ellipses, exact projections and Monte Carlo."""

import math

import numpy as np
import pytest
from scipy.optimize import least_squares

from identify.geometry import camera as cameras
from identify.geometry import ellipse as ellipses
from identify.model import Camera, Ellipse

ELLIPSES = [
    Ellipse(500.2, 401.7, 60.0, 60.0, 0.0),
    Ellipse(20.0, 900.0, 200.0, 120.0, 0.7),
    Ellipse(1000.0, 30.0, 45.0, 41.0, -1.2),
    Ellipse(3000.0, 2000.0, 190.0, 189.0, 2.5),
]


def arc(ellipse, count, degrees):
    turn = np.radians(degrees) * np.arange(count) / count
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    return np.array([ellipse.x_px, ellipse.y_px]) + unit @ ellipses.shape_matrix(ellipse)


def close(one, two, tolerance):
    assert one.x_px == pytest.approx(two.x_px, abs=tolerance)
    assert one.y_px == pytest.approx(two.y_px, abs=tolerance)
    assert ellipses.shape_matrix(one) == pytest.approx(ellipses.shape_matrix(two), abs=tolerance)


@pytest.mark.parametrize("ellipse", ELLIPSES)
@pytest.mark.parametrize("degrees", [360, 200, 120])
def test_exact_points_give_the_ellipse_back(ellipse, degrees):
    # a fit that shrinks on arcs (7 % on 120 degrees is usual for direct algebraic fits) fails here
    fitted = ellipses.fit(arc(ellipse, 60, degrees))
    assert fitted is not None
    close(fitted.ellipse, ellipse, 2e-2)
    assert np.max(np.abs(fitted.residuals_px)) < 1e-3


@pytest.mark.parametrize("ellipse", ELLIPSES)
def test_matrix_and_rim_belong_to_the_ellipse(ellipse):
    points, normals = ellipses.rim(ellipse, 90)
    assert np.abs(ellipses.distances(ellipse, points)).max() < 1e-9
    assert ellipses.distances(ellipse, points + 0.5 * normals) == pytest.approx(np.full(90, 0.5), abs=0.01)
    back = ellipses.from_shape_matrix(np.array([ellipse.x_px, ellipse.y_px]), ellipses.shape_matrix(ellipse))
    close(back, ellipse, 1e-9)


@pytest.mark.parametrize(("share", "together"), [(0.1, True), (0.2, False), (0.3, False)])
def test_wrong_points_do_not_pull(share, together):
    # an arc of 36 degrees that lies 6 px outside, or three points in ten strewn along the rim
    ellipse, noise = ELLIPSES[1], np.random.default_rng(1)
    points, normals = ellipses.rim(ellipse, 150)
    points = points + noise.normal(0, 0.3, (150, 1)) * normals
    count = int(share * 150)
    wrong = np.arange(count) if together else noise.choice(150, count, replace=False)
    points[wrong] += 6 * normals[wrong]
    fitted = ellipses.fit(points)
    assert fitted is not None
    close(fitted.ellipse, ellipse, 0.4)


def test_covariance_agrees_with_monte_carlo():
    # JCGM 101: the spread of repeated fits is the uncertainty that each fit claims
    ellipse, noise = ELLIPSES[1], np.random.default_rng(3)
    points, normals = ellipses.rim(ellipse, 120)
    numbers, claims = [], []
    for _ in range(250):
        fitted = ellipses.fit(points + noise.normal(0, 0.4, (120, 1)) * normals)
        matrix = ellipses.shape_matrix(fitted.ellipse)
        numbers.append([fitted.ellipse.x_px, fitted.ellipse.y_px, matrix[0, 0], matrix[0, 1], matrix[1, 1]])
        claims.append(np.diag(fitted.covariance))
    spread = np.std(numbers, axis=0)
    assert np.sqrt(np.mean(claims, axis=0)) == pytest.approx(spread, rel=0.2)
    assert np.mean(numbers, axis=0)[2:] == pytest.approx(
        [*ellipses.shape_matrix(ellipse)[0], ellipses.shape_matrix(ellipse)[1, 1]], abs=0.05
    )


def test_fit_is_the_minimum_that_scipy_finds():
    # reference library: scipy's least_squares over the same distances, no outliers, wide loss
    ellipse = ELLIPSES[2]
    points, normals = ellipses.rim(ellipse, 80)
    points = points + np.random.default_rng(8).normal(0, 0.2, (80, 1)) * normals

    def away(numbers):
        shape = np.array([[numbers[2], numbers[3]], [numbers[3], numbers[4]]])
        return ellipses.distances(ellipses.from_shape_matrix(numbers[:2], shape), points)

    start = ellipses.shape_matrix(ellipse)
    by_scipy = least_squares(away, [ellipse.x_px, ellipse.y_px, start[0, 0], start[0, 1], start[1, 1]]).x
    ours = ellipses.fit(points).ellipse
    shape = ellipses.shape_matrix(ours)
    assert [ours.x_px, ours.y_px, shape[0, 0], shape[0, 1], shape[1, 1]] == pytest.approx(by_scipy, abs=0.06)


@pytest.mark.parametrize(
    "points",
    [np.zeros((0, 2)), np.arange(10.0).reshape(5, 2), np.column_stack([np.arange(20.0), 2 * np.arange(20.0)])],
)
def test_what_is_no_ellipse_is_none(points):
    fitted = ellipses.fit(points)
    assert fitted is None or fitted.ellipse.minor_px < 0.01 * fitted.ellipse.major_px


@pytest.mark.parametrize("tilt_deg", [0.0, 2.0, 10.0, 35.0, 60.0])
@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 200.0])
@pytest.mark.parametrize("centre", [(0.0, 0.0, 300.0), (60.0, -45.0, 280.0)])
def test_one_of_the_two_poses_is_the_true_one_and_both_show_the_ellipse(tilt_deg, turn_deg, centre):
    camera = Camera(1200.0, (799.5, 599.5), 0.0, "EXIF")
    tilt, turn = math.radians(tilt_deg), math.radians(turn_deg)
    normal = np.array([math.sin(tilt) * math.cos(turn), math.sin(tilt) * math.sin(turn), -math.cos(tilt)])
    rim = circle(normal, np.array(centre), 11.6)
    slopes = (cameras.pixels(camera, rim) - camera.centre_xy_px) / camera.focal_px
    cone = ellipses.cones(slopes[None])
    normals, centres = ellipses.circle_poses(cone, np.array([11.6]))
    right = int(np.argmin(np.linalg.norm(normals[0] - normal, axis=1)))
    assert normals[0, right] == pytest.approx(normal, abs=1e-6)
    assert centres[0, right] == pytest.approx(centre, abs=1e-4)
    for side in range(2):
        other = circle(normals[0, side], centres[0, side], 11.6)
        assert np.einsum("ni,ij,nj->n", other, cone[0], other) == pytest.approx(np.zeros(36), abs=1e-5 * 300**2)


def circle(normal, centre, radius):
    first = np.cross(normal, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(normal, first)
    turn = 2 * np.pi * np.arange(36) / 36
    return centre + radius * (np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second)
