"""Dimensions against exact scenes, drawn parts and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from identify import dimensions, outline, tables
from identify.dimensions import axis, edging, form, hexagon, laying, reading, shading, stretch, zone
from identify.dimensions.axis import Axis, Sides, settle
from identify.geometry.camera import on_height, project
from identify.model import Camera, Measurement, NotMeasured, Outline, Photo, Plane, Pose
from training.drawn_parts import draw, joined, laid, look_at, stepped, stood, whitworth
from training.drawn_parts import hexagon as hexagonal
from training.measure_scenes import BASE, BLIND, DRAWN, GIVEN, LYING, ON_IT, Row, summary, trial
from training.scenes import tangents

CAMERA = Camera(1156.0, (799.5, 599.5), 0.02, "EXIF")
COVARIANCE = np.diag([1e-3, 1e-3, 1e-3, 1e-3, 0.1, 0.1, 0.1]) ** 2
WANTED = ("thread_major_diameter", "thread_pitch", "hex_across_flats", "overall_length", "stem_square")


def settled(distance_mm: float, tilt_deg: float, diameter_mm: float, turn_deg: float = 40.0) -> tuple[float, float]:
    """Diameter of a lying cylinder [mm]: as scaled in the bench plane, and as settled on the bench."""
    pose = look_at(distance_mm, tilt_deg)
    turn = math.radians(turn_deg)
    along = np.array([math.cos(turn), math.sin(turn), 0.0])
    station = np.linspace(-25, 25, 80)
    foot = np.array([0.0, 0.0, diameter_mm / 2])
    right, left = tangents(CAMERA, pose, foot, along, station, np.full(80, diameter_mm / 2))
    naive = np.linalg.norm(on_height(CAMERA, pose, right) - on_height(CAMERA, pose, left), axis=1)
    start = Axis(np.array([0.5, -0.5, 6.0]), np.array([math.cos(turn + 0.02), math.sin(turn + 0.02), 0.0]))
    profile = settle(start, CAMERA, pose, Sides(left, right, np.ones(80, bool)))
    return float(np.median(naive)), 2 * abs(float(np.median(profile.radius_mm)))


@pytest.mark.parametrize(("distance_mm", "excess_mm"), [(300, 0.6), (200, 0.95)])
def test_scaling_in_the_bench_plane_reads_a_lying_thread_too_wide(distance_mm: float, excess_mm: float) -> None:
    """Closed form from the tangent planes: width on the bench 2 r H / sqrt((H - r)^2 - r^2), H the camera's height.

    The major diameter of G 1/2 is 20.955 mm (ISO 228-1).
    """
    naive, _ = settled(distance_mm, 0.0, 20.955)
    radius = 20.955 / 2
    height = distance_mm
    closed = 2 * radius * height / math.sqrt((height - radius) ** 2 - radius**2)
    assert naive == pytest.approx(closed, abs=0.01)
    assert naive - 20.955 > excess_mm


@pytest.mark.parametrize("distance_mm", [200, 300, 450])
@pytest.mark.parametrize("tilt_deg", [0, 20, 35])
@pytest.mark.parametrize("turn_deg", [0, 40, 90])
def test_a_lying_cylinder_is_exact_on_exact_edges(distance_mm: float, tilt_deg: float, turn_deg: float) -> None:
    _, corrected = settled(distance_mm, tilt_deg, 20.955, turn_deg)
    assert corrected == pytest.approx(20.955, abs=1e-3)


def test_scaling_in_the_bench_plane_reads_a_standing_rim_too_wide() -> None:
    """By similar triangles a rim of 35 mm, 40 mm up under a camera 315 mm up, reads 35 * 315 / 275 = 40.1 mm."""
    pose = look_at(315, 0)
    angles = np.linspace(0, 2 * math.pi, 60)
    rim = np.column_stack([17.5 * np.cos(angles), 17.5 * np.sin(angles), np.full(60, 40.0)])
    seen = on_height(CAMERA, pose, project(CAMERA, pose, rim))
    assert 2 * float(np.mean(np.linalg.norm(seen[:, :2], axis=1))) == pytest.approx(40.1, abs=0.05)


@pytest.mark.parametrize("roll_deg", [0, 10, 20, 30, 45])
def test_a_hexagon_seen_from_afar(roll_deg: float) -> None:
    """Regular hexagon: the silhouette's half width is R max|sin(roll + k 60°)|, between the flats' R cos 30° and R."""
    wide = max(abs(math.sin(math.radians(roll_deg + 60 * k))) for k in range(6))
    assert hexagon.reach(math.radians(roll_deg), 10.0, 1e6) == pytest.approx(wide, abs=1e-4)


SCENES = {
    "lying-card": Row(LYING, "card", 300, 15, most=0.006),
    "lying-sheet-far": Row(LYING, "sheet", 450, 35, most=0.006),
    "lying-ruler-turned": Row(LYING, "ruler", 300, 20, roll_deg=90, most=0.012),
    "lying-coin": Row(LYING, "coin", 300, 20, most=0.010),
    "drawn-card": Row(DRAWN, "card", 250, 15, most=0.006),
    "standing-base": Row(BASE, "card", 300, 25, most=0.006),
    "standing-height-given": Row(GIVEN, "card", 300, 15, most=0.007),
    "standing-coin-on-it": Row(ON_IT, "coin", 300, 15, most=0.005),
    "coin-on-it-focal-unknown": Row(ON_IT, "coin", 300, 10, focal_known=False, most=0.006),
    "lying-coin-focal-unknown": Row(LYING, "coin", 300, 20, focal_known=False, most=0.010),
}
FEW = {"drawn-card": 3}


@pytest.mark.parametrize("name", SCENES)
def test_exact_scenes_hold_their_uncertainty(name: str) -> None:
    """What ``training.measure_scenes`` asks of a row, on a few scenes of other seeds."""
    line, holds = summary(SCENES[name], FEW.get(name, 9), 1000)
    assert holds, line


@pytest.mark.parametrize(
    ("name", "share"), [("lying-card", 0.015), ("lying-coin", 0.045), ("standing-coin-on-it", 0.025)]
)
def test_exact_scenes_are_told_closely(name: str, share: float) -> None:
    results = np.array([trial(SCENES[name], 1000 + seed) for seed in range(5)], float)
    assert float(np.median(results[:, 2])) < share * results[0, 0]


@pytest.mark.parametrize("kind", ["card", "coin"])
def test_a_rim_straight_down_without_height_and_focal_length_is_not_guessed(kind: str) -> None:
    """Height and focal length can't be told apart there: refused, or an interval of more than 3 %."""
    results = [trial(Row(BLIND, kind, 300, 0, focal_known=False), 1000 + seed) for seed in range(3)]
    assert all(one is None or one[2] > 0.03 * one[0] for one in results)


