"""From what was recognised and measured to what may be ordered: candidates, checks, conversions, cautions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from identify.model import Candidate, Caution, Check, Measurement, Recognition, Verdict
from identify.rules.belief import OTHER, Belief, believe
from identify.rules.candidates import candidates
from identify.rules.conversions import conversions
from identify.rules.evidence import Evidence, gather
from identify.rules.pairs import pairs
from identify.rules.questions import checks
from identify.rules.stock import rank, with_offers
from identify.tables import Tables, load
from identify.tables.stock import Stock

__all__ = ["judge"]


def judge(
    recognition: Recognition,
    measurements: Sequence[Measurement],
    *,
    answers: Mapping[str, str] | None = None,
    tables: Tables | None = None,
    stock: Stock | None = None,
) -> Verdict:
    """Judge one part.

    Parameters
    ----------
    measurements : measured values; of two of one quantity the one with the smaller u95 counts.
    answers : id of a check to one of its answers, a measured number, or "can't tell".
    tables : tables to judge by; those of the package where None.
    stock : the shop's own list, ranked beside the rows of the tables.

    Returns
    -------
    Verdict
        Candidates with ``other`` sum to 1. Checks are sorted by expected gain per minute.

    Raises
    ------
    UsageError
        If an answer belongs to no check, or is none of its answers.
    """
    tables = tables or load()
    evidence = gather(recognition, measurements, answers or {}, tables)
    belief = believe(evidence, tables)
    offered = candidates(belief, evidence, tables)
    if stock is not None:
        ranked = rank(belief, evidence, stock, tables)
        belief = ranked.belief
        offered = with_offers(candidates(ranked.shown, evidence, tables), ranked.offers)
    asked = checks(belief, evidence, tables)
    return Verdict(
        candidates=offered,
        checks=asked,
        conversions=conversions(belief, evidence, tables),
        cautions=_cautions(recognition, belief, tables),
        pairs=pairs(belief, evidence, tables),
        remark=_remark(offered, asked, evidence, tables),
    )


def _cautions(recognition: Recognition, belief: Belief, tables: Tables) -> tuple[Caution, ...]:
    """General cautions, then those of every class that may be there; a caution too many does no harm."""
    least = tables.setting("caution_in_play")
    wanted = [name for name, row in tables.cautions.items() if row.general]
    for name, block in tables.classes.items():
        named = name in (recognition.answer, *recognition.prediction_set)
        if named or belief.classes.get(name, 0.0) >= least:
            wanted += block.cautions
    rows = [tables.cautions[name] for name in dict.fromkeys(wanted)]
    return tuple(Caution(row.text, tables.titles([row.source])[0]) for row in rows)


def _remark(offered: tuple[Candidate, ...], asked: tuple[Check, ...], evidence: Evidence, tables: Tables) -> str:
    """Whether to go on asking: stop once one row holds 95 % or no check is expected to tell a tenth of a bit."""
    if evidence.nothing_seen:
        return "No fitting was recognised. Answer the first check, or take another photo."
    if evidence.stopped:
        return f"Do not order yet: {'; '.join(evidence.stopped)}."
    best = offered[0]
    telling = [check for check in asked if check.gain_bits >= tables.setting("least_gain_bits")]
    if best.id != OTHER and best.probability >= tables.setting("settled"):
        still = " Still open for the order: see the checks." if telling else ""
        return f"Settled: one row holds {best.probability:.0%}.{still}"
    if not telling and best.id == OTHER:
        return "No listed row fits: measure the old part with callipers and compare it at the counter."
    if not telling:
        return "No check is expected to tell more: compare the leading candidates with the old part at the counter."
    return f"Not settled: next check: {telling[0].question}"
