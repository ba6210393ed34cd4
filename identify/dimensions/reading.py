"""Quantities of a lying part, each with its budget: what is read off the profile at fixed edge points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from identify.dimensions import anchor, bearing, body, crests, edging, hexagon, lean, lying, stretch, thread, zone
from identify.dimensions.axis import Profile, settle
from identify.geometry.camera import project
from identify.model import Array, BudgetLine, Camera, Outline, Photo, Pose
from identify.uncertainty import Estimate, Extra, propagate_all

EDGE_PX = 0.20  # standard uncertainty of one edge of the part, to either side
SHADOW_PX = 0.17  # a one-sided shadow moves an edge by up to 0.3 px: rectangular
# Of the outline and its mirror image, of all of it or of its body's part: a part that covers less has no body to read.
LEAST_MIRROR, LEAST_BODY_MIRROR = 0.85, 0.93
SQUAT = 1.5  # length over width: a shorter part leans steeply on the bench, so its widest place lies higher up
# Of a body: what of it is its diameter, and where the axis of a squat part runs that has tipped: the least with which
# 98 % of the bodies of calibration pictures, by their true cameras, are within u95 (``measure_renders --pose true``).
U_BODY_REL, U_BODY_LEANS_REL = 0.011, 0.016
LEAST_SCORE = 0.065  # of a thread that is trusted
LEAST_TURNS = 4.5  # five crests: over fewer turns a pitch may be taken double
LEAST_PITCH_PX = 6.0  # finer turns are taken for others: no thread is read from them
HELIX = (0.75, 1.3)
ALONG = ("overall_length", "thread_pitch")  # the others are widths
U_LEAN_RAD = (0.06, 0.03)  # which two places carry the part, where a section's shape is not seen, and where it is
U_THREAD_REL = 0.015  # of the crests' level: worn first turns, a collar near by; training split as above
LIKELY, LIKELY_ALONE = 0.5, 0.8  # chance from which a zone is taken for the thread, and where one edge tells it
LEAST_ALIKE = 0.70  # a part whose outline covers less of its mirror image shows nothing
LEAST_STATIONS = 4
LEAST_SEEN = 0.25  # of what is told to be the thread; where less has edges, what is measured is elsewhere
# As above: scatter of a thread's level; how far off a wrong zone is; how much the form of the valleys may differ.
U_LEVEL_REL, U_OTHER_REL, U_DROP_SHARE = 0.008, 0.03, 0.15
AGREE = 1.25  # turns further apart, or nearer, than those that told the thread's place are not its turns
VAGUE = 0.06  # relative uncertainty of a pitch that is no thread's
PLAIN_FACETS = 0.25  # score of a hexagon below which it can't be a round body
TOGETHER = 0.5  # of the stations: so many err alike where a shadow or a mirror image runs along the edge
LENS_REL, ROUND_REL = 0.0015, 0.001
REST_MM = 0.4  # height of the axis: wear, burrs, a bench that is not flat
U_SHAPE_REL = 0.03  # of the widest radius: height of the axis where the shape of that section is not seen
BLUNT_SHARE = 0.4  # of what the lens rounds off the crests and is put back
LEAST_WHOLE = 0.8  # of the outline and its mirror image: a part that covers less may lack an end
# Of a length: the slope it lies at, least sure of a short part; doubt where thin or dark ends are. Calibration split.
U_ENDS_REL, U_ENDS_SQUAT_REL, ENDS_DOUBT = 0.02, 0.07, 3.0
U_CORNERS_REL = 0.012  # of a hexagon; calibration split as above
END_PX = 0.6  # an end face's edge is short, often rounded
# Of an end's bulge: at a slant, its rim hides what stands on the face; and it hangs on the slope. Calibration split.
HIDDEN_SHARE = 0.8


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
    seen: edging.Seen
    profile: Profile
    usable: NDArray[np.bool_]
    turned: NDArray[np.bool_]
    under: Array
    alike: float = 1.0  # of outline and its mirror image
    alike_body: float = 1.0  # the same of the body's part of it
    hexagon: hexagon.Hexagon | None = None
    body: NDArray[np.bool_] | None = None
    zone: zone.Zone | None = None
    thread: thread.Thread | None = None
    crests: crests.Crests | None = None
    u_body_rel: float = 0.0
    askew: bool = False  # whether its slim end may stand askew
    u_height_mm: float | None = None  # of the axis, where the part does not rest on what is measured

    @property
    def widest_mm(self) -> float:
        """Radius of the widest section."""
        widths = self.profile.radius_mm[self.usable]
        return float(np.percentile(widths, 97)) if len(widths) else 0.0

    @property
    def squat(self) -> bool:
        """Whether the part is short for its width."""
        return float(np.ptp(self.profile.station_mm)) < 2 * SQUAT * self.widest_mm


def lie(
    photo: Photo,
    outline: Outline,
    camera: Camera,
    poses: Sequence[Pose],
    listed: Sequence[zone.Listed],
    threaded: bool | None,
    *,
    alone: bool = False,
) -> list[Lain | None]:
    """Settle the part at every pose; None where its edges are not found or are not each other's mirror image.

    ``threaded``: whether the part is of a class that is told by its thread; one that is not may have an askew stem.
    Edges and what is recognised along them are looked for once, at the first pose: they are the same pixels at each.
    With ``alone`` one clear edge will do where the other is not seen.
    """
    settled_ = settled(photo, outline, camera, poses[0], askew=threaded is False, alone=alone)
    if settled_ is None:
        return [None] * len(poses)
    first = _told(photo, outline, settled_, listed, threaded, LIKELY_ALONE if alone else LIKELY)
    return [first, *(_again(first, camera, pose) for pose in poses[1:])]


def settled(
    photo: Photo, outline: Outline, camera: Camera, pose: Pose, *, askew: bool = False, alone: bool = False
) -> Lain | None:
    """The part with its two edges and its hexagon, before its thread and body are looked for; None as of ``lie``."""
    axis = bearing.rough_axis(outline, camera, pose, photo, askew=askew)
    seen = None if axis is None else edging.seen(photo, outline, camera, pose, axis, alone=alone)
    if axis is None or seen is None:
        return None
    profile = settle(axis, camera, pose, seen.sides, askew=askew)
    usable = lying.symmetric(profile, seen.mm_per_px)
    alike, alike_body = lying.mirrored(outline, profile, usable, camera, pose)
    if alike < LEAST_ALIKE:
        return None
    hexes = hexagon.find(photo, camera, pose, profile, usable, seen.mm_per_px)
    under, turned = np.ones(len(usable)), usable.copy()
    for one in hexes:
        under = np.where(hexagon.carried(one, profile), one.under, under)
        turned &= ~one.stations if one.score < PLAIN_FACETS else True
    profile = settle(axis, camera, pose, seen.sides, under=under, askew=askew)
    first = hexes[0] if hexes else None
    return Lain(camera, pose, seen, profile, usable, turned, under, alike, alike_body, first, askew=askew)


def _again(first: Lain, camera: Camera, pose: Pose) -> Lain:
    """A settled part at another pose."""
    profile = settle(first.profile.axis, camera, pose, first.seen.sides, under=first.under, askew=first.askew)
    lain = replace(first, pose=pose, profile=profile)
    if first.zone is None:
        return lain
    ratio = float(
        np.mean(profile.radius_mm[first.zone.stations]) / np.mean(first.profile.radius_mm[first.zone.stations])
    )
    level = (first.zone.diameter_mm - first.zone.drop_mm) * ratio
    return replace(lain, zone=replace(first.zone, diameter_mm=level + first.zone.drop_mm))


def _told(
    photo: Photo, outline: Outline, lain: Lain, listed: Sequence[zone.Listed], threaded: bool | None, likely: float
) -> Lain:
    """The settled part with its body, the zone of its thread, and the thread's turns where they are resolved."""
    scale = lain.seen.mm_per_px
    told = stretch.odds(photo, lain.camera, lain.pose, lain.profile, lain.usable)
    place = zone.find(photo, lain.camera, lain.pose, lain.profile, lain.usable, listed, threaded=threaded, told=told)
    hidden = told is not None and told.seen(lain.profile.station_mm, lain.usable) < LEAST_SEEN
    if place is not None and (hidden or place.chance < likely or place.stations.sum() < LEAST_STATIONS):
        place = None
    turns = _turns(photo, lain, place)
    tops = None
    if turns is not None:
        slants = zone.slants(lain.profile, lain.pose, lain.profile.station_mm[turns.zone])
        tops = crests.find(lain.profile, turns, float(np.median(slants)))
    lain = replace(lain, zone=place, thread=None if tops is None else turns, crests=tops)
    chance = None if told is None else told.body_at(lain.profile.station_mm)
    leans = lain.squat and lean.tipped(outline, lain.profile, lain.widest_mm, lain.camera, lain.pose)
    index = body.find(lain.profile, lain.usable, scale, chance, tipped=leans)
    alike = lain.alike >= LEAST_MIRROR or (lain.alike >= LEAST_WHOLE and lain.alike_body >= LEAST_BODY_MIRROR)
    if index is None or not alike:
        return lain
    stations = np.zeros(len(lain.usable), bool)
    stations[index] = True
    return replace(lain, body=stations, u_body_rel=U_BODY_LEANS_REL if leans else U_BODY_REL)