def test_a_thread_seen_square_is_half_its_depth_below_its_crests_on_average() -> None:
    """ISO 228-1: depth 0.640327 pitch, crests and roots alike. The helix fills the roots by a few hundredths of it."""
    assert form.level_drop(20.955, 1.814, 0) == pytest.approx(0.640327 * 1.814 / 2, rel=0.05)


def test_crests_hide_the_valleys_of_a_thread_seen_at_a_slant() -> None:
    """A crest is a circle: seen at a slant its arch falls by r - sqrt(r^2 - (x / sin)^2), x half a pitch's image."""
    radius, pitch, slant = 20.955 / 2, 1.814, math.radians(40)
    between = np.linspace(-0.5, 0.5, 2001) * pitch * math.cos(slant) / math.sin(slant)
    arch = float(np.mean(radius - np.sqrt(radius**2 - between**2)))
    assert form.level_drop(20.955, pitch, 40) == pytest.approx(arch, abs=0.02)
    assert form.level_drop(20.955, pitch, 20) < form.level_drop(20.955, pitch, 10) < form.level_drop(20.955, pitch, 0)


@pytest.fixture(scope="module")
def lying_head() -> tuple[Photo, Outline, Plane]:
    """A head with a 24 mm hexagon and a G 1/2 thread, drawn through an exact camera."""
    part = joined(
        (22, stepped((22, 8.0))),
        (9, hexagonal(24.0)),
        (5, stepped((5, 19.0))),
        (14, whitworth(20.955, 1.814)),
        (4, stepped((4, 17.0))),
    )
    pose = look_at(240, 12, 60)
    picture, mask = draw(part, laid(part, (4, 3), 25), CAMERA, pose, (1200, 1600), finer=2)
    return _shot(picture, mask, pose)


