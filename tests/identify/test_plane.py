"""The bench plane from exact scenes: bias, coverage, focal length, both signs of a coin's tilt, refusals."""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from identify import plane
from identify.geometry import camera as cameras
from identify.geometry import ellipse as ellipses
from identify.model import NotMeasured, Photo, Reference

_SPEC = importlib.util.spec_from_file_location("scenes", Path(__file__).with_name("scenes.py"))
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)

CARD_MM = np.array([[0, 0], [85.6, 0], [85.6, 53.98], [0, 53.98]]) - (42.8, 26.99)  # ISO/IEC 7810 ID-1
COIN_MM, THICKNESS_MM = 23.25, 2.33  # 1 euro: Council Regulation (EC) No 975/98


def card_reference(camera, pose, noise, *, u_px=0.15, place=(10.0, -5.0)):
    points = cameras.project(camera, pose, np.column_stack([CARD_MM + place, np.full(4, 0.76)]))
    seen = points + noise.normal(0, u_px, (4, 2))
    return Reference(
        "card", "card", seen, u_px, points_px=seen, points_mm=CARD_MM + 100, thickness_mm=0.76, u_size_rel=0.0006
    )


def coin_reference(camera, pose, noise, *, u_px=0.3, place=(10.0, -5.0), size=1.0):
    rim = scenes.circle_px(camera, pose, place, COIN_MM * size, THICKNESS_MM, 24)
    outward = rim - rim.mean(axis=0)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    fitted = ellipses.fit(rim + noise.normal(0, u_px, (24, 1)) * outward)
    return Reference("coin", "eur-1", rim, u_px, fitted.ellipse, COIN_MM, thickness_mm=THICKNESS_MM, u_size_rel=0.002)


def length_and_u(seen, points_px, height_mm=0.0):
    """A length in the bench plane: mean over the poses, and its standard uncertainty with their disagreement."""

    def length(camera, pose):
        ends = cameras.on_height(camera, pose, points_px, height_mm)
        return float(np.linalg.norm(ends[1] - ends[0]))

    values, variances, weights = [], [], []
    for pose in seen.poses:
        slopes = [
            (length(*cameras.moved(seen.camera, pose, step)) - length(*cameras.moved(seen.camera, pose, -step))) / 2e-4
            for step in np.eye(7) * 1e-4
        ]
        values.append(length(seen.camera, pose))
        variances.append(float(np.array(slopes) @ pose.covariance @ np.array(slopes)))
        weights.append(pose.weight)
    mean = float(np.dot(weights, values))
    return mean, math.sqrt(np.dot(weights, np.array(variances) + (np.array(values) - mean) ** 2))


def trials(make, tilt_deg, count, *, focal35_mm=26.0, said35_mm=26.0, height_mm=0.0):
    """Errors [mm] and standard uncertainties [mm] of a 20 mm length beside the reference, over random scenes."""
    noise = np.random.default_rng(round(10 * tilt_deg))
    errors, claims, sights = [], [], []
    for _ in range(count):
        camera, pose = scenes.camera_over_bench(
            tilt_deg=tilt_deg,
            turn_deg=90 + noise.normal(0, 15),
            focal35_mm=focal35_mm * math.exp(0.02 * noise.standard_normal()),
            k1=0.01 * noise.standard_normal(),
            shift_px=tuple(0.006 * 2000 * noise.standard_normal(2)),
        )
        angle, turn = noise.uniform(0, 2 * np.pi, 2)
        start = np.array([10 + 45 * math.cos(angle), -5 + 45 * math.sin(angle), height_mm])
        end = start + 20 * np.array([math.cos(turn), math.sin(turn), 0])
        points = cameras.project(camera, pose, np.array([start, end]))
        seen = plane.see(scenes.blank_photo(said35_mm), make(camera, pose, noise))
        value, u_mm = length_and_u(seen, points, height_mm)
        errors.append(value - 20)
        claims.append(u_mm)
        sights.append(seen)
    return np.array(errors), np.array(claims), sights


@pytest.mark.parametrize("tilt_deg", [0, 10, 25, 40])
def test_card_bias_spread_and_coverage(tilt_deg):
    errors, claims, sights = trials(card_reference, tilt_deg, 60)
    assert abs(errors.mean()) < 0.03
    assert np.std(errors) < 0.12
    assert np.mean(np.abs(errors) <= 2 * claims) >= 0.88
    # straight down, both of the mirrored poses are carried and their disagreement is claimed on top
    assert np.sqrt(np.mean(claims**2)) < (3 if tilt_deg == 0 else 2) * np.std(errors)
    assert np.mean([seen.tilt_deg for seen in sights]) == pytest.approx(tilt_deg, abs=2.5)
    assert all(seen.camera.focal_source == "EXIF" for seen in sights)


