"""Read a scale of long and short marks: what one step is, and where each mark stands."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from identify.geometry.ticks import APART, SHORTEST_PX, Comb, Index, fit, marks_ink, peaks, read_pattern
from identify.model import Array

FEWEST_MARKS = 25  # steps of the finest scale that the marks seen must span
FEWEST_SEEN = 9
ALIKE = 0.55  # least share of the marks' variance in length that a scale's pattern explains
ALIKE_FEW = 0.6  # the same where only two lengths can be seen
UNEVEN = 0.05  # largest scatter of the marks, in steps
HOPELESS = 0.09  # usual distance from the comb, in steps, at which the marks are not looked at more closely
STEEPEST = 0.6  # largest lean of the marks against the edge's normal, as a slope
MARKS_MM = 4.5  # depth to which longer marks reach and numerals do not
APART_FEW = 4.0  # standard errors between 10 and 5 mm where only those are seen: a page's letters differ by chance
MOST_DEPTHS = 24  # at which the slope of the marks is told
QUARTER = (2.5, np.array([0, 2, 1, 2]))  # step [mm] and ranks where only marks of 10 and 5 mm can be seen
LEAST_LONG_MM = 100.0  # of a scale of which only those are seen: on less, numerals pass for marks
FINEST_PX = 1.4  # a millimetre beside readable marks of 5 and 10 mm: those stand 7 px apart
# Depths in steps of the finest scale between which marks differ most; seen aslant they seem longer or shorter. Short
# marks end before the deeper ones begin.
DEPTHS = ((0.0, 5.5), (0.0, 7.5), (0.0, 4.2), (2.2, 5.0), (2.8, 6.2), (3.4, 7.5))
CUMULATIVE = 3  # of them from the edge on
NUMBERED = 1.6  # times the ink that is between numerals
INK = 0.9  # odds that the ink tells the slope
LEAST_LEAN_STEPS = 0.2  # of the slopes tried
NUMERALS_MM = (6.0, 11.0)  # depths between which numerals stand and marks of 5 mm do not reach
TENS_MM = (1.0, 2.5)  # steps of scales whose long marks are 10 mm apart


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
    depth_px : from the edge to where the marks were located [px]
    u_lean : standard uncertainty of the marks' slope to the edge's normal at the ends of the scale
    """

    comb: Comb
    numbers: Array
    feet: Array
    unit_mm: float
    zero: int
    rms_px: float
    alike: float
    depth_px: float
    u_lean: float

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty of the scale along the edge, to first order."""
        span = float(np.ptp(self.feet))
        return max(self.rms_px, 0.03) / (span * len(self.feet) ** 0.5)


def read(flat: Array, comb: Comb, row: int) -> Reading | str:
    """Fit a comb and tell from the long and short marks what one step of it is, or say why not.

    The comb may have locked on all marks of a scale, or on every fifth or tenth millimetre where finer ones are
    blurred.

    Parameters
    ----------
    flat : (D, L) flattened light beside an edge
    comb, row : as found in the profile at this row
    """
    numbers = _numbers(comb, flat.shape[1])
    spacing = float(np.median(comb.spacing(numbers)))
    if len(numbers) < FEWEST_SEEN:
        return "Too few marks of the ruler are seen."
    reason = "The ruler's marks are too fine in this picture."
    for parts in (1, 10, 5):
        if spacing / parts < (SHORTEST_PX if parts == 1 else FINEST_PX):
            continue
        fitted, feet, kept, rms, u_lean = _fitted(flat, comb, numbers, row, spacing / parts)
        if rms > (UNEVEN if parts == 1 else 2 * UNEVEN) * spacing + 0.1 or abs(fitted.s0) > STEEPEST:
            continue
        reason = "Too few marks of the ruler are seen."
        if np.count_nonzero(kept) < FEWEST_SEEN:
            continue
        reason = "The ruler's long and short marks cannot be told apart."
        known = _unit(flat, fitted, numbers[kept], spacing, parts)
        if known is None:
            continue
        score, shift, unit, finer = known
        found = Reading(
            fitted.finer(finer), numbers[kept] * finer, feet[kept], unit, shift, rms, score, float(row), u_lean
        )
        closest = _closer(flat, found, finer, spacing / finer)
        least = FEWEST_MARKS if parts == 1 else (FEWEST_MARKS if unit != QUARTER[0] else LEAST_LONG_MM) / unit
        if np.ptp(closest.numbers) < least:
            reason = "Too few marks of the ruler are seen."
        elif closest is not found or parts == 1:
            return closest
    return reason


def _unit(flat: Array, comb: Comb, seen: Array, spacing: float, parts: int) -> tuple[float, int, float, int] | None:
    """Score, shift, unit [mm] and the number of units in a step of the comb; None where no scale fits alone.

    Binary fractions of an inch look alike at every size, so those are taken only with all marks seen (``parts`` 1).
    Where millimetres are too fine, nothing may stand at the quarters between two long marks.
    """
    metric = [scale for scale in SCALES if parts == 1 or scale is SCALES[0]]
    trials = [(parts, metric)] if spacing / parts >= SHORTEST_PX else []
    trials += [(round(parts / QUARTER[0]), [QUARTER])] if parts > 1 else []
    for finer, scales in trials:
        fine = np.arange(seen.min() * finer, seen.max() * finer + 1)
        fine = fine[np.isin(np.round(fine / finer), seen)]  # not what lies over the marks
        step = spacing / finer / (scales[0][0] if parts > 1 else 1.0)
        inks = _inks(flat, comb.finer(finer), fine, step)
        found = []
        for unit, ranks in scales:
            apart = APART_FEW if unit == QUARTER[0] else APART
            told = inks if unit in TENS_MM else inks[:CUMULATIVE]  # deeper bands hold an inch scale's numerals
            score, shift = max(read_pattern(ink, fine, ranks, every=finer, apart=apart) for ink in told)
            if score > (ALIKE if parts == 1 or finer == parts else ALIKE_FEW):
                found.append((int(ranks.max()), score, shift, unit))
        found.sort(reverse=True)  # a scale of more lengths passes for one of fewer, not the other way round
        if not found or (len(found) > 1 and found[0][0] == found[1][0] and found[0][1] < found[1][1] + 0.03):
            continue
        _, score, shift, unit = found[0]
        deep = flat[: _rows(flat, DEPTHS[0][1] * spacing / parts)]
        if parts > 1 and _quartered(deep, comb, seen, finer, shift, round(10 / unit)):
            continue
        if parts > 1 and not _numbered(flat, comb.finer(finer), fine, shift, round(10 / unit), spacing / parts):
            continue
        return score, shift, unit, finer
    return None


def _numbered(flat: Array, comb: Comb, numbers: Array, shift: int, ten: int, px_per_mm: float) -> bool:
    """Whether the numerals stand at the longest marks and not at the next: else these are numerals themselves."""
    low, high = (_rows(flat, depth * px_per_mm) for depth in NUMERALS_MM)
    if high - low < 2:
        return False
    ink = np.clip(comb.ink * flat[low:high], 0, 4).mean(axis=0)
    across = np.linspace(-0.2, 0.2, 9) * ten * float(np.median(comb.spacing(numbers)))
    middle = comb.at(numbers, (low + high) / 2)
    near = np.interp(middle[:, None] + across, np.arange(len(ink)), ink).mean(axis=1)
    tens, fives = (near[(numbers.astype(int) - shift) % ten == place] for place in (0, ten // 2))
    u = math.hypot(*(float(np.std(one)) / max(len(one), 1) ** 0.5 for one in (tens, fives)))
    return bool(tens.mean() > max(fives.mean() + APART * u, NUMBERED * fives.mean()))


def _inks(flat: Array, comb: Comb, numbers: Array, step_px: float) -> list[Array]:
    """Ink (K,) of each mark between the depths of each pair."""
    rows = [(min(int(low * step_px), len(flat)), _rows(flat, high * step_px)) for low, high in DEPTHS]
    whole = np.vstack([np.zeros(len(numbers)), marks_ink(flat[: max(row for _, row in rows)], comb, numbers)])
    return [whole[high] - whole[low] for low, high in rows]


def _rows(flat: Array, depth_px: float) -> int:
    return int(np.clip(depth_px, 3, len(flat)))


def _quartered(deep: Array, comb: Comb, seen: Array, parts: int, shift: int, ten: int) -> bool:
    """Whether marks stand at the quarters of the longest marks' distance of ``ten`` units: on an inch scale they do."""
    base = seen if parts == ten else seen[(seen * parts).astype(int) % ten == shift % ten]
    tenth = np.arange(base.min() * parts, base.max() * parts, ten)
    places = comb.finer(parts)
    half = marks_ink(deep, places, tenth + 0.5 * ten)[-1].mean()
    quarter = np.mean([marks_ink(deep, places, tenth + away * ten)[-1].mean() for away in (0.25, 0.75)])
    return bool(quarter > 0.35 * half)


