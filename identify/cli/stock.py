"""``tapwright stock``: check a shop's own stock list, or print one to fill in."""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from identify.cli import terminal
from identify.errors import UsageError

if TYPE_CHECKING:
    from identify.tables.stock import Stock

SHOWN = 50
EXAMPLE = """example:
  tapwright stock template parts.csv
      overwrite its two invented rows with your own; leave empty what you don't know
  tapwright stock check parts.csv
  tapwright identify bench.jpg --stock parts.csv"""
CHECK_EXAMPLE = """example:
  tapwright stock check parts.xlsx --problems to-mend.csv"""
TEMPLATE_EXAMPLE = """example:
  tapwright stock template parts.csv"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    own = terminal.command(commands, "stock", "check your own stock list, or print one to fill in", EXAMPLE)
    kinds = own.add_subparsers(title="what to do", metavar="WHAT", required=True)
    check = terminal.command(kinds, "check", "print what is wrong with a list, or what is in it", CHECK_EXAMPLE)
    check.add_argument("list", metavar="LIST", type=Path, help="a .csv or .xlsx file")
    check.add_argument("--problems", metavar="OUT.csv", type=Path, help="write all problems to a CSV file too")
    check.add_argument("--json", action="store_true", help="print JSON")
    check.set_defaults(run=_check)
    blank = terminal.command(kinds, "template", "print the columns with two invented rows", TEMPLATE_EXAMPLE)
    blank.add_argument("out", metavar="OUT.csv", type=Path, nargs="?", help="where to write it (default: print it)")
    blank.set_defaults(run=_template)


def _check(options: argparse.Namespace) -> int:
    from identify.tables import stock

    found = stock.examine(options.list)
    for remark in found.remarks:
        terminal.remark(remark)
    if options.problems is not None:
        _write(options.problems, stock.as_csv(found.problems))
    if options.json:
        _print_json(found.stock, found.problems)
    elif found.stock is None:
        for problem in found.problems[:SHOWN]:
            print(problem)
        more = f" ({SHOWN} are shown; --problems OUT.csv writes them all)" if len(found.problems) > SHOWN else ""
        print(f"Nothing is taken from {options.list.name}: {_counted(len(found.problems), 'problem')}{more}.")
    else:
        print(_summary(options.list.name, found.stock))
    return terminal.SOME_FAILED if found.stock is None else terminal.DONE


def _summary(name: str, found: Stock) -> str:
    rows = Counter(each.row.class_id for each in found.rows)
    pieces: Counter[str] = Counter()
    for each in found.rows:
        pieces[each.row.class_id] += each.quantity or 0
    width = max(map(len, rows))
    lines = [f"{name} is sound: {_counted(len(found.rows), 'row')}."]
    lines += [
        f"  {class_id:<{width}}  {rows[class_id]:6} rows  {pieces[class_id]:8} pieces" for class_id in sorted(rows)
    ]
    return "\n".join(lines)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _print_json(found: Stock | None, problems: Any) -> None:
    import json
    from dataclasses import asdict

    rows = Counter(each.row.class_id for each in found.rows) if found else {}
    print(json.dumps({"rows": dict(sorted(rows.items())), "problems": [asdict(each) for each in problems]}, indent=1))


def _template(options: argparse.Namespace) -> int:
    from identify.tables import stock

    text = stock.template()
    if options.out is None:
        print(text, end="")
        return terminal.DONE
    if options.out.suffix.lower() != ".csv":
        raise UsageError(f"{options.out} does not end in .csv; the template is a CSV file.")
    if options.out.exists():
        raise UsageError(f"{options.out} is there already; choose another name, so that no list is lost.")
    _write(options.out, text)
    print(f"{options.out}: overwrite the two invented rows, then run tapwright stock check {options.out}.")
    return terminal.DONE


def _write(place: Path, text: str) -> None:
    terminal.make_folder(place.parent)
    try:
        place.write_text(text, encoding="utf-8-sig", newline="")
    except OSError as why:
        raise UsageError(f"Can't write {place} ({why.strerror or why}); choose another place.") from why
