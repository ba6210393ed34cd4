"""Which stretch of a lying part is its thread, and the diameter over its crests, also where no turn is resolved.

The turns are usually a few pixels apart, so their pitch can't be read, but what they leave is there: the light on the
surface changes along the axis once a pitch, one turn of phase a turn about the axis; both edges are wavy about a level
below the crests; and the thread ends under a collar that is wider. Which pitches and diameters to look for, the
tables' threads say. Every window of the profile is rated as every such thread, and as none; the rating becomes a
probability, and the diameter comes from the windows it favours: their own level, plus the depth of the valleys that
the view leaves open (``level_drop``). The tables only tell where to look: nothing is drawn to a listed size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from identify.dimensions.axis import Profile
from identify.dimensions.form import level_drop
from identify.dimensions.lying import crest_line
from identify.dimensions.stretch import Odds
from identify.dimensions.thread import RINGS, RIPPLE_MM, TURN_RAD, banded, evened, twisted, unrolled_light
from identify.geometry.camera import camera_place_mm
from identify.model import Array, Camera, Photo, Pose

LENGTHS = (3.5, 5.5)  # of a window, in pitches
HOP = 0.3  # pitches from one window to the next
DETUNED = np.linspace(0.94, 1.06, 9)  # turns nearer or further apart than listed, by pose and by lean
BESIDE_MM = 5.0  # a collar or a waist is looked for this far beyond a window
BEYOND_MM = 1.2  # so near beyond a window it is seen whether the part gets narrower
FARTHEST = 0.12  # a window's level may differ from a listed thread by this share
COMMON = 0.75  # share of a window in which both edges were found
TURNED = 11  # directions about the axis along which the light is read

# What a window's rating counts for, and what a window must beat to be a thread at all: a multinomial logit fitted to
# the calibration split of the rendered pictures, scaled by their references and by their true cameras; what was
# chosen told most on pictures that were held back. Distances from the listed size are in units of NEAR.
NEAR = 0.03
WEIGHTS = {
    "light": 1.21,
    "faint light": -0.76,
    "ripple": 0.12,
    "far from listed": -3.25,
    "collar beside": 1.73,
    "waist beside": 2.07,
    "narrower beyond": -0.34,
    "thin": -3.18,
    "away from the ends": 0.7,
    "listed often": 0.68,
}
NOTHING = 1.39
# The same where the network has told what each place is: how much it speaks for a window, and against all of them.
TOLD = WEIGHTS | {"told": 1.0}
TOLD_NOTHING, TOLD_NONE = 1.39, 1.0
FAINT = 0.02  # probability: a place that is less likely the thread is not looked at
SURE = 0.01  # the network is not taken to be surer than this
# How often no window shows the thread: hidden, or its edges not found, on a part of a class that is told by its thread,
# a tenth on that split, a quarter on benches and lights of other sorts; and on parts of other classes, where none of 82
# pictures of that split has one.
HIDDEN, NOT_KNOWN, NO_THREAD = 0.15, 0.5, 0.95
LEFT_OUT = 0.05  # an interval that holds 95 % need not reach a place that is less likely


@dataclass(frozen=True, slots=True)
class Listed:
    """A thread that the tables list: its sizes, and its share among the rows that name one."""

    major_mm: float
    pitch_mm: float
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """The stretch that is most probably the thread.

    Parameters
    ----------
    stations : (N,) bool among the profile's
    diameter_mm : over the crests
    drop_mm : by how much the edges' mean level lies below the crests, on both sides together
    chance : probability that it is the thread
    u_mm : standard uncertainty of the level by its scatter and by the choice of the window
    u_other_mm : by the diameters of the other places and threads, each as likely as it is, but for the share of them
        that an interval of 95 % may leave out
    pitch_mm : of the listed thread that it was compared with
    """

    stations: NDArray[np.bool_]
    diameter_mm: float
    drop_mm: float
    chance: float
    u_mm: float
    u_other_mm: float
    pitch_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Every window (W,) as one listed thread: where it is, what diameter it gives, and its features.

    ``features`` (W, 10) are those of ``WEIGHTS``, or (W, 11) of ``TOLD``.
    """

    major_mm: float
    pitch_mm: float
    low_mm: Array
    high_mm: Array
    diameter_mm: Array
    drop_mm: Array
    scatter_mm: Array
    features: Array

    @property
    def scores(self) -> Array:
        """Log of the odds (W,) by the weights."""
        weights = TOLD if self.features.shape[1] == len(TOLD) else WEIGHTS
        return np.asarray(self.features @ np.array(list(weights.values())))


