"""A stock list laid out for ranking: arrays of what its rows state, and the generic rows to which they belong."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from identify.model import Array
from identify.rules.belief import attributes, ranked, sizes
from identify.tables import Tables
from identify.tables.rows import CandidateRow
from identify.tables.stock import Stock, StockRow

THREAD = "thread"
Indices = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Shelf:
    """The V variants of a stock list: rows that state the same are one, since nothing that is asked tells them apart.

    Parameters
    ----------
    members : the rows of each variant by part number; the variants are in the order of their first part number.
    low, high : quantity to (V,) least and most; NaN where a variant does not state it.
    codes, words : attribute to (V,) index into its words; -1 where a variant does not state it.
    families : generic row to the variants that belong to it and the share of each that does; a variant of several
        generic rows is shared among them by their weight.
    unlisted : class to the variants that belong to no generic row.
    """

    members: tuple[tuple[StockRow, ...], ...]
    low: dict[str, Array]
    high: dict[str, Array]
    codes: dict[str, Indices]
    words: dict[str, tuple[str, ...]]
    families: dict[str, tuple[Indices, Array]]
    unlisted: dict[str, Indices]


@lru_cache(maxsize=4)
def lay_out(stock: Stock, tables: Tables) -> Shelf:
    """The shelf of a stock list; made once for a list and its tables, the same for any order of its rows."""
    variants: dict[tuple[object, ...], list[StockRow]] = {}
    for each in sorted(stock.rows, key=lambda each: each.part_number):
        stated = sizes(each.row, tables), _stated(each.row, tables)
        key = (each.row.class_id, *(tuple(sorted(one.items())) for one in stated))
        variants.setdefault(key, []).append(each)
    firsts = [rows[0].row for rows in variants.values()]
    spans_of = [sizes(row, tables) for row in firsts]
    none = (np.nan, np.nan)
    low = {name: np.array([spans.get(name, none)[0] for spans in spans_of]) for name in tables.quantities}
    high = {name: np.array([spans.get(name, none)[1] for spans in spans_of]) for name in tables.quantities}
    words_of = [_stated(row, tables) for row in firsts]
    names = sorted({name for own in words_of for name in own})
    words = {name: tuple(sorted({own[name] for own in words_of if name in own})) for name in names}
    codes = {}
    for name, known in words.items():
        index = {word: at for at, word in enumerate(known)} | {"": -1}
        codes[name] = np.array([index[own.get(name, "")] for own in words_of])
    shelf = Shelf(tuple(map(tuple, variants.values())), low, high, codes, words, {}, {})
    classes = np.array([row.class_id for row in firsts])
    _assign(shelf, classes, tables)
    return shelf


def _stated(row: CandidateRow, tables: Tables) -> dict[str, str]:
    """Attributes, the thread among them."""
    return attributes(row, tables) | ({THREAD: row.thread} if row.thread else {})


def _assign(shelf: Shelf, classes: NDArray[np.str_], tables: Tables) -> None:
    """Fill in families and unlisted."""
    rows = ranked(tables)
    belongs = [_belongs(shelf, classes == row.class_id, row, tables) for row in rows]
    weight = np.zeros(len(classes))
    for row, own in zip(rows, belongs, strict=True):
        weight += row.prior * own
    for row, own in zip(rows, belongs, strict=True):
        at = np.flatnonzero(own)
        shelf.families[row.id] = (at, row.prior / weight[at])
    for name in tables.classes:
        shelf.unlisted[name] = np.flatnonzero((weight == 0.0) & (classes == name))


def _belongs(shelf: Shelf, own_class: NDArray[np.bool_], row: CandidateRow, tables: Tables) -> NDArray[np.bool_]:
    """Which variants contradict a generic row in nothing that both state."""
    own = own_class.copy()
    for name, (low, high) in sizes(row, tables).items():
        own &= ~((shelf.low[name] > high) | (shelf.high[name] < low))
    for name, word in _stated(row, tables).items():
        own &= _one_of(shelf, name, (word,))
    for name, values in row.options.items():
        if name in tables.quantities:
            inside = [(shelf.low[name] <= float(value)) & (float(value) <= shelf.high[name]) for value in values]
            own &= np.isnan(shelf.low[name]) | np.any(inside, axis=0)
        else:
            own &= _one_of(shelf, name, values)
    return own


def _one_of(shelf: Shelf, name: str, values: tuple[str, ...]) -> NDArray[np.bool_] | bool:
    """Which variants state one of the values, or nothing."""
    if name not in shelf.codes:
        return True
    allowed = np.array([word in values for word in shelf.words[name]] + [True])
    return allowed[shelf.codes[name]]
