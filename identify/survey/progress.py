"""The survey's memory: one line a photo, appended as it is done; what a kill tore off is trimmed when it goes on."""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO

from identify.errors import UsageError
from identify.survey.finding import Finding

try:
    import fcntl
except ImportError:  # not on every system; there two surveys into one file are not kept apart
    fcntl = None  # type: ignore[assignment]

BEGIN = b'{"recipe":"'  # of every line


class Progress:
    """Findings by the photo's hash, of one recipe; a line of another recipe stays in the file and is not used.

    Only the process that opened it writes, a whole line at a time, so a kill at any moment loses at most the photo
    that was being written; that one is then done again.

    Raises
    ------
    UsageError
        The file can't be written, is no progress file, or another survey is writing it.
    """

    def __init__(self, path: Path, recipe: str) -> None:
        self.findings: dict[str, Finding] = {}
        self._path, self._recipe = path, recipe
        try:
            self._file: BinaryIO = path.open("a+b")
        except OSError as why:
            raise UsageError(f"Can't write {path} ({why.strerror}); choose another place for --out.") from why
        try:
            self._lock()
            self._read()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def keep(self, finding: Finding) -> None:
        """Append a finding; one that is there already is not doubled."""
        if finding.sha256 in self.findings:
            return
        line = json.dumps({"recipe": self._recipe, "finding": finding.as_json()}, separators=(",", ":"))
        self._file.write(line.encode("ascii") + b"\n")
        self._file.flush()  # to the system: a killed process loses nothing
        self.findings[finding.sha256] = finding

    def _lock(self) -> None:
        if fcntl is not None:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as why:
                raise UsageError(
                    f"Another survey is writing {self._path}; wait for it, or name another --out."
                ) from why

    def _read(self) -> None:
        self._file.seek(0)
        whole = 0
        for number, line in enumerate(self._file, start=1):
            torn = not line.endswith(b"\n")
            told = None if torn else _told(line)
            if torn and (line.startswith(BEGIN) or BEGIN.startswith(line)):
                break
            if told is None:
                raise UsageError(f"{self._path}, line {number} is no line of a survey; move that file out of the way.")
            whole += len(line)
            if told["recipe"] == self._recipe:
                finding = Finding.from_json(told["finding"])
                self.findings[finding.sha256] = finding
        self._file.seek(0, os.SEEK_END)
        if self._file.tell() > whole:
            self._file.truncate(whole)


def _told(line: bytes) -> dict[str, Any] | None:
    try:
        told = json.loads(line)
        Finding.from_json(told["finding"])
        return told if isinstance(told["recipe"], str) else None
    except (ValueError, KeyError, TypeError):
        return None
