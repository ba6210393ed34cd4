"""``tapwright review``: the doubtful photos of a finished survey, and what a person decides about them."""

from __future__ import annotations

import argparse
import getpass
from typing import TYPE_CHECKING, Any

from identify.cli import terminal
from identify.errors import UsageError

if TYPE_CHECKING:
    from identify.survey.review import Review
    from identify.survey.schedule import Row
    from identify.survey.store import Place

EXAMPLE = """examples:
  tapwright review schedule.xlsx
      lists what needs a look: unsure ones first, then what can't be read, what may be several classes, what was joined
  tapwright review schedule.xlsx --decide "north/2/bath/a.jpg=quarter-turn-ceramic" --note "taken apart"
      writes it down and the schedule anew; what the program said stays in its column"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    command = terminal.command(commands, "review", "decide what a survey left open", EXAMPLE)
    option = command.add_argument
    option("out", metavar="SCHEDULE", help="the schedule that tapwright survey wrote (its --out)")
    option("--all", action="store_true", help="list every photo, not only those that need a look")
    option(
        "--decide", action="append", default=[], metavar="PHOTO=CLASS", help="what a photo shows, by its schedule name"
    )
    option(
        "--variety",
        action="append",
        default=[],
        metavar="NAME=ANSWER",
        help="a second answer of that class, for example spindle=exposed",
    )
    option("--apart", action="store_true", help="the decided photo shows another tap than those it is joined with")
    option("--note", default="", metavar="TEXT", help="a remark to the decision")
    option("--by", default=None, metavar="NAME", help="who decides (default: your login name)")
    option("--take-back", action="append", default=[], metavar="PHOTO", help="undo the decision about a photo")
    option("--json", action="store_true", help="print the list as JSON")
    command.set_defaults(run=_review)


def _review(options: argparse.Namespace) -> int:
    from identify.survey import decisions, sheet, store
    from identify.survey.review import Review

    out = store.place(options.out)
    sheet.check(out)
    decided = [_pair(text, "--decide", "PHOTO=CLASS") for text in options.decide]
    varieties = dict(_pair(text, "--variety", "NAME=ANSWER") for text in options.variety)
    if not decided and (varieties or options.apart or options.note):
        raise UsageError("--variety, --apart and --note belong to a decision; add --decide PHOTO=CLASS.")
    found = Review(out)
    by = _login() if options.by is None else options.by
    for file, answer in decided:  # all of them are looked at before the first one is written
        found.row(file)
        decisions.check(answer, varieties)
    for file, answer in decided:
        found.decide(file, answer, varieties=varieties, apart=options.apart, note=options.note, by=by)
    for file in options.take_back:
        found.take_back(file, by=by)
    files = found.rewrite() if decided or options.take_back else ()
    _tell(found, files, options)
    return terminal.DONE


def _pair(text: str, option: str, form: str) -> tuple[str, str]:
    before, sign, after = text.rpartition("=")
    if not (before and sign and after):
        raise UsageError(f"{option} {text!r} is not of the form {form}; write the two with = between them.")
    return before, after


def _login() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def _tell(found: Review, files: tuple[Place, ...], options: argparse.Namespace) -> None:
    schedule = found.schedule
    rows = schedule.rows if options.all else schedule.queue
    if options.json:
        import json

        photos = schedule.sheets()[0]
        shown = {row.shot for row in rows}
        listed = [
            dict(zip(photos.heads, cells, strict=True))
            for row, cells in zip(schedule.rows, photos.rows, strict=True)
            if row.shot in shown
        ]
        summary = {"schema": 1, "photos": len(schedule.rows), "to_look_at": len(schedule.queue)}
        print(json.dumps({**summary, "files": [str(file) for file in files], "listed": listed}, indent=1))
        return
    for row in rows:
        print(f"{row.look_first or 'clear':16s}{row.shot.file}: {_said(row)}")
    decided = sum(row.decision is not None for row in schedule.rows)
    print(f"{len(schedule.queue)} of {len(schedule.rows)} photos to look at, {decided} decided.")
    if files:
        print(f"Written: {', '.join(map(str, files))}")


def _said(row: Row) -> str:
    """One line on what is known of a photo."""
    if row.decision is not None:
        who = row.decision.by or "a person"
        return f"{row.answer}, decided by {who}; the program said {row.said}"
    if row.finding is None:
        return row.error
    others = [name for name in row.finding.prediction_set if name != row.finding.likely]
    text = f"{row.finding.likely} ({row.finding.probability:.0%})" + (f" or {', '.join(others)}" if others else "")
    return text + (f"; same tap as {row.first}" if row.first else "")
