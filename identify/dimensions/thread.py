"""Threads of a lying part: where one is, its pitch, and the circle of its crests.

The turned surface is unrolled from the photo through the camera, so that a tilted view and the surface's height
over the axis change nothing. A thread of pitch p shows as light and dark bands whose phase moves by one turn in p
around the axis; rings and ribs stay where they are. Source of the spectral estimate: Welch's windowed periodogram
with a parabolic peak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from identify.dimensions.axis import Profile
from identify.dimensions.lying import crest_line
from identify.geometry.camera import camera_place_mm, project
from identify.geometry.edges import sample_places
from identify.model import Array, Camera, Photo, Pose

LEAST_PX = 2.5  # a pitch; finer threads are not resolved
LEAST_TURNS = 3.5
SLOW_MM = 0.9  # standard deviation of what is taken for the slow part
CLIP = 2.5  # a shoulder is a larger step than a thread's, and must not outweigh it
SETTLING = 4  # rounds in which the frequency follows its own phase
ZONE_SHARE = 0.35  # of the strongest power: where it falls below, the thread ends
PHASE_PX = 0.3  # by which the zone's two ends may err
PITCHES_MM = (0.7, 2.7)  # sought between: finer than the finest tap thread, coarser than the coarsest
SAMPLE_MM = 0.14  # between stations when a thread is sought
WINDOWS_MM = (6.5, 10.0)
MOST_WINDOWS = 4  # of a length that are looked at closely
RINGS = 0.7  # share of a ring's power that leaks into a thread's over the part of the surface that is seen
RIPPLE_MM = 0.12  # spread of an edge that is a thread's; less may be noise
LEAST_SCORE = 0.06
HELIX = (0.5, 1.7)  # turns of phase in one turn about the axis that a single-start thread may show
LEAST_COVER = 0.75  # share of a window where both edges may be those of a thread
NARROWEST, WIDEST = 0.6, 0.985  # of the part's widest place: springs and spindles are narrower, collars are it
TURN_RAD = math.radians(62)  # the surface is looked at this far to either side of the line facing the camera


@dataclass(frozen=True, slots=True, eq=False)
class Thread:
    """A zone with a thread.

    Parameters
    ----------
    zone : (N,) bool, its stations among the profile's
    pitch_mm, u_pitch_mm : and its standard uncertainty [mm]
    score : spectral peak over the median of the spectrum
    helix : turns of phase in one turn about the axis: near 1 for a thread of either hand, near 0 for rings
    turns : pitches in the zone
    """

    zone: NDArray[np.bool_]
    pitch_mm: float
    u_pitch_mm: float
    score: float
    helix: float
    turns: float
    pitch_px: float


def unrolled_light(
    photo: Photo, camera: Camera, pose: Pose, profile: Profile, radius_mm: Array, station_mm: Array, angles_rad: Array
) -> Array:
    """Square root of light (N, A) on the turned surface at stations (N,) and angles (A,), as of ``unrolled_rgb``."""
    light = unrolled_rgb(photo, camera, pose, profile, radius_mm, station_mm, angles_rad).mean(axis=2)
    return np.sqrt(np.maximum(light, 0))


def unrolled_rgb(
    photo: Photo, camera: Camera, pose: Pose, profile: Profile, radius_mm: Array, station_mm: Array, angles_rad: Array
) -> Array:
    """Linear light (N, A, 3) on the turned surface at stations (N,) and angles (A,) from the line facing the camera."""
    axis = profile.axis
    centre = axis.at(station_mm)
    sight = camera_place_mm(pose) - centre
    sight -= (sight @ axis.along)[:, None] * axis.along
    up = sight / np.linalg.norm(sight, axis=1, keepdims=True)
    right = np.cross(axis.along, up)
    right *= np.sign(right @ axis.across)[:, None]
    cos, sin = np.cos(angles_rad), np.sin(angles_rad)
    outward = up[:, None, :] * cos[None, :, None] + right[:, None, :] * sin[None, :, None]
    points = centre[:, None, :] + radius_mm[:, None, None] * outward
    pixels = (project(camera, pose, points.reshape(-1, 3)) + 0.5) / photo.reduced - 0.5
    return sample_places(photo.rgb, pixels).reshape(len(station_mm), len(angles_rad), 3)


def find(
    photo: Photo,
    camera: Camera,
    pose: Pose,
    profile: Profile,
    usable: NDArray[np.bool_],
    px_mm: float,
    *,
    within: NDArray[np.bool_] | None = None,
) -> Thread | None:
    """The thread that stands out most, or None.

    Parameters
    ----------
    px_mm : size of a photo pixel at the axis [mm].
    within : (N,) stations of the thread where it is known; by default it is looked for along the whole part.
    """
    if within is not None:
        usable = usable & _about(profile, within)
    if usable.sum() < 24:
        return None
    station, surface, ripple = evened(profile, usable)
    likely = _likely(profile, usable, station) if within is None else np.ones(len(station), bool)
    shortest = max(PITCHES_MM[0], LEAST_PX * px_mm)
    if shortest >= PITCHES_MM[1] or np.ptp(station) < 2 * PITCHES_MM[0] * LEAST_TURNS:
        return None
    angles = np.linspace(-TURN_RAD, TURN_RAD, 15)
    light = unrolled_light(photo, camera, pose, profile, surface, station, angles)
    bands = np.concatenate([banded(light, station), banded(ripple, station, floor=RIPPLE_MM)], axis=1)
    return _strongest(profile, station, likely, bands, angles, shortest, px_mm)


def _about(profile: Profile, zone: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Stations (N,) of a zone and a window's length to either side."""
    at = profile.station_mm[zone]
    spare = max(WINDOWS_MM) / 2
    return np.asarray((profile.station_mm > at.min() - spare) & (profile.station_mm < at.max() + spare))


