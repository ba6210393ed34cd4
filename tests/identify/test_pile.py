"""Parts on a narrow foot against exact outlines of piles of discs with known radii and heights."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from identify.dimensions import hull, pile
from identify.dimensions.stance import Height
from identify.model import Camera, Outline, Pose
from training.drawn_parts import look_at

CAMERA = Camera(1156.0, (799.5, 599.5), 0.02, "EXIF")
COVARIANCE = np.diag([1e-3, 1e-3, 1e-3, 1e-3, 0.1, 0.1, 0.1]) ** 2
PRIOR = Height(52.0, 15.0, "", narrow=True)
FINER = 4
# Radius from and to a height [mm]: capsule, lower land, waist, upper land with the seal ring that stands proud, stem.
PART = [(4.5, 0.0, 15.0), (12.5, 15.0, 22.0), (11.0, 22.0, 30.0), (16.0, 30.0, 36.0), (16.33, 32.5, 33.5)]
PART += [(14.0, 36.0, 42.0), (9.0, 42.0, 48.0), (4.5, 48.0, 62.0)]


def outline(pose: Pose, part: list[tuple[float, float, float]], *, bitten: bool = False) -> Outline:
    """Outline of cylinders one above the other about an upright axis, from a picture of them."""
    seen = np.zeros((1200 * FINER, 1600 * FINER), np.uint8)
    for radius, low, high in part:
        wall = hull.silhouette(np.array([8.0, 5.0]), np.array([radius] * 2), np.array([high, low]), CAMERA, pose)
        cv2.fillPoly(seen, [np.round((wall + 0.5) * FINER - 0.5).astype(np.int32)], 1)
    if bitten:
        columns = np.nonzero(seen)[1]
        seen[:, : int(np.percentile(columns, 35))] = 0
    contours, _ = cv2.findContours(seen, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    border = max(contours, key=cv2.contourArea).reshape(-1, 2)[::FINER]
    return Outline((border + 0.5) / FINER - 0.5, np.zeros((4, 4), bool), 1, 0.2, False, "drawn")


def stood(tilt_deg: float, part: list[tuple[float, float, float]], *, bitten: bool = False) -> pile.Piled | None:
    pose = look_at(300, tilt_deg)
    known = Pose(pose.rotation, pose.translation_mm, COVARIANCE)
    return pile.stand(outline(pose, part, bitten=bitten), CAMERA, known, PRIOR, u_size_rel=1e-3)


def test_room_for_a_circle_is_the_distance_to_the_nearest_side_and_nothing_outside() -> None:
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    places = np.array([[5.0, 5.0], [2.0, 5.0], [9.0, 8.0], [11.0, 5.0], [-1.0, -1.0]])
    assert pile.widths(square, places) == pytest.approx([5.0, 2.0, 1.0, 0.0, 0.0])


@pytest.mark.parametrize("tilt_deg", [2, 15, 25, 35])
def test_the_widest_land_is_measured_whatever_is_above_and_below_it(tilt_deg: float) -> None:
    found = stood(tilt_deg, PART)
    assert found is not None
    assert abs(found.estimate.value - 32) <= 2 * found.estimate.u
    assert found.estimate.value == pytest.approx(32, rel=0.07)


def test_a_capsule_that_shows_tells_the_place_of_the_foot() -> None:
    """Seen at a slant the part's foot is in the picture: its size is several times as sure as from above."""
    slanted, above = stood(38, PART), stood(2, PART)
    assert slanted is not None
    assert above is not None
    assert slanted.estimate.u < 0.6 * above.estimate.u
    assert slanted.estimate.value == pytest.approx(32, rel=0.025)
    assert slanted.shape_mm[:2] == pytest.approx([8.0, 5.0], abs=4.0)


def test_a_body_without_a_capsule_stands_on_all_its_width() -> None:
    found = stood(25, [(16.33, 0.0, 48.0)])
    assert found is not None
    assert abs(found.estimate.value - 32) <= 2 * found.estimate.u


def test_an_outline_that_is_not_alike_on_both_sides_of_its_axis_is_no_pile() -> None:
    assert stood(25, PART, bitten=True) is None
