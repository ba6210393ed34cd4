"""Quantities of a lying part, each with its budget: what is read off the profile at fixed edge points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from identify.dimensions import bow, crests, hexagon, lying, thread
from identify.dimensions.axis import Axis, Profile, Sides, rests, settle
from identify.geometry.camera import project
from identify.model import Array, BudgetLine, Camera, Outline, Photo, Pose
from identify.uncertainty import Estimate, Extra, informed, propagate_all

EDGE_PX = 0.20  # standard uncertainty of one edge of the part, to either side
SHADOW_PX = 0.17  # a one-sided shadow moves an edge by up to 0.3 px: rectangular
MOST_RESTS = 3
BOWED = 2.5  # standard uncertainties by which rings may bow before the part is taken to rest on something else
VAGUE = 0.06  # relative uncertainty of a pitch that is no thread's
PLAIN_FACETS = 0.25  # score of a hexagon below which it can't be a round body
UNLIKELY = 4.0  # logarithm of the odds against a rest that is not looked at further
FREE_ODDS = 0.05  # of a rest that the part's own shape does not explain
TAPER_PX = 0.4  # by which a cylinder's radius may differ from end to end by its edges
TAPER_SLOPE = 0.005  # and by a mould's draft, 0.3 degrees
LENS_REL = 0.0015
ROUND_REL = 0.001
REST_MM = 0.4  # height of the axis: wear, burrs, a bench that is not flat
UNKNOWN_SECTION = 0.96  # contact height over half width where round and hexagonal are not told apart: 0.87 to 1
BLUNT_SHARE = 0.4  # of what the lens rounds off the crests and is put back
END_PX = 0.6  # an end face's edge is short, often rounded


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One quantity at one pose: the estimate, how it was got, and what to draw."""

    quantity: str
    estimate: Estimate
    method: str
    line_px: Array
    edges_px: tuple[Array, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Lain:
    """A lying part settled at one pose, with what was recognised along it."""

    camera: Camera
    pose: Pose
    seen: lying.Seen
    profile: Profile
    usable: NDArray[np.bool_]
    turned: NDArray[np.bool_]
    under: Array
    body: NDArray[np.bool_] | None
    thread: thread.Thread | None
    crests: crests.Crests | None
    hexagon: hexagon.Hexagon | None
    likelihood: float = 0.0
    over_mm: float | None = None
    rise: float | None = None
    rings: tuple[float, float] | None = None
    ring_slope: float = 0.0


def lie(photo: Photo, outline: Outline, camera: Camera, pose: Pose) -> list[Lain]:
    """Settle the part at one pose, on each side that it may stand on; none where its edges are not found."""
    axis = lying.first_axis(outline, camera, pose)
    for _ in range(2):
        if axis is None:
            return []
        rough = lying.contour_sides(outline, camera, pose, axis)
        axis = None if rough is None else settle(axis, camera, pose, rough).axis
    seen = None if axis is None else lying.seen(photo, outline, camera, pose, axis)
    if axis is None or seen is None:
        return []
    ways = rests(settle(axis, camera, pose, seen.sides))
    tried = [_on(photo, outline, camera, pose, axis, share, over_mm=over_mm) for over_mm, share in ways[:MOST_RESTS]]
    found = [one for one in tried if one is not None]
    best = max(found, key=lambda one: one.likelihood, default=None)
    if best is not None and best.rings is not None and abs(best.rings[0]) > BOWED * best.rings[1]:
        free = _on(photo, outline, camera, pose, axis, FREE_ODDS, rise=_rise(best, camera, pose))
        found += [] if free is None else [free]
    likeliest = max((one.likelihood for one in found), default=0.0)
    return [_told(photo, one) for one in found if one.likelihood > likeliest - UNLIKELY]


def _told(photo: Photo, lain: Lain) -> Lain:
    """The settled part with its body and thread."""
    scale = lain.seen.mm_per_px
    found = thread.find(photo, lain.camera, lain.pose, lain.profile, lain.turned, scale)
    if found is not None and found.u_pitch_mm > VAGUE * found.pitch_mm:
        found = None
    tops = None if found is None else crests.find(lain.profile, found)
    found = None if tops is None else found
    return replace(lain, body=lying.body(lain.profile, lain.turned, scale), thread=found, crests=tops)


def _rise(lain: Lain, camera: Camera, pose: Pose) -> float:
    """The slope of the lower side against the axis that makes the part's rings straight."""
    if lain.rings is None:
        raise ValueError("No rings were seen; there is nothing to straighten.")
    middle = float(np.median(lain.profile.station_mm))
    trial = [
        bow.sight_slope(settle(lain.profile.axis, camera, pose, lain.seen.sides, rise=rise).axis, pose, middle)
        for rise in (0.0, 0.1)
    ]
    return float((lain.ring_slope - trial[0]) / (trial[1] - trial[0]) * 0.1)


def _on(
    photo: Photo,
    outline: Outline,
    camera: Camera,
    pose: Pose,
    axis: Axis,
    share: float,
    *,
    over_mm: float | None = None,
    rise: float | None = None,
) -> Lain | None:
    """The part settled on one side of its hull, or at one slope, and what is recognised along it."""
    rough = lying.contour_sides(outline, camera, pose, axis)
    if rough is None:
        return None
    axis = settle(axis, camera, pose, rough, over_mm=over_mm, rise=rise).axis
    seen = lying.seen(photo, outline, camera, pose, axis)
    if seen is None:
        return None
    profile = settle(axis, camera, pose, seen.sides, over_mm=over_mm, rise=rise)
    usable = lying.symmetric(profile, seen.mm_per_px)
    hexes = hexagon.find(photo, camera, pose, profile, usable, seen.mm_per_px)
    under = np.ones(len(usable))
    for one in hexes:
        under = np.where(hexagon.carried(one, profile), one.under, under)
    profile = settle(axis, camera, pose, seen.sides, under=under, over_mm=over_mm, rise=rise)
    rings = bow.find(photo, camera, pose, profile, usable, seen.mm_per_px)
    slope = bow.sight_slope(profile.axis, pose, float(np.median(profile.station_mm))) + (rings[0] if rings else 0.0)
    camera, pose, likelihood = straightened(
        camera, pose, seen, profile, usable, under=under, over_mm=over_mm, rise=rise, rings=rings
    )
    profile = settle(axis, camera, pose, seen.sides, under=under, over_mm=over_mm, rise=rise)
    turned = usable.copy()
    for one in hexes:
        turned &= ~one.stations if one.score < PLAIN_FACETS else True
    return Lain(
        camera=camera,
        pose=pose,
        seen=seen,
        profile=profile,
        usable=usable,
        under=under,
        turned=turned,
        body=None,
        thread=None,
        crests=None,
        hexagon=hexes[0] if hexes else None,
        likelihood=likelihood + float(np.log(max(share, 1e-6))),
        over_mm=over_mm,
        rise=rise,
        rings=rings,
        ring_slope=slope,
    )


def straightened(
    camera: Camera,
    pose: Pose,
    seen: lying.Seen,
    profile: Profile,
    usable: NDArray[np.bool_],
    *,
    under: Array | None = None,
    over_mm: float | None = None,
    rise: float | None = None,
    rings: tuple[float, float] | None = None,
) -> tuple[Camera, Pose, float]:
    """Camera and pose corrected by the part itself, and the log-likelihood of what it shows.

    Its cylinders have no taper, and its rings no bow: ``rings`` is by how much the line of sight must lean more along
    the axis for that, with its standard uncertainty.
    """
    halves = lying.cylinders(profile, usable, seen.mm_per_px)
    middle = float(np.median(profile.station_mm))
    wanted = None if rings is None else bow.sight_slope(profile.axis, pose, middle) + rings[0]
    if not halves and wanted is None:
        return camera, pose, 0.0

    def zeros(seen_by: Camera, at: Pose, _: Array) -> Array:
        moved = settle(profile.axis, seen_by, at, seen.sides, under=under, over_mm=over_mm, rise=rise)
        tapers = [float(np.median(moved.radius_mm[b]) - np.median(moved.radius_mm[a])) for a, b in halves]
        return np.array(tapers if wanted is None else [*tapers, bow.sight_slope(moved.axis, at, middle) - wanted])

    apart = np.array([float(abs(np.mean(profile.station_mm[b]) - np.mean(profile.station_mm[a]))) for a, b in halves])
    u = np.hypot(TAPER_PX * seen.mm_per_px, TAPER_SLOPE * apart)
    return informed(zeros, camera, pose, u if rings is None else np.append(u, rings[1]))


def read(lain: Lain, outline: Outline, *, u_size_rel: float) -> dict[str, Reading]:
    """Every quantity that the settled part shows, by name."""
    names = ["overall_length"]
    if lain.body is not None:
        names.append("body_diameter")
    if lain.crests is not None:
        names += ["thread_major_diameter", "thread_pitch"]
    if lain.hexagon is not None:
        names.append("hex_across_flats")
    scale = lain.seen.mm_per_px
    ends = lying.ends(outline, lain.profile, lain.camera, lain.pose)
    base = _values(names, lain, ends, lain.profile)
    names = [name for name, value in zip(names, base, strict=True) if np.isfinite(value) and value > 0]
    base = _values(names, lain, ends, lain.profile)

    def values(camera: Camera, pose: Pose, shifts: Array) -> Array:
        sides = _shifted(lain.seen.sides, float(shifts[0]))
        profile = settle(
            lain.profile.axis, camera, pose, sides, under=lain.under, lift_mm=float(shifts[1]), over_mm=lain.over_mm
        )
        return _values(names, lain, ends, profile, camera, pose)

    extras = (
        Extra("part edge", float(np.hypot(EDGE_PX, 0.5 * outline.u_px)) / 2**0.5, step=0.5),
        Extra("height of the axis", _rest_mm(lain)),
    )
    lines = [_lines(name, value, lain, ends, scale) for name, value in zip(names, base, strict=True)]
    within = [[BudgetLine("reference size", u_size_rel * float(value))] for value in base]
    estimates = propagate_all(values, lain.camera, lain.pose, extras=extras, lines=lines, within=within)
    return {name: _reading(name, estimate, lain, ends) for name, estimate in zip(names, estimates, strict=True)}


def _shifted(sides: Sides, outward_px: float) -> Sides:
    across = sides.right_px - sides.left_px
    across = across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9) * outward_px
    return Sides(sides.left_px - across, sides.right_px + across, sides.trusted)


