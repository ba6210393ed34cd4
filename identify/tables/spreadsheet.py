"""A user's CSV or XLSX file as numbered lines of text cells, read as what it is: untrusted.

No formula is run: of an XLSX cell the value that was saved counts, of a CSV cell its characters.
"""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from identify.errors import TableError, UsageError

MAX_BYTES = 20_000_000
MAX_UNPACKED_BYTES = 100_000_000  # the longest list of 20 columns unpacks to about half of it
MAX_LINES, MAX_COLUMNS, MAX_LETTERS = 50_000, 200, 1_000
DELIMITERS = (";", "\t", ",")
LIVE = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
TEXTS, WORKBOOKS = (".csv", ".tsv", ".txt"), (".xlsx",)


@dataclass(frozen=True, slots=True)
class Line:
    """Cells of one line, stripped; ``number`` counts from 1 as the user's program shows it."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Spreadsheet:
    """A file as read: its first filled line, the filled lines after it, and what is worth saying about it."""

    file: str
    header: Line
    lines: tuple[Line, ...]
    remarks: tuple[str, ...] = ()


def read(path: Path) -> Spreadsheet:
    """Read a file.

    Raises
    ------
    UsageError
        If there is no such file, it is neither CSV nor XLSX, or XLSX can't be read here.
    TableError
        If the file is empty, too large, damaged, or in another encoding than UTF-8.
    """
    kind = path.suffix.lower()
    if kind not in (*TEXTS, *WORKBOOKS):
        raise UsageError(f"{path.name}: a stock list is a .csv or .xlsx file; save it as one of them.")
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except OSError as why:
        raise UsageError(f"Can't read {path} ({why.strerror or why}); check the name.") from why
    if len(data) > MAX_BYTES:
        raise TableError(f"{path.name}: larger than {MAX_BYTES / 1e6:.0f} MB; keep one list of parts in it.")
    found, remarks = _of_workbook(path.name, data) if kind in WORKBOOKS else (_of_text(path.name, data), ())
    lines = tuple(_kept(path.name, found))
    if not lines:
        raise TableError(f"{path.name}: is empty; begin with a line of column names.")
    return Spreadsheet(path.name, lines[0], lines[1:], remarks)


def harmless(cell: str) -> str:
    """The cell so that no spreadsheet program runs it as a formula: an apostrophe before what would start one."""
    return f"'{cell}" if cell.startswith(LIVE) else cell


def as_csv(lines: Iterable[Iterable[str]]) -> str:
    """Lines as CSV in which every cell is harmless."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([harmless(cell) for cell in line] for line in lines)
    return out.getvalue()


def _kept(file: str, lines: Iterable[Line]) -> Iterator[Line]:
    """Lines that hold anything, within the limits."""
    for line in lines:
        if line.number > MAX_LINES:
            raise TableError(f"{file}: more than {MAX_LINES} lines; split the list.")
        if len(line.cells) > MAX_COLUMNS:
            raise TableError(f"{file}:{line.number}: more than {MAX_COLUMNS} columns; keep those of the template.")
        for at, cell in enumerate(line.cells, start=1):
            if len(cell) > MAX_LETTERS:
                raise TableError(
                    f"{file}:{line.number}:{at}: a cell of more than {MAX_LETTERS} characters; "
                    "shorten it, or close a quotation mark that was left open."
                )
        if any(line.cells):
            yield line


def _of_text(file: str, data: bytes) -> Iterator[Line]:
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise TableError(f"{file}: is no text but a workbook; save it as CSV, or name it .xlsx.")
    text = _decoded(file, data)
    named = re.match(r"sep=([;,|\t])\r?\n", text)
    start = 1 if named else 0
    body = text[named.end() :] if named else text
    rows = csv.reader(io.StringIO(body, newline=""), delimiter=named[1] if named else _delimiter(body), strict=True)
    while True:
        number = rows.line_num + start + 1
        try:
            cells = next(rows)
        except StopIteration:
            return
        except csv.Error as why:
            raise TableError(f"{file}:{number}: can't be split into cells ({why}); mend its quotation marks.") from why
        yield Line(number, tuple(" ".join(cell.split()) for cell in cells))


def _decoded(file: str, data: bytes) -> str:
    try:
        text = data.decode("utf-16" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig")
    except UnicodeDecodeError as why:
        line = data.count(b"\n", 0, why.start) + 1
        raise TableError(f"{file}:{line}: is not in UTF-8; save the list as 'CSV UTF-8' or as .xlsx.") from why
    if "\0" in text:
        raise TableError(f"{file}:{text.count(chr(10), 0, text.index(chr(0))) + 1}: is no text; save the list as CSV.")
    return text


def _delimiter(text: str) -> str:
    """What splits the first filled line into most cells."""
    first = next((line for line in text.splitlines() if line.strip(" \t;,")), "")
    bare = re.sub(r'"[^"]*"', "", first)
    return max(DELIMITERS, key=bare.count)


def _of_workbook(file: str, data: bytes) -> tuple[list[Line], tuple[str, ...]]:
    try:
        import openpyxl
    except ImportError:
        raise UsageError(
            f"{file}: reading .xlsx needs openpyxl: pip install 'tapwright[stock]', or save the list as CSV."
        ) from None
    _check_unpacked(file, data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of decorations that openpyxl leaves out
        try:
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
            sheet = book.worksheets[0]
            lines = []
            for number, row in enumerate(sheet.iter_rows(values_only=True, max_col=MAX_COLUMNS + 1), start=1):
                lines.append(Line(number, _trimmed(row)))
                if number > MAX_LINES:
                    break
            others = [each.title for each in book.worksheets[1:]]
        except Exception as why:  # a damaged workbook makes openpyxl raise whatever its parts raise
            raise TableError(f"{file}: is no sound .xlsx workbook; open it, and save it again or as CSV.") from why
    unread = (f"Only the first sheet, {sheet.title!r}, is read; not {', '.join(map(repr, others))}.",) if others else ()
    return lines, unread


def _check_unpacked(file: str, data: bytes) -> None:
    """Refuse a small file that unpacks to a huge one; zipfile never unpacks more than the size stated here."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(part.file_size for part in archive.infolist())
    except (zipfile.BadZipFile, ValueError, OverflowError, NotImplementedError, EOFError) as why:
        raise TableError(f"{file}: is no sound .xlsx workbook; save it again without a password, or as CSV.") from why
    if unpacked > MAX_UNPACKED_BYTES:
        raise TableError(f"{file}: unpacks to {unpacked / 1e6:.0f} MB, too much for a stock list; save it as CSV.")


def _trimmed(row: Iterable[Any]) -> tuple[str, ...]:
    cells = [_cell(value) for value in row]
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, datetime | date):
        return f"{value:%Y-%m-%d}"
    return " ".join(str(value).split())
