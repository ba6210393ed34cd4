"""From what was recognised and measured to what may be ordered: candidates, checks, conversions, cautions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from identify.model import Caution, Measurement, Recognition, Verdict
from identify.rules.belief import Belief, believe
from identify.rules.candidates import candidates
from identify.rules.conversions import conversions
from identify.rules.evidence import gather
from identify.rules.pairs import pairs
from identify.rules.questions import checks
from identify.rules.stock import rank, with_offers
from identify.rules.stopping import stop
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
    answers : id of a check, as the verdict gave it, to one of its answers, a measured number, or "can't tell".
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
    shown = belief
    if stock is not None:
        ranked = rank(belief, evidence, stock, tables)
        belief, shown = ranked.belief, ranked.shown
    offered = candidates(shown, evidence, tables)
    if stock is not None:
        offered = with_offers(offered, ranked.offers)
    asked = checks(belief, evidence, tables)
    decision, remark = stop(shown, asked, evidence, tables)
    return Verdict(
        candidates=offered,
        checks=asked,
        conversions=conversions(belief, evidence, tables),
        cautions=_cautions(recognition, belief, tables),
        pairs=pairs(belief, evidence, tables),
        remark=remark,
        decision=decision,
    )


def _cautions(recognition: Recognition, belief: Belief, tables: Tables) -> tuple[Caution, ...]:
    """General cautions, then those of every class that may be there; a caution too many does no harm."""
    least = tables.setting("caution_in_play")
    wanted = [name for name, row in tables.cautions.items() if row.general]
    for name, block in tables.classes.items():
        named = name in (recognition.answer, *recognition.possible)
        if named or belief.classes.get(name, 0.0) >= least:
            wanted += block.cautions
    return tables.warnings(wanted)