def find(
    photo: Photo,
    camera: Camera,
    pose: Pose,
    profile: Profile,
    usable: NDArray[np.bool_],
    listed: Sequence[Listed],
    *,
    threaded: bool | None = None,
    told: Odds | None = None,
) -> Zone | None:
    """The likeliest of the listed threads, or None where no window can be one.

    ``threaded``: whether the part is of a class that is told by its thread; None where that is not known.
    ``told``: what the network says each place is, where it was asked.
    """
    tried = windows(photo, camera, pose, profile, usable, listed, told)
    if not tried:
        return None
    scores, low, high, diameter, drop, scatter = (
        np.concatenate([getattr(one, name) for one in tried])
        for name in ("scores", "low_mm", "high_mm", "diameter_mm", "drop_mm", "scatter_mm")
    )
    major = np.concatenate([np.full(len(one.low_mm), one.major_mm) for one in tried])
    pitch = np.concatenate([np.full(len(one.low_mm), one.pitch_mm) for one in tried])
    top = int(np.argmax(scores))
    odds = np.exp(scores - scores[top])
    same = (major == major[top]) & (low < high[top]) & (high > low[top])
    held = float(odds[same].sum())
    share = odds * same / held
    value = float(share @ diameter)
    spread = float(np.sqrt(share @ (diameter - value) ** 2))
    u_level = float(share @ scatter) / math.sqrt(max((high[top] - low[top]) / pitch[top], 1.0))
    hidden = NOT_KNOWN if threaded is None else HIDDEN if threaded else NO_THREAD
    whole = float(odds.sum()) + math.exp(nothing(told) + math.log(hidden / (1 - hidden)) - float(scores[top]))
    other = float(odds[~same].sum())
    counted = max(0.0, 1 - LEFT_OUT * whole / max(other, 1e-12))
    u_other = math.sqrt(counted * float(odds[~same] @ (diameter[~same] - value) ** 2) / whole)
    inset = 0.1 * (high[top] - low[top])
    stations = (profile.station_mm > low[top] + inset) & (profile.station_mm < high[top] - inset)
    return Zone(
        stations & usable,
        value,
        float(share @ drop),
        held / whole,
        math.hypot(spread, u_level),
        u_other,
        float(pitch[top]),
    )


def nothing(told: Odds | None) -> float:
    """Logarithm of what no window being the thread counts, on even chances."""
    return NOTHING if told is None else TOLD_NOTHING + TOLD_NONE * none_told(told)


def none_told(told: Odds) -> float:
    """Logarithm of the network's odds against any thread."""
    return -float(_logit(told.share[:, 1].max()))


def _logit(share: Array) -> Array:
    held = np.clip(share, SURE, 1 - SURE)
    return np.asarray(np.log(held / (1 - held)))


def windows(
    photo: Photo,
    camera: Camera,
    pose: Pose,
    profile: Profile,
    usable: NDArray[np.bool_],
    listed: Sequence[Listed],
    told: Odds | None = None,
) -> list[Windows]:
    """Every window that may be one of the listed threads, with its features."""
    if usable.sum() < 24:
        return []
    station, surface, edges = evened(profile, usable)
    angles = np.linspace(-TURN_RAD, TURN_RAD, TURNED)
    light = unrolled_light(photo, camera, pose, profile, surface, station, angles)
    bands = np.concatenate([banded(light, station), banded(edges, station, floor=RIPPLE_MM)], axis=1)
    order = np.argsort(profile.station_mm)
    found = np.interp(station, profile.station_mm[order], usable[order].astype(float)) > 0.5
    wide = edges.sum(axis=1)
    lines = _Lines(
        station, wide, found, slants(profile, pose, station), twisted(bands, angles, 1), bands,
        _beside(wide, station), float(np.percentile(crest_line(np.where(found, wide, 0), station, 1.0), 99)),
        None if told is None else told.thread_at(station),
    )  # fmt: skip
    tried = [_window(lines, angles, one, length) for one in listed for length in LENGTHS]
    return [one for one in tried if one is not None]


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """The profile and the light along it, at even stations (M,); what is beside each, and the widest place [mm].

    ``told`` (M,) is the network's probability of the thread.
    """

    station_mm: Array
    diameter_mm: Array
    found: NDArray[np.bool_]
    slant_rad: Array
    twisted: NDArray[np.complex128]
    bands: Array
    beside_mm: Array
    widest_mm: float
    told: Array | None = None


def slants(profile: Profile, pose: Pose, station: Array) -> Array:
    """Angle (M,) between the line of sight and the plane square to the axis."""
    sight = camera_place_mm(pose) - profile.axis.at(station)
    return np.asarray(np.arcsin(np.abs(sight @ profile.axis.along) / np.linalg.norm(sight, axis=1)))


