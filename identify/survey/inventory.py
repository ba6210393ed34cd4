"""The list of a survey's photos, kept beside its schedule, so that the schedule can be drawn up without the photos."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from identify.errors import UsageError
from identify.survey import journal, sheet
from identify.survey.journal import Line
from identify.survey.site import Shot
from identify.survey.store import Place

PHOTOS, PROGRESS, DECISIONS = ".photos.jsonl", ".progress.jsonl", ".decisions.jsonl"
BEGIN = b"{"


@dataclass(frozen=True, slots=True)
class Entry:
    """One photo: its hash, and the reason why it could not be worked through; the hash is empty where none was read."""

    shot: Shot
    sha256: str
    error: str = ""


@dataclass(frozen=True, slots=True)
class Inventory:
    """The photos of a survey, and what is needed besides the progress file to draw the schedule up.

    Parameters
    ----------
    recipe : which findings of the progress file belong to it, see :func:`identify.survey.finding.recipe`.
    place_names : as the pattern has them.
    """

    recipe: str
    place_names: tuple[str, ...]
    thumbnails: bool
    entries: tuple[Entry, ...]


def beside(out: Place, ending: str) -> Path:
    """A file that belongs to the schedule ``out``; in the current folder where the schedule goes to a store.

    A store takes whole files only, and these ones grow.
    """
    name = out.name + ending
    return out.with_name(name) if isinstance(out, Path) else Path(name)


def write(path: Path, inventory: Inventory) -> None:
    """Write it whole or not at all; UsageError where that is not possible."""
    sheet.put(path, (line.encode("ascii") for line in _lines(inventory)))


def _lines(inventory: Inventory) -> Iterator[str]:
    head = {"survey": 1, "recipe": inventory.recipe, "places": inventory.place_names}
    yield json.dumps({**head, "thumbnails": inventory.thumbnails}) + "\n"
    for entry in inventory.entries:
        shot = entry.shot
        told = {"file": shot.file, "path": shot.path, "entry": shot.entry, "places": shot.places}
        yield json.dumps({**told, "sha256": entry.sha256, "error": entry.error}) + "\n"


def read(path: Path) -> Inventory:
    """The inventory that :func:`write` wrote.

    Raises
    ------
    UsageError
        There is none, or the file is another thing.
    """
    head, *others = journal.read(path, BEGIN, _checked) or [{}]
    try:
        entries = tuple(_entry(line) for line in others)
        if head["survey"] != 1:
            raise ValueError(head["survey"])
        return Inventory(str(head["recipe"]), tuple(map(str, head["places"])), bool(head["thumbnails"]), entries)
    except (KeyError, TypeError, ValueError) as why:
        raise UsageError(f"{path} is not there or no list of a survey's photos; run the survey again.") from why


def _checked(line: Line) -> Line:
    if not isinstance(line, dict):
        raise TypeError("line")
    return line


def _entry(line: Line) -> Entry:
    places = tuple(str(place) for place in line["places"])
    shot = Shot(str(line["file"]), str(line["path"]), str(line["entry"]), places)
    return Entry(shot, str(line["sha256"]), str(line["error"]))