def _closer(flat: Array, found: Reading, parts: int, step: float) -> Reading:
    """The same scale by those of its marks (all, every fifth, every tenth...) that place it best.

    ``step`` is a unit's length [px]; the comb found it with ``parts`` units a tooth.
    """
    best = found
    first, last = found.numbers.min(), found.numbers.max()
    if parts == 1:
        trials = {1: 1.2}
    else:  # millimetres: marks of 1, 5 and 10 mm reach to different depths
        trials = {
            round(mm / found.unit_mm): depth for mm, depth in ((1, 1.2), (5, 2.4), (10, 3.6)) if mm >= found.unit_mm
        }
    px_per_mm = step / (found.unit_mm if parts > 1 else 1.0)
    for every, depth in trials.items():
        comb = (
            found.comb.finer(1) if every == 1 else replace(found.comb, a=found.comb.a * every, c=found.comb.c * every)
        )
        numbers = np.arange(np.ceil((first - found.zero) / every), np.floor((last - found.zero) / every) + 1)
        comb = _shifted(comb, found.zero / every)
        row = int(depth * px_per_mm)
        if step * every < SHORTEST_PX or row > len(flat) - 4 or len(numbers) < FEWEST_SEEN:
            continue
        window = min(0.42, 1.5 / (every * (found.unit_mm if parts > 1 else 1.0)))
        again, feet, kept, rms, u_lean = _fitted(flat, comb, numbers, row, px_per_mm, window=window)
        even = rms < UNEVEN * step * every + 0.1 and abs(again.s0) < STEEPEST
        if even and np.count_nonzero(kept) > 0.6 * len(numbers):
            closer = replace(
                found,
                comb=_shifted(again, -found.zero / every).finer(every),
                numbers=numbers[kept] * every + found.zero,
                feet=feet[kept],
                rms_px=rms,
                depth_px=float(row),
                u_lean=u_lean,
            )
            best = min(best, closer, key=lambda item: item.u_rel) if best is not found or parts == 1 else closer
    return best