def _turns(photo: Photo, lain: Lain, place: zone.Zone | None) -> thread.Thread | None:
    """The thread's turns where they are far enough apart to be told from others, and are where the thread is."""
    scale = lain.seen.mm_per_px
    coarsest = max(thread.PITCHES_MM[1] if place is None else place.pitch_mm, scale)
    if coarsest / scale < LEAST_PITCH_PX:
        return None
    within = None if place is None else place.stations
    found = thread.find(photo, lain.camera, lain.pose, lain.profile, lain.turned, scale, within=within)
    if found is None or found.score < LEAST_SCORE or found.pitch_px < LEAST_PITCH_PX:
        return None
    if found.u_pitch_mm > VAGUE * found.pitch_mm or not HELIX[0] < abs(found.helix) < HELIX[1]:
        return None
    if place is None:
        return found
    agree = 1 / AGREE < found.pitch_mm / place.pitch_mm < AGREE
    return found if agree and (found.zone & place.stations).any() else None


def read(lain: Lain, outline: Outline, *, u_size_rel: float) -> dict[str, Reading]:
    """Every quantity that the settled part shows, by name."""
    names = ["overall_length"] if lain.alike >= LEAST_WHOLE else []
    if lain.body is not None:
        names.append("body_diameter")
    if lain.zone is not None or lain.crests is not None:
        names.append("thread_major_diameter")
    if lain.crests is not None and lain.thread is not None and lain.thread.turns >= LEAST_TURNS:
        names.append("thread_pitch")
    if lain.hexagon is not None and not lain.squat and hexagon.is_main(lain.hexagon, lain.profile, lain.widest_mm):
        names.append("hex_across_flats")
    ends = lying.ends(outline, lain.profile, lain.camera, lain.pose)
    told = {name: _value(name, lain, ends) for name in names}
    names = [name for name, value in told.items() if np.isfinite(value) and value > 0]
    base = np.array([told[name] for name in names])

    edges = anchor.pairs(lain.seen.sides, [_stations(name, lain) for name in names if name not in ALONG])
    held = anchor.anchored(lain.profile, lain.camera, lain.pose, edges)
    still = _lengths(names, lain, ends, held, lain.camera, lain.pose, np.zeros(3))
    if not (np.isfinite(still).all() and (still > 0).all()):
        return {}

    def values(camera: Camera, pose: Pose, shifts: Array) -> Array:
        return base * _lengths(names, lain, ends, held, camera, pose, shifts) / still

    extras = (
        Extra("part edge", float(np.hypot(EDGE_PX, 0.5 * outline.u_px)) / 2**0.5, step=0.5),
        Extra("height of the axis", _rest_mm(lain)),
        Extra("lean of the axis", U_LEAN_RAD[lain.hexagon is not None]),
    )
    lines = [_lines(name, value, lain, ends, lain.seen.mm_per_px) for name, value in zip(names, base, strict=True)]
    within = [[BudgetLine("reference size", u_size_rel * float(value))] for value in base]
    estimates = propagate_all(values, lain.camera, lain.pose, extras=extras, lines=lines, within=within)
    return {name: _reading(name, estimate, lain, ends) for name, estimate in zip(names, estimates, strict=True)}


