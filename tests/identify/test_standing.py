"""Standing bodies against exact outlines of circles with known radii and heights."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from identify import dimensions
from identify.dimensions import hull, lip, stance, standing
from identify.dimensions.stance import Fit, Form, Height
from identify.geometry.camera import camera_place_mm, on_height, project
from identify.model import Camera, Measurement, NotMeasured, Outline, Photo, Plane, Pose
from training.drawn_parts import look_at
from training.scenes import standing_outline, tangents

CAMERA = Camera(1156.0, (799.5, 599.5), 0.02, "EXIF")
COVARIANCE = np.diag([1e-3, 1e-3, 1e-3, 1e-3, 0.1, 0.1, 0.1]) ** 2
BLANK = Photo("drawn", "", np.zeros((4, 4, 3), np.uint8), 1600, 1200)
PLACE = np.array([8.0, 5.0])
CARTRIDGE = Height(25.0, 9.0, "", Form(6.5, 2.7, u_step_mm=0.6, wider=True, rest_mm=1.8, u_rest_mm=1.4))


def evenly(polygon: np.ndarray) -> np.ndarray:
    """400 points (400, 2) at equal steps along a closed polygon (N, 2)."""
    ring = np.vstack([polygon, polygon[:1]])
    far = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    even = np.linspace(0, far[-1], 400, endpoint=False)
    return np.column_stack([np.interp(even, far, ring[:, 0]), np.interp(even, far, ring[:, 1])])


def outlined(contour: np.ndarray) -> Outline:
    return Outline(contour, np.zeros((4, 4), bool), 1, 0.2, False, "drawn")


def known(pose: Pose) -> Pose:
    return Pose(pose.rotation, pose.translation_mm, COVARIANCE)


def body(pose: Pose, radii_mm: list[float], heights_mm: list[float]) -> np.ndarray:
    """The exact outline (400, 2) of circles at PLACE, the rim first."""
    return evenly(hull.silhouette(PLACE, np.array(radii_mm), np.array(heights_mm), CAMERA, pose))


def likeliest(contour: np.ndarray, pose: Pose, prior: Height) -> standing.Stood:
    """The likeliest way in which a standing body has this outline."""
    ways = standing.stand(outlined(contour), CAMERA, known(pose), prior, u_size_rel=1e-3)
    return max(ways, key=lambda one: one.likelihood)


def measured(
    contour: Outline,
    pose: Pose,
    answer: str,
    *,
    view: str = "standing",
    height_mm: float | None = None,
    photo: Photo | None = None,
) -> tuple[tuple[Measurement, ...], tuple[NotMeasured, ...]]:
    """Body diameter of an outline as a part of a class."""
    seen = Plane(CAMERA, (known(pose),), 0.0, 300.0)
    wanted = ("body_diameter",)
    return dimensions.measure(
        photo or BLANK, contour, seen, reference=None, view=view, answer=answer, wanted=wanted, height_mm=height_mm
    )


@pytest.mark.parametrize("tilt_deg", [2, 15, 35])
def test_the_centres_of_two_circles_tell_the_height_whatever_their_radii(tilt_deg: float) -> None:
    """Similar triangles about the camera's foot point F: |PF| / |CF| = H / (H - h), and radii grow by the same."""
    pose = look_at(300, tilt_deg)
    place = camera_place_mm(pose)
    high, rim_mm = 31.0, 16.5
    circle = hull.circles(PLACE, np.array([rim_mm]), np.array([high]))
    plan = on_height(CAMERA, pose, project(CAMERA, pose, circle))[:, :2]
    shown = (plan.min(axis=0) + plan.max(axis=0)) / 2
    grown = np.linalg.norm(shown - place[:2]) / np.linalg.norm(PLACE - place[:2])
    assert place[2] * (1 - 1 / grown) == pytest.approx(high, rel=2e-3)
    assert np.ptp(plan[:, 0]) / 2 / grown == pytest.approx(rim_mm, rel=2e-3)