def _window(lines: _Lines, angles: Array, listed: Listed, length: float) -> Windows | None:
    major, pitch = listed.major_mm, listed.pitch_mm
    step = float(lines.station_mm[1] - lines.station_mm[0])
    count = round(length * pitch / step)
    if count < 6 or count >= len(lines.station_mm):
        return None
    starts = np.arange(0, len(lines.station_mm) - count, max(1, round(HOP * pitch / step)))
    inset = max(1, round(0.1 * count))
    core = sliding_window_view(lines.diameter_mm, count)[starts][:, inset:-inset]
    level = np.median(core, axis=1)
    slant = lines.slant_rad[starts + count // 2]
    drop = 2 * np.array([level_drop(major, pitch, round(math.degrees(one))) for one in slant])
    apart = (level + drop) / major - 1
    known = sliding_window_view(lines.found, count)[starts].mean(axis=1)
    keep = (np.abs(apart) < FARTHEST) & (known > COMMON)
    if lines.told is not None:
        keep &= _means(lines.told, starts, count) > FAINT
    if not keep.any():
        return None
    starts, core, level, drop, apart = starts[keep], core[keep], level[keep], drop[keep], apart[keep]
    scatter = 1.4826 * np.median(np.abs(core - level[:, None]), axis=1)
    light, ripple = _helical(lines, angles, starts, count, pitch)
    light, ripple = np.log(np.maximum(light, 0.003) / 0.02), np.log(np.maximum(ripple, 0.01) / 0.05)
    left = np.minimum(starts, len(lines.station_mm) - 1 - starts - count) / (len(lines.station_mm) - 1)
    reach, gap = _spans(step)
    ends = [np.minimum(end, len(lines.beside_mm) - 1) for end in (starts, starts + reach + count + gap)]
    beside = lines.beside_mm[np.column_stack(ends)] / level[:, None]
    features = np.column_stack(
        [
            light,
            np.minimum(light, 0),
            ripple,
            np.abs(apart) / NEAR,
            beside.max(axis=1) > 1.05,
            beside.min(axis=1) < 0.97,
            np.clip(1 - _beyond(lines, starts, count, step) / level, 0, 0.3) / 0.1,
            level / lines.widest_mm < 0.6,
            left,
            np.full(len(starts), math.log(listed.share)),
            *([] if lines.told is None else [_means(_logit(lines.told), starts, count)]),
        ]
    ).astype(float)
    low = lines.station_mm[starts]
    return Windows(major, pitch, low, low + count * step, level + drop, drop, scatter, features)


def _means(values: Array, starts: NDArray[np.int64], count: int) -> Array:
    """Means (W,) of values (M,) over windows of ``count`` stations from each of ``starts`` (W,)."""
    summed = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray((summed[starts + count] - summed[starts]) / count)


def _beside(wide: Array, station: Array) -> Array:
    """Diameters (M + BESIDE_MM,) over the stretches just before each place [mm]; nothing where the part ends there."""
    reach, gap = _spans(float(station[1] - station[0]))
    stretches = sliding_window_view(np.pad(wide, reach), max(1, reach - gap))
    return np.asarray(np.percentile(stretches, 80, axis=1))


def _spans(step: float) -> tuple[int, int]:
    """Stations of what is looked at beside a window, and of what is left out between."""
    return round(BESIDE_MM / step), max(1, round(0.5 / step))


def _beyond(lines: _Lines, starts: NDArray[np.int64], count: int, step: float) -> Array:
    """The lesser of the mean diameters (W,) right beyond both ends of each window [mm]; nothing where the part ends."""
    summed = np.concatenate([[0.0], np.cumsum(lines.diameter_mm)])
    reach, last = max(1, round(BEYOND_MM / step)), len(lines.diameter_mm)
    means = []
    for low, high in ((starts - reach, starts), (starts + count, starts + count + reach)):
        low, high = np.clip(low, 0, last), np.clip(high, 0, last)
        means.append((summed[high] - summed[low]) / np.maximum(high - low, 1))
    return np.minimum(*means)


def _helical(lines: _Lines, angles: Array, starts: NDArray[np.int64], count: int, pitch: float) -> tuple[Array, Array]:
    """Share (W,) of the light's variance, and of the edges', that a thread of about the pitch explains."""
    weight = np.sin(math.pi * (np.arange(count) + 0.5) / count) ** 2
    weight /= weight.sum()
    facing = np.cos(angles) ** 0.5
    whole = lines.bands[:, :-2] ** 2 @ (facing / facing.sum()), np.mean(lines.bands[:, -2:] ** 2, axis=1)
    waves = np.exp(-2j * math.pi / pitch * DETUNED[None, :] * lines.station_mm[:, None])
    moved = (waves[:, :, None] * lines.twisted[:, None, :]).reshape(len(waves), -1)
    summed = np.array([weight @ moved[one : one + count] for one in starts])
    power = np.abs(summed.reshape(len(starts), len(DETUNED), 6)) ** 2
    shares = []
    for part, own in ((power[..., :3], whole[0]), (power[..., 3:], whole[1])):
        thread = np.max(np.maximum(part[..., 0], part[..., 2]) - RINGS * part[..., 1], axis=1)
        shares.append(thread / (sliding_window_view(own, count)[starts] @ weight + 1e-9))
    return shares[0], shares[1]
