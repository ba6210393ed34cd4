"""Posterior over the rows of replacement dimensions: discrete Bayes, written out, in log space.

p(row | evidence) is proportional to p(class) · weight(row) · ∏ p(measured value | row) · ∏ p(told answer | row).
What no row explains is kept by the state ``other``, whose sizes may lie anywhere.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from identify.model import Array
from identify.rules.evidence import Evidence, Measured, ReadBack, Told
from identify.rules.likelihood import density, mixed
from identify.tables import Tables
from identify.tables.rows import CandidateRow

OTHER = "other"
TAPER = "thread_taper"
Size = tuple[float, float]
Values = tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """Posterior over rows and over what each row leaves open.

    Parameters
    ----------
    rows : the N rows that may be ranked.
    p : (N + 1,) probabilities; the last is that of ``other``.
    orders : for each row, what its open options may be together, to the probability of it; they sum to 1.
    options : the same for each option by itself: option to the probability of each of its values.
    classes : class to the probability that the part is of it, whichever row it is.
    other_classes : the same for a part that no row lists.
    """

    rows: tuple[CandidateRow, ...]
    p: Array
    orders: tuple[dict[Values, float], ...]
    options: tuple[dict[str, dict[str, float]], ...]
    classes: dict[str, float]
    other_classes: dict[str, float]

    @property
    def best(self) -> tuple[int, Values, float]:
        """The most probable order: place of its row, values of its open options, and its probability."""
        found = [
            (float(p) * share, -at, values)
            for at, p in enumerate(self.p[:-1])
            for values, share in self.orders[at].items()
        ]
        share, at, values = max(found, default=(0.0, 0, ()))
        return -at, values, share

    @property
    def entropy_bits(self) -> float:
        """Entropy of row, open options and the class of an unlisted part together [bit]."""
        inside = sum(
            share * entropy_bits(orders.values()) for share, orders in zip(self.p[:-1], self.orders, strict=True)
        )
        return entropy_bits(self.p) + inside + float(self.p[-1]) * entropy_bits(self.other_classes.values())


def entropy_bits(p: Iterable[float]) -> float:
    """Shannon entropy of a discrete distribution [bit]."""
    return -sum(float(share) * math.log2(share) for share in p if share > 0.0)


def ranked(tables: Tables) -> tuple[CandidateRow, ...]:
    """Rows that may be ranked: rows of low confidence only ask."""
    return tuple(row for row in tables.candidates.values() if row.confidence != "L")


def sizes(row: CandidateRow, tables: Tables) -> dict[str, Size]:
    """Limits of an unworn part of this row: its own and those of its thread."""
    thread = tables.threads[row.thread].ranges if row.thread else {}
    return {**thread, **row.ranges}


def attributes(row: CandidateRow, tables: Tables) -> dict[str, str]:
    """What a row is, its thread's taper included."""
    return {name: attribute(row, name, tables) for name in (*row.attributes, *([TAPER] if row.thread else []))}


def attribute(row: CandidateRow, name: str, tables: Tables) -> str:
    """One attribute of a row; empty where it has none of that name."""
    if name == TAPER and row.thread:
        return "taper" if tables.threads[row.thread].taper else "parallel"
    return row.attributes[name][0] if name in row.attributes else ""


