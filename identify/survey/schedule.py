"""The schedule: a row a photo, what needs a look first; counts by place and class; the parts list."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import overload

from identify import pipeline, tables
from identify.model import UNSURE
from identify.survey import likeness
from identify.survey.decisions import Decision
from identify.survey.finding import Finding
from identify.survey.sheet import Cell, Sheet
from identify.survey.site import Shot

UNREADABLE = "unreadable"
LOOKS = (UNSURE, UNREADABLE, "several classes", "joined", "")  # what needs a look, first things first
INSIDE = "insert: it can't be known from outside, candidates are not an order"
OPEN = "class: the photo leaves it open"
SIZE = "size: not measured"


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
        return LOOKS[_urgency(self)]


@dataclass(frozen=True, slots=True)
class Schedule:
    """All rows of a survey, those that need a look first; ``place_names`` as the pattern has them."""

    place_names: tuple[str, ...]
    rows: tuple[Row, ...] = field(default=())

    @property
    def taps(self) -> dict[int, Row]:
        """The most telling photo of each tap: a decided one first, a sure one before an unsure, the more probable."""
        best: dict[int, Row] = {}
        for row in sorted(self.rows, key=_telling):
            if row.tap:
                best.setdefault(row.tap, row)
        return best

    @property
    def queue(self) -> tuple[Row, ...]:
        """The rows that a person should look at, the most doubtful first."""
        return tuple(row for row in self.rows if row.look_first)

    def sheets(self) -> tuple[Sheet, ...]:
        """Schedule, counts, parts and cautions."""
        return self._photos(), self._counts(), self._parts(), self._cautions()

    def _photos(self) -> Sheet:
        heads = ["look first", *self.place_names, "photo", "tap", "same tap as", "fitting", "probability"]
        heads += ["could also be", "variety", "measured", "check on site", "note", "decided by"]
        wide = ["class", "program said", "view", "advice", "cautions"]
        numbers = {"tap": int, "probability": float}
        return Sheet("schedule", (*heads, *wide), _Lines(self.rows), numbers, printed=len(heads), flag=heads[0])

    def _counts(self) -> Sheet:
        photos = Counter((row.shot.places, row.answer) for row in self.rows)
        taps = Counter((row.shot.places, row.answer) for row in self.taps.values())
        lines: list[tuple[Cell, ...]] = [(*key[0], key[1], photos[key], taps[key]) for key in sorted(photos)]
        total: tuple[Cell, ...] = (*("" for _ in self.place_names[1:]), "all", "", len(self.rows), len(self.taps))
        numbers = {"photos": int, "taps": int}
        return Sheet("counts", (*self.place_names, "class", *numbers), (*lines, total), numbers)

    def _parts(self) -> Sheet:
        sure, likely, kinds = Counter[str](), Counter[str](), dict[str, Counter[str]]()
        checks: dict[str, list[str]] = {}
        for row in self.taps.values():
            name = row.likely if _is_part(row.likely) else UNSURE
            (likely if row.answer == UNSURE else sure)[name] += 1
            kinds.setdefault(name, Counter()).update(f"{kind}: {answer}" for kind, answer, _ in _varieties(row))
            checks.setdefault(name, []).extend(_to_check(row))
        heads = ("class", "part", "taps", "of them unsure", "varieties seen", "check on site")
        lines = [
            (
                name,
                _name(name),
                sure[name] + likely[name],
                likely[name],
                _tally(kinds[name]),
                _tally(Counter(checks[name])),
            )
            for name in sorted(kinds)
        ]
        return Sheet("parts", heads, tuple(lines), {"taps": int, "of them unsure": int})

    def _cautions(self) -> Sheet:
        known = tables.load()
        wanted = _caution_keys({row.likely for row in self.rows if row.likely})
        rows = [(warning.text, warning.source) for warning in known.warnings(wanted)]
        return Sheet("cautions", ("caution", "source"), tuple(rows))


def draw_up(
    place_names: Sequence[str], rows: Iterable[Row], decided: Mapping[tuple[str, str], Decision] | None = None
) -> Schedule:
    """The schedule of these photos: taps numbered and near-duplicates joined in the order of the files.

    Parameters
    ----------
    decided : what people decided, by file and SHA-256 of the photo.
    """
    known = decided or {}
    in_order = sorted((replace(row, decision=known.get((row.shot.file, row.sha256))) for row in rows), key=_file)
    joined = _carried(_Taps().joined(in_order))
    return Schedule(tuple(place_names), tuple(sorted(joined, key=lambda row: (_urgency(row), row.shot.file))))


@dataclass(slots=True)
class _Tap:
    """``said`` and ``decided`` are the sure answer and the decision of its photos so far."""

    number: int
    leader: Row
    said: str
    decided: str = ""


class _Taps:
    """Photos of one place that are nearly one picture get one tap, unless they are sure of different classes.

    What the program said joins them, so that a decision about one photo holds for the others of its tap and changes
    no tap's number; decisions for different classes, or that a photo stands apart, part them.
    """

    def __init__(self) -> None:
        self._here: dict[tuple[str, ...], list[_Tap]] = {}
        self._count = 0

    def joined(self, rows: Sequence[Row]) -> list[Row]:
        """The rows with tap numbers: what only a person saw a fitting on comes last."""
        seen = [self._join(row) if row.said == UNSURE or _is_part(row.said) else row for row in rows]
        return [
            self._join(row) if not row.tap and row.decision is not None and _is_part(row.answer) else row
            for row in seen
        ]

    def _join(self, row: Row) -> Row:
        here = self._here.setdefault(row.shot.places, [])
        said = row.said if _is_part(row.said) else UNSURE
        decided = "" if row.decision is None else row.decision.answer
        apart = row.decision is not None and row.decision.apart
        tap = None if apart else next((tap for tap in here if _is_of(row, said, decided, tap)), None)
        if tap is not None:
            tap.said = said if tap.said == UNSURE else tap.said
            tap.decided = tap.decided or decided
            return replace(row, tap=tap.number, first=tap.leader.shot.file)
        self._count += 1
        numbered = replace(row, tap=self._count)
        if not apart:
            here.append(_Tap(self._count, numbered, said, decided))
        return numbered


def _is_of(row: Row, said: str, decided: str, tap: _Tap) -> bool:
    if row.finding is None or tap.leader.finding is None:
        return False
    parted = decided and tap.decided and decided != tap.decided
    agree = UNSURE in (tap.said, said) or tap.said == said
    return not parted and agree and likeness.alike(tap.leader.finding.likeness, row.finding.likeness)


def _carried(rows: Sequence[Row]) -> Iterator[Row]:
    """A decision about one photo holds for the others of its tap; what shows no fitting has no tap."""
    decisions = {row.tap: row.decision for row in reversed(rows) if row.decision is not None and row.tap}
    for row in rows:
        stands = replace(row, decision=row.decision or decisions.get(row.tap))
        yield stands if stands.answer == UNSURE or _is_part(stands.answer) else replace(stands, tap=0, first="")


def _file(row: Row) -> str:
    return row.shot.file


def _urgency(row: Row) -> int:
    if row.decision is not None:
        return LOOKS.index("")
    if row.answer == UNSURE:
        return 0
    if row.finding is None:
        return 1
    if len(row.finding.prediction_set) > 1:
        return 2
    return 3 if row.first else LOOKS.index("")


def _telling(row: Row) -> tuple[bool, bool, float, str]:
    probability = row.finding.probability if row.finding is not None else 0.0
    return row.decision is None, row.answer == UNSURE, -probability, row.shot.file


class _Lines(Sequence[tuple[Cell, ...]]):
    """The cells of each row, made when they are asked for: all of them at once would take more room than the rows."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self._rows = rows

    def __len__(self) -> int:
        return len(self._rows)

    @overload
    def __getitem__(self, number: int) -> tuple[Cell, ...]: ...
    @overload
    def __getitem__(self, number: slice) -> _Lines: ...
    def __getitem__(self, number: int | slice) -> tuple[Cell, ...] | _Lines:
        return _Lines(self._rows[number]) if isinstance(number, slice) else _cells(self._rows[number])


