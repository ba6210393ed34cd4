"""The user's answers to checks, as several commands take them: ``--answer CHECK=VALUE``."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from identify.cli import terminal
from identify.errors import UsageError

if TYPE_CHECKING:
    from identify.tables.advice import CheckRow


def add_option(command: argparse.ArgumentParser) -> None:
    """Add ``--answer`` to a command."""
    command.add_argument(
        "--answer", action="append", default=[], metavar="CHECK=VALUE", help="your answer to a check; repeatable"
    )


def read(words: Sequence[str]) -> dict[str, str]:
    """Id of a check to what was answered.

    Raises
    ------
    UsageError
        A word is no CHECK=VALUE, or no check has that name.
    """
    from identify import tables

    checks = tables.load().checks
    answers = {}
    for word in words:
        check, equals, value = (part.strip() for part in word.partition("="))
        if not (check and equals and value):
            raise UsageError(f"--answer {word!r}: write it as CHECK=VALUE, for example {_an_answer(checks)}.")
        if check.partition(":")[0] not in checks:  # what follows a colon is for the rules to read
            raise UsageError(
                f"--answer {word!r}: no check is called {check!r}{terminal.near(check, checks, 'checks')}."
            )
        answers[check] = value
    return answers


def _an_answer(checks: Mapping[str, CheckRow]) -> str:
    row = next(row for row in checks.values() if row.answers)
    return f"{row.id}={next(iter(row.answers))}"