def believe(evidence: Evidence, tables: Tables) -> Belief:
    """Posterior of the rows of the tables under the evidence."""
    rows = () if evidence.nothing_seen else ranked(tables)
    prior = _prior(rows, evidence, tables)
    known = [sizes(row, tables) for row in rows]
    unlisted = {name: _unlisted(name, value, rows, known, tables) for name, value in evidence.measured.items()}
    log_p, orders = [], []
    for row, sized, share in zip(rows, known, prior, strict=True):
        factors, left_open = _of_row(row, sized, evidence, unlisted, tables)
        log_p.append(_log(share, *factors))
        orders.append(left_open)
    other = _other(rows, evidence, tables)
    peak = max([*log_p, *other.values()])
    others = {name: math.exp(value - peak) for name, value in other.items()}
    p = np.array([*(math.exp(value - peak) for value in log_p), math.fsum(others.values())])
    other_classes = {name: value / float(p[-1]) if p[-1] > 0 else 0.0 for name, value in others.items()}
    p /= p.sum()
    classes = {name: float(p[-1]) * share for name, share in other_classes.items()}
    for row, share in zip(rows, p[:-1], strict=True):
        classes[row.class_id] += float(share)
    options = tuple(_singly(row, order) for row, order in zip(rows, orders, strict=True))
    return Belief(rows, p, tuple(orders), options, classes, other_classes)


def _singly(row: CandidateRow, orders: Mapping[Values, float]) -> dict[str, dict[str, float]]:
    singly = {name: dict.fromkeys(values, 0.0) for name, values in row.options.items()}
    for values, share in orders.items():
        for name, value in zip(row.options, values, strict=True):
            singly[name][value] += share
    return singly


def _log(*factors: float) -> float:
    return math.fsum(math.log(max(factor, 1e-300)) for factor in factors)


def _prior(rows: tuple[CandidateRow, ...], evidence: Evidence, tables: Tables) -> list[float]:
    weight: dict[str, float] = {}
    for row in rows:
        weight[row.class_id] = weight.get(row.class_id, 0.0) + row.prior
    listed = 1.0 - tables.setting("other_share")
    return [evidence.classes[row.class_id] * listed * row.prior / weight[row.class_id] for row in rows]


def _other(rows: tuple[CandidateRow, ...], evidence: Evidence, tables: Tables) -> dict[str, float]:
    """Log weight of a part that no row lists, by its class: what its rows leave, and all where it has none."""
    listed = dict.fromkeys((row.class_id for row in rows), 1.0 - tables.setting("other_share"))
    told = [one.blank for _, one in sorted(evidence.told.items())]
    told += [_read_back(one, "", (), tables) for one in evidence.read_back]
    measured = sorted(evidence.measured.items())
    weights = {}
    for name, share in evidence.classes.items():
        fits = [_of_other(name, quantity, value, tables) for quantity, value in measured]
        silence = _silence(name, evidence, tables)
        weights[name] = _log(share * (1.0 - listed.get(name, 0.0)), silence, *fits, *told)
    return weights


def _of_row(
    row: CandidateRow, known: Mapping[str, Size], evidence: Evidence, unlisted: Mapping[str, float], tables: Tables
) -> tuple[list[float], dict[Values, float]]:
    """Likelihood factors of one row, and the posterior of what it leaves open."""
    factors = [_silence(row.class_id, evidence, tables)]
    for name, value in sorted(evidence.measured.items()):
        if name in known:
            factors.append(_match(name, value, known[name], row.confidence, tables))
        elif name not in row.options:
            factors.append(unlisted[name])
    own = attributes(row, tables)
    for name, told in sorted(evidence.told.items()):
        if name not in row.options:
            factors.append(told.likelihood.get(own[name], told.blank) if name in own else told.blank)
    each = [
        {value: _option(name, value, evidence, tables) / len(values) for value in values}
        for name, values in row.options.items()
    ]
    weights = {}
    for values in itertools.product(*each):
        heard = [_read_back(one, row.id, values, tables) for one in evidence.read_back]
        weights[values] = math.prod([one[value] for one, value in zip(each, values, strict=True)] + heard)
    total = math.fsum(weights.values())
    return [*factors, total], {values: weight / total for values, weight in weights.items()}


def _option(name: str, value: str, evidence: Evidence, tables: Tables) -> float:
    likelihood = 1.0
    told: Told | None = evidence.told.get(name)
    if told:
        likelihood *= told.likelihood.get(value, told.blank)
    if name in evidence.measured:
        likelihood *= _match(name, evidence.measured[name], (float(value), float(value)), "M", tables)
    return likelihood


