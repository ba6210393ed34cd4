"""Read a scale of long and short marks: what one step is, and where each mark stands."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from identify.geometry.ticks import SHORTEST_PX, Comb, Index, fit, marks_ink, peaks, read_pattern
from identify.model import Array

FEWEST_MARKS = 25  # steps of the finest scale that the marks seen must span
FEWEST_SEEN = 9
ALIKE = 0.3  # least share of the marks' variance in length that a scale's pattern explains
UNEVEN = 0.05  # largest scatter of the marks, in steps
STEEPEST = 0.6  # largest lean of the marks against the edge's normal, as a slope
DEPTHS = (5.5, 7.5, 4.2)  # steps of the finest scale to which marks may reach; seen aslant they seem longer or shorter


def _halving(count: int) -> Index:
    """Ranks of the binary fractions of an inch: 1, 1/2, 1/4 and so on."""
    steps = np.arange(count)
    return np.array([0 if n == 0 else int(np.log2(count)) - int(np.log2(n & -n)) for n in steps])


def _tens(fine: int) -> Index:
    """Ranks of a metric scale with ``fine`` marks a millimetre: 10, 5, 1 mm and finer."""
    marks = np.arange(10 * fine)
    return np.select([marks % (10 * fine) == 0, marks % (5 * fine) == 0, marks % fine == 0], [0, 1, 2], 3)


SCALES = (  # step from mark to mark [mm], ranks of the marks of one period; an inch is 25.4 mm
    (1.0, _tens(1)),
    (0.5, _tens(2)),
    (25.4 / 16, _halving(16)),
    (25.4 / 32, _halving(32)),
    (25.4 / 8, _halving(8)),
)


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A scale that was read beside an edge.

    Parameters
    ----------
    comb : numbers to places along the edge [px]; its depths are from the edge inwards
    numbers, feet : (K,) the marks that were found, and where they meet the edge [px]
    unit_mm : from one number to the next
    zero : a number with the longest mark
    rms_px : scatter of the feet
    alike : share of the marks' variance in length that the scale's pattern explains
    u_lean : standard uncertainty of the marks' slope to the edge's normal at the ends of the scale
    """

    comb: Comb
    numbers: Array
    feet: Array
    unit_mm: float
    zero: int
    rms_px: float
    alike: float
    u_lean: float

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty of the scale along the edge, to first order."""
        span = float(np.ptp(self.feet))
        return max(self.rms_px, 0.03) / (span * len(self.feet) ** 0.5)


def read(flat: Array, comb: Comb, row: int) -> Reading | str:
    """Fit a comb and tell from the long and short marks what one step of it is, or say why not.

    Parameters
    ----------
    flat : (D, L) flattened light beside an edge
    comb, row : as found in the profile at this row
    """
    numbers = _numbers(comb, flat.shape[1])
    spacing = float(np.median(comb.spacing(numbers)))
    if len(numbers) < FEWEST_SEEN or spacing < SHORTEST_PX:
        return "The ruler's marks are too fine in this picture."
    comb, feet, kept, rms, u_lean = _fitted(flat, comb, numbers, row, spacing)
    if rms > UNEVEN * spacing + 0.1 or abs(comb.s0) > STEEPEST:
        return "No ruler was found."
    if np.count_nonzero(kept) < FEWEST_SEEN:
        return "Too few marks of the ruler are seen."
    known = _unit(flat, comb, numbers[kept], spacing)
    if known is None:
        return "The ruler's long and short marks cannot be told apart."
    score, shift, unit, parts = known
    if np.count_nonzero(kept) * parts < FEWEST_MARKS:
        return "Too few marks of the ruler are seen."
    found = Reading(comb.finer(parts), numbers[kept] * parts, feet[kept], unit, shift, rms, score, u_lean)
    return _closer(flat, found, parts, spacing / parts)


def _unit(flat: Array, comb: Comb, seen: Array, spacing: float) -> tuple[float, int, float, int] | None:
    """Score, shift, unit [mm] and the number of units in a step of the comb; None where no scale fits alone.

    The comb may have locked on all marks of a scale, or on every fifth or tenth millimetre where finer ones are
    blurred. Binary fractions of an inch look alike at every size, so those are taken only with all marks seen.
    """
    for parts in (1, 5, 10):
        if spacing / parts < SHORTEST_PX:
            continue
        fine = np.arange(seen.min() * parts, seen.max() * parts + 1)
        fine = fine[np.isin(np.round(fine / parts), seen)]  # not what lies over the marks
        metric = [scale for scale in SCALES if parts == 1 or scale is SCALES[0]]
        found = []
        for unit, ranks in metric:
            inks = [
                marks_ink(flat[: _rows(flat, depth * spacing / parts)], comb.finer(parts), fine) for depth in DEPTHS
            ]
            score, shift = max(read_pattern(ink, fine, ranks, every=parts) for ink in inks)
            if score > ALIKE:
                found.append((int(ranks.max()), score, shift, unit))
        found.sort(reverse=True)  # a scale of more lengths passes for one of fewer, not the other way round
        if not found or (len(found) > 1 and found[0][0] == found[1][0] and found[0][1] < found[1][1] + 0.03):
            continue
        _, score, shift, unit = found[0]
        deep = flat[: _rows(flat, DEPTHS[0] * spacing / parts)]
        if parts == 1 or not _quartered(deep, comb, seen, parts, shift):
            return score, shift, unit, parts
    return None


def _rows(flat: Array, depth_px: float) -> int:
    return int(np.clip(depth_px, 3, len(flat)))


def _quartered(deep: Array, comb: Comb, seen: Array, parts: int, shift: int) -> bool:
    """Whether marks stand at the quarters of the longest marks' distance: on an inch scale they do."""
    base = seen if parts == 10 else seen[(seen * parts).astype(int) % 10 == shift % 10]
    tenth = np.arange(base.min() * parts, base.max() * parts, 10)
    places = comb.finer(parts)
    half = marks_ink(deep, places, tenth + 5.0).mean()
    quarter = np.mean([marks_ink(deep, places, tenth + away).mean() for away in (2.5, 7.5)])
    return bool(quarter > 0.35 * half)


