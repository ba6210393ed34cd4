"""``tapwright fault``: from a symptom to its ranked causes, each with its check and remedy."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from identify.cli import answers, paragraphs, terminal
from identify.errors import UsageError

if TYPE_CHECKING:
    from identify.model import Recognition
    from identify.rules.faults import Diagnosis
    from identify.tables import Tables
    from identify.tables.advice import Fault

EXAMPLE = """example:
  tapwright fault thermostatic "not hot"
  tapwright fault --class single-lever-cartridge
      without a symptom: the symptoms that are known
  tapwright fault --photo bench.jpg drips --answer packing="nothing to adjust"
      the class comes from the photo; an answer moves the causes that it speaks for to the top"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    command = terminal.command(commands, "fault", "from a symptom to causes, checks and remedies", EXAMPLE)
    command.add_argument("words", nargs="*", metavar="[CLASS] [SYMPTOM]", help="the class, and what is wrong with it")
    command.add_argument("--class", dest="class_id", metavar="CLASS", help="class of the part, such as thermostatic")
    command.add_argument("--photo", type=Path, metavar="PHOTO", help="a photo of the part, to take the class from")
    answers.add_option(command)
    command.add_argument("--json", action="store_true", help="print one JSON object")
    command.set_defaults(run=_fault)


def _fault(options: argparse.Namespace) -> int:
    from identify import tables
    from identify.rules import faults, told

    known_tables = tables.load()
    given = answers.read(options.answer)
    classes, words = _classes(options.class_id, options.words, known_tables)
    seen = told.UNSEEN
    if options.photo:
        if classes:
            raise UsageError(f"--photo {options.photo} and the class {classes[0]} are both given; give one of them.")
        seen = _seen(options.photo)
        classes = list(faults.classes_seen(seen.answer, seen.possible, known_tables))
    known = told.told(given, known_tables, seen)
    rows = faults.symptoms(classes, known_tables)
    if not words:
        return _show([], rows, classes, words, options.json, known_tables)
    match = faults.matching(words, rows, known_tables)
    found = [
        faults.diagnose(known_tables.faults[name], classes, known, known_tables, match=share)
        for name, share in match.items()
    ]
    return _show(found, rows, classes, words, options.json, known_tables)


def _classes(named: str | None, words: Sequence[str], tables: Tables) -> tuple[list[str], str]:
    """The class that was named, by the option or as the first word, and the rest of the words."""
    from identify.rules.faults import class_named

    if named is None:
        first = class_named(words[0], tables) if words else ""
        return ([first], " ".join(words[1:])) if first else ([], " ".join(words))
    class_id = class_named(named, tables)
    if not class_id:
        parts = [name for name, row in tables.classes.items() if row.part]
        raise UsageError(f"--class {named!r}: no class has that name{terminal.near(named, parts, 'classes')}.")
    return [class_id], " ".join(words)


def _seen(photo: Path) -> Recognition:
    from identify import pipeline

    return pipeline.identify_photo(str(photo))[0].recognition


def _show(
    found: list[Diagnosis], rows: Sequence[Fault], classes: Sequence[str], words: str, as_json: bool, tables: Tables
) -> int:
    if words and not found:
        terminal.remark(f"No known symptom fits {words!r}; choose one of the list, or use its words.")
    cautions = _cautions(found, rows, classes, tables)
    if as_json:
        answer = {
            "classes": list(classes),
            "asked": words,
            "faults": [_as_json(each, tables) for each in found],
            "symptoms": [{"id": row.id, "symptom": row.symptom, "classes": list(row.classes)} for row in rows],
            "cautions": paragraphs.warnings_json(cautions),
            "tables_version": tables.version,
        }
        print(json.dumps(answer, indent=1))
    else:
        names = [tables.classes[name].name for name in classes]
        lines = [" or ".join(names), ""] if names else []
        told = [line for each in found for line in _as_text(each, tables)]
        lines += told[:-1] or _list(rows, tables)
        print("\n".join([*lines, *paragraphs.warned(cautions)]))
    return terminal.WRONG_USAGE if words and not found else terminal.DONE


def _cautions(found: Sequence[Diagnosis], rows: Sequence[Fault], classes: Sequence[str], tables: Tables) -> list[Any]:
    """Of what is told; of every symptom where only the list is."""
    from identify.rules.faults import diagnose

    shown = found or [diagnose(row, classes, {}, tables) for row in rows]
    return list(dict.fromkeys(caution for each in shown for caution in each.cautions))


def _as_json(each: Diagnosis, tables: Tables) -> dict[str, Any]:
    told = asdict(each)
    causes = [{"rank": at, **cause} for at, cause in enumerate(told["causes"], start=1)]
    about = {"classes": list(tables.faults[each.id].classes), "match": round(each.match, 3)}
    return {**told, **about, "causes": causes}


def _as_text(each: Diagnosis, tables: Tables) -> list[str]:
    names = [tables.classes[name].name for name in tables.faults[each.id].classes if name in tables.classes]
    lines = [f"{each.symptom[:1].upper()}{each.symptom[1:]} ({' or '.join(names) or 'any tap'})"]
    for at, cause in enumerate(each.causes, start=1):
        standing = f"; {cause.standing}" if cause.standing else ""
        lines.append(paragraphs.fold(f"{at}. {cause.cause} ({cause.evidence}{standing})", 2, 3))
        lines.append(paragraphs.fold(f"check: {cause.check}", 5))
        lines.append(paragraphs.fold(f"remedy: {cause.remedy}", 5))
        if cause.parts:
            lines.append(paragraphs.fold(f"parts: {', '.join(cause.parts)}", 5))
    sources = dict.fromkeys(cause.source for cause in each.causes)
    return [*lines, paragraphs.fold(f"Sources: {'; '.join(sources)}", 2), ""]


def _list(rows: Sequence[Fault], tables: Tables) -> list[str]:
    lines = ["Known symptoms"]
    for row in rows:
        causes = [cause.cause for cause in tables.fault_causes.values() if cause.fault == row.id]
        lines.append(paragraphs.fold(f"- {row.symptom}: {'; '.join(causes)}", 2))
    return lines
