"""The lenses that a photo may have been taken with where it does not say, and from how far away.

Main cameras of phones are 23 to 29 mm long in 35 mm equivalents, older ones up to 33, their crops by two 48 to 56. A
coin's size in the picture goes with focal length over distance, and photos of parts are taken from 200 to 450 mm: so a
coin that a main camera would have to be held too near for is seen through the longer one.
"""

from __future__ import annotations

import math

import numpy as np

from identify.model import Array

USUAL35_MM = 28.0
LENSES = ((24.0, 0.32), (27.0, 0.4), (31.0, 0.06), (38.0, 0.03), (52.0, 0.19))  # 35 mm equivalents, and their shares
SHIFTS = tuple(math.log(focal / USUAL35_MM) for focal, _ in LENSES)  # of ln focal from the usual one
SHARES = tuple(share for _, share in LENSES)
U_KIND = 0.1  # of ln focal of main cameras, or of their crops
BETWEEN = math.log(42.0 / USUAL35_MM)  # main cameras are shorter, crops longer
DISTANCE_MM, U_DISTANCE = 300.0, 0.3  # and standard deviation of its logarithm: four of five from 200 to 450 mm


def log_odds_of_distance(distance_mm: Array) -> Array:
    """How likely photos of parts are taken from distances (N,) [mm]."""
    return np.asarray(-0.5 * (np.log(distance_mm / DISTANCE_MM) / U_DISTANCE) ** 2)


def likelier(shifts: Array, weights: Array) -> tuple[float, float]:
    """Change of ln focal that is likeliest, main camera or crop, and the standard uncertainty about it.

    Parameters
    ----------
    shifts : (N,) changes of ln focal from the usual one
    weights : (N,) their probabilities
    """
    long = shifts > BETWEEN
    kind = long if weights[long].sum() > 0.5 * weights.sum() else ~long
    shares = np.where(kind, weights, 0.0)
    middle = float(shares @ shifts / shares.sum())
    return middle, math.sqrt(float(weights @ (shifts - middle) ** 2 / weights.sum()))


def of_scale(usual_px: float, px_per_mm: float) -> tuple[float, float]:
    """Change of ln focal that is likeliest where a millimetre on the bench is so large, and its standard uncertainty.

    Parameters
    ----------
    usual_px : the usual focal length in the photo [px]
    """
    shifts = np.array(SHIFTS)
    odds = np.log(SHARES) + log_odds_of_distance(usual_px * np.exp(shifts) / px_per_mm)
    middle, u = likelier(shifts, np.exp(odds - odds.max()))
    return middle, max(u, U_KIND)
