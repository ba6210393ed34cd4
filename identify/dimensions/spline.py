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

from identify.dimensions.endon import HEIGHTS_MM, Flat, Pixels, unrolled
from identify.model import Array

FEWEST, MOST = 8, 44
LEAST_TOOTH_PX = 4.0
RADII_MM = (2.6, 7.5)  # of the rings that are looked at, at the end's own height
COARSE_MM = 1 / 6.0
AROUND = 192
AROUND_FINE = 512
AT_ONCE = 16  # centres: what is worked out for them stays in the processor's cache
PLACES = 4
GOOD = 0.85  # quantile of the scores from which the centres beside one are looked at
INNER = (0.55, 0.72)  # of a ring's radius: where the face is looked at; a wide bore leaves its outer part only
HIGH = 0.16  # of the gaps' circle: height of the teeth over which the light is averaged
FINE, UNCLEAR = "fine", "unclear"
LEAST_CLEAR = 3.0
LEAST_TOOTH = 1.5  # times what the corners of a polygon of as many sides stand out: a nut has no teeth
# Set on rendered stems of standing parts.
MOST_OUT_OF_STEP, LEAST_SHARE, LEAST_CONTRAST, MOST_LOWER = 0.2, 0.3, 0.01, 0.7
FLOOR = 0.02  # power of the slope that noise may have


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
    border_count: int
    border_clear: float
    share: float
    lower: float
    weakest: float
    out_of_step: float
    contrast: float
    tip_px: float


def search(flat: Flat, beside_mm: float) -> list[Ring]:
    """The likeliest rings of teeth about the possible ends of the axis, the clearest first."""
    shrink = min(1.0, flat.mm_per_px / COARSE_MM)
    light = flat.light
    if shrink < 1:
        light = np.asarray(cv2.resize(light, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.float32)
    mm = flat.mm_per_px / shrink
    centres, shape = _centres(flat, mm, beside_mm)
    scale = (flat.camera_mm[2] - flat.height_mm) / (flat.camera_mm[2] - np.array(HEIGHTS_MM))
    radii = np.arange(RADII_MM[0] * scale[0] / mm, RADII_MM[1] * scale[1] / mm, 1.4)
    radii = radii[:60]
    found = _scan(light, centres, shape, radii)
    rings: dict[int, Ring] = {}
    places: list[tuple[Array, float]] = []
    for at in np.argsort(found, axis=None)[::-1]:
        row, ring = divmod(int(at), found.shape[1])
        place, radius = (centres[row] + 0.5) / shrink - 0.5, float(radii[ring] / shrink)
        if any(np.hypot(*(place - c)) < 0.25 * radius and abs(radius - r) < 0.25 * radius for c, r in places):
            continue
        places.append((place, radius))
        for one in _nearby(flat, place, radius):
            if one.count not in rings or _merit(one) > _merit(rings[one.count]):
                rings[one.count] = one
        if any(refusal(one) is None for one in rings.values()) or len(places) >= PLACES:
            break
    return sorted(rings.values(), key=lambda one: -_merit(one))


def _scan(light: Pixels, centres: Array, shape: tuple[int, int], radii: Array) -> Pixels:
    """Score (C, R) of each ring about each centre of a grid; 0 about every other one that has no good neighbour."""
    found = np.zeros((len(centres), len(radii)), np.float32)
    even = (np.indices(shape).sum(axis=0) % 2 == 0).ravel()
    rows = np.flatnonzero(even)
    for _ in range(2):
        for start in range(0, len(rows), AT_ONCE):
            some = rows[start : start + AT_ONCE]
            power = _power(unrolled(light, centres[some], radii, AROUND))
            found[some] = _scores(power, spread=1).max(axis=2)
        best = found.max(axis=1)
        good = (best >= np.quantile(best[even], GOOD)).reshape(shape).astype(np.uint8)
        beside = cv2.dilate(good, cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)))
        rows = np.flatnonzero(beside.ravel() & ~even)
    return found


def _nearby(flat: Flat, place_px: Array, radius_px: float) -> list[Ring]:
    """The two likeliest counts about a place, each settled."""
    step = 0.035 * radius_px
    beside = np.arange(-4, 5) * step
    xx, yy = np.meshgrid(beside, beside)
    centres = place_px + np.column_stack([xx.ravel(), yy.ravel()])
    radii = radius_px * np.arange(0.82, 1.19, 0.03)
    strips = unrolled(flat.light, centres, radii, AROUND)
    strips = np.mean([strips[:, first : len(radii) - 4 + first] for first in range(5)], axis=0)
    radii = radii[2:-2]
    scores = _scores(_power(strips))
    best = scores.max(axis=(0, 1))
    rings = []
    for index in np.argsort(best)[::-1][:2]:
        row, ring = divmod(int(scores[:, :, index].argmax()), scores.shape[1])
        for inner in INNER:
            one = settled(flat, int(index) + FEWEST, centres[row], float(radii[ring]), inner)
            rings += [] if one is None else [one]
    return rings


