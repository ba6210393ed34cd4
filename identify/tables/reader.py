"""Reads one table file cell by cell; a bad cell becomes a problem with its file, line and column."""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Parse = Callable[[Any], Any]


class _Needed:
    """Marks a column that may not be empty."""


NEEDED: Any = _Needed()


@dataclass(frozen=True, slots=True)
class Column:
    """How a cell is read, and what an empty cell means (``NEEDED``: an empty cell is a problem)."""

    parse: Parse
    default: Any = NEEDED


Schema = Mapping[str, Column]


@dataclass(frozen=True, slots=True)
class Entry:
    """One row or block as read: its values, and the place of each for messages."""

    file: str
    line: int
    values: dict[str, Any]
    places: dict[str, str]

    def place(self, column: str) -> str:
        """Place of a cell as ``file:line:column (name)``."""
        return self.places.get(column, f"{self.file}:{self.line}:1 ({column})")


def text(cell: Any) -> str:
    """Read a text cell; any other kind of value is refused."""
    if not isinstance(cell, str):
        raise ValueError(f"{cell!r} is not a text")
    return cell.strip()


def number(cell: Any) -> float:
    """Read a finite number; text of a CSV cell or a TOML number."""
    if isinstance(cell, bool) or not isinstance(cell, str | int | float):
        raise ValueError(f"{cell!r} is not a number")
    try:
        value = float(cell)
    except ValueError:
        raise ValueError(f"{cell!r} is not a number") from None
    if value != value or value in (float("inf"), float("-inf")):
        raise ValueError(f"{cell!r} is not a finite number")
    return value


def positive(cell: Any) -> float:
    """Read a number above zero."""
    value = number(cell)
    if value <= 0:
        raise ValueError(f"{cell!r} is not above zero")
    return value


def whole(cell: Any) -> int:
    """Read a whole number above zero."""
    value = positive(cell)
    if value != int(value):
        raise ValueError(f"{cell!r} is not a whole number")
    return int(value)


def yes_no(cell: Any) -> bool:
    """Read yes or no, or a TOML boolean."""
    if isinstance(cell, bool):
        return cell
    if cell not in ("yes", "no"):
        raise ValueError(f"{cell!r} is not yes or no")
    return bool(cell == "yes")


def one_of(*words: str) -> Parse:
    """Parser of a word out of a closed list."""

    def parse(cell: Any) -> str:
        if cell not in words:
            raise ValueError(f"{cell!r} is not one of {', '.join(words)}")
        return str(cell)

    return parse


def words(cell: Any) -> tuple[str, ...]:
    """Read a list: ``a | b | c`` in a CSV cell, or a TOML array of texts."""
    parts = cell.split("|") if isinstance(cell, str) else cell
    if not isinstance(parts, list) or not all(isinstance(part, str) and part.strip() for part in parts):
        raise ValueError(f"{cell!r} is not a list of words")
    return tuple(part.strip() for part in parts)


def word_lists(cell: Any) -> dict[str, tuple[str, ...]]:
    """Read ``name=a|b; name=c`` of a CSV cell, or a TOML table of arrays."""
    if isinstance(cell, dict):
        return {name: words(value) for name, value in cell.items()}
    lists: dict[str, tuple[str, ...]] = {}
    for part in text(cell).split(";"):
        name, equals, value = (piece.strip() for piece in part.partition("="))
        if not (name and equals and value) or name in lists:
            raise ValueError(f"{part.strip()!r} is not a new name=value")
        lists[name] = words(value)
    return lists


def ranges(cell: Any) -> dict[str, tuple[float, float]]:
    """Read ``name=35+-0.3; name=8..9`` as the lowest and highest value of each name."""
    spans: dict[str, tuple[float, float]] = {}
    for name, values in word_lists(cell).items():
        low, dots, high = values[0].partition("..")
        middle, plus, half = values[0].partition("+-")
        if dots:
            spans[name] = (number(low), number(high))
        elif plus:
            spans[name] = (number(middle) - number(half), number(middle) + number(half))
        else:
            raise ValueError(f"{values[0]!r} is neither low..high nor value+-tolerance")
        if spans[name][0] > spans[name][1]:
            raise ValueError(f"{name}: least {spans[name][0]:g} is above most {spans[name][1]:g}")
    return spans