def evened(profile: Profile, usable: NDArray[np.bool_]) -> tuple[Array, Array, Array]:
    """Even stations (M,), the surface's radius there (M,), and both edges' ripple (M, 2) [mm]."""
    order = np.argsort(profile.station_mm)
    order = order[usable[order]]
    at = profile.station_mm[order]
    own = float(at[-1] - at[0]) / len(at)
    station = np.arange(at[0], at[-1], max(own, SAMPLE_MM))
    blur = 0.4 * float(station[1] - station[0]) / own
    sides = [
        np.interp(station, at, gaussian_filter1d(side[order], blur)) for side in (profile.left_mm, profile.right_mm)
    ]
    mean = (sides[0] + sides[1]) / 2
    surface = gaussian_filter1d(crest_line(mean, station, 1.0), max(1.0, 0.8 / float(station[1] - station[0])))
    return station, surface, np.column_stack(sides)


def _likely(profile: Profile, usable: NDArray[np.bool_], station: Array) -> NDArray[np.bool_]:
    """Stations (M,) where the part is neither as narrow as a spring or spindle nor as wide as its collar."""
    order = np.argsort(profile.station_mm)
    at, radius = profile.station_mm[order], np.where(usable, profile.radius_mm, 0.0)[order]
    crest = crest_line(radius, at, 1.0)
    widest = float(np.percentile(crest[usable[order]], 99))
    here = usable[order] & (crest > NARROWEST * widest) & (crest < WIDEST * widest)
    return np.asarray(np.interp(station, at, here.astype(float)) > 0.5)


