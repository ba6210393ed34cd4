"""The schedule: a row a photo, what needs a look first; counts by place and class; the parts list."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import overload

from identify import retake, tables
from identify.model import UNSURE
from identify.survey import carry
from identify.survey.decisions import Decision
from identify.survey.sheet import Cell, Sheet
from identify.survey.taps import LOOKS as LOOKS
from identify.survey.taps import UNREADABLE, Row, is_part, joined, urgency

INSIDE = "insert: it can't be known from outside, candidates are not an order"
OPEN = "class: the photo leaves it open"
SIZE = "size: not measured"


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
        """Schedule, counts, parts, cautions and candidates."""
        return self._photos(), self._counts(), self._parts(), self._cautions(), self._candidates()

    def _photos(self) -> Sheet:
        heads = ["look first", *self.place_names, "photo", "tap", "fitting", "could also be", "variety"]
        heads += ["check on site", "note", "decided by"]
        more = ["same tap as", "class", "probability", "program said", "view", "measured", "advice", "cautions"]
        numbers, shares = {"tap": int, "probability": float}, ("probability",)
        rows = _Lines(self.rows)
        return Sheet("schedule", (*heads, *more), rows, numbers, shares, printed=len(heads), flag=heads[0])

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
            name = row.likely if is_part(row.likely) else UNSURE
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

    def _candidates(self) -> Sheet:
        """What may be inside the installed taps, of which nobody has seen the insert."""
        installed: Counter[carry.Seen] = Counter()
        for row in self.taps.values():
            if _is_installed(row) and is_part(row.likely):
                installed[carry.seen_as(row.likely, _kinds(row))] += 1
        return carry.candidates(installed)


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
    return Schedule(tuple(place_names), tuple(sorted(joined(in_order), key=lambda row: (urgency(row), row.shot.file))))


def _file(row: Row) -> str:
    return row.shot.file


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
        *(row.look_first, *row.shot.places, row.shot.file, row.tap or ""),
        _name(row.answer) if sure else "",
        "; ".join(others),
        "; ".join(f"{name}: {answer} ({how})" for name, answer, how in _varieties(row)),
        "; ".join(_to_check(row)),
        "" if decision is None or decision.file != row.shot.file else decision.note,
        _decided_by(row),
        row.first,
        row.answer,
        "" if found is None else found.probability,
        "" if decision is None else row.said,
        "" if found is None else found.view,
        "" if found is None else "; ".join(found.measured),
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
    if _is_installed(row):
        yield INSIDE
    elif found is None or not found.measured:
        yield SIZE


def _is_installed(row: Row) -> bool:
    return row.finding is not None and row.finding.view == retake.INSTALLED


def _kinds(row: Row) -> list[tuple[str, str, float]]:
    """Name, answer and probability of the varieties that go with the class that stands; 1 where a person decided."""
    kinds = tables.load().classes[row.answer].varieties if row.decision is not None else None
    found = row.finding.varieties if row.finding is not None else ()
    told = {name: (answer, p) for name, answer, p in found if kinds is None or name in kinds}
    told |= {name: (answer, 1.0) for name, answer in (row.decision.varieties if row.decision else ())}
    return [(name, *told[name]) for name in sorted(told)]


def _varieties(row: Row) -> list[tuple[str, str, str]]:
    """Name as said, answer and how it is known: decided, or with which probability."""
    decided = {name for name, _ in row.decision.varieties} if row.decision else set()
    return [
        (name.replace("_", " "), answer, "decided" if name in decided else f"{p:.0%}")
        for name, answer, p in _kinds(row)
    ]


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


def _name(name: str) -> str:
    return "not known" if name == UNSURE else tables.load().fitting(name).name