@pytest.mark.parametrize("rim_mm", [None, 0.0])
def test_slopes_are_those_of_numerical_differences(rim_mm: float | None) -> None:
    camera, pose = replace(CAMERA, k1=0.02), look_at(300, 25)
    factor = np.linalg.cholesky(np.diag([0.02, 4e-3, 3e-3, 4e-3, 0.2, 0.2, 1.0]) ** 2)
    fit = Fit(camera, known(pose), np.zeros((1, 2)), 0.3, CARTRIDGE, CARTRIDGE.form, rim_mm, factor)
    at = np.array([*PLACE, 17.5, 30, 0.3, -0.2, 0.1, 0.5, 0.2, -0.4, 0.6, -0.4, 6.0, 2.0, 1.8])
    seen = project(*fit.view(at), fit.points_mm(at))
    fit.points_px = evenly(seen[hull.around(seen)])[::4] * 1.002
    _, slopes = fit.slopes(at)
    steps = 1e-3 * np.eye(stance.COUNT)
    numerical = np.array([(fit.off_px(at - step) - fit.off_px(at + step)) / 2e-3 for step in steps]).T
    assert slopes == pytest.approx(numerical, abs=0.01 * float(np.abs(numerical).max()))


@pytest.mark.parametrize("tilt_deg", [5, 15, 25, 35])
@pytest.mark.parametrize(("rim_mm", "lower_mm"), [(17.5, 17.5), (17.5, 16.0), (16.0, 17.5), (17.25, 17.5)])
def test_rim_and_lower_edge_have_radii_of_their_own(tilt_deg: float, rim_mm: float, lower_mm: float) -> None:
    """A collar wider than the wall below, or a rim narrower than it: the widest is the body's diameter."""
    pose = look_at(300, tilt_deg)
    contour = body(pose, [rim_mm, lower_mm, 15.5], [27.0, 5.0, 2.0])
    best = likeliest(contour, pose, CARTRIDGE)
    assert abs(best.estimate.value - 35) <= 2 * best.estimate.u
    assert best.estimate.value == pytest.approx(35, abs=0.9)


def test_one_radius_for_both_is_confidently_wrong() -> None:
    """What the step between rim and lower edge mends: the same outline, the step held at nothing."""
    pose = look_at(300, 25)
    contour = body(pose, [16.0, 17.5, 15.5], [27.0, 5.0, 2.0])
    assert CARTRIDGE.form is not None
    rigid = replace(CARTRIDGE, form=replace(CARTRIDGE.form, u_step_mm=0.01))
    wrong, right = (likeliest(contour, pose, prior).estimate for prior in (rigid, CARTRIDGE))
    assert abs(wrong.value - 35) > 2 * wrong.u
    assert abs(right.value - 35) < 0.5 * abs(wrong.value - 35)
    assert abs(right.value - 35) <= 2 * right.u


@pytest.mark.parametrize("inset_mm", [0.0, 1.0, 2.0])
def test_a_foot_narrower_than_the_rim_stays_within_the_uncertainty(inset_mm: float) -> None:
    pose = look_at(300, 25)
    best = likeliest(body(pose, [17.5, 17.5 - inset_mm], [27.0, 0.0]), pose, Height(27.0, 8.0, ""))
    assert best.base
    assert abs(best.estimate.value - 35) <= 2 * best.estimate.u
    assert best.estimate.value == pytest.approx(35, abs=0.35)


def test_a_peg_that_sticks_out_does_not_hide_that_the_base_is_seen() -> None:
    """A cylinder seen with its base, and a small peg in its outline: the base still tells how high the rim is."""
    pose = look_at(330, 15)
    contour = body(pose, [20.0, 20.0], [23.0, 0.0])
    middle = contour.mean(axis=0)
    contour += np.random.default_rng(1).normal(0, 0.7, contour.shape)
    contour[90:124] += 12.0 * (contour[107] - middle) / np.linalg.norm(contour[107] - middle)
    best = likeliest(contour, pose, Height(27.0, 8.0, ""))
    assert best.base
    assert best.estimate.value == pytest.approx(40, rel=0.01)


def test_an_outline_that_leaves_off_a_part_of_the_body_gives_nothing() -> None:
    pose = look_at(300, 25)
    whole = body(pose, [17.5, 17.5, 15.5], [27.0, 5.0, 2.0])
    middle = whole.mean(axis=0)
    bitten = whole.copy()
    bitten[:110] = middle + 0.1 * (bitten[:110] - middle)
    assert standing.stand(outlined(whole), CAMERA, known(pose), CARTRIDGE, u_size_rel=1e-3)
    assert not standing.stand(outlined(bitten), CAMERA, known(pose), CARTRIDGE, u_size_rel=1e-3)