def _shifted(comb: Comb, by: float) -> Comb:
    """The comb with its marks numbered anew: mark k is the old mark k + ``by``."""
    base = comb.c * by + 1
    return replace(comb, a=comb.a / base, b=(comb.a * by + comb.b) / base, c=comb.c / base)


def leaning(flat: Array, found: Reading, s0: Array, s1: Array, prior: Array) -> Reading:
    """The reading with that one of the slopes (s0, s1) (T,) along which its marks have most ink.

    The marks stay where they are at the depth in which they were located. ``prior`` (T,) is the logarithm of what was
    likely before.
    """
    return leaned(found, s0, s1, prior + ink_odds(flat, found, s0, s1))


def leaned(found: Reading, s0: Array, s1: Array, logs: Array) -> Reading:
    """The reading with the mean of the slopes (s0, s1) (T,), whose log odds are given (T,)."""
    odds = np.exp(logs - logs.max())
    places = np.arange(len(s0))
    at = float(places @ odds / odds.sum())
    spread = max(math.sqrt(float((places - at) ** 2 @ odds / odds.sum())), LEAST_LEAN_STEPS)
    (one, two), low, high = (
        (float(np.interp(place, places, s0)), float(np.interp(place, places, s1)))
        for place in (at, at - spread, at + spread)
    )
    comb, held = found.comb, found.depth_px
    grow = (1 + held * comb.s1) / (1 + held * two)
    shift = held * (comb.s0 - one) / (1 + held * two)
    ends = np.array([found.feet.min(), found.feet.max()])
    u_lean = float(np.abs(high[0] - low[0] + (high[1] - low[1]) * ends).max()) / 2
    moved = replace(comb, a=grow * comb.a + shift * comb.c, b=grow * comb.b + shift, s0=one, s1=two)
    return replace(found, comb=moved, feet=grow * found.feet + shift, u_lean=u_lean)


