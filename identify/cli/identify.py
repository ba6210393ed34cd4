"""``tapwright identify``: photos in, cases out."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from identify.cli import answers, keeping, terminal
from identify.errors import PhotoError, UsageError

if TYPE_CHECKING:
    from identify.model import Case, Photo
    from identify.tables.stock import Stock

PICTURES = (".jpg", ".jpeg", ".png", ".webp")
IDENTIFY_EXAMPLE = """example:
  tapwright identify bench.jpg --scale eur-1 --overlay measured.jpg
      lay a 1 euro coin flat beside the part, shoot straight down from 30 to 40 cm
  tapwright identify side.jpg end.jpg --same-part --scale card --json
  tapwright identify bench.jpg --keep --card card.pdf"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    command = terminal.command(commands, "identify", "say what is in a photo and measure it", IDENTIFY_EXAMPLE)
    option = command.add_argument
    option("photos", nargs="+", metavar="PHOTO", help="a photo file; several are answered one by one")
    option(
        "--scale",
        default="auto",
        metavar="NAME",
        help="what lies beside the part: auto (card, ruler and sheet are found by themselves), a coin such as eur-1, "
        "or coin:24.26 for a coin of that diameter in mm (names: tapwright tables show references)",
    )
    option("--scale-on", choices=("part", "bench"), default="bench", help="where the coin lies (default: bench)")
    option("--height", type=_length_mm, metavar="MM", help="height of a standing part's measured rim, if you know it")
    answers.add_option(command)
    option("--stock", type=Path, metavar="LIST", help="rank your own stock list (.csv, .xlsx) beside the listed sizes")
    option("--same-part", action="store_true", help="all photos show one part: answer them together")
    option("--json", action="store_true", help="print a JSON array, an object a case")
    option("--budget", action="store_true", help="print where each uncertainty comes from")
    option("--overlay", type=Path, metavar="PLACE", help="write the photo with the answer drawn: a file or a folder")
    keeping.add_options(option)
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
    names = list(_expanded(options.photos))
    given = answers.read(options.answer)
    _check_scale(options.scale)
    own = _stock(options.stock)
    places = _overlay_places(options.overlay, names)
    cards = keeping.card_places(options.card, names[:1] if options.same_part else names)
    page = _Page(options.json, options.budget)
    seen: list[_Seen] = []  # of one part
    failed = 0
    with keeping.if_wanted(options) as records:
        for at, name in enumerate(names):
            try:
                one = _answered(options, name, given, own)
            except PhotoError as why:
                page.failed(name, str(why))
                failed += 1
                continue
            if (place := places[at]) is not None:
                _write_overlay(place, one.photo, one.case)
            if options.same_part:
                seen.append(one)
            else:
                page.case(one.case, keeping.keep(one.case, one.photo, [name], given, records=records, card=cards[at]))
        if seen:
            part, best = _joined(seen, given, own)
            files = [one.name for one in seen]
            page.case(part, keeping.keep(part, best.photo, files, given, records=records, card=cards[0]))
    page.finish()
    return terminal.SOME_FAILED if failed else terminal.DONE


class _Seen(NamedTuple):
    """One photo with its own answer."""

    name: str
    case: Case
    photo: Photo


def _answered(options: argparse.Namespace, name: str, given: dict[str, str], own: Stock | None) -> _Seen:
    from identify import pipeline

    case, photo = pipeline.identify_photo(
        name,
        scale=options.scale,
        on_part=options.scale_on == "part",
        height_mm=options.height,
        answers=given,
        stock=own,
    )
    return _Seen(name, case, photo)


def _joined(seen: Sequence[_Seen], given: dict[str, str], own: Stock | None) -> tuple[Case, _Seen]:
    """The case of all photos of one part, and the photo whose outline it has."""
    from identify import pipeline

    part = pipeline.identify_part([one.case for one in seen], answers=given, stock=own)
    best = next((one for one in seen if one.case.outline is part.outline), seen[0])
    return part, best


class _Page:
    """What goes to standard output: cases as text one after the other, or one JSON array at the end."""

    def __init__(self, as_json: bool, budget: bool) -> None:
        self._as_json, self._budget = as_json, budget
        self._objects: list[dict[str, Any]] = []
        self._blank = False

    def case(self, case: Case, kept: str | None = None) -> None:
        from identify import report

        if kept and self._as_json:
            terminal.remark(f"{case.photos[0].file}: kept as {kept}.")
        if self._as_json:
            self._objects.append(report.as_json(case, budget=self._budget))
            for remark in case.remarks:
                terminal.remark(f"{case.photos[0].file}: {remark.text} {remark.advice}")
            return
        if self._blank:
            print()
        print(report.as_text(case), end="", flush=True)
        if self._budget:
            print(f"\n{report.budget_text(case)}", end="", flush=True)
        if kept:
            print(f"\nKept as {kept}: tapwright records confirm {kept} --handed-out PART says what it really was.")
        self._blank = True

    def failed(self, name: str, why: str) -> None:
        from identify import report
        from identify.model import FailedPhoto

        terminal.remark(why)
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


def _stock(path: Path | None) -> Stock | None:
    if path is None:
        return None
    from identify.tables import stock

    return stock.read(path)


def _check_scale(scale: str) -> None:
    from identify import pipeline, tables

    known = tables.load().references
    if ":" in scale or scale in known:
        pipeline.check_scale(scale)
    elif scale != pipeline.AUTO:
        others = ", ".join(name for name, row in known.items() if row.kind != "coin")
        said = terminal.near(scale, known, "references") or "; see tapwright tables show references"
        raise UsageError(f"No reference object {scale!r}{said}; or auto, {others}, coin:DIAMETER_IN_MM.")


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
        terminal.make_folder(place.parent)
    return list(places)


def _write_overlay(place: Path, photo: Photo, case: Case) -> None:
    from PIL import Image

    from identify import overlay

    picture = Image.fromarray(overlay.draw(photo, case))
    try:
        picture.save(place, quality=88)
    except OSError as why:
        raise UsageError(f"Can't write {place} ({why.strerror or why}); choose another place.") from why
