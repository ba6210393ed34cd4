"""Which stretch of a lying part is its body: the widest one that is turned, but for the seals that stand out of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d

from identify.dimensions.axis import Profile
from identify.model import Array

RUN_MM = 2.0  # a shorter run of the profile is a burr or noise
NEARLY, RANKS = 0.85, (0.72, 0.97)  # of the widest place; calibration split of the rendered pictures
NEAR, LIKELY, LEAST = 0.05, 0.3, 6  # share of the radius, chance, stations; same split
PROUD_MM = 0.6  # no seal ring stands further out of the body that it lies in
ABOUT_MM, WAVY_MM = 1.0, 0.1  # about a likely place of the body; how far its edge strays


def find(
    profile: Profile, usable: NDArray[np.bool_], mm_per_px: float, chance: Array | None = None, *, tipped: bool = False
) -> NDArray[np.int64] | None:
    """Stations (K,) of the body, or None where too little is usable.

    The widest place that is at least ``RUN_MM`` long (morphological opening along the axis) may be a ring or a seal
    that stands proud, so the body is taken where the part is nearly as wide: the upper ranks of all such stations, and
    of the stations near these ranks' median those where ``chance`` (N,) says that it is the body, where enough are.
    Of a body with a waist that is most of it, but its size is that of its flanges (``_flange``); on a part that has
    ``tipped`` they can't be told from what is only nearer to the camera.
    """
    order = np.argsort(profile.station_mm)
    station = profile.station_mm[order]
    radius = np.where(usable & np.isfinite(profile.radius_mm), profile.radius_mm, 0.0)[order]
    if usable.sum() < 10 or np.ptp(station) <= 0:
        return None
    step = float(np.ptp(station)) / len(station)
    count = max(3, round(max(RUN_MM, 3 * mm_per_px) / step))
    opened = _opened(radius, count)
    middle = int(np.argmax(opened))
    if opened[middle] <= 0:
        return None
    low = max(0, middle - count // 2)
    near = radius > NEARLY * float(np.median(radius[low : low + count]))
    least, most = np.quantile(radius[near], RANKS)
    found = np.sort(order[near & (radius >= least) & (radius <= most)])
    if chance is None:
        return found
    away = np.abs(profile.radius_mm / np.median(profile.radius_mm[found]) - 1)
    told = np.flatnonzero(usable & (away < NEAR) & (chance > LIKELY))
    found = told if len(told) >= LEAST else found
    if tipped:
        return found
    about = maximum_filter1d((chance > LIKELY)[order], 2 * round(ABOUT_MM / step) + 1)
    flange = _flange(np.where(about, radius, 0.0), count, float(np.median(profile.radius_mm[found])), mm_per_px)
    return found if flange is None else np.sort(order[flange])


def _opened(radius_mm: Array, count: int) -> Array:
    """The least radius (N,) of each run of ``count`` stations, but for single ones that stray."""
    return np.asarray(minimum_filter1d(median_filter(radius_mm, 3), count))


def _flange(radius_mm: Array, count: int, waist_mm: float, mm_per_px: float) -> NDArray[np.bool_] | None:
    """The widest run (N,) of radii where it is wider than any seal makes a body of radius ``waist_mm``, or None."""
    level = float(_opened(radius_mm, count).max())
    if level < waist_mm + max(PROUD_MM, mm_per_px):
        return None
    return np.asarray((radius_mm > level - WAVY_MM) & (radius_mm < level + PROUD_MM))
