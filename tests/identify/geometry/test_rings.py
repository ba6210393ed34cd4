"""Which ring is the coin's edge, on discs drawn with a border on the face and with a shadow."""

import cv2
import numpy as np
import pytest

from identify.geometry import rings
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
@pytest.mark.parametrize("hold", [rings.FREE, rings.STIFF])
def test_edge_not_border_nor_shadow(shadow_px, start, hold):
    first = Ellipse(CENTRE[0] + 1.0, CENTRE[1] - 1.0, start * RADIUS, start * RADIUS * 0.999, 0.2)
    found = rings.edge(drawn(shadow_px=shadow_px), first, hold=hold)
    assert (found.ellipse.x_px, found.ellipse.y_px) == pytest.approx(CENTRE, abs=0.6)
    assert found.ellipse.major_px == pytest.approx(RADIUS, rel=0.008)
    assert found.ellipse.minor_px == pytest.approx(RADIUS, rel=0.008)
    assert 0 <= found.doubt < 0.03


def test_no_ring_in_an_empty_picture():
    blank = np.full((400, 400, 3), 120, np.uint8)
    found = rings.edge(blank, Ellipse(200.0, 200.0, 80.0, 79.0, 0.0))
    assert found is None or found.doubt > 0.01


def test_one_weight_for_each_feature():
    seen = rings.unwrap(drawn(), Ellipse(*CENTRE, RADIUS, RADIUS * 0.999, 0.0))
    found = rings.follow(seen, low=0.8, high=1.3)
    assert rings.features(seen, found).shape == (len(found.radii), len(rings.WEIGHTS))