def _lengths(
    names: list[str], lain: Lain, ends: lying.Ends, held: anchor.Anchor, camera: Camera, pose: Pose, shifts: Array
) -> Array:
    """A length (Q,) that grows as each quantity does when camera, pose, edges and the axis's height move [mm]."""
    axis = anchor.axis_of(held, camera, pose, float(shifts[1]), float(shifts[2]))
    across = iter(anchor.widths(held, axis, camera, pose, float(shifts[0])).tolist())
    found = []
    for name in names:
        if name == "overall_length":
            found.append(lying.length(ends, axis, camera, pose))
        elif name == "thread_pitch" and lain.thread is not None:
            index = np.flatnonzero(lain.thread.zone)
            middle = (lain.seen.sides.left_px + lain.seen.sides.right_px) / 2
            found.append(anchor.stretch(axis, camera, pose, middle[index[0]], middle[index[-1]]))
        else:
            found.append(next(across))
    return np.array(found)


def _stations(name: str, lain: Lain) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    if name == "thread_major_diameter" and lain.crests is not None:
        return lain.crests.left, lain.crests.right
    if name == "thread_major_diameter" and lain.zone is not None:
        index = np.flatnonzero(lain.zone.stations)
        return index, index
    stations = lain.hexagon.stations if name == "hex_across_flats" and lain.hexagon is not None else lain.body
    index = np.flatnonzero(np.asarray(stations))
    return index, index