def _cells(row: Row) -> tuple[Cell, ...]:
    found, decision = row.finding, row.decision
    sure = row.answer not in (UNSURE, UNREADABLE)
    possible = {row.answer} if found is None or decision is not None else {*found.prediction_set, found.likely}
    others = () if found is None else [_name(name) for name in found.prediction_set if name != row.answer]
    return (
        *(row.look_first, *row.shot.places, row.shot.file, row.tap or "", row.first),
        _name(row.answer) if sure else "",
        "" if found is None else found.probability,
        "; ".join(others),
        "; ".join(f"{name}: {answer} ({how})" for name, answer, how in _varieties(row)),
        "" if found is None else "; ".join(found.measured),
        "; ".join(_to_check(row)),
        "" if decision is None or decision.file != row.shot.file else decision.note,
        _decided_by(row),
        row.answer,
        "" if decision is None else row.said,
        "" if found is None else found.view,
        row.error if found is None else " ".join(found.advice),
        "; ".join(_short(key) for key in _caution_keys(possible)) if row.tap else "",
    )


def _decided_by(row: Row) -> str:
    decision = row.decision
    if decision is None:
        return ""
    as_other = "" if decision.file == row.shot.file else f" (on {decision.file})"
    return f"{decision.by or 'a person'}, {decision.at[:16].replace('T', ' ')} UTC{as_other}"


def _to_check(row: Row) -> Iterator[str]:
    found = row.finding
    if row.decision is None and found is not None and (found.answer == UNSURE or len(found.prediction_set) > 1):
        yield OPEN
    if not row.tap:
        return
    if found is not None and found.view == pipeline.INSTALLED:
        yield INSIDE
    elif found is None or not found.measured:
        yield SIZE


def _varieties(row: Row) -> list[tuple[str, str, str]]:
    """Name, answer and how it is known: decided, or with which probability."""
    kinds = tables.load().classes[row.answer].varieties if row.decision is not None else None
    found = row.finding.varieties if row.finding is not None else ()
    told = {name: (answer, f"{p:.0%}") for name, answer, p in found if kinds is None or name in kinds}
    told |= {name: (answer, "decided") for name, answer in (row.decision.varieties if row.decision else ())}
    return [(name.replace("_", " "), *told[name]) for name in sorted(told)]


def _tally(counts: Counter[str]) -> str:
    return "; ".join(f"{text} ({count})" for text, count in sorted(counts.items()))


def _caution_keys(classes: Iterable[str]) -> list[str]:
    """General cautions, then those of every class that may be there, each once."""
    known = tables.load()
    keys = [name for name, row in known.cautions.items() if row.general]
    keys += [key for name in sorted(classes) for key in known.fitting(name).cautions]
    return list(dict.fromkeys(keys))


def _short(key: str) -> str:
    """The first clause of a caution; the cautions' own sheet has it in full."""
    return re.split(r"[,:.;]\s", tables.load().cautions[key].text)[0].rstrip(".")


def _is_part(name: str) -> bool:
    row = tables.load().classes.get(name)
    return row is not None and row.part


def _name(name: str) -> str:
    return "not known" if name == UNSURE else tables.load().fitting(name).name
