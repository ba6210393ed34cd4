"""Quantities of a lying part, each with its budget: what is read off the profile at fixed edge points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from identify.dimensions import anchor, crests, hexagon, lying, thread
from identify.dimensions.axis import Axis, Profile, settle
from identify.geometry.camera import project
from identify.model import Array, BudgetLine, Camera, Outline, Photo, Pose
from identify.uncertainty import Estimate, Extra, propagate_all

EDGE_PX = 0.20  # standard uncertainty of one edge of the part, to either side
SHADOW_PX = 0.17  # a one-sided shadow moves an edge by up to 0.3 px: rectangular
LEAST_MIRROR = 0.88  # of the outline and its mirror image: a part that covers less of it is not turned
SQUAT = 1.37  # length over width: a shorter part leans steeply on the bench, so its widest place lies higher up
# Relative excess of the widest place over the body, and its standard uncertainty: rings stand proud, blur widens.
# Set on the training split of the rendered pictures.
EXCESS = (0.005, 0.030)
EXCESS_SQUAT = (0.015, 0.040)
LEAST_SCORE = 0.065  # of a thread that is trusted
LEAST_PITCH_PX = 6.0  # finer turns are taken for others: no thread is read from them
HELIX = (0.75, 1.3)
U_LEAN_REL = 0.06  # of a length: which two places carry the part is not seen; training split as above
U_THREAD_REL = 0.030  # of the crests' level: worn first turns, a collar near by; training split as above
VAGUE = 0.06  # relative uncertainty of a pitch that is no thread's
PLAIN_FACETS = 0.25  # score of a hexagon below which it can't be a round body
LENS_REL = 0.0015
ROUND_REL = 0.001
REST_MM = 0.4  # height of the axis: wear, burrs, a bench that is not flat
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
    excess: tuple[float, float] = (0.0, 0.0)


def lie(photo: Photo, outline: Outline, camera: Camera, pose: Pose) -> Lain | None:
    """Settle the part at one pose; None where its edges are not found or are not each other's mirror image."""
    axis = lying.first_axis(outline, camera, pose)
    for _ in range(2):
        if axis is None:
            return None
        rough = lying.contour_sides(outline, camera, pose, axis)
        axis = None if rough is None else settle(axis, camera, pose, rough).axis
    seen = None if axis is None else lying.seen(photo, outline, camera, pose, axis)
    if axis is None or seen is None:
        return None
    if lying.mirrored(outline, settle(axis, camera, pose, seen.sides), camera, pose) < LEAST_MIRROR:
        return None
    found = _on(photo, outline, camera, pose, axis)
    return None if found is None else _told(photo, found)


def _told(photo: Photo, lain: Lain) -> Lain:
    """The settled part with its body and thread."""
    scale = lain.seen.mm_per_px
    found = thread.find(photo, lain.camera, lain.pose, lain.profile, lain.turned, scale)
    if found is not None and (
        found.u_pitch_mm > VAGUE * found.pitch_mm
        or found.score < LEAST_SCORE
        or found.pitch_px < LEAST_PITCH_PX
        or not HELIX[0] < abs(found.helix) < HELIX[1]
    ):
        found = None
    tops = None if found is None else crests.find(lain.profile, found)
    found = None if tops is None else found
    index = lying.widest(lain.profile, lain.usable, scale)
    if index is None:
        return replace(lain, thread=found, crests=tops)
    body = np.zeros(len(lain.usable), bool)
    body[index] = True
    long = float(np.ptp(lain.profile.station_mm)) / max(2 * float(np.median(lain.profile.radius_mm[index])), 1e-6)
    excess = EXCESS_SQUAT if long < SQUAT else EXCESS
    return replace(lain, body=body, thread=found, crests=tops, excess=excess)


