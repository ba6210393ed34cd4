"""Whether another kind of head fits the body that is there: a verdict with its reasons, never a bare yes."""

from __future__ import annotations

from collections.abc import Iterable

from identify.model import Conversion
from identify.rules.belief import Belief
from identify.rules.evidence import Evidence
from identify.tables import Tables
from identify.tables.advice import ConversionRow

FITS = "fits"
FAILS = "does not fit"
ASKS = "check first"


def conversions(belief: Belief, evidence: Evidence, tables: Tables) -> tuple[Conversion, ...]:
    """Conversions of every class in play."""
    found: dict[str, list[ConversionRow]] = {}
    for row in tables.conversions.values():
        if belief.classes.get(row.from_class, 0.0) >= tables.setting("class_in_play") and belief.rows:
            found.setdefault(row.to, []).append(row)
    known = _known(evidence, tables)
    return tuple(judge_conversion(to, rows, known) for to, rows in found.items())


def judge_conversion(to: str, rows: Iterable[ConversionRow], known: dict[str, str]) -> Conversion:
    """Verdict of one conversion.

    One broken condition is enough for "does not fit"; any open one for "check first"; "fits" needs all of them met.

    Parameters
    ----------
    rows : all conditions of the conversion.
    known : attribute to its value, for what is known for sure.
    """
    verdicts, reasons = [], []
    for row in rows:
        value = known.get(row.attribute, "")
        if value in row.fails or not row.attribute:
            verdicts.append(FAILS)
            reasons.append(row.broken)
        elif value in row.fits:
            verdicts.append(FITS)
            reasons.append(row.met)
        else:
            verdicts.append(ASKS)
            reasons.append(row.open)
    verdict = FAILS if FAILS in verdicts else ASKS if ASKS in verdicts else FITS
    first = sorted(zip(verdicts, reasons, strict=True), key=lambda pair: (FAILS, ASKS, FITS).index(pair[0]))
    return Conversion(to, verdict, tuple(reason for _, reason in first))


def _known(evidence: Evidence, tables: Tables) -> dict[str, str]:
    """What the user told, and what the photo shows with enough certainty."""
    sure = tables.setting("conversion_known")
    return {name: told.answer for name, told in evidence.told.items() if told.by == "user" or told.certainty >= sure}