def _value(name: str, lain: Lain, ends: lying.Ends) -> float:
    """The quantity as read from the settled profile [mm]; nan where the part does not show it."""
    profile = lain.profile
    if name == "overall_length":
        return lying.length(ends, profile.axis, lain.camera, lain.pose)
    if name == "body_diameter":
        return 2 * float(np.median(profile.radius_mm[lain.body]))
    if name == "thread_major_diameter" and lain.crests is not None:
        return crests.major(profile, lain.crests) + lain.crests.blunted_mm
    if name == "thread_major_diameter" and lain.zone is not None:
        return lain.zone.diameter_mm
    if name == "thread_pitch" and lain.thread is not None:
        return lain.thread.pitch_mm
    return hexagon.across_flats(lain.hexagon, profile, lain.pose) if lain.hexagon is not None else float("nan")


def _rest_mm(lain: Lain) -> float:
    """Standard uncertainty of the axis's height: rest, and a widest section of unknown shape."""
    widest = float(np.max(np.where(lain.usable, lain.profile.radius_mm, 0)))
    return lain.u_height_mm or float(np.hypot(REST_MM, U_SHAPE_REL * widest if lain.hexagon is None else 0.0))


def _lines(name: str, value: float, lain: Lain, ends: lying.Ends, scale: float) -> list[BudgetLine]:
    lines = [BudgetLine("lens", LENS_REL * value)]
    if name == "thread_pitch" and lain.thread is not None:
        return [*lines, BudgetLine("spectral peak", lain.thread.u_pitch_mm)]
    if name == "overall_length":
        lines.append(BudgetLine("how it lies", (U_ENDS_SQUAT_REL if lain.squat else U_ENDS_REL) * value))
        lines.append(BudgetLine("where the ends are", ENDS_DOUBT * float(np.hypot(*ends.doubt_px)) * scale))
        lines.append(BudgetLine("hidden behind the rims", float(np.hypot(*ends.bulge_mm)) * HIDDEN_SHARE))
        return [*lines, BudgetLine("end faces", END_PX * scale * 2**0.5)]
    lines += [BudgetLine("shadow and glare", SHADOW_PX * scale), BudgetLine("out of round", ROUND_REL * value)]
    doubt = float(np.sqrt(np.mean(lain.seen.doubt_px[np.concatenate(_stations(name, lain))] ** 2)))
    lines.append(BudgetLine("another edge beside", TOGETHER * doubt * scale))
    if name == "thread_major_diameter" and lain.zone is not None:
        nowhere = U_OTHER_REL * (1 - lain.zone.chance) * value
        lines.append(BudgetLine("another place may be the thread", float(np.hypot(nowhere, lain.zone.u_other_mm))))
    if name == "thread_major_diameter" and lain.crests is not None:
        lines.append(BudgetLine("crests", float(np.hypot(lain.crests.u_mm, U_THREAD_REL * value))))
        lines.append(BudgetLine("blunted crests", BLUNT_SHARE * lain.crests.blunted_mm))
    elif name == "thread_major_diameter" and lain.zone is not None:
        lines.append(BudgetLine("level of the thread's edges", float(np.hypot(lain.zone.u_mm, U_LEVEL_REL * value))))
        lines.append(BudgetLine("depth of unresolved turns", U_DROP_SHARE * lain.zone.drop_mm))
    if name == "body_diameter":
        lines.append(BudgetLine("which stretch is the body", lain.u_body_rel * value))
        lines.append(BudgetLine("out of parallel", float(np.std(lain.profile.radius_mm[lain.body]))))
    if name == "hex_across_flats" and lain.hexagon is not None:
        lines.append(BudgetLine("roll of the hexagon", lain.hexagon.u_rel * value))
        lines.append(BudgetLine("rounded corners", U_CORNERS_REL * value))
    return lines


