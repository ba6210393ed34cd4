"""Whether another kind of head fits the body that is there: a verdict with its reasons, never a bare yes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from identify.errors import UsageError
from identify.model import Caution, Conversion
from identify.rules.belief import Belief
from identify.rules.evidence import Evidence
from identify.rules.told import known, told
from identify.tables import Tables, load
from identify.tables.advice import CheckRow, ConversionRow

FITS = "fits"
FAILS = "does not fit"
ASKS = "check first"
ORDER = (FAILS, ASKS, FITS)


@dataclass(frozen=True, slots=True)
class SeatDepth:
    """Depth from the body's shoulder to its seat, and what a new head of that body reaches, closed [mm].

    Raises
    ------
    UsageError
        A depth is no length of a tap body: it lies outside 3 to 150 mm.
    """

    seat_mm: float
    head_mm: float

    def __post_init__(self) -> None:
        for name, value in (("the seat", self.seat_mm), ("the head", self.head_mm)):
            if not (math.isfinite(value) and 3 <= value <= 150):
                raise UsageError(f"{value:g} mm is no depth of {name}; measure from the shoulder, in mm.")


@dataclass(frozen=True, slots=True)
class Advice:
    """A conversion that was asked for, what is still to be found out, and what comes with every answer."""

    from_class: str
    conversion: Conversion
    checks: tuple[CheckRow, ...]
    cautions: tuple[Caution, ...]
    sources: tuple[str, ...]


def conversions(belief: Belief, evidence: Evidence, tables: Tables) -> tuple[Conversion, ...]:
    """Conversions of every class in play."""
    found: dict[str, list[ConversionRow]] = {}
    for row in tables.conversions.values():
        if belief.classes.get(row.from_class, 0.0) >= tables.setting("class_in_play") and belief.rows:
            found.setdefault(row.to, []).append(row)
    sure = known(evidence, tables)
    return tuple(judge_conversion(to, rows, sure, tables) for to, rows in found.items())


def convert(
    from_class: str,
    to: str,
    answers: Mapping[str, str],
    *,
    depth: SeatDepth | None = None,
    tables: Tables | None = None,
) -> Advice:
    """Judge one conversion by what the user told.

    Parameters
    ----------
    from_class, to : what is there, and what is wanted in its place.
    answers : id of a check to one of its answers, or "can't tell".
    depth : measured depth of the seat; it replaces the answer about the seat.

    Raises
    ------
    UsageError
        No such conversion is known, an answer belongs to no check or is none of its answers, or both the depth and
        an answer about the seat are given.
    """
    tables = tables or load()
    rows = [row for row in tables.conversions.values() if (row.from_class, row.to) == (from_class, to)]
    if not rows:
        pairs = dict.fromkeys(f"{row.from_class} to {row.to}" for row in tables.conversions.values())
        raise UsageError(f"No conversion from {from_class} to {to} is known; known: {'; '.join(pairs)}.")
    sure = told(answers, tables)
    by_depth = [row.attribute for row in rows if row.by_depth]
    if depth and not by_depth:
        raise UsageError(f"The depth of the seat decides nothing from {from_class} to {to}; leave it out.")
    if depth and any(name in sure for name in by_depth):
        raise UsageError("The seat is told twice; give either its two depths or the answer about it.")
    verdict = judge_conversion(to, rows, sure, tables, depth)
    waiting = [row.attribute for row in rows if _verdict(row, sure, tables, depth)[0] == ASKS]
    checks = tuple(row for row in tables.checks.values() if row.decides in waiting and row.decides not in sure)
    keys = [name for name, row in tables.cautions.items() if row.general]
    for name in (from_class, to):
        keys += tables.classes[name].cautions if name in tables.classes else ()
    return Advice(from_class, verdict, checks, tables.warnings(keys), tables.titles([row.source for row in rows]))


def judge_conversion(
    to: str, rows: Iterable[ConversionRow], sure: dict[str, str], tables: Tables, depth: SeatDepth | None = None
) -> Conversion:
    """Verdict of one conversion.

    One broken condition is enough for "does not fit"; any open one for "check first"; "fits" needs all of them met.

    Parameters
    ----------
    rows : all conditions of the conversion.
    sure : attribute to its value, for what is known for sure.
    """
    judged = sorted((_verdict(row, sure, tables, depth) for row in rows), key=lambda pair: ORDER.index(pair[0]))
    return Conversion(to, judged[0][0], tuple(reason for _, reason in judged))


def _verdict(
    row: ConversionRow, sure: dict[str, str], tables: Tables, depth: SeatDepth | None = None
) -> tuple[str, str]:
    """Verdict and reason of one condition."""
    if row.by_depth and depth:
        return _by_depth(row, depth, tables)
    value = sure.get(row.attribute, "")
    if value in row.fails or not row.attribute:
        return FAILS, row.broken
    return (FITS, row.met) if value in row.fits else (ASKS, row.open)


def _by_depth(row: ConversionRow, depth: SeatDepth, tables: Tables) -> tuple[str, str]:
    """Compare the seat with the head's reach; nearer to it than two readings can tell is measured again."""
    excess = depth.seat_mm - depth.head_mm
    reach, u95 = tables.setting("seat_reach_mm"), tables.setting("u95_seat_depth_mm")
    seat = f"The seat lies {abs(excess):.1f} mm {'deeper' if excess > 0 else 'higher'} than the head reaches"
    if abs(excess) <= reach - u95 + 1e-9:
        return FITS, f"{seat}, within {reach:g} mm: {row.met[:1].lower()}{row.met[1:]}"
    if excess > reach + u95:
        return FAILS, f"{seat}. {row.broken}"
    if excess < -(reach + u95):
        return ASKS, f"{seat}: it would not screw home, or the two were not measured from the same shoulder."
    return ASKS, f"{seat}, too near to {reach:g} mm to tell with a depth gauge: measure both again. {row.open}"
