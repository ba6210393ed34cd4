"""The frozen records of what the rules say of one part."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StockOffer:
    """A part of the shop's own list, and the probability that the part in hand is what it states.

    Rows that state the same carry one and the same probability: either will do. ``quantity`` and ``price`` are None
    where the list does not say.
    """

    part_number: str
    description: str
    quantity: int | None
    price: float | None
    probability: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """One row of replacement dimensions that the photo leaves possible.

    ``stock`` are the shop's own rows of this size, the best first; None where no stock list was given.
    """

    id: str
    description: str
    probability: float
    dimensions: dict[str, float | str]
    because: tuple[str, ...]
    sources: tuple[str, ...]
    stock: tuple[StockOffer, ...] | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """Something to look at or measure; ``effort`` in minutes, ``answers`` empty where a number is asked for."""

    question: str
    how: str
    why: str
    gain_bits: float
    effort: float
    id: str = ""
    answers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Pair:
    """Two sizes that the measurement cannot tell apart, and the check (its question and id) that can."""

    first: str
    second: str
    text: str
    question: str
    check: str


@dataclass(frozen=True, slots=True)
class Conversion:
    """Whether another kind of head would fit the same body."""

    to: str
    verdict: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning with its source."""

    text: str
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What the rules say; ``decision``: ask, order, compare or wait; ``remark``: that in words, with what is open."""

    candidates: tuple[Candidate, ...]
    checks: tuple[Check, ...]
    conversions: tuple[Conversion, ...]
    cautions: tuple[Caution, ...]
    pairs: tuple[Pair, ...] = ()
    remark: str = ""
    decision: str = ""
