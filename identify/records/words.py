"""Text for the database: what a case is found by, and what people typed, made safe to store."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from identify.errors import UsageError

OFFERS = 20


def search_text(name: str, case_json: Mapping[str, Any]) -> str:
    """Everything that a case may be searched by, in one folded line."""
    return line(" ".join(_pieces(name, case_json))).casefold()


def _pieces(name: str, case_json: Mapping[str, Any]) -> Iterator[str]:
    yield name
    for photo in case_json["photos"]:
        yield str(photo["file"])
    yield str(case_json["class"]["answer"])
    for row in case_json.get("candidates", [])[:OFFERS]:
        yield f"{row['id']} {row['description']}"
        yield from (str(offer["part_number"]) for offer in row.get("stock", []))


def line(text: str) -> str:
    """One line of letters that any database takes: no control letters, no halves of pairs."""
    whole = text.encode("utf-8", "replace").decode("utf-8")
    return " ".join("".join(letter if letter.isprintable() else " " for letter in whole).split())


def typed(text: str, what: str, most: int) -> str:
    """What a person typed, as one line.

    Raises
    ------
    UsageError
        It has more than ``most`` letters.
    """
    told = line(text)
    if len(told) > most:
        raise UsageError(f"The {what} has {len(told)} letters; at most {most} are kept, so shorten it.")
    return told


def bare(file: str) -> str:
    """The name of a file without its folders: a path may tell who somebody is."""
    return file.replace("\\", "/").rstrip("/").rpartition("/")[2] or "photo"
