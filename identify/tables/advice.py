"""The rows that speak to the user: checks, faults, conversions, cautions; and the settings of the rules."""

from __future__ import annotations

from dataclasses import dataclass

from identify.tables.reader import Column, number, one_of, positive, text, whole, word_lists, words, yes_no
from identify.tables.rows import EVIDENCE

_ID = Column(text)
_SIZE = Column(positive, None)
_ORIGIN = {
    "source": Column(text),
    "evidence": Column(one_of(*EVIDENCE)),
    "confidence": Column(one_of("H", "M", "L")),
}


@dataclass(frozen=True, slots=True)
class CheckRow:
    """A question to the user.

    Parameters
    ----------
    decides : attribute, option or quantity that the answer tells; ``class`` for the class itself.
    kind : choice (one of ``answers``) or number (a measured value of the quantity ``decides``).
    answers : the user's words to the value that they mean.
    stops : answers after which nothing is ordered until the matter is mended.
    u95 : expanded uncertainty (k = 2) of a measured answer, in the unit of the quantity.
    minutes : effort.
    blocking : to be asked before any order, whatever it tells of the rows.
    """

    id: str
    classes: tuple[str, ...]
    decides: str
    kind: str
    question: str
    how: str
    why: str
    answers: dict[str, str]
    stops: tuple[str, ...]
    u95: float | None
    minutes: float
    blocking: bool
    source: str
    evidence: str
    confidence: str


def answers(cell: object) -> dict[str, str]:
    """Read ``flat | raised`` or ``several turns=screw | …``: the user's words, and the value that they mean."""
    meanings: dict[str, str] = {}
    for part in words(cell):
        said, _, meant = (piece.strip() for piece in part.partition("="))
        if not said or said in meanings:
            raise ValueError(f"{said!r} is not a new answer")
        meanings[said] = meant or said
    return meanings


CHECKS = {
    "id": _ID,
    "classes": Column(words),
    "decides": Column(text),
    "kind": Column(one_of("choice", "number")),
    "question": Column(text),
    "how": Column(text),
    "why": Column(text),
    "answers": Column(answers, {}),
    "stops": Column(words, ()),
    "u95": _SIZE,
    "minutes": Column(positive),
    "blocking": Column(yes_no),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class Fault:
    """A symptom; ``words`` are other ways in which a user tells it."""

    id: str
    classes: tuple[str, ...]
    symptom: str
    words: tuple[str, ...]
    cautions: tuple[str, ...]
    source: str
    evidence: str
    confidence: str


FAULTS = {
    "id": _ID,
    "classes": Column(words),
    "symptom": Column(text),
    "words": Column(words, ()),
    "cautions": Column(words),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class FaultCause:
    """One cause of a symptom.

    Parameters
    ----------
    fault : the symptom's row.
    rank : 1 for the likeliest cause of the symptom.
    applies : attribute to the values with which the cause can be; empty where it can be with any.
    check : what is seen or measured where it is this cause and no other.
    parts : what the remedy may need.
    """

    id: str
    fault: str
    rank: int
    cause: str
    applies: dict[str, tuple[str, ...]]
    check: str
    remedy: str
    parts: tuple[str, ...]
    source: str
    evidence: str
    confidence: str


FAULT_CAUSES = {
    "id": _ID,
    "fault": Column(text),
    "rank": Column(whole),
    "cause": Column(text),
    "applies": Column(word_lists, {}),
    "check": Column(text),
    "remedy": Column(text),
    "parts": Column(words, ()),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class ConversionRow:
    """One condition of putting another kind of head into the same body.

    Parameters
    ----------
    from_class, to : what is there, and what is wanted in its place.
    attribute : what has to be known; empty for a condition that holds always.
    by_depth : the depth of the seat against the head, where it was measured, decides instead.
    fits, fails, asks : answers by which the condition is met, broken, or left to a further check.
    met, broken, open : the reason to give in each case; ``open`` also where nothing is known.
    """

    id: str
    from_class: str
    to: str
    attribute: str
    by_depth: bool
    fits: tuple[str, ...]
    fails: tuple[str, ...]
    asks: tuple[str, ...]
    met: str
    broken: str
    open: str
    source: str
    evidence: str
    confidence: str


CONVERSIONS = {
    "id": _ID,
    "from_class": Column(text),
    "to": Column(text),
    "attribute": Column(text, ""),
    "by_depth": Column(yes_no),
    "fits": Column(words, ()),
    "fails": Column(words, ()),
    "asks": Column(words, ()),
    "met": Column(text, ""),
    "broken": Column(text, ""),
    "open": Column(text, ""),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class CautionRow:
    """A warning; a general one comes with every answer."""

    id: str
    general: bool
    text: str
    source: str
    evidence: str
    confidence: str


CAUTIONS = {"id": _ID, "general": Column(yes_no), "text": Column(text), **_ORIGIN}


@dataclass(frozen=True, slots=True)
class Setting:
    """A threshold, and the reason for it."""

    id: str
    value: float
    unit: str
    reason: str


SETTINGS = {"id": _ID, "value": Column(number), "unit": Column(text), "reason": Column(text)}