@pytest.mark.parametrize("tilt_deg", [0, 3, 10, 20, 30, 40])
def test_coin_bias_and_coverage_with_both_signs_carried(tilt_deg):
    errors, claims, sights = trials(lambda *scene: coin_reference(*scene), tilt_deg, 60)
    assert abs(errors.mean()) < 0.12
    assert np.mean(np.abs(errors) <= 2 * claims) >= 0.9
    assert all(sum(pose.weight for pose in seen.poses) == pytest.approx(1) for seen in sights)
    if tilt_deg >= 10:
        assert np.mean([len(seen.poses) for seen in sights]) > 1.2
        assert np.mean([seen.tilt_deg for seen in sights]) == pytest.approx(tilt_deg, abs=1.5)


def test_covariance_of_card_agrees_with_monte_carlo():
    # JCGM 101 against JCGM 100: repeated noise of the corners, everything else as the camera says; the claim also
    # carries the focal length, the card's size and thickness, which do not vary here
    camera, pose = scenes.camera_over_bench(tilt_deg=20)
    noise = np.random.default_rng(4)
    points = cameras.project(camera, pose, np.array([[50.0, 20, 0], [50.0, 45, 0]]))
    found = [
        length_and_u(plane.see(scenes.blank_photo(), card_reference(camera, pose, noise)), points) for _ in range(120)
    ]
    values, claims = np.array(found).T
    assert values.mean() == pytest.approx(25, abs=0.01)
    assert 1.0 <= np.sqrt(np.mean(claims**2)) / values.std() <= 1.5


def test_coin_draws_give_the_spread_of_repeated_coins():
    # at 25 degrees, rim noise only matters: the drawn covariance against repeated rims within 15 %
    camera, pose = scenes.camera_over_bench(tilt_deg=25)
    noise = np.random.default_rng(6)
    found = [plane.see(scenes.blank_photo(), coin_reference(camera, pose, noise)) for _ in range(200)]
    right = [max(seen.poses, key=lambda each: float(each.rotation[:, 2] @ pose.rotation[:, 2])) for seen in found]
    tilts = [math.acos(-each.rotation[2, 2]) for each in right]
    claim = math.sqrt(np.mean([each.covariance[1, 1] for each in right]))
    assert claim == pytest.approx(np.std(tilts), rel=0.15)
    assert np.mean(tilts) == pytest.approx(math.radians(25), abs=math.radians(0.3))


def test_without_exif_a_tilted_card_tells_the_focal_length():
    # below about ten degrees of tilt a rectangle carries no focal length
    noise = np.random.default_rng(9)
    camera, pose = scenes.camera_over_bench(tilt_deg=35, focal35_mm=35.0)
    seen = plane.see(scenes.blank_photo(None), card_reference(camera, pose, noise, u_px=0.1))
    assert seen.camera.focal_source == "reference"
    assert abs(math.log(seen.camera.focal_px / camera.focal_px)) < 2.5 * seen.camera.u_focal_rel
    assert seen.camera.u_focal_rel < 0.15
    camera, pose = scenes.camera_over_bench(tilt_deg=0, focal35_mm=35.0)
    flat = plane.see(scenes.blank_photo(None), card_reference(camera, pose, noise, u_px=0.1))
    assert flat.camera.focal_source == "prior"
    assert flat.camera.u_focal_rel > 0.15


@pytest.mark.parametrize("true35_mm", [24.0, 28.0, 50.0])
def test_without_exif_the_doubt_about_the_focal_length_covers_phones(true35_mm):
    camera, pose = scenes.camera_over_bench(tilt_deg=8, focal35_mm=true35_mm)
    seen = plane.see(scenes.blank_photo(None), coin_reference(camera, pose, np.random.default_rng(2)))
    assert seen.camera.focal_source == "prior"
    assert abs(math.log(seen.camera.focal_px / camera.focal_px)) <= 2 * seen.camera.u_focal_rel
    far = seen.distance_mm / 300
    assert abs(math.log(far)) <= 2 * math.sqrt(seen.poses[0].covariance[0, 0]) + 0.02


