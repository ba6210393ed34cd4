"""What people decide about photos that the program left open: written down line by line, never changed afterwards."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from identify import tables
from identify.errors import UsageError
from identify.survey.journal import Journal, Line, read

BEGIN = b'{"decision":{"file":'  # of every line
MOST_LETTERS = 1_000  # of a note
WAIT_S = 5.0


@dataclass(frozen=True, slots=True)
class Decision:
    """What one person decided about one photo; of several the last one holds.

    Parameters
    ----------
    file : the photo's name in the schedule.
    sha256 : of the photo decided about, so that another photo of that name is looked at anew; empty where it could
        not be read.
    answer : class id; empty takes an earlier decision back.
    varieties : (name, answer) each.
    apart : it is the only photo of its tap, however much another one looks like it.
    by, at : who, and when (UTC, ISO 8601).
    """

    file: str
    sha256: str
    answer: str
    varieties: tuple[tuple[str, str], ...] = ()
    apart: bool = False
    note: str = ""
    by: str = ""
    at: str = ""


def made(
    file: str,
    sha256: str,
    answer: str,
    *,
    varieties: Mapping[str, str] | None = None,
    apart: bool = False,
    note: str = "",
    by: str = "",
) -> Decision:
    """A checked decision, made now.

    Raises
    ------
    UsageError
        The tables know no such class, the class no such variety, or the note is too long.
    """
    if answer:
        check(answer, varieties or {})
    for what, text in (("note", note), ("name", by)):
        if len(text) > MOST_LETTERS:
            raise UsageError(f"The {what} has {len(text)} letters; write no more than {MOST_LETTERS}.")
    now = datetime.now(UTC).isoformat(timespec="seconds")
    chosen = tuple(sorted((varieties or {}).items()))
    return Decision(file, sha256, answer, chosen, apart, note.strip(), by.strip(), now)


def check(answer: str, varieties: Mapping[str, str]) -> None:
    """Raise UsageError where the tables know no such class, or the class no such variety."""
    classes = tables.load().classes
    if answer not in classes:
        raise UsageError(f"There is no class {answer!r}{_near(answer, classes)}.")
    known = classes[answer].varieties
    for name, value in varieties.items():
        if name not in known:
            raise UsageError(f"{answer} has no variety {name!r}{_near(name, known)}.")
        if value not in known[name]:
            raise UsageError(f"{name} of {answer} can't be {value!r}{_near(value, known[name])}.")


def _near(word: str, known: Iterable[str]) -> str:
    names = list(known)
    close = difflib.get_close_matches(word.lower(), names, n=2, cutoff=0.5) or names
    return f"; name one of {', '.join(close)}" if close else "; leave it out"


def write(path: Path, decision: Decision) -> None:
    """Append a decision, on the disk when this returns.

    Raises
    ------
    UsageError
        The file can't be written, holds something else, or is kept open by another program.
    """
    with Journal(path, BEGIN, _taken, wait_s=WAIT_S) as journal:
        journal.append({"decision": asdict(decision)}, to_disk=True)


def standing(path: Path) -> dict[tuple[str, str], Decision]:
    """The last decision about each photo, by file and SHA-256, without those that were taken back.

    Raises
    ------
    UsageError
        The file can't be read, or holds something else.
    """
    last = {(decision.file, decision.sha256): decision for decision in read(path, BEGIN, _taken)}
    return {key: decision for key, decision in last.items() if decision.answer}


def _taken(line: Line) -> Decision:
    told = line["decision"]
    varieties = tuple((str(name), str(value)) for name, value in told["varieties"])
    decision = Decision(**{**told, "varieties": varieties})
    if not all(isinstance(text, str) for text in (decision.file, decision.sha256, decision.answer)):
        raise TypeError("decision")
    return decision
