"""Which check to make next: expected information gain over effort.

The gain of a check is the mutual information of its answer and of the state (row and open options),
I = H(answer) - H(answer | state), times the share of users who can tell. It is never below zero and never above
the entropy of the state (Cover and Thomas, Elements of Information Theory, chapter 2; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from identify.model import Array, Check
from identify.rules.belief import Belief, attribute, entropy_bits, sizes
from identify.rules.evidence import AGAIN, CANT_TELL, CLASS, ORDER, Evidence, meanings, order_code
from identify.rules.likelihood import density, row_spread
from identify.tables import Tables
from identify.tables.advice import CheckRow
from identify.tables.rows import EVERY_CLASS, CandidateRow

LEAST_SHOWN_BITS = 0.01


def checks(belief: Belief, evidence: Evidence, tables: Tables) -> tuple[Check, ...]:
    """Checks worth making, by gain per minute; those that belong before any order close the list.

    A check that was answered is asked once more where an order that was read back differs, or where no other check
    is expected to tell enough.
    """
    found, again = _read_backs(belief, evidence, tables), []
    for row in tables.checks.values():
        if row.decides == ORDER or not _in_play(row, belief, tables):
            continue
        gain = gain_bits(row, belief, tables)
        if row.id in evidence.asked:
            if gain >= LEAST_SHOWN_BITS and row.id not in evidence.untold:
                again.append(_check(row, gain, again=True))
            continue
        wanted = row.blocking or (row.decides == CLASS and evidence.nothing_seen) or _converts(row, belief, tables)
        if gain >= LEAST_SHOWN_BITS or wanted:
            found.append(_check(row, gain))
    if evidence.doubted or all(check.gain_bits < tables.setting("least_gain_bits") for check in found):
        found += [check for check in again if check.id not in evidence.asked]
    return tuple(sorted(found, key=lambda check: (-check.gain_bits / check.effort, check.id)))


def _check(row: CheckRow, gain: float, *, again: bool = False, order: str = "", how: str = "") -> Check:
    name = ":".join((row.id, *([order] if order else []), *([AGAIN] if again else [])))
    question = f"Once more: {row.question[0].lower()}{row.question[1:]}" if again else row.question
    answers = (*row.answers, CANT_TELL) if row.kind == "choice" else ()
    return Check(question, how or row.how, row.why, gain, row.minutes, name, answers)


def _read_backs(belief: Belief, evidence: Evidence, tables: Tables) -> list[Check]:
    """The leading order, to be compared point by point, once nothing of it is left open."""
    at, values, share = belief.best
    if not belief.rows or (share < tables.setting("read_back_from") and not evidence.doubted):
        return []
    line, options = belief.rows[at], belief.options[at]
    if any(max(shares.values()) < tables.setting("option_known") for shares in options.values()):
        return []
    noise = tables.setting("answer_noise")
    agree = (1.0 - noise) * share + noise * (1.0 - share)
    gain = max(entropy_bits([agree, 1.0 - agree]) - entropy_bits([noise, 1.0 - noise]), 0.0)
    gain *= 1.0 - tables.setting("cant_tell")
    code = order_code(line, values)
    found = []
    for row in tables.checks.values():
        if row.decides == ORDER:
            how = f"{row.how} The order: {in_words(line, values)}."
            both = [_check(row, gain, again=again, order=code, how=how) for again in (False, True)]
            found += [check for check in both if check.id not in evidence.asked][:1]
    return found


def in_words(row: CandidateRow, values: Sequence[str]) -> str:
    """An order as words: its description, and what its open options were found to be."""
    chosen = [f"{name.replace('_', ' ')} {value}" for name, value in zip(row.options, values, strict=True)]
    return "; ".join((row.description, *chosen))


def _in_play(row: CheckRow, belief: Belief, tables: Tables) -> bool:
    if row.classes == EVERY_CLASS:
        return True
    return sum(belief.classes.get(name, 0.0) for name in row.classes) >= tables.setting("class_in_play")


def _converts(row: CheckRow, belief: Belief, tables: Tables) -> bool:
    """Whether a conversion of a class in play waits for the answer."""
    least = tables.setting("class_in_play")
    rows = [one for one in tables.conversions.values() if one.attribute == row.decides]
    return bool(belief.rows) and any(belief.classes.get(one.from_class, 0.0) >= least for one in rows)


def gain_bits(row: CheckRow, belief: Belief, tables: Tables) -> float:
    """Expected information of one check [bit]."""
    states, blank, answered = (_numbers if row.kind == "number" else _choices)(row, belief, tables)
    if not len(states):
        return 0.0
    marginal = states @ answered + blank / answered.shape[1]
    inside = float(states @ [entropy_bits(line) for line in answered]) + blank * float(np.log2(answered.shape[1]))
    gain = max(entropy_bits(marginal) - inside, 0.0)
    return gain * (1.0 - tables.setting("cant_tell"))


def _choices(row: CheckRow, belief: Belief, tables: Tables) -> tuple[Array, float, Array]:
    """Probability of each value of a choice, of the states that have none, and (values, answers) how it is told."""
    values = meanings(row)
    p = dict.fromkeys(values, 0.0)
    if row.decides == CLASS:
        p = {value: belief.classes.get(value, 0.0) for value in values}
    for share, line, options in zip(belief.p[:-1], belief.rows, belief.options, strict=True):
        if row.decides in options:
            for value, weight in options[row.decides].items():
                p[value] = p.get(value, 0.0) + float(share) * weight
        elif (own := attribute(line, row.decides, tables)) in p:
            p[own] += float(share)
    noise = tables.setting("answer_noise")
    answered = np.full((len(values), len(values)), noise / max(len(values) - 1, 1))
    np.fill_diagonal(answered, 1.0 - noise)
    states = np.array([p[value] for value in values])
    return states, max(1.0 - float(states.sum()), 0.0), answered


def _numbers(row: CheckRow, belief: Belief, tables: Tables) -> tuple[Array, float, Array]:
    """The same for a measured answer, over the distinct sizes of the rows."""
    p: dict[tuple[float, float], float] = {}
    for share, line in zip(belief.p[:-1], belief.rows, strict=True):
        size = sizes(line, tables).get(row.decides)
        if size:
            p[size] = p.get(size, 0.0) + float(share)
    states = np.array(list(p.values()))
    return states, max(1.0 - float(states.sum()), 0.0), _readings(list(p), (row.u95 or 0.0) / 2.0, tables)


def _readings(listed: Sequence[tuple[float, float]], u: float, tables: Tables) -> Array:
    """Probability of reading each size for each true size, with the noise of an answer."""
    noise = tables.setting("answer_noise")
    lines = []
    for low, high in listed:
        spread = float(np.hypot(u, row_spread(low, high)))
        near = np.array([density(sum(other) / 2.0, spread, low, high) for other in listed])
        lines.append((1.0 - noise) * near / near.sum() + noise / len(listed))
    return np.array(lines).reshape(len(listed), len(listed))
