"""A standing part on a narrow foot: a pile of discs about an upright axis, laid out flat on the bench.

Laid flat at bench level, a circle of radius R at height h shows as a circle too, R / (1 - h / H) wide and as much
further from the camera's foot point, H being the camera's height. So the outline is that of discs whose centres lie on
one ray out of that point, each as wide as the outline has room for: the whole profile is seen, whatever its form, but
for one number, where on the ray the foot is. The lowest disc that shows tells it: as narrow as a capsule it stands on
the bench, nearly as wide as the rim it is one of the body's lands, higher up the wider it is. What is known of the
rim's height tells it too, and the foot is within the outline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from identify.dimensions.stance import INDEPENDENT, Height
from identify.geometry.camera import camera_place_mm, moved, on_height, project
from identify.model import Array, BudgetLine, Camera, Outline, Pose
from identify.uncertainty import Estimate

CORNERS, PLACES = 200, 64  # of the outline, and on the ray, that are looked at
DRAWS = 24  # of the pose (JCGM 101)
END_RAD, END_SHARE, FEWEST = (
    0.87,
    0.8,
    5,
)  # of the lowest disc's arc: half its angle, share looked at, corners
ROUND_MM, ROUND_PX = 0.4, 1.2  # an arc that strays further is no disc's
U_PLACE_MM, U_PLACE_PX = 0.4, 1.5  # of a disc's centre along the ray
FORM_PX = 1.0  # how far springs, teeth and flats stand off their discs
FAR = 9.0  # squared distances over their uncertainty: one further off is no worse
SIDE_RAD, SIDE_SHARE = 0.21, 20.0  # either side of the rim's disc, and the percentile of distances that is its radius
LOW_USUAL_MM, HIGHEST_MM = 10.0, 100.0  # heights of the lowest disc and the rim, to tell which is widest
AS_WIDE = 0.985  # of the widest disc: the highest that is as wide is the rim
LEAST_FOOT_MM = 3.0  # radius of what a part stands on
MOST_OFF = 0.02  # of the outline's size: an outline that its discs leave so far off is no pile
# Over the width of the lowest disc that shows by the rim's: how often the part stands on it; else its height and the
# height's standard deviation [mm]. Calibration split (``training.measure_piles``), spreads a fifth wider.
WIDTHS = (0.55, 0.70, 0.95)
STOOD_ON = (1.0, 0.55, 0.12)  # a body without a capsule stands on all its width
LAND_WIDTHS = (0.66, 0.80, 0.90, 1.00)
LAND_MM, U_LAND_MM = (10.0, 14.0, 19.0, 36.0), (9.0, 10.0, 12.0, 14.0)
UNSEEN = 0.3, 16.0, 12.0  # the same where the near end is that of no disc
ON_BENCH_MM, U_ON_BENCH_MM = 1.0, 2.0
# Seal rings stand proud of the lands that they lie in, all round; as above.
PROUD_MM, U_PROUD_MM = 0.33, 0.15
# As of any standing body.
EDGE_PX, LENS_REL, SHADOW_PX, ROUND_REL, U_RIM_MM = 0.25, 0.0015, 0.17, 0.001, 0.15
RIM_MM = np.arange(8.0, 120.0, 1.0)[:, None]
LOW_MM = np.arange(-3.0, 90.0, 0.75)[None, :]


@dataclass(frozen=True, slots=True, eq=False)
class Flat:
    """An outline (N, 2) [mm] on the bench about the camera's foot point, and the camera's height over it."""

    outline_mm: Array
    high_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Pile:
    """Discs of a laid outline along a ray, as far as they tell a size.

    Parameters
    ----------
    place_mm : (2,) distances from the camera's foot point to the rim's disc and to the lowest, laid flat.
    radius_mm : (2,) of the two discs, laid flat.
    off_mm : (N,) how far the outline's corners are outside all discs.
    """

    turn_rad: float
    place_mm: Array
    radius_mm: Array
    near_mm: float
    off_mm: Array
    end_mm: float


@dataclass(frozen=True, slots=True)
class Told:
    """Radius and height of the rim [mm] with standard deviations, and the logarithm of how likely the pile is."""

    radius_mm: float
    u_radius_mm: float
    height_mm: float
    u_height_mm: float
    log_odds: float


@dataclass(frozen=True, slots=True, eq=False)
class Piled:
    """A pile at one pose: shape (4,) as ``standing.Stood``, the diameter, what is drawn, how likely it is."""

    shape_mm: Array
    u_height_mm: float
    estimate: Estimate
    line_px: Array
    log_odds: float


def lay(contour_px: Array, camera: Camera, pose: Pose) -> Flat | None:
    """An outline laid on the bench; None where it reaches the horizon."""
    flat = on_height(camera, pose, contour_px, 0.0)[:, :2]
    place = camera_place_mm(pose)
    return Flat(flat - place[:2], float(place[2])) if np.isfinite(flat).all() else None


def widths(outline_mm: Array, places_mm: Array) -> Array:
    """Radius (P,) of the largest circle about each place (P, 2) that an outline (N, 2) holds; 0 outside of it."""
    ahead = np.roll(outline_mm, -1, axis=0)
    side = ahead - outline_mm
    long = np.maximum(np.sum(side**2, axis=1), 1e-12)
    right, up = (places_mm[:, axis, None] - outline_mm[:, axis] for axis in (0, 1))
    share = np.clip((right * side[:, 0] + up * side[:, 1]) / long, 0, 1)
    squares = (right - share * side[:, 0]) ** 2 + (up - share * side[:, 1]) ** 2
    crosses = (up >= 0) != (up - side[:, 1] >= 0)
    rise = np.where(np.abs(side[:, 1]) < 1e-12, 1e-12, side[:, 1])
    inside = np.sum(crosses & (right < up * side[:, 0] / rise), axis=1) % 2 == 1
    return np.asarray(np.where(inside, np.sqrt(squares.min(axis=1)), 0.0))


def discs(flat: Flat, turn_rad: float) -> tuple[Array, Array, Array]:
    """Places (P,) along a ray and radii (P,) of the discs there, and how far (N,) the outline is outside them all."""
    along = np.array([math.cos(turn_rad), math.sin(turn_rad)])
    reach = flat.outline_mm @ along
    places = np.linspace(max(float(reach.min()), 0.0), float(reach.max()), PLACES + 2)[1:-1]
    radii = widths(flat.outline_mm, places[:, None] * along)
    across = flat.outline_mm @ np.array([-along[1], along[0]])
    off = np.sqrt((reach[:, None] - places) ** 2 + across[:, None] ** 2) - radii
    return places, radii, np.maximum(off.min(axis=1), 0.0)


def ray(flat: Flat) -> float:
    """Direction [rad] of the ray whose discs leave least of the outline outside."""
    middle = flat.outline_mm.mean(axis=0)
    size = float(np.ptp(flat.outline_mm, axis=0).max())
    turn, span = math.atan2(middle[1], middle[0]), min(math.pi, 0.35 * size / max(float(np.hypot(*middle)), 1e-6))
    for _ in range(4):
        tried = np.linspace(turn - span, turn + span, 11)
        left = [float(np.minimum(discs(flat, one)[2], 0.04 * size).mean()) for one in tried]
        turn, span = float(tried[int(np.argmin(left))]), span / 5
    return turn


def pile(flat: Flat, turn_rad: float, mm_per_px: float) -> Pile | None:
    """The rim's disc and the lowest that shows; None where no disc has room in the outline."""
    places, radii, off = discs(flat, turn_rad)
    near = float((flat.outline_mm @ np.array([math.cos(turn_rad), math.sin(turn_rad)])).min())
    if not radii.any():
        return None
    spread, round_mm = _ends(flat, turn_rad, places)
    alike = np.where((round_mm > LEAST_FOOT_MM) & (radii > 0.7 * round_mm), spread / np.maximum(round_mm, 1e-6), np.inf)
    widest = int(np.argmax(radii * _shrunk(places, float(places[int(np.argmax(radii))]), flat.high_mm)))
    alike[widest + 1 :] = np.inf
    low = int(np.argmin(alike))
    if not np.isfinite(alike[low]):
        return None
    shrunk = _shrunk(places, float(places[low]), flat.high_mm)
    rim = max(int(np.argmax(radii * shrunk)), low)
    upper = int(np.nonzero(radii * shrunk > AS_WIDE * radii[rim] * shrunk[rim])[0][-1])
    sides = _sides(flat, turn_rad, float(places[rim]), float(radii[rim]))
    wide = float(radii[rim] if sides is None else sides) * float(shrunk[rim] / shrunk[upper])
    two = np.array([upper, low])
    radius = np.array([wide, round_mm[low]])
    return Pile(turn_rad, places[two], radius, near, off, float(spread[low]))


