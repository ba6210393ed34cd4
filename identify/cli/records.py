"""``tapwright records``: the kept cases: list, show, confirm, count, export, forget."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from identify.cli import figures, keeping, terminal
from identify.errors import UsageError

EXAMPLE = """example:
  tapwright identify bench.jpg --keep
  tapwright records list
  tapwright records confirm 7K3FM-92QXA --handed-out EX-101 --class compression-screw --callipers overall_length=61.5
  tapwright records figures"""
LIST = """example:
  tapwright records list basin --class thermostatic --open"""
SHOW = """example:
  tapwright records show 7K3FM-92QXA --picture measured.jpg"""
CONFIRM = """example:
  tapwright records confirm 7K3FM-92QXA --handed-out EX-101 --class compression-screw --callipers overall_length=61.5
  tapwright records confirm 7K3FM-92QXA --handed-out EX-101 --returned --note "thread too long\""""
FIGURES = """example:
  tapwright records figures --json"""
EXPORT = """example:
  tapwright records export shop-photos
  python -m training.prepare --pictures shop-photos --out index.json"""
FORGET = """example:
  tapwright records forget 7K3FM-92QXA --yes"""
CARD = """example:
  tapwright records card 7K3FM-92QXA card.pdf"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    own = terminal.command(commands, "records", "list, show, confirm and count the cases that you kept", EXAMPLE)
    kinds = own.add_subparsers(title="what to do", metavar="WHAT", required=True)

    listed = _kind(kinds, "list", "list the kept cases, the newest first", LIST, _list)
    listed.add_argument("text", nargs="*", metavar="WORD", help="words of an id, a file, a candidate, a part or a note")
    listed.add_argument(
        "--class", dest="class_", metavar="CLASS", help="what was answered, or what it was confirmed to be"
    )
    which = listed.add_mutually_exclusive_group()
    which.add_argument("--confirmed", action="store_true", default=None, help="only confirmed cases")
    which.add_argument("--open", dest="confirmed", action="store_false", help="only cases not confirmed yet")
    listed.add_argument("--limit", type=int, default=50, metavar="N", help="how many (default: 50)")
    listed.add_argument("--offset", type=int, default=0, metavar="N", help="how many to pass over (default: 0)")

    show = _kind(kinds, "show", "print one case", SHOW, _show, one=True)
    show.add_argument("--picture", type=Path, metavar="OUT.jpg", help="write the kept picture with the answer drawn")

    confirm = _kind(kinds, "confirm", "say what was really handed out", CONFIRM, _confirm, one=True)
    option = confirm.add_argument
    option("--handed-out", required=True, metavar="PART", help="your part number, or a candidate's id")
    option("--class", dest="class_", metavar="CLASS", help="what the part really is")
    option("--callipers", action="append", default=[], metavar="QUANTITY=MM", help="what callipers read; repeatable")
    back = confirm.add_mutually_exclusive_group()
    back.add_argument("--returned", action="store_true", default=None, help="the part came back as wrong")
    back.add_argument("--fitted", dest="returned", action="store_false", help="the part was fitted and is right")
    option("--note", default="", metavar="TEXT", help="anything else")

    _kind(kinds, "figures", "how often the answers were right, by the confirmed cases", FIGURES, _figures)
    export = _kind(kinds, "export", "write confirmed cases as training pictures", EXPORT, _export)
    export.add_argument("folder", metavar="FOLDER", type=Path, help="a new folder")
    forget = _kind(kinds, "forget", "delete a case and its photos for good", FORGET, _forget, one=True)
    forget.add_argument("--yes", action="store_true", help="it is really to be deleted")
    card = _kind(kinds, "card", "write the job card of a kept case", CARD, _card, one=True)
    card.add_argument("out", metavar="OUT", type=Path, help="a .pdf or .html file")


def _kind(kinds: Any, name: str, about: str, example: str, run: Any, *, one: bool = False) -> argparse.ArgumentParser:
    added = terminal.command(kinds, name, about, example)
    if one:
        added.add_argument("id", metavar="ID", help="id of the case, as tapwright records list has it")
    keeping.add_place(added.add_argument)
    added.add_argument("--json", action="store_true", help="print JSON")
    added.set_defaults(run=run)
    return added


def _list(options: argparse.Namespace) -> int:
    from identify import tables

    if options.class_ is not None and options.class_ != "unsure":
        tables.load().fitting(options.class_)
    with keeping.opened(options) as records:
        wanted = (" ".join(options.text) or None, options.class_, options.confirmed)
        lines = records.find(*wanted, limit=options.limit, offset=options.offset)
        count = records.count(*wanted)
    if options.json:
        from dataclasses import asdict

        _print_json({"count": count, "cases": [asdict(line) for line in lines]})
        return terminal.DONE
    for line in lines:
        print(_line(line))
    if not lines:
        print(
            "No kept case fits."
            if any(wanted) or count
            else "No case is kept yet; tapwright identify PHOTO --keep keeps one."
        )
    elif count > len(lines):
        print(f"{len(lines)} of {count} cases; --limit and --offset show others.")
    return terminal.DONE


def _line(line: Any) -> str:
    from identify import tables

    row = tables.load().classes.get(line.answer)
    said = row.name if row is not None else "Not sure"
    share = "> 99 %" if line.probability > 0.995 else f"{line.probability * 100:.0f} %"
    files = line.files[0] + (f" +{len(line.files) - 1}" if len(line.files) > 1 else "")
    files = "".join(letter if letter.isprintable() else "?" for letter in files)
    state = "open"
    if line.confirmed:
        state = f"handed out {line.handed_out or '-'}" + (", came back" if line.returned else "")
    return f"{line.id:<11}  {line.made_at[:16].replace('T', ' ')}  {said:<30.30} {share:>6}  {files:<18.18}  {state}"


def _show(options: argparse.Namespace) -> int:
    from dataclasses import asdict

    from identify import job_card

    with keeping.opened(options) as records:
        kept = records.get(options.id)
    told = kept.confirmation
    if options.picture is not None:
        _write_picture(options.picture, kept.overlay_jpeg)
    if options.json:
        _print_json(
            {
                "id": kept.id,
                "made_at": kept.made_at,
                "changed_at": kept.changed_at,
                "answers": kept.answers,
                "photos_kept": list(kept.photos),
                "confirmation": None if told is None else asdict(told),
                "case": kept.case,
            }
        )
        return terminal.DONE
    print(f"{kept.id}, {kept.made_at[:16].replace('T', ' ')} UTC\n")
    print(job_card.text(kept.case, answers=kept.answers))
    if told is None:
        print("Not confirmed yet.")
        return terminal.DONE
    back = {None: "not known whether it came back", True: "came back", False: "fitted and right"}[told.returned]
    print(f"Confirmed {told.confirmed_at[:10]}: handed out {told.handed_out or '-'}; {back}.")
    print(f"  right class: {told.right_class or 'not said'}")
    for quantity, value in told.callipers_mm.items():
        print(f"  callipers: {quantity.replace('_', ' ')} {value:g}")
    if told.note:
        print(f"  note: {told.note}")
    return terminal.DONE


def _write_picture(place: Path, picture: bytes | None) -> None:
    if picture is None:
        raise UsageError("No picture of this case is kept; it was kept without photos.")
    try:
        place.write_bytes(picture)
    except OSError as why:
        raise UsageError(f"Can't write {place} ({why.strerror}); choose another place.") from why


def _confirm(options: argparse.Namespace) -> int:
    with keeping.opened(options) as records:
        records.confirm(
            options.id,
            handed_out=options.handed_out,
            right_class=options.class_,
            callipers_mm=_readings(options.callipers),
            returned=options.returned,
            note=options.note,
        )
        kept = records.get(options.id)
    _say(options, f"{kept.id} is confirmed.", {"id": kept.id, "confirmed": True})
    return terminal.DONE


def _readings(words: Sequence[str]) -> dict[str, float]:
    readings = {}
    for word in words:
        quantity, _, value = (part.strip() for part in word.partition("="))
        try:
            readings[quantity.replace("-", "_")] = float(value.removesuffix("mm").replace(",", "."))
        except ValueError:
            raise UsageError(
                f"--callipers {word!r}: write it as QUANTITY=MM, for example overall_length=61.5."
            ) from None
    return readings


def _figures(options: argparse.Namespace) -> int:
    with keeping.opened(options) as records:
        found = records.figures()
    if options.json:
        _print_json(found)
    else:
        print(figures.text(found))
    return terminal.DONE


def _export(options: argparse.Namespace) -> int:
    from dataclasses import asdict

    with keeping.opened(options) as records:
        done = records.export(options.folder)
    left = [
        f"{count} left out {why}"
        for count, why in ((done.without_class, "without a right class"), (done.without_photo, "without a kept photo"))
        if count
    ]
    said = f"{options.folder}: photos {done.photos}, confirmed cases {done.cases}"
    _say(options, "; ".join([said, *left]) + ".", asdict(done))
    return terminal.DONE


def _forget(options: argparse.Namespace) -> int:
    if not options.yes:
        raise UsageError(f"That deletes the case {options.id} and its photos for good; add --yes if it is meant.")
    with keeping.opened(options) as records:
        name = records.get(options.id).id
        records.forget(name)
    _say(options, f"{name} is forgotten.", {"id": name, "forgotten": True})
    return terminal.DONE


def _card(options: argparse.Namespace) -> int:
    terminal.make_folder(keeping.checked_card(options.out).parent)
    with keeping.opened(options) as records:
        kept = records.get(options.id)
    keeping.write_card(
        options.out, kept.case, kept.overlay_jpeg, case_id=kept.id, answers=kept.answers, made_at=kept.made_at
    )
    _say(options, f"{options.out}: one A4 page.", {"id": kept.id, "card": str(options.out)})
    return terminal.DONE


def _say(options: argparse.Namespace, text: str, told: dict[str, Any]) -> None:
    if options.json:
        _print_json(told)
    else:
        print(text)


def _print_json(told: dict[str, Any]) -> None:
    import json

    print(json.dumps(told, indent=1))
