"""Threaded stubs of a body that is not turned about them: found on the outline, measured on a drawn part."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from identify import dimensions, outline
from identify.dimensions import laying, stub
from identify.geometry.camera import on_height, project
from identify.model import Camera, Outline, Photo, Plane, Pose
from training.drawn_parts import draw, joined, laid, look_at, stepped, whitworth

CAMERA = Camera(1156.0, (799.5, 599.5), 0.02, "EXIF")
COVARIANCE = np.diag([1e-3, 1e-3, 1e-3, 1e-3, 0.1, 0.1, 0.1]) ** 2


def valve(*stubs_deg: float, lead: bool = False) -> tuple[Outline, Pose]:
    """The outline of a disc of 44 mm with stubs 21 mm wide and 14 mm long, and perhaps a thin lead."""
    pose = look_at(300, 10)
    cells = np.zeros((800, 800), np.uint8)  # 0.2 mm
    cv2.circle(cells, (400, 400), 110, 1, cv2.FILLED)
    for heading in stubs_deg:
        way = np.array([np.cos(np.radians(heading)), np.sin(np.radians(heading))])
        side = np.array([-way[1], way[0]])
        corners = [400 + 5 * (far * way + 10.5 * sign * side) for far, sign in ((5, 1), (5, -1), (36, -1), (36, 1))]
        cv2.fillPoly(cells, [np.round(corners).astype(np.int32)], 1)
    if lead:
        cv2.line(cells, (400, 400), (400, 100), 1, 20)
    border, _ = cv2.findContours(cells, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    plan = (border[0].reshape(-1, 2) - 400) * 0.2
    points = np.column_stack([plan, np.full(len(plan), stub.HIGH_MM)])
    return Outline(project(CAMERA, pose, points), np.zeros((4, 4), bool), 1, 0.2, False, "drawn"), pose


@pytest.mark.parametrize("headings", [(), (20.0,), (20.0, 200.0), (100.0, 190.0)])
def test_each_stub_is_a_piece_with_its_direction(headings: tuple[float, ...]) -> None:
    found, pose = valve(*headings, lead=True)
    pieces = stub.pieces(found, CAMERA, pose)
    seen = sorted(float(np.degrees(np.arctan2(*away[::-1]))) % 360 for _, away in pieces)
    assert seen == pytest.approx(sorted(headings), abs=6)
    for contour, away in pieces:
        far = on_height(CAMERA, pose, contour, stub.HIGH_MM)[:, :2] @ away
        assert far.max() == pytest.approx(36, abs=1.0)


def test_the_thread_of_a_drawn_stub_is_measured() -> None:
    """G 1/2 has a major diameter of 20.955 mm (ISO 228-1); the stub's axis is 22 mm over the bench."""
    part = joined((36, stepped((36, 44.0))), (2.5, stepped((2.5, 24.0))), (14, whitworth(20.955, 1.814)))
    pose = look_at(260, 8, 60)
    picture, mask = draw(part, laid(part, (4, 3), 25), CAMERA, pose, (1200, 1600), finer=2)
    photo = Photo("drawn", "", picture, 1600, 1200)
    labels = (cv2.resize(mask.astype(np.float32), (200, 150), interpolation=cv2.INTER_AREA) > 0.5).astype(np.uint8)
    found = outline.trace(photo, labels=labels)
    assert isinstance(found, Outline)
    lain = stub.lie(photo, found, CAMERA, pose, laying.listed())
    assert lain is not None
    assert lain.zone is not None
    assert lain.zone.diameter_mm == pytest.approx(20.955, rel=0.03)

    known = Plane(CAMERA, (Pose(pose.rotation, pose.translation_mm, COVARIANCE),), 8.0, 260.0)
    wanted = ("thread_major_diameter",)
    measured, _ = dimensions.measure(photo, found, known, reference=None, view="lying", answer="sensor", wanted=wanted)
    assert abs(measured[0].value - 20.955) <= measured[0].u95
