"""Teeth of a splined stem seen end-on, counted by the angular spectrum of the unrolled picture, or refused.

A count is given only where one frequency stands clear of its neighbours on the circle, its own harmonics and no
lower one go with it, and every stretch of the circle carries it in step: a count that is one off would run out of
step by a whole tooth within one turn. Sampling limit: Nyquist's, with a margin of two (four pixels a tooth).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft
from scipy.optimize import minimize

from identify.dimensions.endon import Flat, unrolled
from identify.model import Array

FEWEST, MOST = 8, 44
LEAST_TOOTH_PX = 4.0
RADII_MM = (2.6, 7.5)  # of the rings that are looked at, at the end's own height
COARSE_MM = 1 / 6.0
AROUND = 256
AROUND_FINE = 512


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """A ring of teeth in the flat picture: its count, centre and radius [flat px], and how clear it is.

    Parameters
    ----------
    clear : power of the count over the strongest neighbour (two to either side)
    share : of the ring's power between frequencies 5 and the top that the count and its harmonics carry
    lower : power of the strongest frequency of which the count is a multiple, over the count's
    weakest : amplitude of the weakest stretch of the circle over the median one's
    out_of_step : largest phase of a stretch against the whole [turns of a tooth]
    """

    count: int
    centre_px: Array
    radius_px: float
    tooth_px: float
    clear: float
    share: float
    lower: float
    weakest: float
    out_of_step: float
    contrast: float


def search(flat: Flat, beside_mm: float) -> list[Ring]:
    """The likeliest rings of teeth about the possible ends of the axis, the clearest first."""
    shrink = min(1.0, flat.mm_per_px / COARSE_MM)
    light = cv2.resize(flat.light, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else flat.light
    mm = flat.mm_per_px / shrink
    centres = _centres(flat, mm, beside_mm)
    scale = (flat.camera_mm[2] - flat.height_mm) / (flat.camera_mm[2] - np.array([22.0, 115.0]))
    radii = np.arange(RADII_MM[0] * scale[0] / mm, RADII_MM[1] * scale[1] / mm, 1.0)
    radii = radii[: 60]
    best: list[tuple[float, int, int, int]] = []
    for start in range(0, len(centres), 128):
        power = _power(unrolled(light, centres[start : start + 128], radii, AROUND))
        score = _scores(power)
        flat_score = score.reshape(len(score), -1)
        top = flat_score.argmax(axis=1)
        for row, at in enumerate(top):
            ring, count = divmod(int(at), score.shape[2])
            best.append((float(flat_score[row, at]), start + row, ring, count + FEWEST))
    best.sort(reverse=True)
    rings: list[Ring] = []
    tried: list[tuple[int, Array, float]] = []
    for _, centre, ring, count in best[:60]:
        at, radius = (centres[centre] + 0.5) / shrink - 0.5, radii[ring] / shrink
        if any(n == count and np.hypot(*(at - c)) < 0.5 * radius and abs(radius - r) < 0.4 * radius for n, c, r in tried):
            continue
        tried.append((count, at, radius))
        rings.append(settled(flat, count, at, radius))
        if len(tried) >= 4:
            break
    return sorted(rings, key=lambda one: -_merit(one))


def _merit(ring: Ring) -> float:
    return ring.share * min(ring.clear, 10.0) * max(0.0, 1 - 2 * ring.out_of_step) * min(1.0, 2 * ring.weakest)


def _centres(flat: Flat, mm_per_px: float, beside_mm: float) -> Array:
    """Centres (C, 2) [px of a picture with ``mm_per_px``] along the possible ends and beside them."""
    first, last = ((end - flat.corner_mm) / mm_per_px for end in (flat.first_mm, flat.last_mm))
    along = last - first
    long = float(np.linalg.norm(along))
    unit = along / long if long > 1e-6 else np.array([1.0, 0.0])
    wide = beside_mm / mm_per_px
    t = np.arange(-wide, long + wide + 1e-9, 2.0)
    s = np.arange(-wide, wide + 1e-9, 2.0)
    tt, ss = np.meshgrid(t, s)
    return np.asarray(first + tt.reshape(-1, 1) * unit + ss.reshape(-1, 1) * np.array([-unit[1], unit[0]]))


def _power(strips: Array) -> Array:
    """Power (C, R, K) of unrolled light (C, R, A)."""
    spectrum = fft.rfft(strips, axis=-1)
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _scores(power: Array) -> Array:
    """Share of the power that each count carries with its first harmonic (C, R, counts), over three radii."""
    blurred = power.copy()
    blurred[:, 1:-1] = power[:, :-2] + power[:, 1:-1] + power[:, 2:]
    whole = blurred[..., 5 : 2 * MOST + 1].sum(axis=-1, keepdims=True) + 1e-3 * AROUND
    counts = np.arange(FEWEST, MOST + 1)
    low = blurred[..., FEWEST // 2 - 1 : FEWEST // 2 - 1]
    del low
    score = (blurred[..., counts] + blurred[..., np.minimum(2 * counts, power.shape[-1] - 1)]) / whole
    half = blurred[..., counts // 2] * (counts % 2 == 0)
    third = blurred[..., counts // 3] * (counts % 3 == 0)
    return np.asarray(score * (np.maximum(half, third) < blurred[..., counts]))


def settled(flat: Flat, count: int, centre_px: Array, radius_px: float) -> Ring:
    """The ring with its centre moved to where the count is clearest, and what speaks for it."""
    step = max(1.0, 0.02 * radius_px)
    offsets = np.arange(-2, 3) * step

    def lost(numbers: Array) -> float:
        radii = numbers[2] + offsets
        power = _power(unrolled(flat.light, numbers[None, :2], radii, AROUND_FINE))[0].sum(axis=0)
        return -float((power[count] + power[2 * count]) / (power[5 : 2 * MOST + 1].sum() + 1e-3 * AROUND_FINE))

    start = np.array([*centre_px, radius_px])
    wide = 0.04 * radius_px
    simplex = start + np.array([[0, 0, 0], [wide, 0, 0], [0, wide, 0], [0, 0, wide]])
    found = minimize(lost, start, method="Nelder-Mead", options={"initial_simplex": simplex, "maxfev": 90, "xatol": 0.05})
    x, y, radius = found.x
    strips = unrolled(flat.light, np.array([[x, y]]), radius + offsets, AROUND_FINE)[0]
    return _judged(strips, flat, count, np.array([x, y]), float(radius))


def _judged(strips: Array, flat: Flat, count: int, centre: Array, radius: float) -> Ring:
    spectrum = fft.rfft(strips, axis=-1)
    power = np.sum(np.abs(spectrum) ** 2, axis=0)
    near = [count - 2, count - 1, count + 1, count + 2]
    whole = float(power[5 : 4 * MOST].sum())
    share = float(power[count : 4 * MOST : count].sum()) / max(whole, 1e-9)
    divisors = [n for n in range(3, count) if count % n == 0]
    lower = max((float(power[n]) for n in divisors), default=0.0) / max(float(power[count]), 1e-9)
    weakest, out_of_step = _stretches(strips, spectrum, count)
    return Ring(
        count=count,
        centre_px=centre,
        radius_px=radius,
        tooth_px=2 * math.pi * radius * flat.native / count,
        clear=float(power[count] / max(power[near].max(), 1e-9)),
        share=share,
        lower=lower,
        weakest=weakest,
        out_of_step=out_of_step,
        contrast=float(np.sqrt(power[count] / len(strips)) * 2 / strips.shape[1]),
    )


def _stretches(strips: Array, spectrum: Array, count: int, stretches: int = 12) -> tuple[float, float]:
    """Amplitude of the weakest of the stretches over the median's, and the largest phase [turns] against the whole."""
    around = strips.shape[1]
    turn = np.exp(-2j * math.pi * count * np.arange(around) / around)
    smooth = np.abs(np.fft.rfftfreq(around, 1 / around)) >= 0.6 * count
    passed = fft.irfft(spectrum * smooth, around, axis=-1)
    weights = spectrum[:, count].conj() / max(float(np.linalg.norm(spectrum[:, count])), 1e-12)
    beat = (weights[:, None] * passed * turn).sum(axis=0)
    width = around / stretches
    window = np.exp(-0.5 * (np.minimum(np.arange(around), around - np.arange(around)) / (0.6 * width)) ** 2)
    local = fft.ifft(fft.fft(beat) * fft.fft(window))
    local = local[:: max(1, around // (2 * stretches))]
    size = np.abs(local)
    return float(size.min() / max(float(np.median(size)), 1e-12)), float(np.abs(np.angle(local)).max() / (2 * math.pi))