def ink_odds(flat: Array, found: Reading, s0: Array, s1: Array) -> Array:
    """Log odds (T,) of slopes (s0, s1) (T,) by the ink along the marks, against even odds.

    How likely a slope with less ink is follows from what it lacks against the scatter of what its single marks lack
    (the statistic of Vuong, Econometrica 57, 1989, whose variance is four times that of a normal likelihood: neighbours
    share numerals and glare). In a few pictures blur or grain has other slopes seem right (``INK``).
    """
    comb, held = found.comb, found.depth_px
    step = float(np.median(comb.spacing(found.numbers)))
    every = 2 if found.unit_mm == QUARTER[0] else 1
    numbers = np.arange(found.numbers.min(), found.numbers.max() + 1)
    numbers = numbers[(numbers - found.zero) % every == 0]
    feet = (comb.at(numbers, held) - held * s0[:, None]) / (1 + held * s1[:, None])
    slopes = s0[:, None] + s1[:, None] * feet
    ink = np.zeros(slopes.shape)
    columns = np.arange(flat.shape[1])
    deep = _rows(flat, MARKS_MM * step / found.unit_mm)
    for depth in range(0, deep, max(1, deep // MOST_DEPTHS)):
        ink += np.interp(feet + (depth + 0.5) * slopes, columns, comb.ink * flat[depth])
    soft = gaussian_filter1d(ink, 1.5, axis=0)
    total = soft.sum(axis=1)
    best = int(np.clip(np.argmax(total), 2, len(total) - 3))
    short = soft[best] - soft
    noise = np.sqrt(np.sum((short - short.mean(axis=1, keepdims=True)) ** 2, axis=1))
    logs = -0.5 * (short.sum(axis=1) / np.maximum(noise, 1e-9)) ** 2
    told = np.exp(logs - logs.max())
    return np.asarray(np.log(INK * told / told.mean() + 1 - INK))


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
        bands = np.stack([flat[start : start + tall].mean(axis=0) for start in starts])
        places = peaks(bands, fitted, depths, numbers, window=window)
        seen = np.isfinite(places).mean(axis=0)
        good = seen > 0.6 * seen.max()
        if np.count_nonzero(np.isfinite(places[:, good])) < FEWEST_SEEN:
            return comb, comb.at(numbers), np.zeros(len(numbers), bool), np.inf, np.inf
        fitted, residuals, covariance = fit(fitted, numbers, places[:, good], depths[good])
        if float(np.nanmedian(np.abs(residuals))) > HOPELESS * float(np.median(comb.spacing(numbers))) + 0.1:
            break
    spread = 1.4826 * float(np.nanmedian(np.abs(residuals)))
    sound = np.abs(residuals) < 3.5 * max(spread, 0.1)
    kept = np.count_nonzero(sound, axis=1) >= max(1, 0.5 * residuals.shape[1])
    away = np.nanmean(np.where(sound[kept], residuals[kept], np.nan), axis=1)
    feet = fitted.at(numbers)
    feet[kept] -= away
    at_ends = np.array([[1.0, feet[kept].min()], [1.0, feet[kept].max()]])
    u_lean = float(np.sqrt(np.einsum("ij,jk,ik->i", at_ends, covariance[3:, 3:], at_ends).max()))
    return fitted, feet, kept, float(np.sqrt(np.mean(away**2))), u_lean