def banded(values: Array, station: Array, *, floor: float | None = None) -> Array:
    """Values (M, C) less their slow part along the stations, at unit spread within a few millimetres.

    A spread below ``floor`` (by default half of the usual one) is not raised to one; larger steps are clipped.
    """
    step = float(station[1] - station[0])
    wide = max(3, round(3.6 / step))
    flat = values - gaussian_filter1d(values, SLOW_MM / step, axis=0, mode="nearest")
    spread = 1.4826 * median_filter(np.abs(flat), (2 * (wide // 2) + 1, 1), mode="nearest")
    level = spread + (0.5 * float(np.median(spread)) if floor is None else floor) + 1e-9
    return np.asarray(np.clip(flat / level, -CLIP, CLIP))


def _spectrum(values: Array | NDArray[np.complex128], station: Array, frequency: float) -> NDArray[np.complex128]:
    """Hann-windowed spectrum (C,) of values (M, C) at one frequency [1/mm]."""
    window = np.hanning(len(station) + 2)[1:-1]
    wave = np.exp(-2j * math.pi * frequency * (station - station.mean()))
    return np.asarray((wave * window) @ values / window.sum())


def twisted(bands: Array, angles: Array, order: int) -> NDArray[np.complex128]:
    """Means (M, 6) over the angles for phase turns of -order, 0, +order per turn: the surface's, then the edges'.

    The edges lie a quarter turn to either side.
    """
    weight = np.cos(angles) ** 0.5 / np.sum(np.cos(angles) ** 0.5)
    turns = np.array([-order, 0, order])
    inner = bands[:, :-2] @ (weight[:, None] * np.exp(-1j * turns * angles[:, None]))
    edges = bands[:, -2:] @ np.exp(-1j * turns * np.array([[-math.pi / 2], [math.pi / 2]])) / 2
    return np.concatenate([inner, edges], axis=1)


def _explained(power: Array) -> Array:
    """What a thread of either hand explains (...,) of powers (..., 3) for three phase turns, less what rings do."""
    return np.asarray(np.maximum(power[..., 0], power[..., 2]) - RINGS * power[..., 1])


def _lines(bands: Array, station: Array, windows: Array, frequencies: Array, angles: Array) -> tuple[Array, Array]:
    """What a thread explains in each window at each frequency (W, F), by its first and by its second harmonic."""
    lines = []
    weights = windows / windows.sum(axis=1, keepdims=True)
    for order in (1, 2):
        turned = twisted(bands, angles, order)
        waves = np.exp(-2j * math.pi * order * frequencies[None, :] * station[:, None])
        moved = (waves[:, :, None] * turned[:, None, :]).reshape(len(station), -1)
        spectrum = (weights @ moved.real + 1j * (weights @ moved.imag)).reshape(len(windows), len(frequencies), 6)
        power = np.abs(spectrum) ** 2
        lines.append(_explained(power[..., :3] + power[..., 3:] if order == 1 else power[..., :3]))
    return lines[0], np.maximum(lines[1], 0)


def _strongest(
    profile: Profile,
    station: Array,
    likely: NDArray[np.bool_],
    bands: Array,
    angles: Array,
    shortest: float,
    px_mm: float,
) -> Thread | None:
    frequencies = np.linspace(1 / PITCHES_MM[1], 1 / shortest, 72)
    found: list[Thread] = []
    for length in WINDOWS_MM:
        starts = np.arange(station[0], station[-1] - length + 1e-9, 1.0)
        covered = np.array([float(np.mean(likely[(station >= a) & (station <= a + length)])) for a in starts])
        starts = starts[covered > LEAST_COVER] if len(starts) else starts
        if not len(starts):
            continue
        within = (station[None, :] - starts[:, None]) / length
        windows = np.where((within > 0) & (within < 1), np.sin(math.pi * within) ** 2, 0.0)
        first, second = _lines(bands, station, windows, frequencies, angles)
        line = (first + second) * np.sqrt(frequencies * length)
        line[:, [0, -1]] = 0.0
        tops = line.argmax(axis=1)
        heights = line.max(axis=1)
        for index in np.argsort(-heights)[:MOST_WINDOWS]:
            if heights[index] > LEAST_SCORE:
                top = int(tops[index])
                order = 2 if second[index, top] > 1.5 * first[index, top] else 1
                inside = windows[index] > 0
                found.append(_read(profile, station, inside, bands, angles, float(frequencies[top]), order, px_mm))
    found = [one for one in found if HELIX[0] < abs(one.helix) < HELIX[1] and one.turns >= LEAST_TURNS]
    return _widest(found, profile)


def _widest(found: list[Thread], profile: Profile) -> Thread | None:
    """The thread of the largest radius among those that are clear; of one thread, the clearest reading."""
    if not found:
        return None
    best = max(one.score for one in found)
    clear = [one for one in found if one.score >= 0.4 * best and one.zone.any()]
    clear = [one for one in clear if float(np.median(profile.radius_mm[one.zone])) > 0]
    if not clear:
        return None
    radii = [float(np.median(profile.radius_mm[one.zone])) for one in clear]
    alike = [one for one, radius in zip(clear, radii, strict=True) if radius > 0.93 * max(radii)]
    chosen = max(alike, key=lambda one: one.score)
    same = [
        one for one in alike if one.score > 0.5 * chosen.score and (one.zone & chosen.zone).sum() > 0.5 * one.zone.sum()
    ]
    apart = float(
        np.sqrt(
            np.average([(one.pitch_mm - chosen.pitch_mm) ** 2 for one in same], weights=[one.score for one in same])
        )
    )
    return replace(chosen, u_pitch_mm=float(np.hypot(chosen.u_pitch_mm, apart)))


def _read(
    profile: Profile,
    station: Array,
    inside: NDArray[np.bool_],
    bands: Array,
    angles: Array,
    frequency: float,
    order: int,
    px_mm: float,
) -> Thread:
    """The thread about a window: how far it goes, and its pitch from the slope of its phase along the axis."""
    spectrum = _spectrum(bands[inside], station[inside], order * frequency)
    power = np.abs(_spectrum(twisted(bands[inside], angles, order), station[inside], order * frequency)) ** 2
    whole = power[:3] + power[3:] if order == 1 else power[:3]
    hand = -order if whole[0] > whole[2] else order
    middle: int | None = None
    faced = _faced(bands, angles, hand)
    for _ in range(SETTLING):
        waves = _demodulated(faced, station, order * frequency)
        low, high, middle = _extent(np.sum(np.abs(waves) ** 2, axis=1), inside, middle)
        at = station[low : high + 1]
        slope, scatter = _phase_slope(at, waves[low : high + 1]) if len(at) > 4 else (0.0, math.pi)
        frequency = float(np.clip(frequency + slope / (2 * math.pi * order), 1 / PITCHES_MM[1], 1 / PITCHES_MM[0]))
    pitch = 1 / frequency
    strength = np.sum(np.abs(waves) ** 2, axis=1)
    length = float(np.ptp(at))
    count = max(length / pitch, 1.0)
    by_phase = scatter / (2 * math.pi * order) * pitch * math.sqrt(12.0) / count**1.5
    u_pitch = float(np.hypot(PHASE_PX * px_mm / count, by_phase))
    zone = (profile.station_mm >= at[0]) & (profile.station_mm <= at[-1]) & profile.trusted
    helix = _turning(spectrum, angles) / order
    single = math.exp(-0.5 * ((abs(helix) - 1) / 0.35) ** 2)
    score = float(np.mean(strength[low : high + 1]) / (1 + scatter) * math.sqrt(count)) * single
    return Thread(zone, pitch, u_pitch, score, helix, length / pitch, pitch / px_mm)


def _extent(strength: Array, inside: NDArray[np.bool_], middle: int | None) -> tuple[int, int, int]:
    """First and last station of the run about the strongest place of a window where the thread goes on."""
    top = int(np.flatnonzero(inside)[np.argmax(strength[inside])]) if middle is None else middle
    weak = np.flatnonzero(strength < ZONE_SHARE * strength[top])
    before, after = weak[weak < top], weak[weak > top]
    low = int(before[-1]) + 1 if len(before) else 0
    high = int(after[0]) - 1 if len(after) else len(strength) - 1
    return low, high, top


def _faced(bands: Array, angles: Array, hand: int) -> NDArray[np.complex128]:
    """The surface's light and the edges' ripple (M, 2), added up over the angles as a thread of that hand turns."""
    twist = np.exp(-1j * hand * angles) * np.cos(angles) ** 0.5
    inner = bands[:, :-2] @ twist / len(angles)
    edges = bands[:, -2:] @ np.exp(-1j * hand * np.array([-math.pi / 2, math.pi / 2])) / 2
    return np.stack([inner, 0.7 * edges], axis=1)


def _demodulated(faced: NDArray[np.complex128], station: Array, frequency: float) -> NDArray[np.complex128]:
    """Complex amplitude (M, 2) of ``_faced`` along the stations at one frequency."""
    wave = np.exp(-2j * math.pi * frequency * station)
    width = 0.8 / frequency / float(station[1] - station[0])
    both = faced * wave[:, None]
    return np.asarray(gaussian_filter1d(both.view(float), width, axis=0).view(complex))


def _phase_slope(station: Array, waves: NDArray[np.complex128]) -> tuple[float, float]:
    """Slope of the phase along the stations [rad/mm], and its scatter about the line [rad]; positive is shorter."""
    phase, weight = np.angle(waves), np.abs(waves)
    step = np.diff(phase, axis=0)  # between two stations never half a turn: numpy's own unwrap takes four times as long
    phase[1:] = phase[0] + np.cumsum(step - 2 * math.pi * np.round(step / (2 * math.pi)), axis=0)
    square = weight**2
    whole = square.sum(axis=0)
    at = station[:, None] - station @ square / whole
    level = np.einsum("mc,mc->c", square, phase) / whole
    moment = square * at
    slopes = np.einsum("mc,mc->c", moment, phase) / np.einsum("mc,mc->c", moment, at)
    rest = phase - level - slopes * at
    scatters = np.sqrt(np.einsum("mc,mc->c", weight, rest**2) / weight.sum(axis=0))
    share = whole / whole.sum()
    return float(share @ slopes), float(share @ scatters)


def _turning(spectrum: NDArray[np.complex128], angles: Array) -> float:
    """Turns of phase in one turn about the axis, from the inner columns: the slope that adds up best."""
    slopes = np.linspace(-4, 4, 161)
    inner = spectrum[:-2] * np.cos(angles) ** 0.5
    total = np.abs(np.exp(-1j * slopes[:, None] * angles[None, :]) @ inner)
    return float(slopes[int(np.argmax(total))])