def upright(answer: str, tilt_deg: float, height_mm: float | None) -> tuple[tuple, tuple]:
    """A plain cylinder of 35 mm, its rim 50 mm high, measured as a part of a class."""
    pose = look_at(300, tilt_deg)
    found = standing_outline(CAMERA, pose, np.array([*PLACE, 17.5, 50.0]), np.random.default_rng(3), base=True)
    return measured(found, pose, answer, height_mm=height_mm)


def test_a_part_on_a_narrow_foot_is_less_sure_until_its_height_is_given() -> None:
    """What stands on a capsule may end high over the bench: the same outline says less of it than of a cylinder."""
    plain, _ = upright("unsure", 25, None)
    assert abs(plain[0].value - 35) <= plain[0].u95
    vague, _ = upright("thermostatic", 25, None)
    assert abs(vague[0].value - 35) <= vague[0].u95
    assert vague[0].u95 > 1.5 * plain[0].u95
    above, _ = upright("thermostatic", 3, None)
    assert abs(above[0].value - 35) <= above[0].u95
    assert above[0].u95 > 0.08 * 35
    given, _ = upright("thermostatic", 3, 50.0)
    assert abs(given[0].value - 35) <= given[0].u95 < 0.5 * above[0].u95


def test_a_part_of_any_height_is_refused_from_straight_above() -> None:
    refused, why = upright("push-non-hold-open", 3, None)
    assert refused == ()
    assert "--height" in why[0].advice
    assert "--scale-on part" in why[0].advice


@pytest.mark.parametrize("tilt_deg", [15, 25, 35])
def test_a_body_on_its_top_that_is_taken_for_a_lying_one_is_measured_as_standing(tilt_deg: float) -> None:
    """Turned over on its stem: rim 52 mm up, the collar above the stem 25 mm up and a little wider."""
    pose = look_at(300, tilt_deg)
    contour = outlined(body(pose, [20.0, 20.25], [52.0, 25.0]))
    assert standing.upright(contour, CAMERA, known(pose))
    given, missed = measured(contour, pose, "single-lever-cartridge", view="lying")
    if given:
        assert given[0].method.startswith("standing")
        assert abs(given[0].value - 40.5) <= given[0].u95
    else:
        assert "rim" in missed[0].reason


def test_a_lying_cylinder_has_no_outline_of_a_body_on_end() -> None:
    """Two straight edges and the halves of two upright end faces, about as long as wide."""
    for tilt_deg, long_mm, turn_deg in ((5, 30, 20), (20, 45, 60), (35, 60, 110), (30, 40, 0)):
        pose = look_at(300, tilt_deg)
        turn = math.radians(turn_deg)
        along = np.array([math.cos(turn), math.sin(turn), 0.0])
        foot, station = np.array([*PLACE, 17.5]), np.linspace(-long_mm / 2, long_mm / 2, 60)
        left, right = tangents(CAMERA, pose, foot, along, station, np.full(60, 17.5))
        across = np.cross(along, [0.0, 0.0, 1.0])
        round_ = np.linspace(0, 2 * math.pi, 60)
        face = 17.5 * (np.cos(round_)[:, None] * across + np.sin(round_)[:, None] * np.array([0.0, 0.0, 1.0]))
        ends = [project(CAMERA, pose, foot + at * along + face) for at in (-long_mm / 2, long_mm / 2)]
        pixels = np.vstack([left, right, *ends])
        contour = outlined(evenly(pixels[hull.around(pixels)]))
        assert not standing.upright(contour, CAMERA, known(pose)), (tilt_deg, long_mm)


