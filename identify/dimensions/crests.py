"""Crests of a thread on both edges of its outline, and what the lens took off them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from identify.dimensions.axis import Profile
from identify.dimensions.form import DEPTH, silhouette_mm
from identify.dimensions.thread import Thread
from identify.model import Array

LEAST_CRESTS = 3  # on either edge
CREST_SHARE = 0.35  # of the depth that is not seen; the rest is filled in at the roots, which are narrower


@dataclass(frozen=True, slots=True, eq=False)
class Crests:
    """Stations of the crests on the left and right edge.

    ``u_mm`` is the standard uncertainty of the mean diameter over them by their scatter, ``blunted_mm`` what the
    lens took off the diameter: a thread seen less deep than its pitch and the view allow lost a share at its crests.
    """

    left: NDArray[np.int64]
    right: NDArray[np.int64]
    u_mm: float
    blunted_mm: float


def find(profile: Profile, thread: Thread, slant_rad: float) -> Crests | None:
    """The crests within the thread's zone, seen ``slant_rad`` off square; None where either edge shows too few."""
    index = np.flatnonzero(thread.zone)
    index = index[np.argsort(profile.station_mm[index])]
    if len(index) < 3 * LEAST_CRESTS:
        return None
    spacing = max(float(np.ptp(profile.station_mm[index])) / (len(index) - 1), 1e-6)
    reach = max(1, round(0.35 * thread.pitch_mm / spacing))
    blur = max(0.5, 0.08 * thread.pitch_mm / spacing)
    tops, depths, places, spreads = [], [], [], []
    for side in (profile.left_mm, profile.right_mm):
        smooth = gaussian_filter1d(side[index], blur)
        good = _level(smooth, _extremes(smooth, reach))
        if len(good) < LEAST_CRESTS:
            return None
        level = float(np.median(smooth[good]))
        lows = [k for k in _extremes(-smooth, reach) if smooth[k] > level - 1.5 * DEPTH * thread.pitch_mm]
        tops.append(level)
        depths.append(level - float(np.median(smooth[lows])) if len(lows) > 1 else DEPTH * thread.pitch_mm)
        places.append(index[good])
        spreads.append(float(np.std(smooth[good])) * 1.25 / len(good) ** 0.5)
    valley = float(silhouette_mm(sum(tops), thread.pitch_mm, round(math.degrees(slant_rad))).max())
    blunted = float(np.clip(CREST_SHARE * (2 * valley - sum(depths)), 0.0, 0.5 * valley))
    return Crests(places[0], places[1], float(np.hypot(*spreads)), blunted)


def _extremes(values: Array, reach: int) -> list[int]:
    """Places of the local maxima over ``reach`` to either side, away from the ends."""
    inner = range(reach, len(values) - reach)
    return [k for k in inner if values[k] == values[k - reach : k + reach + 1].max()]


def _level(smooth: Array, tops: list[int]) -> list[int]:
    """The tops that lie at the common level, so no collar and no chamfered first turn."""
    if not tops:
        return []
    level = float(np.median(smooth[tops]))
    depth = level - float(np.percentile(smooth, 10))
    return [k for k in tops if abs(smooth[k] - level) < max(0.6 * depth, 0.02 * level)]


def major(profile: Profile, found: Crests) -> float:
    """Diameter over the crests of both edges [mm]."""
    return float(np.median(profile.left_mm[found.left]) + np.median(profile.right_mm[found.right]))
