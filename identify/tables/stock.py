"""A shop's own stock list: read as a whole or refused as a whole, with every fault in its line and column."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from identify.errors import TableError
from identify.tables import Tables, columns, load, spreadsheet
from identify.tables.columns import CLASS, DESCRIPTION, IN_STOCK, PART_NUMBER, PRICE, THREAD, TOLERANCE, Vocabulary
from identify.tables.rows import CandidateRow
from identify.tables.spreadsheet import Line, Spreadsheet

OWN = "stock:"
NEEDED = (PART_NUMBER, CLASS)
SHOWN_LETTERS = 40


@dataclass(frozen=True, slots=True)
class Problem:
    """One cell, or line, that can't be taken: where it is, what it says, and what to do."""

    file: str
    line: int
    column: int
    name: str
    value: str
    reason: str

    def __str__(self) -> str:
        """``file:line:column (name): 'value' reason.``, as the tables' own problems read."""
        cut = self.value if len(self.value) <= SHOWN_LETTERS else f"{self.value[: SHOWN_LETTERS - 1]}…"
        said = f"{cut!r} " if self.value else ""
        name = "".join(letter if letter.isprintable() else "?" for letter in self.name)
        return f"{self.file}:{self.line}:{self.column} ({name}): {said}{self.reason}."


@dataclass(frozen=True, slots=True)
class StockRow:
    """One part of the shop: ``row`` is what it states, in the words of the tables.

    ``quantity`` and ``price`` are None where the list does not say.
    """

    part_number: str
    quantity: int | None
    price: float | None
    row: CandidateRow
    line: int