def drawn(*pieces: tuple[np.ndarray, int]) -> Photo:
    """A photo of filled outlines (N, 2) [px], each in a grey, one over the other on a grey bench; four times finer."""
    every = np.vstack([piece for piece, _ in pieces])
    low, high = (every.min(axis=0) - 20).astype(int), (every.max(axis=0) + 20).astype(int)
    fine = np.full((*(4 * (high - low))[::-1], 3), 120, np.uint8)
    for piece, grey in pieces:
        cv2.fillPoly(fine, [np.round((piece - low + 0.5) * 4 - 0.5).astype(np.int32)], (grey,) * 3)
    picture = np.full((1200, 1600, 3), 120, np.uint8)
    crop = cv2.resize(fine, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    picture[low[1] : high[1], low[0] : high[0]] = cv2.GaussianBlur(crop, (0, 0), 0.7)
    return Photo("drawn", "", picture, 1600, 1200)


@pytest.mark.parametrize("lip_px", [0.0, 3.0, 4.5])
def test_a_lip_lighter_than_the_bench_is_found_beside_a_dark_ring(lip_px: float) -> None:
    """The outline runs along the dark ring; the rim's edge is where the band beyond it ends."""
    dark = body(look_at(260, 6), [17.5, 17.5], [27.0, 3.0])
    out = dark - dark.mean(axis=0)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    photo = drawn((dark + lip_px * out, 165), (dark, 20))
    width = lip.width_px(photo, dark, out, float(np.ptp(dark, axis=0).max()))
    assert (width is None) == (lip_px == 0)
    assert width is None or width == pytest.approx(lip_px, abs=0.7)


def test_a_shadow_on_one_side_is_no_lip() -> None:
    dark = body(look_at(260, 6), [17.5, 17.5], [27.0, 3.0])
    out = dark - dark.mean(axis=0)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    for photo in (
        drawn((dark + np.array([5.0, 4.0]), 70), (dark, 200)),
        drawn((dark + np.array([4.0, 0.0]), 165), (dark, 20)),
    ):
        assert lip.width_px(photo, dark, out, float(np.ptp(dark, axis=0).max())) is None


def test_a_body_with_such_a_lip_is_measured_to_the_lip() -> None:
    pose = look_at(260, 12)
    whole = body(pose, [17.5, 17.5, 15.7], [25.0, 6.0, 2.0])
    rim, ring = (hull.silhouette(PLACE, np.array([radius]), np.array([25.0]), CAMERA, pose) for radius in (17.5, 16.9))
    along = outlined(body(pose, [16.9, 17.5, 15.7], [25.0, 6.0, 2.0]))
    given, _ = measured(along, pose, "single-lever-cartridge", photo=drawn((whole, 90), (rim, 165), (ring, 20)))
    plain, _ = measured(along, pose, "single-lever-cartridge")
    assert any(line.name == "lip of the rim" for line in given[0].budget)
    assert not any(line.name == "lip of the rim" for line in plain[0].budget)
    assert abs(given[0].value - 35) <= given[0].u95
    assert abs(given[0].value - 35) < abs(plain[0].value - 35)


@pytest.mark.parametrize("tilt_deg", [5, 12])
def test_an_outline_of_the_rim_alone_does_not_tell_a_rim_low_down(tilt_deg: float) -> None:
    """A wall as dark as its shadow is left off: without the other way the rim would have to be near the bench."""
    pose = look_at(260, tilt_deg)
    given, missed = measured(outlined(body(pose, [17.5], [25.0])), pose, "single-lever-cartridge")
    if given:
        assert abs(given[0].value - 35) <= given[0].u95
        assert given[0].u95 > 1.5
    else:
        assert "How high" in missed[0].reason


def test_what_the_photo_says_of_the_step_tells_whether_there_is_one() -> None:
    """Bayes: a photo that says nothing leaves the odds; one that sees a step far from nothing leaves none."""
    assert standing._plain(0.0, 0.6 * (1 - 1e-9), 0.6) == pytest.approx(standing.PLAIN, abs=0.01)
    assert standing._plain(-1.4, 0.1, 0.6) < 1e-6
    assert standing._plain(0.0, 0.1, 0.6) > 0.85


def test_an_unseen_edge_widens_a_body_as_often_as_there_is_one() -> None:
    numbers = np.zeros(15)
    numbers[2] = 17.5
    unseen, slope, rest = standing._widest(numbers, 0.6 * (1 - 1e-9), 0.6)
    half_normal = 0.6 / math.sqrt(2 * math.pi)  # mean of the wider part of a normal distribution
    assert unseen == pytest.approx(2 * (17.5 + (1 - standing.PLAIN) * half_normal), abs=0.05)
    assert slope[2] == 2.0
    assert rest > 0.2
    numbers[11] = -1.4  # a lower edge that is seen to be wider
    assert standing._widest(numbers, 0.05, 0.6)[0] == pytest.approx(2 * 18.9, abs=1e-3)