def _shot(picture: np.ndarray, mask: np.ndarray, pose: Pose) -> tuple[Photo, Outline, Plane]:
    photo = Photo("drawn", "", picture, 1600, 1200)
    labels = (cv2.resize(mask.astype(np.float32), (200, 150), interpolation=cv2.INTER_AREA) > 0.5).astype(np.uint8)
    found = outline.trace(photo, labels=labels)
    assert isinstance(found, Outline)
    seen = Pose(pose.rotation, pose.translation_mm, COVARIANCE)
    return photo, found, Plane(CAMERA, (seen,), 12.0, 240.0)


def by_name(measured: tuple[Measurement, ...]) -> dict[str, Measurement]:
    return {one.quantity: one for one in measured}


def test_a_drawn_head_is_measured(lying_head: tuple[Photo, Outline, Plane]) -> None:
    """G 1/2: major diameter 20.955 mm, pitch 1.814 mm (ISO 228-1); the rest is what was drawn."""
    photo, found, plane = lying_head
    measured, missed = dimensions.measure(
        photo, found, plane, reference=None, view="lying", answer="unsure", wanted=WANTED
    )
    truth = {
        "thread_major_diameter": (20.955, 0.4),
        "thread_pitch": (1.814, 0.03),
        "hex_across_flats": (24.0, 0.35),
        "overall_length": (54.0, 0.8),
    }
    values = by_name(measured)
    for quantity, (value, within) in truth.items():
        assert values[quantity].value == pytest.approx(value, abs=within), quantity
        assert abs(values[quantity].value - value) <= 1.5 * values[quantity].u95, quantity
        assert values[quantity].line_px is not None
        assert values[quantity].line_px.shape == (2, 2)
        assert len(values[quantity].budget) >= 4
    assert [one.quantity for one in missed] == ["stem_square"]


def test_a_thread_too_fine_to_count_gives_its_diameter_but_no_pitch() -> None:
    """G 1/2 at 4 px a turn: major diameter 20.955 mm (ISO 228-1)."""
    part = joined(
        (22, stepped((22, 8.0))),
        (9, hexagonal(24.0)),
        (3, stepped((3, 27.0))),
        (12, whitworth(20.955, 1.814)),
        (8, stepped((8, 15.0))),
    )
    camera = Camera(660.0, (511.5, 383.5), 0.02, "EXIF")
    pose = look_at(300, 8, 60)
    picture, mask = draw(part, laid(part, (4, 3), 25), camera, pose, (768, 1024), finer=4)
    photo = Photo("drawn", "", picture, 1024, 768)
    found = outline.trace(photo, labels=mask[::2, ::2])
    assert isinstance(found, Outline)
    plane = Plane(camera, (Pose(pose.rotation, pose.translation_mm, COVARIANCE),), 8.0, 300.0)
    wanted = ("thread_major_diameter", "thread_pitch")
    measured, missed = dimensions.measure(
        photo, found, plane, reference=None, view="lying", answer="unsure", wanted=wanted
    )
    assert [one.quantity for one in measured] == ["thread_major_diameter"]
    assert abs(measured[0].value - 20.955) <= min(measured[0].u95, 0.7)
    assert [one.quantity for one in missed] == ["thread_pitch"]


def test_a_drawn_cartridge_stands() -> None:
    part = joined((34, stepped((34, 35.0))), (14, stepped((14, 9.0))))
    pose = look_at(240, 20, 90)
    picture, mask = draw(part, stood((12, 8)), CAMERA, pose, (1200, 1600), finer=2)
    photo, found, plane = _shot(picture, mask, pose)
    measured, missed = dimensions.measure(
        photo,
        found,
        plane,
        reference=None,
        view="standing",
        answer="unsure",
        wanted=("body_diameter", "overall_length"),
    )
    assert measured[0].value == pytest.approx(35.0, abs=0.35)
    assert abs(measured[0].value - 35.0) <= measured[0].u95
    assert missed[0].quantity == "overall_length"