def _values(
    names: list[str],
    lain: Lain,
    ends: lying.Ends,
    profile: Profile,
    camera: Camera | None = None,
    pose: Pose | None = None,
) -> Array:
    seen_by, at = camera or lain.camera, pose or lain.pose
    values = []
    for name in names:
        if name == "overall_length":
            values.append(lying.length(ends, profile.axis, seen_by, at))
        elif name == "body_diameter":
            values.append(2 * float(np.median(profile.radius_mm[lain.body])))
        elif name == "thread_major_diameter" and lain.crests is not None:
            values.append(crests.major(profile, lain.crests) + lain.crests.blunted_mm)
        elif name == "thread_pitch" and lain.thread is not None:
            values.append(lain.thread.pitch_mm * _stretch(profile, lain))
        elif lain.hexagon is not None:
            values.append(hexagon.across_flats(lain.hexagon, profile, at))
    return np.array(values)


def _stretch(profile: Profile, lain: Lain) -> float:
    """Length of the thread's zone in this profile over its length when the pitch was read."""
    if lain.thread is None:
        return 1.0
    index = np.flatnonzero(lain.thread.zone)
    now = profile.station_mm[index[-1]] - profile.station_mm[index[0]]
    return float(now / (lain.profile.station_mm[index[-1]] - lain.profile.station_mm[index[0]]))


