"""Which ring is the coin's edge, on discs drawn with a border on the face and with a shadow, and on odds made up."""

import cv2
import numpy as np
import pytest

from identify.geometry import coin_edge, rings
from identify.geometry import ellipse as ellipses
from identify.model import Ellipse

CENTRE, RADIUS = (200, 190), 80.0


def drawn(*, shadow_px=0, seed=0):
    """A brass disc with a thin dark border line at 0.92 of the radius, on a pale ground, with a soft shadow."""
    ground = np.full((400, 400, 3), (205.0, 200.0, 190.0))
    light = np.ones((400, 400))
    if shadow_px:
        moved = (CENTRE[0] + shadow_px, CENTRE[1] + shadow_px)
        cv2.circle(light, moved, round(RADIUS), 0.45, -1, cv2.LINE_AA)
        light = cv2.GaussianBlur(light, (0, 0), 5)
    picture = ground * light[..., None]
    fine = np.zeros((1600, 1600))
    cv2.circle(fine, (4 * CENTRE[0] + 2, 4 * CENTRE[1] + 2), round(4 * RADIUS), 1.0, -1)
    disc = cv2.resize(fine, (400, 400), interpolation=cv2.INTER_AREA)[..., None]
    picture = picture * (1 - disc) + disc * (150.0, 120.0, 60.0)
    y, x = np.mgrid[:400, :400]
    line = np.exp(-0.5 * ((np.hypot(x - CENTRE[0], y - CENTRE[1]) - 0.92 * RADIUS) / 1.2) ** 2)
    picture = picture * (1 - 0.35 * line[..., None]) + np.random.default_rng(seed).normal(0, 2, picture.shape)
    return np.clip(cv2.GaussianBlur(picture, (0, 0), 1.0), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("shadow_px", [0, 6, 10])
@pytest.mark.parametrize("start", [0.92, 1.0, 1.06])
def test_edge_not_border_nor_shadow(shadow_px, start):
    first = Ellipse(CENTRE[0] + 1.0, CENTRE[1] - 1.0, start * RADIUS, start * RADIUS * 0.999, 0.2)
    (found,) = coin_edge.edges(drawn(shadow_px=shadow_px), [first])
    assert (found.ellipse.x_px, found.ellipse.y_px) == pytest.approx(CENTRE, abs=0.6)
    assert found.ellipse.major_px == pytest.approx(RADIUS, rel=0.008)
    assert found.ellipse.minor_px == pytest.approx(RADIUS, rel=0.008)
    assert 0 < found.u_rel < 0.01


def test_a_large_rim_is_looked_at_on_a_reduced_picture():
    large = cv2.resize(drawn(), None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    (found,) = coin_edge.edges(large, [Ellipse(4 * CENTRE[0], 4 * CENTRE[1], 4.1 * RADIUS, 4.1 * RADIUS, 0.0)])
    middle = (4 * CENTRE[0] + 1.5, 4 * CENTRE[1] + 1.5)
    assert (found.ellipse.x_px, found.ellipse.y_px) == pytest.approx(middle, abs=2.4)
    assert found.ellipse.major_px == pytest.approx(4 * RADIUS, rel=0.008)


def test_no_edge_in_an_empty_picture():
    (found,) = coin_edge.edges(np.full((400, 400, 3), 120, np.uint8), [Ellipse(200.0, 200.0, 80.0, 79.0, 0.0)])
    assert found is None or found.support < 0.4


def odds_of(*rims, start, share=(1.0,)):
    """Log odds that gather on the radii of ellipses, exactly projected onto the spokes about ``start``."""
    total = np.full((rings.SPOKES, len(rings.SCALES)), 1e-5)
    for rim, part in zip(rims, share, strict=True):
        points = (ellipses.rim(rim, 2000)[0] - (start.x_px, start.y_px)) @ np.linalg.inv(ellipses.shape_matrix(start))
        angles = np.mod(np.arctan2(points[:, 1], points[:, 0]), 2 * np.pi)
        order = np.argsort(angles)
        turn = 2 * np.pi * np.arange(rings.SPOKES) / rings.SPOKES
        radii = np.interp(turn, angles[order], np.hypot(*points.T)[order], period=2 * np.pi)
        total += part * np.exp(-0.5 * ((rings.SCALES - radii[:, None]) / 0.008) ** 2)
    return np.log(total / total.sum(axis=1, keepdims=True))


def test_the_ellipse_that_the_odds_show_comes_back():
    start = Ellipse(100.0, 90.0, 50.0, 45.0, 0.4)
    true = Ellipse(101.5, 89.0, 53.0, 42.0, 0.5)
    found = rings.edge(odds_of(true, start=start), start)
    same = found.ellipse
    assert (same.x_px, same.y_px, same.major_px, same.minor_px) == pytest.approx((101.5, 89.0, 53.0, 42.0), abs=0.08)
    assert found.support > 0.9


def test_a_rival_ring_widens_the_uncertainty():
    start = Ellipse(100.0, 90.0, 50.0, 45.0, 0.4)
    inner = Ellipse(100.0, 90.0, 44.0, 39.6, 0.4)
    sure = rings.edge(odds_of(start, start=start), start)
    unsure = rings.edge(odds_of(start, inner, start=start, share=(0.53, 0.47)), start)
    assert unsure.ellipse.major_px == pytest.approx(50.0, rel=0.005)
    assert sure.u_rel < 0.01 < unsure.u_rel


def test_odds_that_gather_nowhere_give_no_edge():
    start = Ellipse(100.0, 90.0, 50.0, 45.0, 0.4)
    flat = np.full((rings.SPOKES, len(rings.SCALES)), -np.log(len(rings.SCALES)))
    found = rings.edge(flat, start)
    assert found is None or found.support < 0.3