@pytest.mark.parametrize(
    ("view", "with_plane", "with_outline", "word"),
    [
        ("lying", False, True, "scale"),
        ("standing", False, True, "scale"),
        ("installed", True, True, "installed"),
        ("lying", True, False, "outline"),
    ],
)
def test_what_cannot_be_measured_says_why(
    lying_head: tuple[Photo, Outline, Plane], view: str, with_plane: bool, with_outline: bool, word: str
) -> None:
    photo, found, plane = lying_head
    measured, missed = dimensions.measure(
        photo,
        found if with_outline else None,
        plane if with_plane else None,
        reference=None,
        view=view,
        answer="unsure",
        wanted=WANTED,
    )
    assert measured == ()
    assert [one.quantity for one in missed] == list(WANTED)
    assert all(word in one.reason and one.advice for one in missed)


def test_a_part_cut_off_gives_no_length(lying_head: tuple[Photo, Outline, Plane]) -> None:
    photo, found, plane = lying_head
    cut = Outline(found.contour_px, found.inside, found.mask_step, found.u_px, True, found.method)
    measured, missed = dimensions.measure(
        photo, cut, plane, reference=None, view="lying", answer="unsure", wanted=WANTED
    )
    assert "overall_length" not in by_name(measured)
    reasons: dict[str, NotMeasured] = {one.quantity: one for one in missed}
    assert "cut off" in reasons["overall_length"].reason


def test_doubt_about_an_end_widens_the_length_and_nothing_else(lying_head: tuple[Photo, Outline, Plane]) -> None:
    photo, found, plane = lying_head
    assert found.doubt_px is not None
    assert found.doubt_px.shape == (len(found.contour_px),)
    readings = []
    for doubt_px in (0.0, 2.0):
        one = replace(found, doubt_px=np.full(len(found.contour_px), doubt_px))
        readings.append(
            by_name(
                dimensions.measure(photo, one, plane, reference=None, view="lying", answer="unsure", wanted=WANTED)[0]
            )
        )
    clear, doubtful = readings
    assert doubtful["overall_length"].u95 > 1.1 * clear["overall_length"].u95
    assert doubtful["overall_length"].value == clear["overall_length"].value
    assert doubtful["hex_across_flats"].u95 == pytest.approx(clear["hex_across_flats"].u95)


@pytest.mark.parametrize("answer", ["unsure", "compression-screw", "quarter-turn-ceramic", "push-non-hold-open"])
def test_threads_are_looked_for_as_often_as_the_class_has_them(answer: str) -> None:
    known = tables.load()
    listed = laying.listed(answer)
    shares = {one.major_mm: one.share for one in listed}
    assert sum(shares.values()) == pytest.approx(1.0)
    assert min(shares.values()) > 0
    rows = [row for row in known.candidates.values() if row.thread in known.threads and row.class_id == answer]
    if not rows:
        assert listed == laying.listed()
        return
    whole = sum(row.prior for row in rows)
    for thread in {row.thread for row in rows}:
        own = sum(row.prior for row in rows if row.thread == thread) / whole
        assert shares[known.threads[thread].major_mm] >= 0.85 * own


def test_the_network_tells_the_drawn_thread(lying_head: tuple[Photo, Outline, Plane]) -> None:
    """It has seen rendered parts only; the thread that was drawn is 10 mm long and 20.955 mm wide."""
    photo, found, plane = lying_head
    lain = reading.settled(photo, found, plane.camera, plane.poses[0])
    assert lain is not None
    told = stretch.odds(photo, lain.camera, lain.pose, lain.profile, lain.usable)
    assert told is not None
    assert told.share.sum(axis=1) == pytest.approx(1.0, abs=1e-4)
    likely = told.station_mm[told.share[:, 1] > 0.5]
    assert len(likely) > 10
    widths = 2 * np.interp(likely, lain.profile.station_mm, lain.profile.radius_mm)
    assert np.mean(np.abs(widths - 20.0) < 1.2) > 0.8, "between the crests and the valleys of the thread"
    assert told.thread_at(np.array([told.station_mm[0] - 5, told.station_mm[-1] + 5])) == pytest.approx(0.0)


