"""A shop's own rows ranked beside the generic rows, by the same Bayes.

The rows of a stock list that fit a generic row share its probability with the rest of that size, and lift it by what
they state beyond it:

    p(row and variant | evidence) ∝ p(row | evidence) · w(variant) · p(evidence | variant) / p(evidence | row)

A variant that states no more than its generic row has the ratio 1, so that a list which says nothing new moves
nothing. What no generic row lists takes its share of ``other``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from identify.model import Array, Candidate, StockOffer
from identify.rules.belief import Belief, Size, Values, by_name, sizes
from identify.rules.evidence import Evidence
from identify.rules.likelihood import densities, mixed
from identify.rules.shelf import Indices, Shelf, lay_out
from identify.tables import Tables
from identify.tables.stock import OWN, Stock

SOURCE = "the shop's own stock list"
MOST_OFFERED, MOST_ROWS = 20, 20
LEAST_OF_BEST, LEAST_ROW = 0.01, 0.001
Offers = dict[str, tuple[StockOffer, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Ranked:
    """A belief with a stock list.

    Parameters
    ----------
    belief : the generic rows and ``other``, moved by what the list states beyond them.
    shown : the same with own rows that belong to no generic row and hold a thousandth or more, taken out of ``other``.
    offers : id of a row of ``shown`` to the shop's rows, the most probable first; those that are there come first
        on equal terms.
    """

    belief: Belief
    shown: Belief
    offers: Offers


def rank(belief: Belief, evidence: Evidence, stock: Stock, tables: Tables) -> Ranked:
    """Rank a stock list beside the generic rows of a belief."""
    if evidence.nothing_seen:
        return Ranked(belief, belief, {})
    shelf = lay_out(stock, tables)
    of_rows, of_others = by_name(belief, evidence, tables)
    families, left = [], []
    for row, share, alone in zip(belief.rows, belief.p[:-1], of_rows, strict=True):
        at, shared = shelf.families[row.id]
        outlier = tables.setting("gate_outlier" if row.confidence == "H" else "rank_outlier")
        ratio = _ratio(shelf, at, sizes(row, tables), evidence, alone, outlier, tables)
        weight = (1.0 - tables.setting("other_share")) * shared / max(1.0, float(shared.sum()))
        families.append(share * weight * ratio)
        left.append(float(share) * (1.0 - float(weight.sum())))
    unlisted, others = _unlisted(shelf, belief, evidence, of_others, tables)
    total = sum(left) + sum(others.values()) + sum(float(mass.sum()) for mass in (*families, *unlisted.values()))
    offers = {
        row.id: _offers(shelf, shelf.families[row.id][0], mass / total)
        for row, mass in zip(belief.rows, families, strict=True)
    }
    p = [(rest + float(mass.sum())) / total for rest, mass in zip(left, families, strict=True)]
    whole = {name: (others[name] + float(unlisted[name].sum())) / total for name in others}
    moved = _moved(belief, p, whole)
    shown, own = _shown(moved, shelf, {name: mass / total for name, mass in unlisted.items()}, whole)
    return Ranked(moved, shown, offers | own)


def _unlisted(
    shelf: Shelf,
    belief: Belief,
    evidence: Evidence,
    of_others: dict[str, dict[str, float]],
    tables: Tables,
) -> tuple[dict[str, Array], dict[str, float]]:
    """For each class the masses of its own variants of no generic row, and what they leave of its ``other``."""
    found, left = {}, {}
    for name, within in belief.other_classes.items():
        share = float(belief.p[-1]) * within
        at = shelf.unlisted[name]
        weight = tables.setting("stock_share") if len(at) else 0.0
        ratio = _ratio(shelf, at, {}, evidence, of_others[name], tables.setting("rank_outlier"), tables)
        found[name] = share * weight * ratio / max(len(at), 1)
        left[name] = share * (1.0 - weight)
    return found, left


def _moved(belief: Belief, p: Sequence[float], others: dict[str, float]) -> Belief:
    """The belief with other probabilities of its rows, and of an unlisted part of each class."""
    rest = math.fsum(others.values())
    classes = dict(others)
    for row, share in zip(belief.rows, p, strict=True):
        classes[row.class_id] += share
    within = {name: share / rest if rest > 0.0 else 0.0 for name, share in others.items()}
    return replace(belief, p=np.array([*p, rest]), classes=classes, other_classes=within)


def _shown(belief: Belief, shelf: Shelf, unlisted: dict[str, Array], others: dict[str, float]) -> tuple[Belief, Offers]:
    """The belief with the best of the unlisted variants as rows beside ``other``, and their offers."""
    at = np.concatenate([shelf.unlisted[name] for name in unlisted])
    p = np.concatenate(list(unlisted.values()))
    best = [k for k in np.argsort(-p, kind="stable")[:MOST_ROWS] if p[k] >= LEAST_ROW]
    rows = tuple(shelf.members[at[k]][0].row for k in best)
    left = dict(others)
    for row, k in zip(rows, best, strict=True):
        left[row.class_id] = max(left[row.class_id] - float(p[k]), 0.0)
    orders: tuple[dict[Values, float], ...] = tuple({(): 1.0} for _ in rows)
    longer = replace(
        belief,
        rows=(*belief.rows, *rows),
        orders=(*belief.orders, *orders),
        options=(*belief.options, *({} for _ in rows)),
    )
    offers = {row.id: _offers(shelf, at[[k]], p[[k]]) for row, k in zip(rows, best, strict=True)}
    return _moved(longer, [*belief.p[:-1].tolist(), *(float(p[k]) for k in best)], left), offers


def _ratio(
    shelf: Shelf,
    at: Indices,
    known: dict[str, Size],
    evidence: Evidence,
    alone: dict[str, float],
    outlier: float,
    tables: Tables,
) -> Array:
    """(n,) likelihood of each variant over that of the row it refines; 1 for what it does not state.

    Where both state a size, the part lies within both.
    """
    ratio = np.ones(len(at))
    for name, whole in alone.items():
        stated, likelihood = np.zeros(len(at), bool), np.ones(len(at))
        if name in shelf.low:
            low, high = (np.asarray(side[name][at]) for side in (shelf.low, shelf.high))
            stated |= ~np.isnan(low)
            likelihood = likelihood * _told_size(low, high, name, evidence)
            if name in known:
                low, high = np.maximum(low, known[name][0]), np.minimum(high, known[name][1])
            if name in evidence.measured:
                measured, quantity = evidence.measured[name], tables.quantities[name]
                match = densities(measured.value, measured.u, low, high, wear=quantity.wear)
                match = mixed(match, 1.0 / (quantity.high - quantity.low), outlier)
                likelihood = likelihood * match
        elif name in shelf.codes and name in evidence.told:
            told = evidence.told[name]
            heard = np.array([told.likelihood.get(word, told.blank) for word in shelf.words[name]] + [1.0])
            stated, likelihood = shelf.codes[name][at] >= 0, heard[shelf.codes[name][at]]
        ratio *= np.where(stated, likelihood / max(whole, 1e-300), 1.0)
    return ratio


def _told_size(low: Array, high: Array, name: str, evidence: Evidence) -> Array:
    """(n,) likelihood of an answer that chose among sizes, such as a number of splines; 1 where none did."""
    told = evidence.told.get(name)
    if told is None:
        return np.ones(len(low))
    heard = np.full(len(low), told.blank)
    for value, likelihood in told.likelihood.items():
        heard[(low <= float(value)) & (float(value) <= high)] = likelihood
    return heard


def _offers(shelf: Shelf, at: Indices, p: Array) -> tuple[StockOffer, ...]:
    """Rows of the most probable variants; on equal terms those that are there come first."""
    found = []
    for k in np.argsort(-p, kind="stable")[:MOST_OFFERED]:
        if p[k] > 0.0 and p[k] >= LEAST_OF_BEST * p.max():
            found += [
                StockOffer(each.part_number, each.row.description, each.quantity, each.price, float(p[k]))
                for each in shelf.members[at[k]]
            ]
    return tuple(
        sorted(found, key=lambda each: (-each.probability, each.quantity == 0, each.part_number))[:MOST_OFFERED]
    )


def with_offers(candidates: Sequence[Candidate], offers: Offers) -> tuple[Candidate, ...]:
    """Candidates with what the shop has of each; one that only its list knows names it as the source."""
    return tuple(
        replace(each, stock=offers.get(each.id, ()), sources=(SOURCE,) if each.id.startswith(OWN) else each.sources)
        for each in candidates
    )
