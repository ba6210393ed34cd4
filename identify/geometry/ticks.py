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
from scipy import fft
from scipy.ndimage import gaussian_filter1d, spline_filter1d

from identify.model import Array, Bytes

Index = NDArray[np.intp]
LONGEST_PX, SHORTEST_PX = 45.0, 2.3  # spacing of the marks that can be found
APART = 2.5  # standard errors between marks of two lengths
OTHER_SPACING = 2.5  # times as wide: between marks of 10, 5 and 1 mm there is 2 and 5
SETTLED_PX = 1e-3  # a step of the fit that moves no mark by more is its last
_RIDGE = 1e-12 * np.eye(5)


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


def find_combs(
    profile: Array, *, bend: float = 0.36, spacings: tuple[float, float] = (0.9 * SHORTEST_PX, LONGEST_PX)
) -> list[Comb]:
    """The comb that explains most of a flattened profile (L,), and the best one of quite another spacing.

    For each bend the profile is stretched to even spacing and its strongest frequency taken. Marks of 1 mm and of
    5 mm may be equally strong in a profile, and only one of the two be read.

    Parameters
    ----------
    bend : largest |c| L / (2 a) that is tried: the relative change of distance from the middle to an end
    spacings : of the marks in the middle [px]
    """
    length = len(profile)
    half = (length - 1) / 2
    size = fft.next_fast_len(4 * length, real=True)
    frequency = fft.rfftfreq(size)
    band = np.flatnonzero((frequency > 1 / spacings[1]) & (frequency < 1 / spacings[0]))
    even = np.arange(length, dtype=np.float64) - half
    bends = np.linspace(-bend, bend, max(31, int(bend * length / 3) | 1)) / half
    waves = fft.rfft(_stretched(profile, even, bends), n=size, axis=1)[:, band]
    power = waves.real**2 + waves.imag**2
    row, column = _highest(power)
    lower = int(np.searchsorted(frequency[band], 0.5 * frequency[band[column]]))
    near = power[:, max(0, lower - 2) : lower + 3]
    if near.size and near.max() > 0.6 * power[row, column]:
        row, step = _highest(near)
        column = max(0, lower - 2) + step
    found = [(row, column)]
    first = frequency[band[column]]
    apart = (frequency[band] < first / OTHER_SPACING) | (frequency[band] > first * OTHER_SPACING)
    if apart.any():
        found.append(_highest(np.where(apart, power, 0.0)))
    energy = length * float(np.sum(profile**2)) + 1e-9
    return [
        _placed(profile, even, bends[row], frequency[band[column]], float(power[row, column]) / energy)
        for row, column in found
    ]


def _highest(power: Array) -> tuple[int, int]:
    row, column = np.unravel_index(int(np.argmax(power)), power.shape)
    return int(row), int(column)


def _placed(profile: Array, even: Array, curve: float, f: float, coherence: float) -> Comb:
    """The comb of a frequency in the profile straightened by a curve; the phase of that wave places it."""
    half = -even[0]
    wave = np.sum(_stretched(profile, even, np.array([curve]))[0] * np.exp(-2j * np.pi * f * even))
    ink = -1 if np.mean(profile**3) <= 0 else 1
    turn = (np.pi if ink < 0 else 0.0) - np.angle(wave)
    # u = (k + turn / 2 pi) / f and x = u / (1 - curve u) + half
    shift = turn / (2 * np.pi * f)
    base = 1 - curve * shift
    a, b, c = float(1 / (f * base)), float(shift / base), float(-curve / (f * base))
    return Comb(a + half * c, b + half, c, coherence=coherence, ink=ink)


def _stretched(profile: Array, even: Array, curves: Array) -> NDArray[np.float32]:
    """The profile at x = u / (1 - curve u) for even u, for each of the curves (B,): (B, L); zero outside."""
    places = even / (1 - curves[:, None] * even) - even[0]
    row = np.asarray(profile, np.float32)[None]
    x = places.astype(np.float32)
    found = cv2.remap(row, x, np.zeros_like(x), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(found, np.float32)


def peaks(profiles: Array, comb: Comb, depths_px: Array, numbers: Array, *, window: float = 0.42) -> Array:
    """Measured places (K, G) of marks ``numbers`` (K,) in profiles (G, L) at depths (G,); nan where there is none.

    ``window`` is how far from its place by the comb a mark may be, in steps.
    """
    last = profiles.shape[1] - 1
    middle = comb.at(numbers, np.asarray(depths_px, float)[:, None])
    spacing = comb.spacing(numbers)
    smooth = gaussian_filter1d(comb.ink * profiles, min(max(0.6, 0.10 * float(np.median(spacing))), 2.5), axis=1)
    steps = np.linspace(-window, window, 29)
    light = _splined(smooth, middle[..., None] + steps * spacing[:, None])  # linear would lock to pixels
    best = np.clip(np.argmax(light, axis=2), 1, len(steps) - 2)[..., None]
    left, mid, right = (np.take_along_axis(light, best + away, axis=2)[..., 0] for away in (-1, 0, 1))
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.where(bend == 0, 1, bend), 0.0)
    places = middle + (steps[best[..., 0]] + np.clip(shift, -1, 1) * (steps[1] - steps[0])) * spacing
    columns = np.arange(last + 1)
    beside = [
        np.stack([np.interp(at, columns, row) for at, row in zip(middle + side * spacing, smooth, strict=True)])
        for side in (-0.42, 0.42)
    ]
    height = mid - 0.5 * (beside[0] + beside[1])
    inside = (middle > 0.42 * spacing) & (middle < last - 0.42 * spacing)
    good = inside & (bend < 0) & (height > 0.3 * np.median(height, axis=1, keepdims=True)) & (height > 0)
    return np.where(good, places, np.nan).T


def _splined(rows: Array, places: Array) -> Array:
    """Rows (G, L) at places (G, ...) along them, by cubic splines; as at the ends beyond them."""
    last = rows.shape[1] - 1
    weights = np.pad(spline_filter1d(rows, order=3, axis=1, mode="mirror"), ((0, 0), (1, 2)), mode="edge")
    at = np.clip(places, 0, last)
    below = np.minimum(at.astype(int), max(last - 1, 0))
    t = at - below
    start = (np.arange(len(rows)) * weights.shape[1]).reshape(-1, *[1] * (places.ndim - 1)) + below
    flat = weights.ravel()
    r = 1 - t
    shares = (r**3, 4 - 6 * t * t + 3 * t**3, 4 - 6 * r * r + 3 * r**3, t**3)  # times 1/6
    return np.asarray(sum(share * flat[start + n] for n, share in enumerate(shares)) / 6)


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
        step = np.linalg.solve(normal + _RIDGE, weighted @ away) / size
        values = values - step
        if np.abs(step @ slopes).max() < SETTLED_PX:
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
