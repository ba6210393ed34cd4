"""The body of a lying part: which stretch it is, where its axis runs, and whether the part has tipped."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from identify.dimensions import axis, body, lean, lying
from identify.dimensions.axis import Axis, Profile
from identify.geometry.camera import project
from identify.model import Array, Camera, Outline, Pose
from training.drawn_parts import look_at

CAMERA = Camera(1156.0, (799.5, 599.5), 0.02, "EXIF")
ALONG = Axis(np.array([0.0, 0.0, 17.5]), np.array([1.0, 0.0, 0.0]))
RADIUS_MM, LENGTH_MM = 17.5, 32.0


def profile_of(station: Array, left: Array, right: Array) -> Profile:
    return Profile(ALONG, station, left, right, np.ones(len(station), bool))


def test_a_body_is_read_where_it_is_told() -> None:
    station = np.linspace(0.0, 40.0, 400)
    radius = np.where(station < 20, 17.5, 17.9)  # a seal that stands proud beside the body
    profile = profile_of(station, radius, radius)
    told = np.where(station < 18, 0.9, 0.05)
    plain, here = (body.find(profile, profile.trusted, 0.1, chance) for chance in (None, told))
    assert np.median(radius[plain]) == pytest.approx(17.9)
    assert np.median(radius[here]) == pytest.approx(17.5)
    nowhere = body.find(profile, profile.trusted, 0.1, 0 * told)
    assert nowhere is not None
    assert plain is not None
    assert np.array_equal(nowhere, plain)


@pytest.mark.parametrize(("proud_mm", "long_mm", "size_mm"), [(1.2, 4.0, 18.7), (0.4, 4.0, 17.5), (1.2, 1.0, 17.5)])
def test_a_body_with_a_waist_is_as_wide_as_its_flange(proud_mm: float, long_mm: float, size_mm: float) -> None:
    """But not as wide as a seal, which stands less far out, or as a burr, which is short."""
    station = np.linspace(0.0, 40.0, 400)
    radius = np.where((station > 20) & (station < 20 + long_mm), 17.5 + proud_mm, 17.5)
    profile = profile_of(station, radius, radius)
    told = np.where((station > 5) & (station < 30), 0.9, 0.05)
    found = body.find(profile, profile.trusted, 0.1, told)
    assert np.median(radius[found]) == pytest.approx(size_mm)
    tipped = body.find(profile, profile.trusted, 0.1, told, tipped=True)
    assert np.median(radius[tipped]) == pytest.approx(17.5), "its nearer end only looks wider"


def lever(lean_deg: float) -> Profile:
    """A cartridge's profile about its body's axis: 30 mm of body, and a stem that leaves it at an angle."""
    station = np.linspace(0.0, 52.0, 200)
    radius = np.where(station < 30, RADIUS_MM, 4.5)
    off = np.where(station < 30, 0.0, (station - 28) * math.tan(math.radians(lean_deg)))
    return profile_of(station, radius - off, radius + off)


def turned_deg(found: Axis) -> float:
    return math.degrees(math.acos(min(1.0, abs(float(found.along @ ALONG.along)))))


def test_an_askew_stem_does_not_turn_the_axis() -> None:
    told = axis._centred(ALONG, lever(20.0), askew=True)
    assert turned_deg(told) < 0.1
    assert told.foot_mm == pytest.approx(ALONG.foot_mm, abs=0.02)
    assert turned_deg(axis._centred(ALONG, lever(20.0), askew=False)) > 1.0


def test_a_straight_stem_tells_the_axis_as_before() -> None:
    straight = lever(0.0)
    one, other = (axis._centred(ALONG, straight, askew=askew) for askew in (True, False))
    assert np.array_equal(one.along, other.along)
    assert np.array_equal(one.foot_mm, other.foot_mm)


def outline_of(pose: Pose, slope_deg: float) -> Outline:
    """The outline of a plain drum whose axis rises by ``slope_deg``: the hull of its two rims."""
    slope = math.radians(slope_deg)
    along = np.array([math.cos(slope), 0.0, math.sin(slope)])
    up, side = np.array([-math.sin(slope), 0.0, math.cos(slope)]), np.array([0.0, 1.0, 0.0])
    turn = np.linspace(0, 2 * math.pi, 360, endpoint=False)[:, None]
    rim = RADIUS_MM * (np.cos(turn) * up + np.sin(turn) * side)
    ends = np.concatenate([rim + sign * LENGTH_MM / 2 * along for sign in (-1, 1)])
    ends[:, 2] -= ends[:, 2].min()
    seen = project(CAMERA, pose, ends).astype(np.float32)
    corners = cv2.convexHull(seen).reshape(-1, 2).astype(float)
    steps = np.linspace(0, 1, 5, endpoint=False)[:, None]
    border = np.concatenate([a + steps * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    return Outline(border, np.zeros((1, 1), bool), 1, 0.2, False, "drawn")


@pytest.mark.parametrize("tilt_deg", [0.0, 15.0, 30.0])
@pytest.mark.parametrize("towards_deg", [0.0, 90.0])
def test_a_drum_on_its_side_has_not_tipped(tilt_deg: float, towards_deg: float) -> None:
    pose = look_at(300.0, tilt_deg, towards_deg)
    flat = profile_of(np.linspace(-15, 15, 50), np.full(50, RADIUS_MM), np.full(50, RADIUS_MM))
    assert not lean.tipped(outline_of(pose, 0.0), flat, RADIUS_MM, CAMERA, pose)


@pytest.mark.parametrize("tilt_deg", [0.0, 15.0])
@pytest.mark.parametrize("slope_deg", [32.0, 40.0])
def test_a_drum_on_an_edge_is_seen_to_have_tipped(tilt_deg: float, slope_deg: float) -> None:
    pose = look_at(300.0, tilt_deg)
    flat = profile_of(np.linspace(-15, 15, 50), np.full(50, RADIUS_MM), np.full(50, RADIUS_MM))
    assert lean.tipped(outline_of(pose, slope_deg), flat, RADIUS_MM, CAMERA, pose)


def test_the_bodys_mirror_image_is_judged_without_the_stem() -> None:
    """A drum with a stem that stands askew: the whole outline covers less of its mirror image than the body's part."""
    pose = look_at(300.0, 0.0)
    drum = np.array([[-16, -17.5], [16, -17.5], [16, 4], [36, 16], [33, 21], [16, 12], [16, 17.5], [-16, 17.5]], float)
    ring = np.concatenate([a + np.linspace(0, 1, 20, endpoint=False)[:, None] * (b - a)
                           for a, b in zip(drum, np.roll(drum, -1, axis=0), strict=True)])  # fmt: skip
    border = project(CAMERA, pose, np.column_stack([ring, np.full(len(ring), 17.5)]))
    station = np.linspace(-15, 34, 100)
    radius = np.where(station < 16, RADIUS_MM, 5.0)
    whole, about = lying.mirrored(
        Outline(border, np.zeros((1, 1), bool), 1, 0.2, False, "drawn"),
        profile_of(station, radius, radius),
        np.ones(100, bool),
        CAMERA,
        pose,
    )
    assert about > 0.98
    assert whole < about - 0.1