def read_csv(path: Path, schema: Schema, problems: list[str]) -> list[Entry]:
    """Rows of a CSV file.

    Parameters
    ----------
    schema : column name to its reader; the header holds exactly these names.
    problems : gets a line ``file:line:column (name): what is wrong`` for each fault.
    """
    entries: list[Entry] = []
    with path.open(newline="", encoding="utf-8") as stream:
        rows = csv.reader(stream)
        header = next(rows, [])
        _check_header(path.name, header, schema, problems)
        for cells in rows:
            line = rows.line_num
            if len(cells) != len(header):
                problems.append(f"{path.name}:{line}:{len(cells)}: {len(cells)} cells, the header has {len(header)}.")
                continue
            places = {name: f"{path.name}:{line}:{at} ({name})" for at, name in enumerate(header, start=1)}
            given = {name: cell for name, cell in zip(header, cells, strict=True) if cell != "" and name in schema}
            entry = _entry(path.name, line, given, places, schema, problems)
            if entry:
                entries.append(entry)
    return entries


def _check_header(file: str, header: list[str], schema: Schema, problems: list[str]) -> None:
    for at, name in enumerate(header, start=1):
        if name not in schema:
            problems.append(f"{file}:1:{at} ({name}): unknown column; known: {', '.join(schema)}.")
        elif name in header[: at - 1]:
            problems.append(f"{file}:1:{at} ({name}): column named twice.")
    for name in schema:
        if name not in header:
            problems.append(f"{file}:1:{len(header)} ({name}): column is missing.")


def read_toml(path: Path, schema: Schema, problems: list[str]) -> list[Entry]:
    """Blocks of a TOML file, the block's name as ``id``; see `read_csv`."""
    source = path.read_text(encoding="utf-8")
    try:
        blocks = tomllib.loads(source)
    except tomllib.TOMLDecodeError as error:
        problems.append(_toml_problem(path.name, error, source))
        return []
    entries = []
    for name, block in blocks.items():
        line, places = _toml_places(path.name, source, name)
        if not isinstance(block, dict):
            problems.append(f"{path.name}:{line}:1 ({name}): stands outside a block; begin with [name].")
            continue
        unknown = [key for key in block if key not in schema]
        problems += [f"{places.get(key, f'{path.name}:{line}:1 ({key})')}: unknown key in [{name}]." for key in unknown]
        given = {"id": name} | {key: value for key, value in block.items() if key in schema}
        entry = _entry(path.name, line, given, places, schema, problems)
        if entry:
            entries.append(entry)
    return entries


def _toml_problem(file: str, error: tomllib.TOMLDecodeError, source: str) -> str:
    match = re.search(r"\s*\(at line (\d+), column (\d+)\)$", str(error))
    line, column = (int(match[1]), int(match[2])) if match else (source.count("\n") + 1, 1)
    what = str(error)[: match.start()] if match else str(error)
    return f"{file}:{line}:{column}: {what[:1].lower()}{what[1:]}."


def _toml_places(file: str, source: str, block: str) -> tuple[int, dict[str, str]]:
    """Line of a block's header, and the place of each of its keys."""
    start, places, inside = 1, {}, False
    for at, line in enumerate(source.splitlines(), start=1):
        header = re.fullmatch(r"\s*\[\s*([^\]]+?)\s*\]\s*(#.*)?", line)
        if header:
            inside = header[1].strip("\"'") == block
            start = at if inside else start
        key = re.match(r"\s*([A-Za-z0-9_-]+)\s*=", line)
        if key and (inside or key[1] == block):
            places[key[1]] = f"{file}:{at}:{key.start(1) + 1} ({key[1]})"
            start = at if key[1] == block and not inside else start
    return start, places


def _entry(
    file: str, line: int, given: dict[str, Any], places: dict[str, str], schema: Schema, problems: list[str]
) -> Entry | None:
    entry = Entry(file, line, {}, places)
    sound = True
    for name, column in schema.items():
        if name in given:
            try:
                entry.values[name] = column.parse(given[name])
            except ValueError as error:
                problems.append(f"{entry.place(name)}: {error}.")
                sound = False
        elif column.default is NEEDED:
            problems.append(f"{entry.place(name)}: is empty; a value is needed.")
            sound = False
        else:
            entry.values[name] = column.default
    return entry if sound else None
