"""What every command shares: exit codes, remarks, help with an example, folders to write into, near misses."""

from __future__ import annotations

import argparse
import difflib
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from identify.errors import UsageError

DONE, SOME_FAILED, WRONG_USAGE, STOPPED = 0, 1, 2, 130


def remark(text: str) -> None:
    """One line on standard error."""
    line = "".join(letter if letter.isprintable() else "?" for letter in text)
    print(f"tapwright: {line}", file=sys.stderr, flush=True)


def command(commands: Any, name: str, about: str, example: str) -> argparse.ArgumentParser:
    """A command of this name with its help text, which ends on an example."""
    added: argparse.ArgumentParser = commands.add_parser(
        name,
        help=about,
        description=about[:1].upper() + about[1:] + ".",
        epilog=example,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return added


def near(word: str, known: Iterable[str], table: str) -> str:
    """What a misspelt ``word`` may have meant, and where all names stand."""
    close = difflib.get_close_matches(word.lower(), list(known), n=4, cutoff=0.5)
    hint = f"; did you mean {' or '.join(close)}?" if close else ""
    return f"{hint} (all: tapwright tables show {table})"


def make_folder(folder: Path) -> None:
    """Make a folder that can be written into.

    Raises
    ------
    UsageError
        It can't be made or written into.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as why:
        raise UsageError(f"Can't make the folder {folder} ({why.strerror}); choose another place.") from why
    if not os.access(folder, os.W_OK):
        raise UsageError(f"Can't write into {folder}; choose another folder.")
