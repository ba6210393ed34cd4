"""Whether to go on asking, to order, or to compare at the counter; in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from identify.model import Check
from identify.rules.belief import OTHER, Belief
from identify.rules.evidence import Evidence
from identify.rules.pairs import twins
from identify.rules.questions import in_words
from identify.tables import Tables

ASK = "ask"
GO = "order"
COMPARE = "compare"
WAIT = "wait"


def stop(belief: Belief, asked: Sequence[Check], evidence: Evidence, tables: Tables) -> tuple[str, str]:
    """Decision and its reason.

    An order is given once one row, and every option that it leaves open, hold the share of the settings together;
    rows that no check tells apart count as one.

    Returns
    -------
    decision : "order"; "ask" while a check is expected to tell a tenth of a bit; "compare" where none is;
        "wait" where an answer forbids an order.
    remark : what to order, the next question, or what is still open.
    """
    if evidence.nothing_seen:
        return ASK, "No fitting was recognised. Answer the first check, or take another photo."
    if evidence.stopped:
        return WAIT, f"Do not order yet: {'; '.join(evidence.stopped)}."
    rows, values, share = _leading(belief, tables)
    settled = tables.setting("settled")
    if share >= settled:
        words = " or ".join(in_words(belief.rows[at], values) for at in rows)
        alike = " No check tells them apart." if len(rows) > 1 else ""
        return GO, f"Order {words}: {_sure(share)} sure.{alike}{_first(asked, evidence, tables)}"
    telling = [check for check in asked if check.gain_bits >= tables.setting("least_gain_bits")]
    row = float(belief.p[:-1].max()) if belief.rows else 0.0
    if telling:
        start = f"One row holds {_sure(row)}, its order is not sure yet" if row >= settled else "Not settled"
        return ASK, f"{start}: next check: {telling[0].question}"
    if not belief.rows or float(belief.p[-1]) > row:
        return COMPARE, "No listed row fits: measure the old part with callipers and compare it at the counter."
    return (
        COMPARE,
        f"No check is expected to tell more. Still open: {_still_open(belief, tables)}. Compare the old part.",
    )


def _sure(share: float) -> str:
    """A share in per cent that never promises all."""
    return f"{share:.0%}" if share < 0.99 else "over 99%"


def _leading(belief: Belief, tables: Tables) -> tuple[list[int], tuple[str, ...], float]:
    """Rows of the most probable order, its twins with it, and what they hold together."""
    if not belief.rows:
        return [], (), 0.0
    at, values, _ = belief.best
    least = tables.setting("pair_in_play")
    in_play = [other for other, p in enumerate(belief.p[:-1]) if p >= least and twins(at, other, belief, tables)]
    alike = sorted([at, *in_play])
    return alike, values, math.fsum(float(belief.p[other]) * belief.orders[other].get(values, 0.0) for other in alike)


def _first(asked: Sequence[Check], evidence: Evidence, tables: Tables) -> str:
    """What belongs before any order and was not asked yet."""
    blocking = [check.question for check in asked if check.id in tables.checks and tables.checks[check.id].blocking]
    return f" Before you order: {' '.join(blocking)}" if blocking else ""


def _still_open(belief: Belief, tables: Tables) -> str:
    """Rows that stay possible, and the options of the leading one that are not known."""
    least = tables.setting("pair_in_play")
    order = sorted(range(len(belief.rows)), key=lambda at: (-belief.p[at], belief.rows[at].id))
    open_rows = [f"{belief.rows[at].id} {belief.p[at]:.0%}" for at in order if belief.p[at] >= least]
    if belief.p[-1] >= least:
        open_rows.append(f"{OTHER} {belief.p[-1]:.0%}")
    words = [" or ".join(open_rows)]
    for name, shares in belief.options[order[0]].items():
        if max(shares.values()) < tables.setting("option_known"):
            words.append(f"{name.replace('_', ' ')} {' or '.join(shares)}")
    return "; ".join(words)
