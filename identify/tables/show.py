"""The tables as text, each row with where it comes from."""

from __future__ import annotations

import textwrap
from dataclasses import fields
from typing import Any

from identify.errors import UsageError
from identify.tables import load
from identify.tables.files import FILES, candidate_files
from identify.tables.reader import read_csv
from identify.tables.rows import CANDIDATES

WIDTH = 110
CELL = 34
HIDDEN = ("evidence", "use_source", "use_confidence")


def names() -> tuple[str, ...]:
    """Names of the tables, in the order of the list of files."""
    fixed = [file.partition(".")[0] for file in FILES]
    return (*fixed, *(path.stem for path in candidate_files()))


def lines(name: str) -> str:
    """One table as text, with the titles of its sources below.

    Raises
    ------
    UsageError
        If no table has that name.
    """
    tables = load()
    cells = [{field.name: _cell(getattr(row, field.name)) for field in fields(row)} for row in rows(name)]
    used = [column for column in cells[0] if any(row[column] for row in cells)] if cells else []
    long = [column for column in used[1:] if max(len(row[column]) for row in cells) > CELL]
    body = _blocks(cells, used) if len(long) > 1 else _columns(cells, used, long)
    keys = dict.fromkeys(row["source"] for row in cells if row.get("source"))
    sources = [tables.sources[key] for key in keys]
    notes = [f"  {source.id}: {source.title} ({source.edition}); {source.kind}" for source in sources]
    legend = ["", "Sources", *notes, "Confidence: H may rule a row out, M ranks, L only asks."] if notes else []
    return "\n".join([*body, *legend])


def rows(name: str) -> list[Any]:
    """Rows of one table as records.

    Raises
    ------
    UsageError
        If no table has that name.
    """
    if name not in names():
        raise UsageError(f"No table {name!r}. Known: {', '.join(names())}.")
    tables = load()
    for path in candidate_files():
        if path.stem == name:
            return [tables.candidates[entry.values["id"]] for entry in read_csv(path, CANDIDATES, [])]
    return list(getattr(tables, name).values())


def _cell(value: Any) -> str:
    if value is None or value == () or value == {}:
        return ""
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, tuple):
        return " | ".join(str(part) for part in value)
    if isinstance(value, dict):
        return "; ".join(f"{key}: {_span(part)}" for key, part in value.items())
    return str(value)


def _span(value: Any) -> str:
    if isinstance(value, tuple) and all(isinstance(part, float) for part in value):
        return f"{value[0]:g} to {value[1]:g}"
    return _cell(value)


def _columns(cells: list[dict[str, str]], used: list[str], long: list[str]) -> list[str]:
    """Rows under a heading, the one column of sentences below its row."""
    short = [column for column in used if column not in long and column not in HIDDEN]
    heads = {column: column.removesuffix("_mm").split("_") + (["[mm]"] * column.endswith("_mm")) for column in short}
    tall = max(len(words) for words in heads.values())
    over = [{c: ([""] * (tall - len(heads[c])) + heads[c])[at] for c in short} for at in range(tall)]
    wide = {column: max(len(row[column]) for row in [*over, *cells]) for column in short}
    text = ["  ".join(row[column].ljust(wide[column]) for column in short).rstrip() for row in over]
    for row in cells:
        text.append("  ".join(row[column].ljust(wide[column]) for column in short).rstrip())
        for column in long:
            text += textwrap.wrap(row[column], WIDTH, initial_indent="    ", subsequent_indent="    ")
    return text


def _blocks(cells: list[dict[str, str]], used: list[str]) -> list[str]:
    """Rows as short paragraphs, for tables that hold sentences."""
    text = []
    for row in cells:
        text.append(row["id"])
        for column in used[1:]:
            if row[column]:
                text += textwrap.wrap(f"{column}: {row[column]}", WIDTH, initial_indent="  ", subsequent_indent="    ")
    return text
