"""A photo's row, and which rows show one tap: near-duplicates of one place, and what a person decided about them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from identify import tables
from identify.model import UNSURE
from identify.survey import likeness
from identify.survey.decisions import Decision
from identify.survey.finding import Finding
from identify.survey.site import Shot

UNREADABLE = "unreadable"
LOOKS = (UNSURE, UNREADABLE, "several classes", "joined", "")  # what needs a look, first things first


@dataclass(frozen=True, slots=True)
class Row:
    """One photo: its finding, or the reason why there is none; and what a person decided.

    Parameters
    ----------
    sha256 : of the photo; empty where it could not be read.
    tap : number of the tap that it shows, from 1; 0 where no fitting is seen or nothing could be read.
    first : the first photo of that tap, where this is another one nearly like it.
    decision : about this photo, or about another one of the same tap.
    """

    shot: Shot
    finding: Finding | None = None
    error: str = ""
    sha256: str = ""
    tap: int = 0
    first: str = ""
    decision: Decision | None = None

    @property
    def said(self) -> str:
        """What the program said: class id, unsure or unreadable."""
        return UNREADABLE if self.finding is None else self.finding.answer

    @property
    def answer(self) -> str:
        """What stands: the person's class id where there is one."""
        return self.said if self.decision is None else self.decision.answer

    @property
    def likely(self) -> str:
        """The class that is or may be there; empty where nothing is known."""
        if self.decision is not None:
            return self.decision.answer
        return "" if self.finding is None else self.finding.likely

    @property
    def look_first(self) -> str:
        """Why a person should look at this photo; empty where that need not be."""
        return LOOKS[urgency(self)]


def joined(rows: Sequence[Row]) -> Iterator[Row]:
    """The rows, which are in the order of their files, with their taps' numbers and decisions."""
    return _carried(_Taps().joined(rows))


@dataclass(slots=True)
class _Tap:
    """``first`` is its first photo; ``said`` and ``decided`` are its photos' sure answer and decision so far."""

    number: int
    first: str
    said: str
    decided: str = ""


@dataclass(slots=True)
class _Place:
    """The taps of one place that have been read, and what their first photos look like."""

    taps: list[_Tap] = field(default_factory=list)
    marks: likeness.Marks = field(default_factory=likeness.Marks)


class _Taps:
    """Photos of one place that look like one thing get one tap, unless they are sure of different classes.

    What the program said joins them, so that a decision about one photo holds for the others of its tap and changes
    no tap's number; decisions for different classes, or that a photo stands apart, part them.
    """

    def __init__(self) -> None:
        self._here: dict[tuple[str, ...], _Place] = {}
        self._count = 0

    def joined(self, rows: Sequence[Row]) -> list[Row]:
        """The rows with tap numbers: what only a person saw a fitting on comes last."""
        seen = [self._join(row) if row.said == UNSURE or is_part(row.said) else row for row in rows]
        return [
            self._join(row) if not row.tap and row.decision is not None and is_part(row.answer) else row for row in seen
        ]

    def _join(self, row: Row) -> Row:
        here = self._here.setdefault(row.shot.places, _Place())
        said = row.said if is_part(row.said) else UNSURE
        decided = "" if row.decision is None else row.decision.answer
        apart = row.decision is not None and row.decision.apart
        tap = None if apart else next((tap for tap in _like(row, here) if _agree(tap, said, decided)), None)
        if tap is not None:
            tap.said = said if tap.said == UNSURE else tap.said
            tap.decided = tap.decided or decided
            return replace(row, tap=tap.number, first=tap.first)
        self._count += 1
        if row.finding is not None and not apart:
            here.taps.append(_Tap(self._count, row.shot.file, said, decided))
            here.marks.add(row.finding.likeness, row.finding.traits)
        return replace(row, tap=self._count)


def _like(row: Row, here: _Place) -> Iterator[_Tap]:
    found = row.finding
    return iter(()) if found is None else (here.taps[n] for n in here.marks.like(found.likeness, found.traits))


def _agree(tap: _Tap, said: str, decided: str) -> bool:
    parted = decided and tap.decided and decided != tap.decided
    return not parted and (UNSURE in (tap.said, said) or tap.said == said)


def _carried(rows: Sequence[Row]) -> Iterator[Row]:
    """A decision about one photo holds for the others of its tap; what shows no fitting has no tap."""
    decisions = {row.tap: row.decision for row in reversed(rows) if row.decision is not None and row.tap}
    for row in rows:
        stands = replace(row, decision=row.decision or decisions.get(row.tap))
        yield stands if stands.answer == UNSURE or is_part(stands.answer) else replace(stands, tap=0, first="")


def urgency(row: Row) -> int:
    """Place among :data:`LOOKS`."""
    if row.decision is not None:
        return LOOKS.index("")
    if row.answer == UNSURE:
        return 0
    if row.finding is None:
        return 1
    if len(row.finding.prediction_set) > 1:
        return 2
    return 3 if row.first else LOOKS.index("")


def is_part(name: str) -> bool:
    """Whether a class id, or another word for an answer, is one of a fitting."""
    row = tables.load().classes.get(name)
    return row is not None and row.part