def refusal(ring: Ring) -> str | None:
    """Why a ring's count is not to be trusted; None where it is."""
    if ring.tooth_px < LEAST_TOOTH_PX:
        return FINE
    clear = min(ring.clear, ring.border_clear) >= LEAST_CLEAR and ring.border_count == ring.count
    even = ring.out_of_step <= MOST_OUT_OF_STEP and ring.share >= LEAST_SHARE and ring.contrast >= LEAST_CONTRAST
    flats = ring.radius_px / math.cos(math.pi / ring.count)  # reach of a regular polygon's corners
    toothed = ring.tip_px - ring.radius_px > LEAST_TOOTH * (flats - ring.radius_px)
    return None if clear and even and toothed and ring.lower <= MOST_LOWER else UNCLEAR


def _merit(ring: Ring) -> float:
    alike = 1.0 if ring.border_count == ring.count else 0.2
    return alike * ring.share * min(ring.clear, 10.0) * max(0.0, 1 - 2 * ring.out_of_step) * min(1.0, 2 * ring.weakest)


def _centres(flat: Flat, mm_per_px: float, beside_mm: float) -> tuple[Array, tuple[int, int]]:
    """Centres (C, 2) [px of a picture with ``mm_per_px``] along the possible ends and beside them, and their grid."""
    first, last = ((end - flat.corner_mm) / mm_per_px for end in (flat.first_mm, flat.last_mm))
    along = last - first
    long = float(np.linalg.norm(along))
    unit = along / long if long > 1e-6 else np.array([1.0, 0.0])
    wide = beside_mm / mm_per_px
    t = np.arange(-wide, long + wide + 1e-9, 2.0)
    s = np.arange(-wide, wide + 1e-9, 2.0)
    tt, ss = np.meshgrid(t, s)
    return first + tt.reshape(-1, 1) * unit + ss.reshape(-1, 1) * np.array([-unit[1], unit[0]]), tt.shape


