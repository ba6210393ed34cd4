"""Tables of text and numbers as CSV, XLSX or Parquet files in which no cell is a formula."""

from __future__ import annotations

import codecs
import contextlib
import csv
import importlib.util
import io
import itertools
import os
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from identify.errors import UsageError
from identify.survey import store
from identify.survey.store import Place, Url

Cell = str | int | float
Picture = Callable[[int], bytes | None]  # number of a row of the first sheet to a small JPEG

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
PICTURE_PX = 96
MOST_LETTERS = 32_000  # a cell of a spreadsheet holds 32,767
NEEDS = {".xlsx": ("XlsxWriter", "survey"), ".csv": ("", ""), ".parquet": ("pyarrow", "parquet")}  # package, extra


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table; each row has as many cells as there are heads.

    Parameters
    ----------
    numbers : the columns that hold whole numbers (int) or fractions (float); an empty text there is no number.
    shares : those of them that are shares of one, shown as percentages in a workbook.
    printed : how many columns are printed; the others are for the screen. 0 prints all.
    flag : the column whose filled cells stand out in a workbook.
    """

    name: str
    heads: tuple[str, ...]
    rows: Sequence[tuple[Cell, ...]]
    numbers: Mapping[str, type] = field(default_factory=dict)
    shares: tuple[str, ...] = ()
    printed: int = 0
    flag: str = ""


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
    kind = out.suffix.lower()
    if kind == ".xlsx":
        _workbook(out, sheets, picture)
        return (out,)
    first, *others = sheets
    files = {out: first} | {out.with_name(f"{out.stem}-{sheet.name}{out.suffix}"): sheet for sheet in others}
    for path, sheet in files.items():
        put(path, [parquet(sheet)] if kind == ".parquet" else csv_lines(sheet))
    return tuple(files)


def put(path: Place, content: Iterable[bytes]) -> None:
    """Write a file piece by piece, whole or not at all; into a store as that store does it.

    Raises
    ------
    UsageError
        It can't be written.
    """
    if isinstance(path, Url):
        store.put(path, b"".join(content))
        return
    with whole(path) as part, part.open("wb") as file:
        file.writelines(content)


def _workbook(out: Place, sheets: Sequence[Sheet], picture: Picture | None) -> None:
    from identify.survey import workbook

    if isinstance(out, Url):
        file = io.BytesIO()
        workbook.save(file, sheets, picture)
        store.put(out, file.getvalue())
    else:
        with whole(out) as part:
            workbook.save(part, sheets, picture)


@contextlib.contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A name to write to beside ``path``, which takes its place at the end. UsageError where it can't be written."""
    part = path.with_name(f".{path.name}.part")
    try:
        yield part
        os.replace(part, path)  # noqa: PTH105 - the same call that the documentation promises to be atomic
    except OSError as why:
        raise UsageError(f"Can't write {path} ({why.strerror or why}); close it, or name another --out.") from why
    finally:
        part.unlink(missing_ok=True)


def csv_lines(sheet: Sheet) -> Iterator[bytes]:
    """UTF-8 with a byte-order mark, by which spreadsheets know it."""
    yield codecs.BOM_UTF8
    for row in itertools.chain([sheet.heads], sheet.rows):
        text = io.StringIO()
        csv.writer(text).writerow([_safe(cell) for cell in row])
        yield text.getvalue().encode("utf-8")


def csv_text(sheet: Sheet) -> bytes:
    """The whole of :func:`csv_lines`."""
    return b"".join(csv_lines(sheet))


def parquet(sheet: Sheet) -> bytes:
    """One column a head, of the same type whatever the rows are; no program takes its texts for formulas."""
    import pyarrow
    from pyarrow.parquet import write_table

    columns = {}
    for number, head in enumerate(sheet.heads):
        cells = [row[number] for row in sheet.rows]
        if (kind := sheet.numbers.get(head)) is None:
            columns[head] = pyarrow.array([plain(str(cell)) for cell in cells], pyarrow.string())
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
    text = plain(cell)
    return "'" + text if text.lstrip(" \N{NO-BREAK SPACE}").startswith(FORMULA) else text


def plain(text: str) -> str:
    """No control characters, nothing that UTF-8 can't say, not too long."""
    kept = "".join(" " if unicodedata.category(letter) in ("Cc", "Cs") else letter for letter in text)
    return kept[:MOST_LETTERS]
