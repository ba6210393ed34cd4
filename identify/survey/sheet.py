"""Tables of text and numbers as CSV, XLSX or Parquet files in which no cell is a formula."""

from __future__ import annotations

import contextlib
import csv
import importlib.util
import io
import os
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from identify.errors import UsageError
from identify.survey import store
from identify.survey.store import Place, Url

Cell = str | int | float
Picture = Callable[[int], bytes | None]  # number of a row of the first sheet to a small JPEG

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
MOST_LETTERS = 32_000  # a cell of a spreadsheet holds 32,767
WIDEST, NARROWEST = 60, 8  # columns, in letters
PICTURE_PX = 96
NEEDS = {".xlsx": ("XlsxWriter", "survey"), ".csv": ("", ""), ".parquet": ("pyarrow", "parquet")}  # package, extra


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table; each row has as many cells as there are heads.

    Parameters
    ----------
    numbers : the columns that hold whole numbers or fractions, with int or float; an empty text there is no number.
    """

    name: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numbers: Mapping[str, type] = field(default_factory=dict)


def check(out: Place, *, pictures: bool = False) -> None:
    """Raise UsageError where a schedule can't be written to that name."""
    kind = out.suffix.lower()
    if kind not in NEEDS:
        raise UsageError(f"{out} ends in none of {', '.join(NEEDS)}; name the schedule, for example schedule.xlsx.")
    package, extra = NEEDS[kind]
    if package and importlib.util.find_spec(package.lower()) is None:
        raise UsageError(f"{out} needs {package}: pip install 'tapwright[{extra}]', or name a .csv.")
    if isinstance(out, Url):
        store.check(out)
    if pictures and kind != ".xlsx":
        raise UsageError(f"{out} can't hold thumbnails; name an .xlsx.")


def write(out: Place, sheets: Sequence[Sheet], picture: Picture | None = None) -> tuple[Place, ...]:
    """Write one workbook, or one CSV or Parquet file a sheet: ``schedule.csv``, ``schedule-counts.csv`` …

    Each file is written whole or not at all.

    Returns
    -------
    tuple of Path or Url
        The files, the first sheet's first.

    Raises
    ------
    UsageError
        A file can't be written.
    """
    if out.suffix.lower() == ".xlsx":
        contents: dict[Place, bytes] = {out: _workbook(sheets, picture)}
    else:
        content_of = parquet if out.suffix.lower() == ".parquet" else csv_text
        first, *others = sheets
        contents = {out: content_of(first)} | {
            out.with_name(f"{out.stem}-{sheet.name}{out.suffix}"): content_of(sheet) for sheet in others
        }
    for path, content in contents.items():
        put(path, content)
    return tuple(contents)


def put(path: Place, content: bytes) -> None:
    """Write a file whole or not at all; into a store as that store does it.

    Raises
    ------
    UsageError
        It can't be written.
    """
    if isinstance(path, Url):
        store.put(path, content)
        return
    try:
        with _whole(path) as part:
            part.write_bytes(content)
    except OSError as why:
        raise UsageError(f"Can't write {path} ({why.strerror or why}); close it, or name another --out.") from why


@contextlib.contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """A name to write to beside ``path``, which takes its place at the end."""
    part = path.with_name(f".{path.name}.part")
    try:
        yield part
        os.replace(part, path)  # noqa: PTH105 - the same call that the documentation promises to be atomic
    finally:
        part.unlink(missing_ok=True)


def csv_text(sheet: Sheet) -> bytes:
    """UTF-8 with a byte-order mark, by which spreadsheets know it."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(sheet.heads)
    writer.writerows([_safe(cell) for cell in row] for row in sheet.rows)
    return text.getvalue().encode("utf-8-sig")


def parquet(sheet: Sheet) -> bytes:
    """One column a head, of the same type whatever the rows are; no program takes its texts for formulas."""
    import pyarrow
    from pyarrow.parquet import write_table

    columns = {}
    for number, head in enumerate(sheet.heads):
        cells = [row[number] for row in sheet.rows]
        if (kind := sheet.numbers.get(head)) is None:
            columns[head] = pyarrow.array([_plain(str(cell)) for cell in cells], pyarrow.string())
        else:
            whole = pyarrow.int64() if kind is int else pyarrow.float64()
            columns[head] = pyarrow.array([None if cell == "" else cell for cell in cells], whole)
    file = pyarrow.BufferOutputStream()
    write_table(pyarrow.table(columns), file)
    return file.getvalue().to_pybytes()


def _safe(cell: Cell) -> Cell:
    """A text that a spreadsheet would take for a formula begins with an apostrophe; numbers stay numbers.

    Examples
    --------
    >>> _safe("=1+1"), _safe("a=1"), _safe(-2)
    ("'=1+1", 'a=1', -2)
    """
    if not isinstance(cell, str):
        return cell
    text = _plain(cell)
    return "'" + text if text.lstrip(" \N{NO-BREAK SPACE}").startswith(FORMULA) else text


def _plain(text: str) -> str:
    """No control characters, nothing that UTF-8 can't say, not too long."""
    kept = "".join(" " if unicodedata.category(letter) in ("Cc", "Cs") else letter for letter in text)
    return kept[:MOST_LETTERS]


def _workbook(sheets: Sequence[Sheet], picture: Picture | None) -> bytes:
    import xlsxwriter

    file = io.BytesIO()
    settings = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(file, settings) as book:
        bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
        for number, sheet in enumerate(sheets):
            page = book.add_worksheet(sheet.name)
            page.freeze_panes(1, 0)
            page.autofilter(0, 0, max(1, len(sheet.rows)), len(sheet.heads) - 1)
            page.write_row(0, 0, sheet.heads, bold)
            for column in range(len(sheet.heads)):
                page.set_column(column, column, _width(sheet, column))
            for line, row in enumerate(sheet.rows, start=1):
                for column, cell in enumerate(row):
                    if isinstance(cell, str) and cell:
                        page.write_string(line, column, _plain(cell), wrapped)
                    elif not isinstance(cell, str):
                        page.write_number(line, column, cell, wrapped)
            if number == 0 and picture is not None:
                _hang(page, sheet, picture, bold)
    return file.getvalue()


def _hang(page: Any, sheet: Sheet, picture: Picture, bold: Any) -> None:
    """A small picture at the end of each row."""
    column = len(sheet.heads)
    page.write_string(0, column, "picture", bold)
    page.set_column_pixels(column, column, PICTURE_PX + 8)
    for number in range(len(sheet.rows)):
        if (data := picture(number)) is not None:
            page.set_row_pixels(number + 1, PICTURE_PX + 8)
            place = {"image_data": io.BytesIO(data), "x_offset": 4, "y_offset": 4, "object_position": 2}
            page.insert_image(number + 1, column, "photo.jpg", place)


def _width(sheet: Sheet, column: int) -> int:
    longest = max([len(sheet.heads[column]) + 3, *(len(str(row[column])) for row in sheet.rows)])
    return min(WIDEST, max(NARROWEST, longest))
