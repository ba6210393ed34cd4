"""The ``tapwright`` command: results on standard output, remarks on standard error.

Exit codes: 0 done; 1 done, some photos failed; 2 wrong usage. Heavy imports happen inside the commands, so that
``--version`` and ``--help`` are instant.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from identify import __version__
from identify.errors import IdentifyError, PhotoError, UsageError

if TYPE_CHECKING:
    from identify.model import Case, Photo
    from identify.tables.advice import CheckRow

DONE, SOME_FAILED, WRONG_USAGE, STOPPED = 0, 1, 2, 130
PICTURES = (".jpg", ".jpeg", ".png", ".webp")

IDENTIFY_EXAMPLE = """example:
  tapwright identify bench.jpg --scale eur-1 --overlay measured.jpg
      lay a 1 euro coin flat beside the part, shoot straight down from 30 to 40 cm
  tapwright identify side.jpg end.jpg --same-part --scale card --json"""
SHEET_EXAMPLE = """example:
  tapwright sheet scale.pdf --paper a4
      print at 100 %, check the 100 mm line with a ruler, lay the part on it"""
TABLES_EXAMPLE = """example:
  tapwright tables show references
  tapwright tables check"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code."""
    with contextlib.suppress(AttributeError, ValueError):  # a pipe that closes early ends us quietly
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without ± gets ? instead of an error
    options = _parser().parse_args(arguments)
    try:
        return int(options.run(options))
    except IdentifyError as why:
        _remark(str(why))
        return WRONG_USAGE
    except KeyboardInterrupt:
        _remark("Stopped.")
        return STOPPED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tapwright",
        description="Says from a photo which tap insert it is, measures it, and ranks the replacements that fit.",
        epilog="example: tapwright identify bench.jpg --scale eur-1",
    )
    parser.add_argument("--version", action="version", version=f"tapwright {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_identify(commands)
    sheet = _command(commands, "sheet", "write the scale sheet to print and lay under the part", SHEET_EXAMPLE)
    sheet.add_argument("out", metavar="OUT.pdf", type=Path, help="where to write it")
    sheet.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper size (default: a4)")
    sheet.set_defaults(run=_sheet)
    lists = _command(commands, "tables", "look at the reference tables, or check them", TABLES_EXAMPLE)
    lists.add_argument("what", choices=("check", "show", "list"), help="check them, show one, or list their names")
    lists.add_argument("name", nargs="?", metavar="NAME", help="which table to show")
    lists.add_argument("--json", action="store_true", help="print JSON")
    lists.set_defaults(run=_tables)
    return parser


def _command(commands: Any, name: str, about: str, example: str) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(
        name,
        help=about,
        description=about[:1].upper() + about[1:] + ".",
        epilog=example,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return command


def _add_identify(commands: Any) -> None:
    command = _command(commands, "identify", "say what is in a photo and measure it", IDENTIFY_EXAMPLE)
    add = command.add_argument
    add("photos", nargs="+", metavar="PHOTO", help="a photo file; several are answered one by one")
    add(
        "--scale",
        default="auto",
        metavar="NAME",
        help="what lies beside the part: auto (card, ruler and sheet are found by themselves), a coin such as eur-1, "
        "or coin:24.26 for a coin of that diameter in mm (names: tapwright tables show references)",
    )
    add("--scale-on", choices=("part", "bench"), default="bench", help="where the coin lies (default: bench)")
    add("--height", type=_length_mm, metavar="MM", help="height of a standing part's measured rim, if you know it")
    add("--answer", action="append", default=[], metavar="CHECK=VALUE", help="your answer to a check; repeatable")
    add("--same-part", action="store_true", help="all photos show one part: answer them together")
    add("--json", action="store_true", help="print a JSON array, an object a case")
    add("--budget", action="store_true", help="print where each uncertainty comes from")
    add("--overlay", type=Path, metavar="PLACE", help="write the photo with the answer drawn on it: a file or a folder")
    command.set_defaults(run=_identify)


def _length_mm(text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = 0.0
    if not 0.5 <= value <= 500:
        raise argparse.ArgumentTypeError(f"{text!r} is no height in mm; give a number such as 38.5")
    return value


def _identify(options: argparse.Namespace) -> int:
    from identify import pipeline

    names = list(_expanded(options.photos))
    answers = _answers(options.answer)
    _check_scale(options.scale)
    places = _overlay_places(options.overlay, names)
    page = _Page(options.json, options.budget)
    cases = []
    for name, place in zip(names, places, strict=True):
        try:
            case, photo = pipeline.identify_photo(
                name,
                scale=options.scale,
                on_part=options.scale_on == "part",
                height_mm=options.height,
                answers=answers,
            )
        except PhotoError as why:
            page.failed(name, str(why))
            continue
        cases.append(case)
        if place is not None:
            _write_overlay(place, photo, case)
        if not options.same_part:
            page.case(case)
    if options.same_part and cases:
        page.case(pipeline.identify_part(cases, answers=answers))
    page.finish()
    return DONE if len(cases) == len(names) else SOME_FAILED


class _Page:
    """What goes to standard output: cases as text one after the other, or one JSON array at the end."""

    def __init__(self, as_json: bool, budget: bool) -> None:
        self._as_json, self._budget = as_json, budget
        self._objects: list[dict[str, Any]] = []
        self._blank = False

    def case(self, case: Case) -> None:
        from identify import report

        if self._as_json:
            self._objects.append(report.as_json(case, budget=self._budget))
            for remark in case.remarks:
                _remark(f"{case.photos[0].file}: {remark.text} {remark.advice}")
            return
        if self._blank:
            print()
        print(report.as_text(case), end="", flush=True)
        if self._budget:
            print(f"\n{report.budget_text(case)}", end="", flush=True)
        self._blank = True

    def failed(self, name: str, why: str) -> None:
        from identify import report
        from identify.model import FailedPhoto

        _remark(why)
        self._objects.append(report.failed_json(FailedPhoto(name, why)))

    def finish(self) -> None:
        if self._as_json:
            import json

            print(json.dumps(self._objects, indent=1))


def _expanded(names: Sequence[str]) -> Iterator[str]:
    """The names, with the patterns in them filled in where the shell did not."""
    for name in names:
        path = Path(name)
        if any(mark in path.name for mark in "*?[") and not path.exists():
            matches = sorted(path.parent.glob(path.name))
            if not matches:
                raise UsageError(f"No file matches {name!r}; check the folder and the pattern.")
            yield from map(str, matches)
        else:
            yield name


def _answers(words: Sequence[str]) -> dict[str, str]:
    from identify import tables

    checks = tables.load().checks
    answers = {}
    for word in words:
        check, equals, value = (part.strip() for part in word.partition("="))
        if not (check and equals and value):
            raise UsageError(f"--answer {word!r}: write it as CHECK=VALUE, for example {_an_answer(checks)}.")
        if check not in checks:
            raise UsageError(f"--answer {word!r}: no check is called {check!r}{_near(check, checks, 'checks')}.")
        answers[check] = value
    return answers


def _an_answer(checks: Mapping[str, CheckRow]) -> str:
    row = next(row for row in checks.values() if row.answers)
    return f"{row.id}={next(iter(row.answers))}"


def _check_scale(scale: str) -> None:
    from identify import pipeline, tables

    known = tables.load().references
    if ":" in scale or scale in known:
        pipeline.check_scale(scale)
    elif scale != pipeline.AUTO:
        others = ", ".join(name for name, row in known.items() if row.kind != "coin")
        said = _near(scale, known, "references") or "; see tapwright tables show references"
        raise UsageError(f"No reference object {scale!r}{said}; or auto, {others}, coin:DIAMETER_IN_MM.")


def _near(word: str, known: Iterable[str], table: str) -> str:
    import difflib

    close = difflib.get_close_matches(word.lower(), list(known), n=4, cutoff=0.5)
    hint = f"; did you mean {' or '.join(close)}?" if close else ""
    return f"{hint} (all: tapwright tables show {table})"


def _overlay_places(overlay: Path | None, names: Sequence[str]) -> list[Path | None]:
    """Where each photo's drawn picture goes; never onto a photo."""
    if overlay is None:
        return [None] * len(names)
    if overlay.suffix.lower() in PICTURES and not overlay.is_dir():
        if len(names) > 1:
            raise UsageError(f"--overlay {overlay}: {len(names)} photos need a folder, for example --overlay measured.")
        places = [overlay]
    else:
        places = [overlay / f"{Path(name).stem}-measured.jpg" for name in names]
        for at, place in enumerate(places):
            if place in places[:at]:
                places[at] = place.with_stem(f"{place.stem}-{at + 1}")
    photos = {Path(name).resolve() for name in names}
    for place in places:
        if place.resolve() in photos:
            raise UsageError(f"--overlay {place}: that would overwrite the photo; choose another name.")
        _make_folder(place.parent)
    return list(places)


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as why:
        raise UsageError(f"Can't make the folder {folder} ({why.strerror}); choose another place.") from why
    if not os.access(folder, os.W_OK):
        raise UsageError(f"Can't write into {folder}; choose another folder.")


def _write_overlay(place: Path, photo: Photo, case: Case) -> None:
    from PIL import Image

    from identify import overlay

    picture = Image.fromarray(overlay.draw(photo, case))
    try:
        picture.save(place, quality=88)
    except OSError as why:
        raise UsageError(f"Can't write {place} ({why.strerror or why}); choose another place.") from why


def _sheet(options: argparse.Namespace) -> int:
    from identify.reference import sheet_print

    if options.out.suffix.lower() != ".pdf":
        raise UsageError(f"{options.out} does not end in .pdf; the sheet is a PDF to be printed at 100 %.")
    _make_folder(options.out.parent)
    try:
        sheet_print.write_pdf(options.out, paper=options.paper)
    except OSError as why:
        raise UsageError(f"Can't write {options.out} ({why.strerror or why}); choose another place.") from why
    print(f"{options.out}: print it at 100 % (no fitting to the page) and check its 100 mm line with a ruler.")
    return DONE


def _tables(options: argparse.Namespace) -> int:
    import json

    from identify import tables
    from identify.tables import show

    if options.what == "check":
        problems = tables.check()
        print("\n".join(problems) if problems else f"The tables are sound (version {tables.version()}).")
        return SOME_FAILED if problems else DONE
    if options.what == "list":
        counts = {name: len(show.rows(name)) for name in show.names()}
        text = "\n".join(f"{count:5}  {name}" for name, count in counts.items())
        print(json.dumps(counts, indent=1) if options.json else text)
        return DONE
    if options.name is None:
        raise UsageError(f"tables show needs a name; known: {', '.join(show.names())}.")
    if options.json:
        print(json.dumps([asdict(row) for row in show.rows(options.name)], indent=1))
    else:
        print(show.lines(options.name))
    return DONE


def _remark(text: str) -> None:
    line = "".join(letter if letter.isprintable() else "?" for letter in text)
    print(f"tapwright: {line}", file=sys.stderr, flush=True)
