"""``tapwright sheet``: the scale sheet to print."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from identify.cli import terminal
from identify.errors import UsageError

EXAMPLE = """example:
  tapwright sheet scale.pdf --paper a4
      print at 100 %, check the 100 mm line with a ruler, lay the part on it"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    sheet = terminal.command(commands, "sheet", "write the scale sheet to print and lay under the part", EXAMPLE)
    sheet.add_argument("out", metavar="OUT.pdf", type=Path, help="where to write it")
    sheet.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper size (default: a4)")
    sheet.set_defaults(run=_sheet)


def _sheet(options: argparse.Namespace) -> int:
    from identify.reference import sheet_print

    if options.out.suffix.lower() != ".pdf":
        raise UsageError(f"{options.out} does not end in .pdf; the sheet is a PDF to be printed at 100 %.")
    terminal.make_folder(options.out.parent)
    try:
        sheet_print.write_pdf(options.out, paper=options.paper)
    except OSError as why:
        raise UsageError(f"Can't write {options.out} ({why.strerror or why}); choose another place.") from why
    print(f"{options.out}: print it at 100 % (no fitting to the page) and check its 100 mm line with a ruler.")
    return terminal.DONE
