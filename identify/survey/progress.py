"""The survey's memory: the finding of each photo, written down as it is done."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

from identify.survey.finding import Finding
from identify.survey.journal import Journal, Line, read

BEGIN = b'{"recipe":"'  # of every line


class Progress:
    """Findings by the photo's hash, of one recipe; a line of another recipe stays in the file and is not used.

    Raises
    ------
    UsageError
        The file can't be written, is no progress file, or another survey is writing it.
    """

    def __init__(self, path: Path, recipe: str) -> None:
        self._recipe = recipe
        self._journal = Journal(path, BEGIN, _taken)
        self.findings = _of_recipe(self._journal.records, recipe)
        self._journal.records.clear()

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._journal.close()

    def keep(self, finding: Finding) -> None:
        """Append a finding; one that is there already is not doubled."""
        if finding.sha256 not in self.findings:
            self._journal.append({"recipe": self._recipe, "finding": finding.as_json()})
            self.findings[finding.sha256] = finding


def findings(path: Path, recipe: str) -> dict[str, Finding]:
    """What a progress file holds of a recipe; it may be written meanwhile. UsageError where it is another file."""
    return _of_recipe(read(path, BEGIN, _taken), recipe)


def _of_recipe(records: Iterable[tuple[str, Finding]], recipe: str) -> dict[str, Finding]:
    return {finding.sha256: finding for its_recipe, finding in records if its_recipe == recipe}


def _taken(line: Line) -> tuple[str, Finding]:
    if not isinstance(line["recipe"], str):
        raise TypeError("recipe")
    return line["recipe"], Finding.from_json(line["finding"])