def test_a_place_too_unlikely_for_the_interval_does_not_widen_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """An interval that holds 95 % may leave out what has less than a twentieth of the chance."""
    station = np.linspace(0.0, 40.0, 200)
    profile = axis.Profile(
        Axis(np.zeros(3), np.array([1.0, 0, 0])), station, 10.5 + 0 * station, 10.5 + 0 * station, station > -1
    )

    def chance(threaded: bool | None) -> float:
        found = zone.find(None, None, None, profile, profile.trusted, (), threaded=threaded)  # type: ignore[arg-type]
        assert found is not None
        return found.chance

    def u_other(gap: float) -> float:
        tried = [
            zone.Windows(
                size, 1.8, np.array([low]), np.array([low + 8]), np.array([size]), np.zeros(1), np.zeros(1), row
            )
            for size, low, row in ((20.955, 3.0, scored(9.0)), (26.441, 25.0, scored(9.0 - gap)))
        ]
        monkeypatch.setattr(zone, "windows", lambda *_: tried)
        found = zone.find(None, None, None, profile, profile.trusted, ())  # type: ignore[arg-type]
        assert found is not None
        return found.u_other_mm

    def scored(score: float) -> np.ndarray:
        return np.array([[score / zone.WEIGHTS["light"], *[0.0] * (len(zone.WEIGHTS) - 1)]])

    assert u_other(4.0) == 0.0
    assert chance(True) > chance(None) > chance(False)
    assert 0.0 < u_other(2.0) < u_other(1.0)


def test_two_poses_widen_the_interval(lying_head: tuple[Photo, Outline, Plane]) -> None:
    photo, found, plane = lying_head
    loose = np.diag([0.02, 0.03, 0.03, 0.03, 0.2, 0.2, 2.0]) ** 2
    pose = plane.poses[0]
    one = Plane(CAMERA, (Pose(pose.rotation, pose.translation_mm, loose),), 12.0, 240.0)
    low = Pose(pose.rotation, pose.translation_mm + np.array([0, 0, -6.0]), loose, 0.5)
    high = Pose(pose.rotation, pose.translation_mm + np.array([0, 0, 6.0]), loose, 0.5)
    two = Plane(CAMERA, (low, high), 12.0, 240.0)
    wide, narrow = (
        by_name(dimensions.measure(photo, found, seen, reference=None, view="lying", answer="unsure", wanted=WANTED)[0])
        for seen in (two, one)
    )
    assert wide["hex_across_flats"].u95 > narrow["hex_across_flats"].u95


def test_a_part_that_is_not_turned_gives_no_length_nor_diameter(lying_head: tuple[Photo, Outline, Plane]) -> None:
    photo, found, seen = lying_head
    flat = next(name for name, block in tables.load().classes.items() if block.part and not block.turned)
    wanted = ("body_diameter", "overall_length")
    measured, missed = dimensions.measure(photo, found, seen, reference=None, view="lying", answer=flat, wanted=wanted)
    assert not measured
    assert [(one.quantity, "this class" in one.reason, bool(one.advice)) for one in missed] == [
        (name, True, True) for name in wanted
    ]


