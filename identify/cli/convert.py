"""``tapwright convert``: whether another kind of head fits the body that is there."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from identify.cli import answers, paragraphs, terminal
from identify.errors import UsageError

if TYPE_CHECKING:
    from identify.rules.conversions import Advice, SeatDepth
    from identify.tables import Tables
    from identify.tables.advice import CheckRow

EXAMPLE = """example:
  tapwright convert --to quarter-turn-ceramic --answer size-pattern="15 mm heavy" --answer spindle-direction=upright
  tapwright convert --to push-non-hold-open --seat-depth 31.2 --head-depth 31.0
      depth from the body's shoulder to its seat, against what a new head reaches when closed
  tapwright convert --from quarter-turn-ceramic --to compression-screw"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    command = terminal.command(commands, "convert", "say whether another kind of head fits the body", EXAMPLE)
    option = command.add_argument
    option("--to", required=True, metavar="CLASS", help="kind of head that is wanted")
    option("--from", dest="from_class", metavar="CLASS", help="kind that is there (default: the one that is known)")
    option("--seat-depth", type=_mm, metavar="MM", help="shoulder of the body to its seat, measured")
    option("--head-depth", type=_mm, metavar="MM", help="what a new head or jumper of this body reaches, closed")
    answers.add_option(command)
    option("--json", action="store_true", help="print one JSON object")
    command.set_defaults(run=_convert)


def _mm(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no length in mm; give a number such as 31.2") from None


def _convert(options: argparse.Namespace) -> int:
    from identify import tables
    from identify.rules.conversions import convert

    known = tables.load()
    start = options.from_class or _start(options.to, known)
    given = answers.read(options.answer)
    advice = convert(start, options.to, given, depth=_depth(options), tables=known)
    if options.json:
        print(json.dumps(_as_json(advice), indent=1))
    else:
        print("\n".join(_as_text(advice, known)))
    return terminal.DONE


def _start(to: str, tables: Tables) -> str:
    """The class from which alone this conversion is known."""
    starts = list(dict.fromkeys(row.from_class for row in tables.conversions.values() if row.to == to))
    if not starts:
        wanted = dict.fromkeys(row.to for row in tables.conversions.values())
        raise UsageError(f"--to {to!r}: no conversion to it is known; known: {', '.join(wanted)}.")
    if len(starts) > 1:
        raise UsageError(f"--to {to}: say what is there, --from {' or --from '.join(starts)}.")
    return starts[0]


def _depth(options: argparse.Namespace) -> SeatDepth | None:
    from identify.rules.conversions import SeatDepth

    if (options.seat_depth is None) != (options.head_depth is None):
        raise UsageError("One depth alone tells nothing; give both --seat-depth and --head-depth in mm.")
    return None if options.seat_depth is None else SeatDepth(options.seat_depth, options.head_depth)


def _as_json(advice: Advice) -> dict[str, Any]:
    return {
        "from": advice.from_class,
        "to": advice.conversion.to,
        "verdict": advice.conversion.verdict,
        "reasons": list(advice.conversion.reasons),
        "checks": [
            {"id": row.id, "question": row.question, "how": row.how, "why": row.why, "answers": list(row.answers)}
            for row in advice.checks
        ],
        "sources": list(advice.sources),
        "cautions": paragraphs.warnings_json(advice.cautions),
    }


def _as_text(advice: Advice, tables: Tables) -> list[str]:
    there = tables.classes[advice.from_class].name if advice.from_class in tables.classes else advice.from_class
    to = advice.conversion.to
    wanted = tables.classes[to].name if to in tables.classes else to
    lines = [f"{there} to {wanted}: {advice.conversion.verdict}"]
    lines += [paragraphs.fold(f"- {reason}", 2) for reason in advice.conversion.reasons]
    lines += paragraphs.listed("Find out", [_question(row) for row in advice.checks])
    lines += ["", paragraphs.fold(f"Sources: {'; '.join(advice.sources)}")]
    return lines + paragraphs.warned(advice.cautions)


def _question(row: CheckRow) -> str:
    said = " | ".join(f'"{answer}"' for answer in row.answers)
    return f"{row.question} {row.how} (--answer {row.id}={said})"