@pytest.mark.parametrize("make", [card_reference, coin_reference])
def test_the_world_stands_on_the_bench(make):
    # z = 0 lies the reference's thickness below its face
    camera, pose = scenes.camera_over_bench(tilt_deg=15)
    seen = plane.see(scenes.blank_photo(), make(camera, pose, np.random.default_rng(3), u_px=0.02))
    height = cameras.camera_place_mm(seen.poses[0])[2]
    assert height == pytest.approx(cameras.camera_place_mm(pose)[2], rel=0.004)
    for found in seen.poses:
        assert found.rotation @ found.rotation.T == pytest.approx(np.eye(3), abs=1e-9)
        assert np.linalg.det(found.rotation) == pytest.approx(1)
        assert found.rotation[2, 2] < 0


@pytest.mark.parametrize("down", [1.0, -1.0])
def test_points_may_run_up_or_down_the_face(down):
    camera, pose = scenes.camera_over_bench(tilt_deg=12)
    points = cameras.project(camera, pose, np.column_stack([CARD_MM, np.full(4, 0.76)]))
    card = Reference("card", "card", points, 0.1, points_px=points, points_mm=CARD_MM * (1, down), thickness_mm=0.76)
    assert plane.see(scenes.blank_photo(), card).tilt_deg == pytest.approx(12, abs=0.7)


def test_marks_in_a_row_give_a_plane_with_an_honest_doubt_across():
    camera, pose = scenes.camera_over_bench(tilt_deg=15)
    marks = np.column_stack([np.arange(0.0, 101.0, 5.0) - 50, np.zeros(21)])
    points = cameras.project(camera, pose, np.column_stack([marks, np.full(21, 1.0)]))
    ruler = Reference("ruler", "ruler", points, 0.15, points_px=points, points_mm=marks, thickness_mm=1.0)
    seen = plane.see(scenes.blank_photo(), ruler)
    along = cameras.project(camera, pose, np.array([[-30.0, 8, 0], [20.0, 8, 0]]))
    value, u_mm = length_and_u(seen, along)
    assert value == pytest.approx(50, abs=max(0.6, 2 * u_mm))
    about_x = math.degrees(math.sqrt(seen.poses[0].covariance[1, 1]))
    assert about_x > 5


@pytest.mark.parametrize(("tilt_deg", "warned"), [(10, False), (30, False), (50, True)])
def test_a_reference_far_from_level_is_remarked_upon(tilt_deg, warned):
    camera, pose = scenes.camera_over_bench(tilt_deg=tilt_deg)
    seen = plane.see(scenes.blank_photo(), card_reference(camera, pose, np.random.default_rng(1)))
    assert any(remark.kind == "plane" for remark in seen.remarks) is warned


def test_refusals_say_why():
    camera, pose = scenes.camera_over_bench(tilt_deg=72)
    noise = np.random.default_rng(1)
    steep = plane.see(scenes.blank_photo(), card_reference(camera, pose, noise))
    few = plane.see(scenes.blank_photo(), Reference("card", "card", np.zeros((4, 2)), 0.2))
    nameless = plane.see(
        scenes.blank_photo(),
        Reference("coin", "coin", np.zeros((4, 2)), 0.2, ellipse=coin_reference(*scene(), noise).ellipse),
    )
    for refused in (steep, few, nameless):
        assert isinstance(refused, NotMeasured)
        assert refused.reason
        assert refused.advice


def scene():
    return scenes.camera_over_bench(tilt_deg=10)


@pytest.mark.parametrize(("tilt_deg", "turn_deg", "odds"), [(12, 90, 0.8), (20, 250, 0.9), (30, 10, 0.95)])
def test_the_picture_settles_the_sign_of_a_coins_tilt(tilt_deg, turn_deg, odds):
    # 250 degrees is against the prior that the top of the picture is further away: the wall must say so
    camera, pose = scenes.camera_over_bench(tilt_deg=tilt_deg, turn_deg=turn_deg)
    photo = scenes.drawn_coins(camera, pose, [(15.0, -10.0, COIN_MM, THICKNESS_MM)], seed=turn_deg)
    rim = scenes.circle_px(camera, pose, (15.0, -10.0), COIN_MM, THICKNESS_MM, 60)
    coin = Reference(
        "coin", "eur-1", rim, 0.3, ellipses.fit(rim).ellipse, COIN_MM, thickness_mm=THICKNESS_MM, u_size_rel=0.002
    )
    seen = plane.see(photo, coin)
    assert isinstance(photo, Photo)
    assert seen.poses[0].weight > odds
    assert math.degrees(math.acos(float(seen.poses[0].rotation[:, 2] @ pose.rotation[:, 2]))) < 5