def _on(photo: Photo, outline: Outline, camera: Camera, pose: Pose, axis: Axis) -> Lain | None:
    """The part settled on the bench, and what is recognised along it."""
    rough = lying.contour_sides(outline, camera, pose, axis)
    if rough is None:
        return None
    axis = settle(axis, camera, pose, rough).axis
    seen = lying.seen(photo, outline, camera, pose, axis)
    if seen is None:
        return None
    profile = settle(axis, camera, pose, seen.sides)
    usable = lying.symmetric(profile, seen.mm_per_px)
    hexes = hexagon.find(photo, camera, pose, profile, usable, seen.mm_per_px)
    under = np.ones(len(usable))
    for one in hexes:
        under = np.where(hexagon.carried(one, profile), one.under, under)
    profile = settle(axis, camera, pose, seen.sides, under=under)
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
    )


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
    told = {name: _value(name, lain, ends) for name in names}
    names = [name for name, value in told.items() if np.isfinite(value) and value > 0]
    base = np.array([told[name] for name in names])

    held = anchor.anchored(lain.profile, lain.camera, lain.pose)
    still = _lengths(names, lain, ends, held, lain.camera, lain.pose, np.zeros(2))
    if not (np.isfinite(still).all() and (still > 0).all()):
        return {}

    def values(camera: Camera, pose: Pose, shifts: Array) -> Array:
        return base * _lengths(names, lain, ends, held, camera, pose, shifts) / still

    extras = (
        Extra("part edge", float(np.hypot(EDGE_PX, 0.5 * outline.u_px)) / 2**0.5, step=0.5),
        Extra("height of the axis", _rest_mm(lain)),
    )
    lines = [_lines(name, value, lain, ends, scale) for name, value in zip(names, base, strict=True)]
    within = [[BudgetLine("reference size", u_size_rel * float(value))] for value in base]
    estimates = propagate_all(values, lain.camera, lain.pose, extras=extras, lines=lines, within=within)
    return {name: _reading(name, estimate, lain, ends) for name, estimate in zip(names, estimates, strict=True)}


def _lengths(
    names: list[str], lain: Lain, ends: lying.Ends, held: anchor.Anchor, camera: Camera, pose: Pose, shifts: Array
) -> Array:
    """A length (Q,) that grows as each quantity does when camera, pose, edges and the axis's height move [mm]."""
    axis = anchor.axis_of(held, camera, pose, float(shifts[1]))
    sides = lain.seen.sides
    found = []
    for name in names:
        if name == "overall_length":
            found.append(lying.length(ends, axis, camera, pose))
        elif name == "thread_pitch" and lain.thread is not None:
            index = np.flatnonzero(lain.thread.zone)
            middle = (sides.left_px + sides.right_px) / 2
            found.append(anchor.stretch(axis, camera, pose, middle[index[0]], middle[index[-1]]))
        else:
            found.append(anchor.width(sides, _stations(name, lain), axis, camera, pose, float(shifts[0])))
    return np.array(found)


def _stations(name: str, lain: Lain) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    if name == "thread_major_diameter" and lain.crests is not None:
        return lain.crests.left, lain.crests.right
    stations = lain.hexagon.stations if name == "hex_across_flats" and lain.hexagon is not None else lain.body
    index = np.flatnonzero(np.asarray(stations))
    return index, index


def _value(name: str, lain: Lain, ends: lying.Ends) -> float:
    """The quantity as read from the settled profile [mm]; nan where the part does not show it."""
    profile = lain.profile
    if name == "overall_length":
        return lying.length(ends, profile.axis, lain.camera, lain.pose)
    if name == "body_diameter":
        return 2 * float(np.median(profile.radius_mm[lain.body])) * (1 - lain.excess[0])
    if name == "thread_major_diameter" and lain.crests is not None:
        return crests.major(profile, lain.crests) + lain.crests.blunted_mm
    if name == "thread_pitch" and lain.thread is not None:
        return lain.thread.pitch_mm
    return hexagon.across_flats(lain.hexagon, profile, lain.pose) if lain.hexagon is not None else float("nan")


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
        if lain.excess[1] > 0:
            lines.append(BudgetLine("lean of the axis", U_LEAN_REL * value))
        return [*lines, BudgetLine("end faces", float(np.hypot(END_PX * scale * 2**0.5, rounding)))]
    lines += [BudgetLine("shadow and glare", SHADOW_PX * scale), BudgetLine("out of round", ROUND_REL * value)]
    if name == "thread_major_diameter" and lain.crests is not None:
        lines.append(BudgetLine("crests", float(np.hypot(lain.crests.u_mm, U_THREAD_REL * value))))
        lines.append(BudgetLine("blunted crests", BLUNT_SHARE * lain.crests.blunted_mm))
    if name == "body_diameter":
        lines.append(BudgetLine("widest place for the body", lain.excess[1] * value))
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