def _silence(class_id: str, evidence: Evidence, tables: Tables) -> float:
    """Probability that the user can't tell what only some classes have; once, for one user's silences go together."""
    if not evidence.silent:
        return 1.0
    return tables.setting("cant_tell" if class_id in evidence.silent else "cant_tell_elsewhere")


def _read_back(heard: ReadBack, row_id: str, values: Values, tables: Tables) -> float:
    """Probability of what was said to an order that was read back, for one row and its options."""
    noise = tables.setting("answer_noise")
    true = (heard.row, heard.values) == (row_id, values)
    return 1.0 - noise if true == heard.agrees else noise


def _broad(name: str, tables: Tables) -> float:
    quantity = tables.quantities[name]
    return 1.0 / (quantity.high - quantity.low)


def _match(name: str, measured: Measured, size: Size, confidence: str, tables: Tables) -> float:
    """Density of the measured value for one size; only a row of high confidence may be ruled out by it."""
    outlier = tables.setting("gate_outlier" if confidence == "H" else "rank_outlier")
    match = density(measured.value, measured.u, *size, wear=tables.quantities[name].wear)
    return mixed(match, _broad(name, tables), outlier)


def _of_other(class_id: str, name: str, measured: Measured, tables: Tables) -> float:
    """Density for an unlisted part of a class: half anywhere, half like the sizes that may only ask."""
    broad = _broad(name, tables)
    rows = [row for row in tables.candidates.values() if row.class_id == class_id and row.confidence == "L"]
    asking = [row.ranges[name] for row in rows if name in row.ranges]
    if not asking:
        return broad
    near = math.fsum(_match(name, measured, size, "L", tables) for size in asking) / len(asking)
    return (near + broad) / 2.0


def _unlisted(
    name: str, measured: Measured, rows: tuple[CandidateRow, ...], known: list[dict[str, Size]], tables: Tables
) -> float:
    """Density for a row that does not state this size: half like the listed sizes, half anywhere.

    Without the first half a class whose sizes nobody published would lose to a class that has them.
    """
    total, weight = 0.0, 0.0
    for row, sized in zip(rows, known, strict=True):
        listed = [sized[name]] if name in sized else [(float(v), float(v)) for v in row.options.get(name, ())]
        for size in listed:
            share = row.prior / len(listed)
            total += share * _match(name, measured, size, row.confidence, tables)
            weight += share
    broad = _broad(name, tables)
    return (total / weight + broad) / 2.0 if weight else broad


def by_name(
    belief: Belief, evidence: Evidence, tables: Tables
) -> tuple[list[dict[str, float]], dict[str, dict[str, float]]]:
    """Likelihood of the evidence on each single matter: under each row, and under an unlisted part of each class."""
    rows, known = belief.rows, [sizes(row, tables) for row in belief.rows]
    unlisted = {name: _unlisted(name, value, rows, known, tables) for name, value in evidence.measured.items()}
    of_rows: list[dict[str, float]] = [{} for _ in rows]
    of_others: dict[str, dict[str, float]] = {class_id: {} for class_id in evidence.classes}
    nothing = Evidence(evidence.classes, {}, {}, nothing_seen=False, asked=frozenset())
    prior = _other(rows, nothing, tables)
    for name in sorted({*evidence.measured, *evidence.told}):
        measured = {name: evidence.measured[name]} if name in evidence.measured else {}
        told = {name: evidence.told[name]} if name in evidence.told else {}
        alone = replace(nothing, measured=measured, told=told)
        for found, row, sized in zip(of_rows, rows, known, strict=True):
            found[name] = math.prod(_of_row(row, sized, alone, unlisted, tables)[0])
        for class_id, log_p in _other(rows, alone, tables).items():
            of_others[class_id][name] = math.exp(log_p - prior[class_id])
    return of_rows, of_others