@dataclass(frozen=True, slots=True, eq=False)
class Stock:
    """A stock list that was taken, in the order of its file."""

    rows: tuple[StockRow, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Examined:
    """What reading a list gave: its stock or, where it has any problem, none; ``remarks`` do not hinder."""

    stock: Stock | None
    problems: tuple[Problem, ...]
    remarks: tuple[str, ...]


def read(path: Path, tables: Tables | None = None) -> Stock:
    """Stock list of a CSV or XLSX file; see `examine`.

    Raises
    ------
    UsageError
        If the file can't be opened, or is of another kind.
    TableError
        If any cell can't be taken; the message tells the first problem and counts the others.
    """
    found = examine(path, tables)
    if found.stock is None:
        count = len(found.problems) - 1
        more = f" ({count} more; tapwright stock check lists them all.)" if count else ""
        raise TableError(f"{found.problems[0]}{more}")
    return found.stock


def examine(path: Path, tables: Tables | None = None) -> Examined:
    """Read a list with all of its problems.

    Raises
    ------
    UsageError
        If the file can't be opened, or is of another kind.
    TableError
        If the file as a whole can't be read: it is empty, damaged or too large.
    """
    tables = tables or load()
    sheet = spreadsheet.read(path)
    words = columns.vocabulary(tables)
    problems: list[Problem] = []
    header, unknown = _header(sheet.file, sheet.header, words, problems)
    remarks = list(sheet.remarks)
    if unknown:
        remarks.append(f"Columns that mean nothing here are left out: {', '.join(unknown)}.")
    rows = []
    if all(name in header for name in NEEDED):
        reader = _Reader(sheet, header, words, tables, problems)
        rows = [row for line in sheet.lines if (row := reader.row(line)) is not None]
    if not sheet.lines:
        problems.append(Problem(sheet.file, sheet.header.number, 1, PART_NUMBER, "", "no part stands below the header"))
    if problems:
        return Examined(None, tuple(sorted(problems, key=lambda each: (each.line, each.column))), tuple(remarks))
    bare = [row.part_number for row in rows if not (row.row.thread or row.row.ranges or row.row.attributes)]
    if bare:
        remarks.append(f"{len(bare)} rows state a class only and are offered for all of it: {bare[0]} and so on.")
    return Examined(Stock(tuple(rows)), (), tuple(remarks))


def _header(file: str, line: Line, words: Vocabulary, problems: list[Problem]) -> tuple[dict[str, int], list[str]]:
    """Index of each known column, and the names of the unknown ones."""
    known: dict[str, int] = {}
    unknown = []
    for at, name in enumerate(line.cells):
        place = (file, line.number, at + 1, name or "no name", "")
        try:
            column = words.column(name)
        except ValueError as why:
            problems.append(Problem(*place, str(why)))
            continue
        if not column:
            unknown += [name] if name else []
        elif column in known:
            first = line.cells[known[column]]
            problems.append(Problem(*place, f"means {column} as {first!r} does; keep one of the two"))
        else:
            known[column] = at
    for name in NEEDED:
        if name not in known:
            what = "the column is missing; see tapwright stock template"
            problems.append(Problem(file, line.number, len(line.cells), name, "", what))
    return known, unknown


class _Reader:
    """Reads line after line; what is wrong goes to ``problems``."""

    def __init__(
        self, sheet: Spreadsheet, header: dict[str, int], words: Vocabulary, tables: Tables, problems: list[Problem]
    ) -> None:
        self._file, self._width = sheet.file, len(sheet.header.cells)
        self._header, self._tables, self._problems = header, tables, problems
        self._attributes = [name for name in words.attributes if name in header]
        self._first: dict[str, int] = {}
        parsers: dict[str, Any] = {name: partial(words.word, name) for name in words.words}
        parsers |= {name: partial(columns.size, quantity=quantity) for name, quantity in tables.quantities.items()}
        parsers |= {f"{name}{TOLERANCE}": columns.tolerance for name in tables.quantities}
        parsers |= {PART_NUMBER: columns.shown, DESCRIPTION: columns.shown}
        parsers |= {IN_STOCK: columns.pieces, PRICE: columns.price}
        self._parsers = {name: lru_cache(maxsize=4096)(parse) for name, parse in parsers.items() if name in header}

    def row(self, line: Line) -> StockRow | None:
        """The row of a line, or None where it has a problem."""
        before = len(self._problems)
        given = self._given(line)
        ranges = self._ranges(line, given)
        number = given.get(PART_NUMBER, "")
        self._check_number(line, number)
        for name in NEEDED:
            if not self._cell(line, name):
                self._refuse(line, name, "is empty; a value is needed")
        thread = given.get(THREAD, "")
        if thread and len(self._problems) == before:
            self._check_thread(line, thread, ranges)
        if len(self._problems) > before:
            return None
        described = given.get(DESCRIPTION) or f"{self._tables.classes[given[CLASS]].name} {number}"
        attributes: dict[str, tuple[str, ...]] = {name: (given[name],) for name in self._attributes if name in given}
        origin = {"source": "", "evidence": "own stock list", "confidence": "M"}
        row = CandidateRow(OWN + number, given[CLASS], described, 1.0, attributes, {}, thread, ranges, **origin)
        return StockRow(number, given.get(IN_STOCK), given.get(PRICE), row, line.number)

    def _given(self, line: Line) -> dict[str, Any]:
        """Values of the filled cells that could be read."""
        wide = 1 + max((at for at, cell in enumerate(line.cells) if cell), default=0)
        if wide > self._width:
            what = f"has {wide} cells, more than the header; put a number with a decimal comma in quotation marks"
            self._problems.append(Problem(self._file, line.number, wide, "line", "", what))
            return {}
        given: dict[str, Any] = {}
        for name in self._header:
            if cell := self._cell(line, name):
                try:
                    given[name] = self._parsers[name](cell)
                except ValueError as why:
                    self._refuse(line, name, str(why))
        return given

    def _cell(self, line: Line, name: str) -> str:
        at = self._header[name]
        return line.cells[at] if at < len(line.cells) else ""

    def _refuse(self, line: Line, name: str, reason: str) -> None:
        cell = self._cell(line, name)
        self._problems.append(Problem(self._file, line.number, self._header[name] + 1, name, cell, reason))

    def _ranges(self, line: Line, given: Mapping[str, Any]) -> dict[str, tuple[float, float]]:
        """Sizes with the tolerances of their own columns."""
        ranges = {}
        for name in self._tables.quantities:
            half = given.get(f"{name}{TOLERANCE}")
            if half is not None and not self._cell(line, name):
                self._refuse(line, f"{name}{TOLERANCE}", f"stands without a {name}; give the size too")
            if name not in given:
                continue
            low, high = given[name]
            if half is not None:
                middle = (low + high) / 2.0
                low, high = round(middle - half, 6), round(middle + half, 6)
            ranges[name] = (low, high)
        return ranges

    def _check_number(self, line: Line, number: str) -> None:
        if not number:
            return
        first = self._first.setdefault(number, line.number)
        if first != line.number:
            self._refuse(line, PART_NUMBER, f"is already in line {first}; give each part one line")

    def _check_thread(self, line: Line, thread: str, ranges: Mapping[str, tuple[float, float]]) -> None:
        for name, (low, high) in self._tables.threads[thread].ranges.items():
            least, most = ranges.get(name, (low, high))
            if least > high or most < low:
                span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
                self._refuse(line, name, f"is not of a {thread} thread ({span}); mend one, or leave one empty")


def template(tables: Tables | None = None) -> str:
    """A list to fill in, as CSV: the names of all columns and two invented rows."""
    tables = tables or load()
    words = columns.vocabulary(tables)
    names = [PART_NUMBER, CLASS, DESCRIPTION, IN_STOCK, PRICE, THREAD]
    for name, quantity in tables.quantities.items():
        unit = "_mm" if quantity.unit == "mm" else ""
        names += [f"{name}{unit}", f"{name}{TOLERANCE}_mm"] if unit else [name]
    names += words.attributes
    lines = [names]
    for number, row in enumerate(_examples(tables), start=1):
        size = {f"{name}_mm": f"{(low + high) / 2.0:g}" for name, (low, high) in row.ranges.items()}
        half = {f"{name}{TOLERANCE}_mm": f"{(high - low) / 2.0:g}" for name, (low, high) in row.ranges.items()}
        said = {name: values[0] for name, values in row.attributes.items()}
        own = {PART_NUMBER: f"EXAMPLE-{number}", CLASS: row.class_id, DESCRIPTION: "invented: overwrite this line"}
        cells = own | {IN_STOCK: "12", PRICE: "9.50", THREAD: row.thread} | size | half | said
        lines.append([cells.get(name, "") for name in names])
    return spreadsheet.as_csv(lines)


def _examples(tables: Tables) -> list[CandidateRow]:
    """The first row with a thread, and the first with a size of its own."""
    rows = list(tables.candidates.values())
    return [next(row for row in rows if row.thread), next(row for row in rows if row.ranges)]


def as_csv(problems: tuple[Problem, ...]) -> str:
    """Problems as CSV for a spreadsheet program, each cell harmless."""
    head = ["line", "column", "name", "value", "reason"]
    return spreadsheet.as_csv(
        [head, *([str(each.line), str(each.column), each.name, each.value, each.reason] for each in problems)]
    )