def _rest_mm(lain: Lain) -> float:
    """Standard uncertainty of the axis's height: rest, and a widest section of unknown shape."""
    widest = float(np.max(np.where(lain.usable, lain.profile.radius_mm, 0)))
    open_question = 0.0 if lain.hexagon is not None else 0.03 * widest
    return float(np.hypot(REST_MM, open_question))


def _lines(name: str, value: float, lain: Lain, ends: lying.Ends, scale: float) -> list[BudgetLine]:
    lines = [BudgetLine("lens", LENS_REL * value)]
    if name == "thread_pitch" and lain.thread is not None:
        return [*lines, BudgetLine("spectral peak", lain.thread.u_pitch_mm)]
    if name == "overall_length":
        rounding = float(0.25 * np.hypot(*ends.bulge_mm))
        return [*lines, BudgetLine("end faces", float(np.hypot(END_PX * scale * 2**0.5, rounding)))]
    lines += [BudgetLine("shadow and glare", SHADOW_PX * scale), BudgetLine("out of round", ROUND_REL * value)]
    if name == "thread_major_diameter" and lain.crests is not None:
        lines.append(BudgetLine("crests", lain.crests.u_mm))
        lines.append(BudgetLine("blunted crests", BLUNT_SHARE * lain.crests.blunted_mm))
    if name == "body_diameter":
        lines.append(BudgetLine("out of parallel", float(np.std(lain.profile.radius_mm[lain.body]))))
    if name == "hex_across_flats" and lain.hexagon is not None:
        lines.append(BudgetLine("roll of the hexagon", lain.hexagon.u_rel * value))
    return lines


def _reading(name: str, estimate: Estimate, lain: Lain, ends: lying.Ends) -> Reading:
    sides = lain.seen.sides
    if name == "overall_length":
        axis, low, high = lain.profile.axis, *lying.end_stations(ends, lain.profile.axis, lain.camera, lain.pose)
        line = project(lain.camera, lain.pose, axis.at(np.array([low, high])))
        return Reading(
            name,
            estimate,
            "lying, end face to end face along the axis",
            line,
            (ends.first_px[None], ends.last_px[None]),
        )
    if name == "thread_pitch" and lain.thread is not None:
        index = np.flatnonzero(lain.thread.zone)
        line = sides.right_px[[index[0], index[-1]]]
        text = f"lying, period of the thread over {lain.thread.turns:.0f} turns"
        return Reading(name, estimate, text, line, (sides.left_px[index], sides.right_px[index]))
    if name == "thread_major_diameter" and lain.crests is not None:
        left, right = lain.crests.left, lain.crests.right
        middle = left[len(left) // 2]
        seen_how = (
            "mean level of both edges" if len(left) > 40 else f"crests of both edges ({len(left)} and {len(right)})"
        )
        text = f"lying, {seen_how}, cylinder on the bench"
        return Reading(
            name,
            estimate,
            text,
            np.array([sides.left_px[middle], sides.right_px[middle]]),
            (sides.left_px[left], sides.right_px[right]),
        )
    if name == "hex_across_flats" and lain.hexagon is not None:
        stations, text = lain.hexagon.stations, lain.hexagon.method
    else:
        stations, text = np.asarray(lain.body), "lying, both edges, cylinder on the bench"
    index = np.flatnonzero(stations)
    middle = int(index[len(index) // 2])
    line = np.array([sides.left_px[middle], sides.right_px[middle]])
    return Reading(name, estimate, text, line, (sides.left_px[index], sides.right_px[index]))