@pytest.mark.parametrize("turn_deg", [10, 55, 140])
def test_bands_on_a_short_wide_part_tell_its_axis(turn_deg: int) -> None:
    """A square of stripes: its outline has four mirror lines, its stripes run one way."""
    rows, columns = np.mgrid[0:300, 0:300] - 150.0
    turn = math.radians(turn_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    stripes = np.where(np.sin((columns * along[0] + rows * along[1]) / 4) > 0, 190, 120).astype(np.uint8)
    corners = np.array([[-60, -60], [60, -60], [60, 60], [-60, 60]], float)
    contour = corners @ np.array([along, [-along[1], along[0]]]) + 150
    square = Outline(contour, np.zeros((300, 300), bool), 1, 0.2, False, "drawn")
    found = shading.grain(Photo("drawn", "", np.repeat(stripes[..., None], 3, axis=2), 300, 300), square)
    assert found is not None
    assert found[1]
    assert abs(float(found[0] @ along)) > math.cos(math.radians(1))
    assert shading.grain(Photo("blank", "", np.full((300, 300, 3), 128, np.uint8), 300, 300), square) is None


def test_the_part_rests_on_the_hulls_side_under_its_weight():
    rng = np.random.default_rng(3)
    for count in (2, 3, 9, 60):
        for _ in range(20):
            station, contact = np.sort(rng.uniform(0, 40, count)), rng.uniform(5, 6, count)
            over = float(rng.uniform(station[0], station[-1]))
            first, last = axis._hull_side(station, contact, over)
            beyond = contact[first] + (contact[last] - contact[first]) * (station - station[first]) / (
                station[last] - station[first]
            )
            assert station[first] <= over <= station[last]
            assert (contact <= beyond + 1e-9).all(), "no point is beneath the bench"


def run_off(found: Outline, lain: reading.Lain, stations_mm: tuple[float, float], by_px: float) -> Outline:
    """The outline with the right side of a stretch moved outward, as where a shadow was taken for the part."""
    at, side = axis.unrolled(lain.profile.axis, lain.camera, lain.pose, found.contour_px)
    here = (at > stations_mm[0]) & (at < stations_mm[1]) & (side > 0)
    middle = project(lain.camera, lain.pose, lain.profile.axis.at(at[here]))
    outward = found.contour_px[here] - middle
    moved = found.contour_px.copy()
    moved[here] += by_px * outward / np.linalg.norm(outward, axis=1, keepdims=True)
    return replace(found, contour_px=moved)


def test_a_thread_is_read_where_the_outline_runs_off_beside_it(lying_head: tuple[Photo, Outline, Plane]) -> None:
    photo, found, plane = lying_head
    camera, pose = plane.camera, plane.poses[0]
    lain = reading.settled(photo, found, camera, pose)
    assert lain is not None
    told = stretch.odds(photo, camera, pose, lain.profile, lain.usable)
    assert told is not None
    likely = told.station_mm[told.share[:, 1] > 0.5]
    ends = float(likely.min()) - 1.0, float(likely.max()) + 1.0
    off = run_off(found, lain, ends, by_px=35.0)
    here = (lain.profile.station_mm > ends[0]) & (lain.profile.station_mm < ends[1])
    for alone in (False, True):
        seen = edging.seen(photo, off, camera, pose, lain.profile.axis, alone=alone)
        assert seen is not None
        profile = settle(lain.profile.axis, camera, pose, seen.sides)
        beside = (profile.station_mm > ends[0] + 2) & (profile.station_mm < ends[1] - 2)
        assert np.mean(profile.trusted[beside]) == pytest.approx(float(alone), abs=0.1)
    assert np.median(profile.radius_mm[beside & profile.trusted]) == pytest.approx(
        float(np.median(lain.profile.radius_mm[here])), rel=0.02
    )
    wanted = ("thread_major_diameter",)
    measured, _ = dimensions.measure(
        photo, off, plane, reference=None, view="lying", answer="quarter-turn-ceramic", wanted=wanted
    )
    assert len(measured) == 1
    assert measured[0].value == pytest.approx(20.955, abs=measured[0].u95)
    assert measured[0].u95 < 2.0


def test_what_is_told_of_a_thread_where_no_edge_is_found_is_known() -> None:
    station = np.linspace(0.0, 20.0, 101)
    share = np.column_stack([station < 10, station >= 10, 0 * station]).astype(float)
    told = stretch.Odds(station, share)
    assert told.seen(station, station < 10) == pytest.approx(0.0)
    assert told.seen(station, station >= 10) == pytest.approx(1.0)
    assert told.seen(station, station >= 15) == pytest.approx(0.5, abs=0.02)
