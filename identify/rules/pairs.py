"""Sizes that the measurement cannot tell apart, and the check that can; rows that no check can."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from identify.model import Pair
from identify.rules.belief import TAPER, Belief, sizes
from identify.rules.evidence import Evidence, Measured
from identify.rules.questions import gain_bits
from identify.tables import Tables
from identify.tables.rows import Confusable

PITCH = "thread_pitch"
SLACK_MM = 0.3
SLACK_PITCH_MM = 0.01


def pairs(belief: Belief, evidence: Evidence, tables: Tables) -> tuple[Pair, ...]:
    """Confusable pairs whose two sizes both agree with what was measured."""
    found = []
    for row in tables.confusables.values():
        measured = evidence.measured.get(row.quantity)
        if measured is None or row.check in evidence.asked or not _offered(row, belief, tables):
            continue
        both = (row.first_mm, row.first_pitch_mm), (row.second_mm, row.second_pitch_mm)
        if all(_agrees(row, size, pitch, measured, evidence.measured.get(PITCH), tables) for size, pitch in both):
            check = tables.checks[row.check]
            apart = abs(row.first_mm - row.second_mm)
            text = f"{row.first} and {row.second} are {apart:.2f} mm apart; what separates them is {row.separated_by}."
            found.append(Pair(row.first, row.second, text, check.question, check.id))
    return (*found, *_alike(belief, tables))


def _alike(belief: Belief, tables: Tables) -> Iterator[Pair]:
    """Rows in play that no check tells apart."""
    in_play = [at for at in range(len(belief.rows)) if belief.p[at] >= tables.setting("pair_in_play")]
    for one, other in itertools.combinations(in_play, 2):
        if twins(one, other, belief, tables):
            first, second = belief.rows[one].id, belief.rows[other].id
            text = f"No check tells {first} and {second} apart: order either, or compare both with the old part."
            yield Pair(first, second, text, "", "")


def twins(one: int, other: int, belief: Belief, tables: Tables) -> bool:
    """Whether no check is expected to tell a tenth of a bit of two rows that are as likely as each other."""
    rows = belief.rows[one], belief.rows[other]
    if one == other or rows[0].class_id != rows[1].class_id or list(rows[0].options) != list(rows[1].options):
        return False
    share = np.zeros(len(belief.p))
    share[[one, other]] = 0.5
    even = replace(belief, p=share, classes={rows[0].class_id: 1.0}, other_classes={})
    told = {name for row in rows for name in (*row.attributes, *sizes(row, tables), TAPER)}
    asked = [row for row in tables.checks.values() if row.decides in told]
    return all(gain_bits(row, even, tables) < tables.setting("least_gain_bits") for row in asked)


def _offered(row: Confusable, belief: Belief, tables: Tables) -> bool:
    """Whether a candidate in play has a size of the pair, or nothing listed fits and ``other`` leads."""
    least = tables.setting("pair_in_play")
    for share, line in zip(belief.p[:-1], belief.rows, strict=True):
        size = sizes(line, tables).get(row.quantity)
        named = line.thread in (row.first, row.second) if line.thread else False
        if share >= least and size and (named or any(size[0] <= v <= size[1] for v in (row.first_mm, row.second_mm))):
            return True
    return bool(belief.rows) and float(belief.p[-1]) >= tables.setting("other_share")


def _agrees(
    row: Confusable, size: float, pitch: float | None, measured: Measured, pitched: Measured | None, tables: Tables
) -> bool:
    """Within twice the standard uncertainty, with wear below and the tolerance of a trade size on both sides."""
    wear = tables.quantities[row.quantity].wear
    reach = 2.0 * max(measured.u, wear) + SLACK_MM
    if abs(measured.value - size) > reach:
        return False
    return pitch is None or pitched is None or abs(pitched.value - pitch) <= 2.0 * pitched.u + SLACK_PITCH_MM