def _reading(name: str, estimate: Estimate, lain: Lain, ends: lying.Ends) -> Reading:
    sides = lain.seen.sides
    if name == "overall_length":
        axis, low, high = lain.profile.axis, *lying.end_stations(ends, lain.profile.axis, lain.camera, lain.pose)
        line = project(lain.camera, lain.pose, axis.at(np.array([low, high])))
        text = "lying, end face to end face along the axis"
        return Reading(name, estimate, text, line, (ends.first_px[None], ends.last_px[None]))
    if name == "thread_pitch" and lain.thread is not None:
        index = np.flatnonzero(lain.thread.zone)
        line = sides.right_px[[index[0], index[-1]]]
        text = f"lying, period of the thread over {lain.thread.turns:.0f} turns"
        return Reading(name, estimate, text, line, (sides.left_px[index], sides.right_px[index]))
    if name == "thread_major_diameter":
        left, right = _stations(name, lain)
        how = "mean level of both edges, turns not resolved"
        if lain.crests is not None:
            how = f"crests of both edges ({len(left)} and {len(right)})"
        middle = left[len(left) // 2]
        line = np.array([sides.left_px[middle], sides.right_px[middle]])
        text = f"lying, {how}, {'stub at its usual height' if lain.u_height_mm else 'cylinder on the bench'}"
        return Reading(name, estimate, text, line, (sides.left_px[left], sides.right_px[right]))
    if name == "hex_across_flats" and lain.hexagon is not None:
        stations, text = lain.hexagon.stations, lain.hexagon.method
    else:
        stations, text = np.asarray(lain.body), "lying, both edges, cylinder on the bench"
    index = np.flatnonzero(stations)
    middle = int(index[len(index) // 2])
    line = np.array([sides.left_px[middle], sides.right_px[middle]])
    return Reading(name, estimate, text, line, (sides.left_px[index], sides.right_px[index]))
