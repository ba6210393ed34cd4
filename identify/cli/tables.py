"""``tapwright tables``: look at the reference tables, or check them."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any

from identify.cli import terminal
from identify.errors import UsageError

EXAMPLE = """example:
  tapwright tables show references
  tapwright tables check"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    lists = terminal.command(commands, "tables", "look at the reference tables, or check them", EXAMPLE)
    lists.add_argument("what", choices=("check", "show", "list"), help="check them, show one, or list their names")
    lists.add_argument("name", nargs="?", metavar="NAME", help="which table to show")
    lists.add_argument("--json", action="store_true", help="print JSON")
    lists.set_defaults(run=_tables)


def _tables(options: argparse.Namespace) -> int:
    import json

    from identify import tables
    from identify.tables import show

    if options.what == "check":
        problems = tables.check()
        print("\n".join(problems) if problems else f"The tables are sound (version {tables.version()}).")
        return terminal.SOME_FAILED if problems else terminal.DONE
    if options.what == "list":
        counts = {name: len(show.rows(name)) for name in show.names()}
        text = "\n".join(f"{count:5}  {name}" for name, count in counts.items())
        print(json.dumps(counts, indent=1) if options.json else text)
        return terminal.DONE
    if options.name is None:
        raise UsageError(f"tables show needs a name; known: {', '.join(show.names())}.")
    if options.json:
        print(json.dumps([asdict(row) for row in show.rows(options.name)], indent=1))
    else:
        print(show.lines(options.name))
    return terminal.DONE