def _closer(flat: Array, found: Reading, parts: int, step: float) -> Reading:
    """The same scale by those of its marks (all, every fifth, every tenth...) that place it best."""
    best = found
    first, last = found.numbers.min(), found.numbers.max()
    for every in sorted({1, parts, *((5,) if parts == 10 else ())}):
        comb = (
            found.comb.finer(1) if every == 1 else replace(found.comb, a=found.comb.a * every, c=found.comb.c * every)
        )
        numbers = np.arange(np.ceil(first / every), np.floor(last / every) + 1)
        row = int((1.2 if every == 1 else 2.4 if every == 5 else 3.6) * step)
        if step * every < SHORTEST_PX or row > len(flat) - 4:
            continue
        again, feet, kept, rms, u_lean = _fitted(flat, comb, numbers, row, step, window=min(0.42, 1.5 / every))
        even = rms < UNEVEN * step * every + 0.1 and abs(again.s0) < STEEPEST
        if even and np.count_nonzero(kept) > 0.6 * len(numbers):
            closer = replace(
                found,
                comb=again.finer(every),
                numbers=numbers[kept] * every,
                feet=feet[kept],
                rms_px=rms,
                u_lean=u_lean,
            )
            best = min(best, closer, key=lambda item: item.u_rel)
    return best


def _numbers(comb: Comb, length: float) -> Array:
    first, last = sorted(comb.number(np.array([1.0, length - 2.0])))
    return np.arange(np.ceil(first), np.floor(last) + 1)


def _fitted(
    flat: Array, comb: Comb, numbers: Array, row: int, spacing: float, *, window: float = 0.42
) -> tuple[Comb, Array, NDArray[np.bool_], float, float]:
    """Locate the marks in thin bands through their length: comb, feet (K,), kept (K,), rms [px], u_lean."""
    tall = max(2, round(0.35 * spacing))
    fitted = comb  # it stands upright at first, right at the depth where it was found
    for reach in (1, 3):
        starts = [row + tall * n for n in range(-reach, reach + 1) if 0 <= row + tall * n < len(flat) - tall]
        depths = np.array([start + tall / 2 for start in starts])
        bands = [flat[start : start + tall].mean(axis=0) for start in starts]
        places = np.column_stack(
            [peaks(band, fitted, depth, numbers, window=window) for band, depth in zip(bands, depths, strict=True)]
        )
        seen = np.isfinite(places).mean(axis=0)
        good = seen > 0.6 * seen.max()
        fitted, residuals, covariance = fit(fitted, numbers, places[:, good], depths[good])
    spread = 1.4826 * float(np.nanmedian(np.abs(residuals)))
    sound = np.abs(residuals) < 3.5 * max(spread, 0.1)
    kept = np.count_nonzero(sound, axis=1) >= max(1, 0.5 * residuals.shape[1])
    away = np.nanmean(np.where(sound[kept], residuals[kept], np.nan), axis=1)
    feet = fitted.at(numbers)
    feet[kept] -= away
    at_ends = np.array([[1.0, feet[kept].min()], [1.0, feet[kept].max()]])
    u_lean = float(np.sqrt(np.einsum("ij,jk,ik->i", at_ends, covariance[3:, 3:], at_ends).max()))
    return fitted, feet, kept, float(np.sqrt(np.mean(away**2))), u_lean
