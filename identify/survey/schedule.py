"""The schedule: a row a photo, what needs a look first; counts by place and class; the parts list."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from identify import pipeline, tables
from identify.model import UNSURE
from identify.survey import likeness
from identify.survey.finding import Finding
from identify.survey.sheet import Cell, Sheet
from identify.survey.site import Shot

UNREADABLE = "unreadable"
INSIDE = "insert: it can't be known from outside, candidates are not an order"
OPEN = "class: the photo leaves it open"
SIZE = "size: not measured"


@dataclass(frozen=True, slots=True)
class Row:
    """One photo: its finding, or the reason why there is none.

    Parameters
    ----------
    tap : number of the tap that it shows, from 1; 0 where no fitting is seen or nothing could be read.
    first : the first photo of that tap, where this is another one nearly like it.
    """

    shot: Shot
    finding: Finding | None = None
    error: str = ""
    tap: int = 0
    first: str = ""

    @property
    def answer(self) -> str:
        """Class id, unsure or unreadable."""
        return UNREADABLE if self.finding is None else self.finding.answer

    @property
    def shows_tap(self) -> bool:
        """Whether a fitting is, or may be, in view."""
        return self.finding is not None and (self.answer == UNSURE or _is_part(self.answer))


@dataclass(frozen=True, slots=True)
class Schedule:
    """All rows of a survey, those that need a look first; ``place_names`` as the pattern has them."""

    place_names: tuple[str, ...]
    rows: tuple[Row, ...] = field(default=())

    @property
    def taps(self) -> dict[int, Row]:
        """The most telling photo of each tap: a sure one before an unsure one, then the more probable."""
        best: dict[int, Row] = {}
        for row in sorted(self.rows, key=_telling):
            if row.tap:
                best.setdefault(row.tap, row)
        return best

    def sheets(self) -> tuple[Sheet, ...]:
        """Schedule, counts, parts and cautions."""
        return self._photos(), self._counts(), self._parts(), self._cautions()

    def _photos(self) -> Sheet:
        heads = ["look first", *self.place_names, "photo", "tap", "same tap as", "class", "fitting", "probability"]
        heads += ["could also be", "variety", "view", "check on site", "measured", "advice", "cautions"]
        return Sheet("schedule", tuple(heads), tuple(_cells(row) for row in self.rows))

    def _counts(self) -> Sheet:
        photos = Counter((row.shot.places, row.answer) for row in self.rows)
        taps = Counter((row.shot.places, row.answer) for row in self.taps.values())
        lines: list[tuple[Cell, ...]] = [(*key[0], key[1], photos[key], taps[key]) for key in sorted(photos)]
        total: tuple[Cell, ...] = (*("" for _ in self.place_names[1:]), "all", "", len(self.rows), len(self.taps))
        return Sheet("counts", (*self.place_names, "class", "photos", "taps"), (*lines, total))

    def _parts(self) -> Sheet:
        sure, likely, kinds = Counter[str](), Counter[str](), dict[str, Counter[str]]()
        checks: dict[str, list[str]] = {}
        for row in self.taps.values():
            assert row.finding is not None
            name = row.finding.likely if _is_part(row.finding.likely) else UNSURE
            (likely if row.answer == UNSURE else sure)[name] += 1
            kinds.setdefault(name, Counter()).update(_varieties(row.finding))
            checks.setdefault(name, []).extend(_to_check(row, row.finding))
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
        return Sheet("parts", heads, tuple(lines))

    def _cautions(self) -> Sheet:
        known = tables.load()
        wanted = _caution_keys({row.finding.likely for row in self.rows if row.finding is not None})
        rows = [(warning.text, warning.source) for warning in known.warnings(wanted)]
        return Sheet("cautions", ("caution", "source"), tuple(rows))


def draw_up(place_names: Sequence[str], rows: Iterable[Row]) -> Schedule:
    """The schedule of these photos: taps numbered and near-duplicates joined in the order of the files."""
    in_order = _joined(sorted(rows, key=lambda row: row.shot.file))
    return Schedule(tuple(place_names), tuple(sorted(in_order, key=lambda row: (_urgency(row), row.shot.file))))


def _joined(rows: Sequence[Row]) -> Iterator[Row]:
    """Photos of one place that are nearly one picture get one tap, unless they are sure of different classes."""
    leaders: dict[tuple[str, ...], list[Row]] = {}
    count = 0
    for row in rows:
        if not row.shows_tap:
            yield row
            continue
        here = leaders.setdefault(row.shot.places, [])
        first = next((leader for leader in here if _same_tap(leader, row)), None)
        if first is None:
            count += 1
            numbered = replace(row, tap=count)
            here.append(numbered)
            yield numbered
        else:
            yield replace(row, tap=first.tap, first=first.shot.file)


def _same_tap(one: Row, other: Row) -> bool:
    assert one.finding is not None
    assert other.finding is not None
    agree = UNSURE in (one.answer, other.answer) or one.answer == other.answer
    return agree and likeness.alike(one.finding.likeness, other.finding.likeness)


def _urgency(row: Row) -> int:
    if row.answer == UNSURE:
        return 0
    if row.finding is None:
        return 1
    return 2 if len(row.finding.prediction_set) > 1 else 3


def _telling(row: Row) -> tuple[bool, float, str]:
    return row.answer == UNSURE, -(row.finding.probability if row.finding is not None else 0.0), row.shot.file


def _cells(row: Row) -> tuple[Cell, ...]:
    found = row.finding
    start = (("unsure", "unreadable", "several classes", "")[_urgency(row)], *row.shot.places, row.shot.file)
    if found is None:
        return (*start, "", "", UNREADABLE, "", "", "", "", "", "", "", row.error, "")
    others = [_name(name) for name in found.prediction_set if name != found.answer]
    return (
        *start,
        row.tap or "",
        row.first,
        found.answer,
        "" if found.answer == UNSURE else _name(found.answer),
        found.probability,
        "; ".join(others),
        "; ".join(f"{name.replace('_', ' ')}: {answer} ({p:.0%})" for name, answer, p in found.varieties),
        found.view,
        "; ".join(_to_check(row, found)),
        "; ".join(found.measured),
        " ".join(found.advice),
        "; ".join(_short(key) for key in _caution_keys({*found.prediction_set, found.likely})) if row.tap else "",
    )


def _to_check(row: Row, found: Finding) -> Iterator[str]:
    if found.answer == UNSURE or len(found.prediction_set) > 1:
        yield OPEN
    if not row.shows_tap:
        return
    if found.view == pipeline.INSTALLED:
        yield INSIDE
    elif not found.measured:
        yield SIZE


def _varieties(found: Finding) -> list[str]:
    return [f"{name.replace('_', ' ')}: {answer}" for name, answer, _ in found.varieties]


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
    return tables.load().fitting(name).part


def _name(name: str) -> str:
    return "not known" if name == UNSURE else tables.load().fitting(name).name