def _power(strips: Pixels) -> Pixels:
    """Power (C, R, K) of unrolled light (C, R, A)."""
    spectrum = fft.rfft(strips, axis=-1)
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _scores(power: Array | Pixels, spread: int = 0) -> Array:
    """How far each count and its first harmonic stand over all else (C, R, counts), over three radii.

    With ``spread`` the neighbours count too, as off the centre they share its power (phase modulation, Carson's rule).
    Power counts by the square of its frequency, as that of the light's slope: what is no row of teeth falls off so.
    """
    slope = power * np.square(np.arange(power.shape[-1])).astype(power.dtype)
    slope[:, 1:-1] = slope[:, :-2] + slope[:, 1:-1] + slope[:, 2:]
    whole = slope[..., 3 : 2 * MOST + 1].sum(axis=-1, keepdims=True) + FLOOR * AROUND**2
    counts = np.arange(FEWEST, MOST + 1)
    if spread:
        band = slope[..., counts - 1] + slope[..., counts] + slope[..., counts + 1]
        return np.asarray(band / whole)
    score = (slope[..., counts] + 0.5 * slope[..., np.minimum(2 * counts, power.shape[-1] - 1)]) / whole
    half = slope[..., counts // 2] * (counts % 2 == 0)
    third = slope[..., counts // 3] * (counts % 3 == 0)
    return np.asarray(score * (np.maximum(half, third) < slope[..., counts]))


def settled(flat: Flat, count: int, centre_px: Array, radius_px: float, inner: float) -> Ring | None:
    """The teeth on the end face that lies within a ring of about ``count`` teeth; None where no face stands out.

    A circle may also run half on the face and half down the stem's side, and then meets a tooth too many or too few:
    so the face's own border gives the centre, by a circle through the bottoms of the gaps.
    """
    root = None
    for _ in range(3):
        root = _gaps_circle(flat, count, centre_px, radius_px, inner)
        if root is None:
            return None
        centre_px, radius_px = root[:2], 1.08 * float(root[2])
    assert root is not None
    border = _border(flat, root[:2], 1.08 * float(root[2]), inner)
    rings = []
    for low in (0.94, 1.0):
        radii = float(root[2]) * np.linspace(low, low + HIGH, 9)
        strips = unrolled(flat.light, root[None, :2], radii, AROUND_FINE)[0]
        rings.append(_judged(strips, border, flat, root[:2], float(root[2])))
    return max(rings, key=_merit)


def _border(flat: Flat, centre_px: Array, radius_px: float, inner: float) -> Array:
    """Radius (A,) [px] at which the light leaves the face's, nan where it does not.

    The face is looked at from ``inner`` of the radius on.
    """
    radii = radius_px * np.arange(inner, 1.35, 0.01)
    strip = unrolled(flat.light, centre_px[None], radii, AROUND_FINE)[0]
    known = strip[:14]
    angle = np.arange(AROUND_FINE) * (2 * math.pi / AROUND_FINE)
    design = np.column_stack([np.ones(AROUND_FINE), np.cos(angle), np.sin(angle)])
    face = np.median(known, axis=0)
    kept = np.ones(AROUND_FINE, bool)
    for _ in range(3):
        known_design = design[kept]
        fit = np.linalg.solve(known_design.T @ known_design, known_design.T @ face[kept])
        off = np.abs(face - design @ fit)
        kept = off <= max(2.5 * float(np.median(off)), 1e-6)
    level = design @ fit
    scatter = 1.4826 * float(np.median(np.abs(known - level)))
    departed = np.abs(cv2.GaussianBlur(strip, (1, 3), 0) - level)
    outer = np.percentile(departed[20:], 75)
    left = departed > max(3.5 * scatter, 0.35 * float(outer), 0.015)
    left[:10] = False
    left = left[:-1] & left[1:]
    first = left.argmax(axis=0)
    border = np.where(left.any(axis=0), radii[first], np.nan)
    return np.asarray(border)


def _gaps_circle(flat: Flat, count: int, centre_px: Array, radius_px: float, inner: float) -> Array | None:
    """Circle (3,) [px] of centre and radius through the bottoms of the gaps between the teeth."""
    border = _border(flat, centre_px, radius_px, inner)
    stretches = max(16, min(count, 40))
    at = np.arange(AROUND_FINE) * stretches // AROUND_FINE
    angle = np.arange(AROUND_FINE) * (2 * math.pi / AROUND_FINE)
    points = []
    for stretch in range(stretches):
        rows = np.flatnonzero((at == stretch) & np.isfinite(border))
        if len(rows) < 4:
            continue
        low = rows[np.argsort(border[rows])[len(rows) // 8]]
        points.append((border[low] * math.cos(angle[low]), border[low] * math.sin(angle[low])))
    if len(points) < 0.6 * stretches:
        return None
    xy = np.array(points)
    design, square = np.column_stack([2 * xy, np.ones(len(xy))]), np.sum(xy**2, axis=1)
    weight = np.ones(len(xy))
    for _ in range(12):
        weighted = design * (weight**2)[:, None]
        numbers = np.linalg.solve(weighted.T @ design, weighted.T @ square)
        radius = math.sqrt(max(float(numbers[2] + numbers[0] ** 2 + numbers[1] ** 2), 1e-6))
        off = np.hypot(*(xy - numbers[:2]).T) - radius
        scale = max(1.4826 * float(np.median(np.abs(off))), 0.01 * radius)
        weight = 1 / (1 + (off / (1.5 * scale)) ** 2)
    if np.mean(np.abs(off) < 0.04 * radius) < 0.55 or not 0.5 * radius_px < radius < 1.3 * radius_px:
        return None
    return np.array([*(centre_px + numbers[:2]), radius])


def _judged(strips: Array, border: Array, flat: Flat, centre: Array, radius: float) -> Ring:
    around = strips.shape[1]
    spectrum = fft.rfft(strips.mean(axis=0))
    power = np.abs(spectrum) ** 2
    outline = np.where(np.isfinite(border), border, 1.3 * radius)
    teeth = np.abs(fft.rfft(np.clip(outline / radius, 0.9, 1.3))) ** 2
    count, second = (int(_scores(one[None, None])[0, 0].argmax()) + FEWEST for one in (power, teeth))
    near = [count - 2, count - 1, count + 1, count + 2]
    whole = float(power[5 : 4 * MOST].sum())
    share = float(power[count : 4 * MOST : count].sum()) / max(whole, 1e-9)
    divisors = [n for n in range(3, count) if count % n == 0]
    lower = max((float(power[n]) for n in divisors), default=0.0) / max(float(power[count]), 1e-9)
    weakest, out_of_step = _stretches(spectrum, around, count)
    return Ring(
        count=count,
        border_count=second,
        centre_px=centre,
        radius_px=radius,
        tooth_px=2 * math.pi * radius * flat.native / count,
        clear=float(power[count] / max(power[near].max(), 1e-9)),
        border_clear=float(teeth[count] / max(teeth[near].max(), 1e-9)),
        share=share,
        lower=lower,
        weakest=weakest,
        out_of_step=out_of_step,
        contrast=float(np.sqrt(power[count]) * 2 / around),
        tip_px=_tips(border, radius, count),
    )


def _tips(border: Array, radius: float, count: int) -> float:
    """Radius [px] that the border reaches on the middle tooth."""
    at = np.arange(len(border)) * count // len(border)
    highest = [np.nanmax(border[at == tooth], initial=radius) for tooth in range(count)]
    return float(np.median(highest))


def _stretches(spectrum: Array, around: int, count: int, stretches: int = 12) -> tuple[float, float]:
    """Amplitude of the weakest of the stretches over the median's, and the largest phase [turns] against the whole."""
    turn = np.exp(-2j * math.pi * count * np.arange(around) / around)
    passed = fft.irfft(spectrum * (np.arange(len(spectrum)) >= 0.6 * count), around)
    beat = passed * turn * np.conj(spectrum[count]) / max(abs(spectrum[count]), 1e-12)
    width = around / stretches
    window = np.exp(-0.5 * (np.minimum(np.arange(around), around - np.arange(around)) / (0.6 * width)) ** 2)
    local = fft.ifft(fft.fft(beat) * fft.fft(window))
    local = local[:: max(1, around // (2 * stretches))]
    size = np.abs(local)
    return float(size.min() / max(float(np.median(size)), 1e-12)), float(np.abs(np.angle(local)).max() / (2 * math.pi))