def _shrunk(places_mm: Array, low_mm: float, high_mm: float) -> Array:
    """True size (P,) of discs over what they show laid flat, if one at ``low_mm`` is LOW_USUAL_MM up."""
    foot = low_mm * (1 - LOW_USUAL_MM / high_mm)
    return np.clip(foot / np.maximum(places_mm, 1e-6), 1 - HIGHEST_MM / high_mm, 1.0)


def _ends(flat: Flat, turn_rad: float, places_mm: Array) -> tuple[Array, Array]:
    """How unlike a circle (P,) about each place the near end of the outline is [mm], and that circle's radius (P,)."""
    along = np.array([math.cos(turn_rad), math.sin(turn_rad)])
    ahead = flat.outline_mm @ along - places_mm[:, None]
    across = flat.outline_mm @ np.array([-along[1], along[0]])
    away = np.hypot(ahead, across)
    arc = -ahead > math.cos(END_RAD) * away
    count = arc.sum(axis=1)
    rows = np.arange(len(places_mm))
    middle = np.minimum(count // 2, len(ahead[0]) - 1)
    radius = np.sort(np.where(arc, away, np.inf), axis=1)[rows, middle]
    strays = np.sort(np.where(arc, np.abs(away - np.where(np.isfinite(radius), radius, 0.0)[:, None]), np.inf), axis=1)
    spread = strays[rows, np.minimum((END_SHARE * count).astype(int), len(ahead[0]) - 1)]
    seen = count >= FEWEST
    return np.where(seen, spread, np.inf), np.where(seen, radius, 0.0)


def _sides(flat: Flat, turn_rad: float, place_mm: float, radius_mm: float) -> float | None:
    """Radius of the rim's disc by the outline on both its sides: one that is held is as small as noise leaves it."""
    along = np.array([math.cos(turn_rad), math.sin(turn_rad)])
    ahead, across = flat.outline_mm @ along - place_mm, flat.outline_mm @ np.array([-along[1], along[0]])
    away = np.hypot(ahead, across)
    beside = (np.abs(ahead) < math.sin(SIDE_RAD) * away) & (away < 1.1 * radius_mm)
    left, right = away[beside & (across > 0)], away[beside & (across < 0)]
    if min(len(left), len(right)) < 3:
        return None
    return float(np.percentile(left, SIDE_SHARE) + np.percentile(right, SIDE_SHARE)) / 2


def told(one: Pile, high_mm: float, prior: Height, mm_per_px: float) -> Told:
    """The rim's radius and height by the two discs and what is known of heights, over a grid of both heights."""
    (rim, low), (wide, narrow) = one.place_mm, one.radius_mm
    shrunk = _shrunk(one.place_mm, float(low), high_mm)
    ratio = min(1.0, float(narrow * shrunk[1] / (wide * shrunk[0])))
    on = float(np.interp(ratio, WIDTHS, STOOD_ON))
    land, u_land = (float(np.interp(ratio, LAND_WIDTHS, each)) for each in (LAND_MM, U_LAND_MM))
    if one.end_mm > max(ROUND_MM, ROUND_PX * mm_per_px):
        on, land, u_land = UNSEEN
    odds = on * _normal(LOW_MM, ON_BENCH_MM, U_ON_BENCH_MM) + (1 - on) * _normal(LOW_MM, land, u_land)
    odds = odds * _normal(RIM_MM, prior.value_mm, prior.u_mm)
    foot_by_rim, foot_by_low = rim * (1 - RIM_MM / high_mm), low * (1 - LOW_MM / high_mm)
    odds = odds * _normal(foot_by_rim, foot_by_low, math.sqrt(2) * math.hypot(U_PLACE_MM, U_PLACE_PX * mm_per_px))
    hidden = (foot_by_low - one.near_mm > LEAST_FOOT_MM) | (LOW_MM < ON_BENCH_MM + U_ON_BENCH_MM)
    odds = odds * (hidden & (LOW_MM <= RIM_MM)) + 1e-30
    whole = float(odds.sum())
    by_rim = odds.sum(axis=1) / whole
    heights = RIM_MM[:, 0]
    radii = wide * (1 - heights / high_mm) - PROUD_MM
    radius, height = float(by_rim @ radii), float(by_rim @ heights)
    u_radius, u_height = (math.sqrt(float(by_rim @ (x - m) ** 2)) for x, m in ((radii, radius), (heights, height)))
    sigma = math.hypot(FORM_PX * mm_per_px, 0.2)
    misfit = INDEPENDENT * float(np.mean(np.minimum((one.off_mm / sigma) ** 2, FAR)))
    return Told(radius, u_radius, height, u_height, math.log(whole) - 0.5 * misfit)


def _normal(value: Array, mean: Array | float, u: float) -> Array:
    return np.asarray(np.exp(-0.5 * ((value - mean) / u) ** 2) / u)


def stand(outline: Outline, camera: Camera, pose: Pose, prior: Height, *, u_size_rel: float) -> Piled | None:
    """Measure the rim of a pile at one pose; None where the outline is not that of one.

    The pose's own doubt is drawn from (JCGM 101, 7): a draw counts as much as its pile is likely.
    """
    picked = np.linspace(0, len(outline.contour_px), CORNERS, endpoint=False).astype(int)
    points = outline.contour_px[picked]
    size_px = max(float(np.ptp(points, axis=0).max()), 1.0)
    flat = lay(points, camera, pose)
    if flat is None:
        return None
    mm_per_px = float(np.ptp(flat.outline_mm, axis=0).max()) / size_px
    turn = ray(flat)
    first = pile(flat, turn, mm_per_px)
    if first is None or float(np.mean(first.off_mm)) > MOST_OFF * size_px * mm_per_px:
        return None
    best = told(first, flat.high_mm, prior, mm_per_px)
    axis_px = _axis_px(camera, pose, first)
    all_told = [best, *_drawn(points, camera, pose, prior, axis_px, mm_per_px)]
    shares = np.exp(np.array([one.log_odds for one in all_told]) - max(one.log_odds for one in all_told))
    shares = shares / shares.sum()
    radii, heights = np.array([[one.radius_mm, one.height_mm] for one in all_told]).T
    radius, height = float(shares @ radii), float(shares @ heights)
    by_height = math.sqrt(float(shares @ np.array([one.u_radius_mm**2 for one in all_told])))
    by_pose = math.sqrt(float(shares @ (radii - radius) ** 2))
    scale = mm_per_px * (1 - height / flat.high_mm)
    place = camera_place_mm(pose)
    foot = place[:2] + first.place_mm[0] * (1 - height / flat.high_mm) * np.array([math.cos(turn), math.sin(turn)])
    shape = np.array([*foot, radius, height])
    off = float(np.mean(first.off_mm)) * (1 - height / flat.high_mm)
    estimate = Estimate(2 * radius, _budget(2 * radius, by_height, by_pose, off, scale, outline.u_px, u_size_rel))
    mean_odds = max(one.log_odds for one in all_told) + math.log(
        float(np.mean(np.exp(np.array([one.log_odds for one in all_told]) - max(one.log_odds for one in all_told))))
    )
    return Piled(shape, best.u_height_mm, estimate, _line(camera, pose, shape), mean_odds)


def _drawn(points_px: Array, camera: Camera, pose: Pose, prior: Height, axis_px: Array, mm_per_px: float) -> list[Told]:
    """What piles tell at poses that are drawn from the pose's covariance, both ways from it."""
    source = np.random.default_rng(0)
    half = source.multivariate_normal(np.zeros(7), pose.covariance, size=DRAWS // 2, method="svd")
    found = []
    for step in (*half, *-half):
        seen_by, at = moved(camera, pose, step)
        flat = lay(points_px, seen_by, at)
        if flat is None:
            continue
        middle = on_height(seen_by, at, axis_px[None], 0.0)[0, :2] - camera_place_mm(at)[:2]
        one = pile(flat, math.atan2(middle[1], middle[0]), mm_per_px)
        if one is not None:
            found.append(told(one, flat.high_mm, prior, mm_per_px))
    return found


def _axis_px(camera: Camera, pose: Pose, one: Pile) -> Array:
    """Where a pile's ray passes midway between its two discs (2,) [px]."""
    away = float(one.place_mm.mean()) * np.array([math.cos(one.turn_rad), math.sin(one.turn_rad)])
    return project(camera, pose, np.array([[*(camera_place_mm(pose)[:2] + away), 0.0]]))[0]


def _line(camera: Camera, pose: Pose, shape_mm: Array) -> Array:
    """End points (2, 2) [px] of the rim's diameter along the picture's rows."""
    right = pose.rotation[0] * np.array([1.0, 1.0, 0.0])
    right = right / np.linalg.norm(right) * shape_mm[2]
    centre = np.array([shape_mm[0], shape_mm[1], shape_mm[3]])
    return project(camera, pose, np.array([centre - right, centre + right]))


def _budget(
    value: float, by_height: float, by_pose: float, off_mm: float, mm_per_px: float, u_px: float, u_size_rel: float
) -> tuple[BudgetLine, ...]:
    size = min(u_size_rel * value, 2 * by_pose)
    return (
        BudgetLine("reference size", size),
        BudgetLine("pose", math.sqrt(max(0.0, 4 * by_pose**2 - size**2))),
        BudgetLine("height", 2 * by_height),
        BudgetLine("form of rim and base", math.hypot(2 * U_PROUD_MM, U_RIM_MM)),
        BudgetLine("not a pile of discs", off_mm),
        BudgetLine("part edge", math.sqrt(2) * math.hypot(EDGE_PX, u_px / 2) * mm_per_px),
        BudgetLine("lens", LENS_REL * value),
        BudgetLine("shadow and glare", SHADOW_PX * mm_per_px),
        BudgetLine("out of round", ROUND_REL * value),
    )
