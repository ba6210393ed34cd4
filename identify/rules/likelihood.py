"""How probable a measured value is if the part is of a listed size."""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np

from identify.model import Array

Density = TypeVar("Density", float, Array)
SQRT_3 = math.sqrt(3.0)
LEAST_U = 1e-3


def row_spread(low: float, high: float) -> float:
    """Standard uncertainty of a size known to lie between two limits.

    A rectangular distribution of half-width a has the standard deviation a / √3 (JCGM 100:2008, 4.3.7).
    """
    return (high - low) / (2.0 * SQRT_3)


def density(value: float, u: float, low: float, high: float, *, wear: float = 0.0) -> float:
    """Probability density of a measured value for a part of a size between ``low`` and ``high`` [1/unit].

    A two-piece normal about the middle of the limits: above it the measurement's uncertainty and the tolerance add
    in quadrature, below it wear adds too, since use takes material off and never puts it on.

    Parameters
    ----------
    value, u : measured value and its standard uncertainty.
    low, high : least and most of an unworn part.
    wear : standard deviation of what wear takes off.
    """
    middle = (low + high) / 2.0
    above = math.hypot(max(u, LEAST_U), row_spread(low, high))
    below = math.hypot(above, wear)
    spread = above if value >= middle else below
    peak = 2.0 / (math.sqrt(2.0 * math.pi) * (above + below))
    return peak * math.exp(-0.5 * ((value - middle) / spread) ** 2)


def densities(value: float, u: float, low: Array, high: Array, *, wear: float = 0.0) -> Array:
    """`density` for many parts at once: (N,) limits give (N,) densities; NaN where a limit is NaN."""
    middle = (low + high) / 2.0
    above = np.hypot(max(u, LEAST_U), (high - low) / (2.0 * SQRT_3))
    below = np.hypot(above, wear)
    spread = np.where(value >= middle, above, below)
    peak = 2.0 / (math.sqrt(2.0 * math.pi) * (above + below))
    return np.asarray(peak * np.exp(-0.5 * ((value - middle) / spread) ** 2))


def mixed(match: Density, broad: float, outlier: float) -> Density:
    """Density with a share ``outlier`` of parts or photos that have nothing to do with the row."""
    return (1.0 - outlier) * match + outlier * broad


def said(answer: str, values: tuple[str, ...], certainty: float) -> dict[str, float]:
    """Probability of hearing ``answer`` for each true value: ``certainty`` when it is true, the rest shared evenly."""
    others = max(len(values) - 1, 1)
    return {value: certainty if value == answer else (1.0 - certainty) / others for value in values}
