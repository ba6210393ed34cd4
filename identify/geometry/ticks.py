"""Evenly spaced marks along a line seen in perspective: find the comb, locate each mark, read the pattern of lengths.

Mark number k of a scale lies at x(k) = (a k + b) / (c k + 1) along its line in the picture: the projective map of a
line (Hartley and Zisserman, Multiple View Geometry, 2nd edition 2004, section 2.5).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates

from identify.model import Array, Bytes

Index = NDArray[np.intp]
LONGEST_PX, SHORTEST_PX = 45.0, 2.3  # spacing of the marks that can be found
APART = 2.5  # standard errors between marks of two lengths


@dataclass(frozen=True, slots=True)
class Comb:
    """Marks at x(k) = (a k + b) / (c k + 1) on the line, and at x + depth (s0 + s1 x) beside it [px].

    ``coherence`` is the share of the profile's energy in the comb's first harmonic (0.5 for a pure sine);
    ``ink`` is -1 for dark marks and +1 for light ones.
    """

    a: float
    b: float
    c: float
    s0: float = 0.0
    s1: float = 0.0
    coherence: float = 0.0
    ink: int = -1

    def at(self, k: Array, depth_px: Array | float = 0.0) -> Array:
        """Places of marks ``k`` at a depth beside the line [px]."""
        foot = (self.a * k + self.b) / (self.c * k + 1)
        return foot + depth_px * (self.s0 + self.s1 * foot)

    def number(self, x: Array) -> Array:
        """Mark number (not rounded) at places ``x`` on the line."""
        return (x - self.b) / (self.a - self.c * x)

    def finer(self, parts: int) -> Comb:
        """The comb with every step divided into ``parts``."""
        return replace(self, a=self.a / parts, c=self.c / parts)

    def spacing(self, k: Array) -> Array:
        """Distance between neighbouring marks at ``k`` [px]."""
        return np.abs((self.a - self.b * self.c) / (self.c * k + 1) ** 2)


def flatten(strip: Array | Bytes, *, wide_px: float = 12.0) -> Array:
    """A strip (D, L) of light along a line, less its slow changes, in units of its own scatter."""
    light = np.asarray(strip, np.float32)
    near, wide = (cv2.GaussianBlur(light, (2 * math.ceil(4 * s) + 1, 1), s) for s in (0.6, wide_px))
    fine = near - wide
    size = np.abs(fine)
    ranks = [round(share * (size.shape[1] - 1)) for share in (0.5, 0.97)]
    usual, high = np.partition(size, ranks, axis=1)[:, ranks].T[..., None]
    return np.clip(fine / (np.maximum(1.4826 * usual, 0.4 * high) + 1e-4), -4, 4)  # marks keep their round tops


def rhythm(flat: Array, *, rows: int = 4, windows: int = 5) -> Array:
    """How regular each band of ``rows`` rows of a flattened strip (D, L) is: (D // rows,).

    The score is the median over windows of the share of the energy in the strongest frequency, so that neither a
    change of spacing nor a covered stretch matters.
    """
    bands = flat[: len(flat) // rows * rows].reshape(-1, rows, flat.shape[1]).mean(axis=1)
    length = flat.shape[1] // windows
    if length < 40:
        return np.zeros(len(bands))
    pieces = bands[:, : length * windows].reshape(len(bands), windows, length)
    pieces = (pieces - pieces.mean(axis=2, keepdims=True)) * np.hanning(length)
    power = np.abs(np.fft.rfft(pieces, n=4 * length, axis=2)) ** 2
    frequency = np.fft.rfftfreq(4 * length)
    band = (frequency > 1 / LONGEST_PX) & (frequency < 1 / (0.9 * SHORTEST_PX))
    energy = np.sum(pieces**2, axis=2) * np.sum(np.hanning(length) ** 2)
    return np.median(power[:, :, band].max(axis=2) / np.maximum(energy, 1e-9), axis=1)


def find_comb(profile: Array, *, bend: float = 0.36) -> Comb | None:
    """The comb that explains most of a flattened profile (L,), or None.

    For each bend the profile is stretched to even spacing and its strongest frequency taken.

    Parameters
    ----------
    bend : largest |c| L / (2 a) that is tried: the relative change of distance from the middle to an end
    """
    length = len(profile)
    half = (length - 1) / 2
    size = 1 << int(np.ceil(np.log2(2.5 * length)))
    frequency = np.fft.rfftfreq(size)
    band = np.flatnonzero((frequency > 1 / LONGEST_PX) & (frequency < 1 / (0.9 * SHORTEST_PX)))
    energy = length * float(np.sum(profile**2)) + 1e-9
    even = np.arange(length, dtype=np.float64) - half
    bends = np.linspace(-bend, bend, max(31, int(bend * length / 3) | 1))
    power = np.empty((len(bends), len(band)))
    for row, value in enumerate(bends):
        power[row] = np.abs(np.fft.rfft(_stretched(profile, even, value / half, half), n=size)[band]) ** 2
    row, column = (int(n) for n in np.unravel_index(int(np.argmax(power)), power.shape))
    lower = int(np.searchsorted(frequency[band], 0.5 * frequency[band[column]]))
    near = power[:, max(0, lower - 2) : lower + 3]
    if near.size and near.max() > 0.6 * power[row, column]:
        row, step = (int(n) for n in np.unravel_index(int(np.argmax(near)), near.shape))
        column = max(0, lower - 2) + step
    curve, f = bends[row] / half, frequency[band[column]]
    u = even
    wave = np.sum(_stretched(profile, even, curve, half) * np.exp(-2j * np.pi * f * u))
    ink = -1 if np.mean(profile**3) <= 0 else 1
    turn = (np.pi if ink < 0 else 0.0) - np.angle(wave)
    # u = (k + turn / 2 pi) / f and x = u / (1 - curve u) + half
    shift = turn / (2 * np.pi * f)
    base = 1 - curve * shift
    a, b, c = 1 / (f * base), shift / base, -curve / (f * base)
    return Comb(a + half * c, b + half, c, coherence=float(power[row, column] / energy), ink=ink)


def _stretched(profile: Array, even: Array, curve: float, half: float) -> Array:
    """The profile at x = u / (1 - curve u) for even u; zero outside."""
    return np.interp(even / (1 - curve * even), even, profile, left=0.0, right=0.0)


def peaks(profile: Array, comb: Comb, depth_px: float, numbers: Array, *, window: float = 0.42) -> Array:
    """Measured places (K,) of marks ``numbers`` in the profile at a depth; nan where there is none.

    ``window`` is how far from its place by the comb a mark may be, in steps.
    """
    signed = comb.ink * profile
    middle = comb.at(numbers, depth_px)
    spacing = comb.spacing(numbers)
    smooth = gaussian_filter1d(signed, min(max(0.6, 0.10 * float(np.median(spacing))), 2.5))
    steps = np.linspace(-window, window, 29)
    grid = middle[:, None] + steps * spacing[:, None]
    # linear would lock to pixels
    light = map_coordinates(smooth.astype(float), [np.clip(grid, 0, len(profile) - 1)], order=3, mode="nearest")
    rows, best = np.arange(len(numbers)), np.clip(np.argmax(light, axis=1), 1, len(steps) - 2)
    left, mid, right = light[rows, best - 1], light[rows, best], light[rows, best + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.where(bend == 0, 1, bend), 0.0)
    places = middle + (steps[best] + np.clip(shift, -1, 1) * (steps[1] - steps[0])) * spacing
    beside = [np.interp(middle + side * spacing, np.arange(len(profile)), smooth) for side in (-0.42, 0.42)]
    height = mid - 0.5 * (beside[0] + beside[1])
    inside = (middle > 0.42 * spacing) & (middle < len(profile) - 1 - 0.42 * spacing)
    good = inside & (bend < 0) & (height > 0.3 * np.median(height)) & (height > 0)
    return np.where(good, places, np.nan)


def fit(comb: Comb, numbers: Array, places: Array, depths_px: Array) -> tuple[Comb, Array, Array]:
    """Least squares of the comb's five constants to places (K, G) of marks (K,) at depths (G,).

    Returns
    -------
    The comb, residuals (K, G) [px] with nan where a mark was not found, and the covariance (5, 5) of
    (a, b, c, s0, s1).
    """
    k = np.broadcast_to(numbers[:, None], places.shape)
    depth = np.broadcast_to(depths_px[None], places.shape)
    good = np.isfinite(places)
    kg, dg, xg = k[good], depth[good], places[good]
    values = np.array([comb.a, comb.b, comb.c, comb.s0, comb.s1])
    for _ in range(20):  # Gauss and Newton's steps, weights of the soft L1 loss
        one, bottom = 1 + dg * values[4], values[2] * kg + 1
        foot = (values[0] * kg + values[1]) / bottom
        rise = one / bottom
        slopes = np.stack([rise * kg, rise, -rise * foot * kg, dg, dg * foot])
        away = foot + dg * (values[3] + values[4] * foot) - xg
        size = np.sqrt(np.einsum("ij,ij->i", slopes, slopes)) + 1e-12
        scaled = slopes / size[:, None]
        weighted = scaled / np.sqrt(1 + (away / 0.25) ** 2)
        normal = weighted @ scaled.T
        step = np.linalg.lstsq(normal, weighted @ away, rcond=1e-12)[0] / size
        values = values - step
        if np.abs(step @ slopes).max() < 1e-4:
            break
    a, b, c, s0, s1 = values.tolist()
    fitted = Comb(a, b, c, s0, s1, comb.coherence, comb.ink)
    residuals = fitted.at(k, depth) - places
    spread = 1.4826 * float(np.median(np.abs(residuals[good])))
    covariance = np.linalg.pinv(normal / max(spread, 0.02) ** 2) / np.outer(size, size)
    return fitted, residuals, covariance


def marks_ink(flat: Array, comb: Comb, numbers: Array) -> Array:
    """Ink of each mark (D, K) summed down to each depth of a strip (D, L): long marks have more."""
    depths = np.arange(len(flat), dtype=float)[:, None]
    half = 0.5 * comb.spacing(numbers)
    x = comb.at(numbers, depths) + half * np.array([0.0, -1.0, 1.0])[:, None, None]
    y = np.broadcast_to(depths, x.shape)
    strip = np.asarray(comb.ink * flat, np.float32)
    light = cv2.remap(
        strip,
        x.reshape(-1, x.shape[2]).astype(np.float32),
        y.reshape(-1, x.shape[2]).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(x.shape)
    return np.cumsum(np.clip(light[0] - 0.5 * (light[1] + light[2]), -1, 4), axis=0, dtype=float)


def read_pattern(
    ink: Array, numbers: Array, ranks: Index, *, every: int = 1, apart: float = APART
) -> tuple[float, int]:
    """How well the ink of marks follows a repeating pattern of lengths: score, and the shift of the pattern.

    The score is the share of the variance between ranks (analysis of variance). It is zero unless each rank has more
    ink than the next one and all but the last have some, by ``apart`` standard errors; and where every other of the
    longest marks is longer, for then the period is another.

    Parameters
    ----------
    ink, numbers : (K,) of the marks
    ranks : (P,) of the marks of one period: 0 for the longest, 1 for the next and so on
    every : the shift must be a multiple of this
    """
    period = len(ranks)
    ink = ink / (np.sqrt(gaussian_filter1d(ink**2, period, mode="reflect")) + 1e-9)  # contrast changes along a ruler
    middle = float(np.median(ink))
    spread = 2 * float(np.quantile(np.abs(ink - middle), 0.9)) + 1e-9
    clipped = np.clip(ink, middle - spread, middle + spread)
    total = float(np.var(clipped)) + 1e-12
    rest = numbers.astype(int) % (2 * period)
    sums: Array = np.stack([np.bincount(rest, clipped**power, 2 * period) for power in range(3)]).astype(float)
    best = (0.0, 0)
    for shift in range(0, period, every):
        rank = ranks[(np.arange(2 * period) - shift) % period]
        groups = [sums[:, rank == n].sum(axis=1) for n in range(int(ranks.max()) + 1)]
        if min(group[0] for group in groups) < 2:
            continue
        within = sum(group[2] - group[1] ** 2 / group[0] for group in groups) / len(ink)
        ordered = all(_above(one, other) > apart for one, other in pairwise(groups))
        if not ordered or min(_above(group, None) for group in groups[:-1]) <= apart:
            continue
        every_other = [sums[:, (shift + n * period) % (2 * period)] for n in (0, 1)]
        if min(group[0] for group in every_other) > 1 and _longer(*every_other):
            continue
        best = max(best, (1 - float(within) / total, shift))
    return best


def _longer(one: Array, other: Array) -> bool:
    """Whether two groups of marks differ by 3 standard errors and by a tenth."""
    means = one[1] / one[0], other[1] / other[0]
    return abs(_above(one, other)) > 3.0 and bool(abs(means[0] - means[1]) > 0.1 * max(means))


def _above(one: Array, other: Array | None) -> float:
    """By how many standard errors (Welch) the mean of one group exceeds the other's, or zero.

    A group is its number, sum and sum of squares (3,).
    """
    means = [(group[1] / group[0], max(group[2] / group[0] - (group[1] / group[0]) ** 2, 0.0) / group[0])
             for group in ((one,) if other is None else (one, other))]  # fmt: skip
    error = sum(variance for _, variance in means) ** 0.5
    return float((means[0][0] - (means[1][0] if other is not None else 0.0)) / max(error, 1e-9))
