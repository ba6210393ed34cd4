"""The ``tapwright`` command: results on standard output, remarks on standard error.

Exit codes: 0 done; 1 done, some photos failed; 2 wrong usage. Heavy imports happen inside the commands, so that
``--version`` and ``--help`` are instant.
"""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
import threading
from collections.abc import Iterator, Sequence

from identify import __version__
from identify.cli import convert, fault, identify, records, review, serve, sheet, stock, survey, tables, terminal, water
from identify.errors import IdentifyError

COMMANDS = (identify, survey, review, serve, records, fault, convert, water, sheet, stock, tables)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without ± gets ? instead of an error
    options = _parser().parse_args(arguments)
    try:
        with _ended_by_a_closed_pipe():
            return int(options.run(options))
    except IdentifyError as why:
        terminal.remark(str(why))
        return terminal.WRONG_USAGE
    except KeyboardInterrupt:
        terminal.remark("Stopped.")
        return terminal.STOPPED


@contextlib.contextmanager
def _ended_by_a_closed_pipe() -> Iterator[None]:
    """Whoever reads only the first lines ends the command quietly; a program that calls `main` is left as it was."""
    number = getattr(signal, "SIGPIPE", None)
    if number is None or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(number, signal.SIG_DFL)
    try:
        yield
        sys.stdout.flush()
    finally:
        signal.signal(number, before)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tapwright",
        description="Says from a photo which tap insert it is, measures it, and ranks the replacements that fit.",
        epilog="example: tapwright identify bench.jpg --scale eur-1",
    )
    parser.add_argument("--version", action="version", version=f"tapwright {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for each in COMMANDS:
        each.add(commands)
    return parser
