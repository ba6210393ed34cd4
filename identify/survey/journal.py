"""Files that only grow: a line of JSON a record; what a kill tore off is trimmed when the file is opened again."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Generic, TypeVar

from identify.errors import UsageError

try:
    import fcntl
except ImportError:  # not on every system; there two programs that write one file are not kept apart
    fcntl = None  # type: ignore[assignment]

Line = dict[str, Any]
Record = TypeVar("Record")


class Journal(Generic[Record]):
    """An open file of records; only the process that opened it writes, a whole line at a time.

    A kill at any moment loses at most the record that was being written. ``records`` are those that were there.

    Parameters
    ----------
    begin : how every line begins; a torn last line that begins otherwise is not ours and is left alone.
    take : makes a record of a line; raises ValueError, KeyError or TypeError where the line holds another thing.
    wait_s : how long to wait for another process that has it open [s].

    Raises
    ------
    UsageError
        The file can't be written, holds something else, or another process is writing it.
    """

    def __init__(self, path: Path, begin: bytes, take: Callable[[Line], Record], *, wait_s: float = 0.0) -> None:
        self._path = path
        try:
            self._file: BinaryIO = path.open("a+b")
        except OSError as why:
            raise UsageError(f"Can't write {path} ({why.strerror}); choose another place for --out.") from why
        try:
            self._lock(wait_s)
            self._file.seek(0)
            self.records, whole = _read(self._file, path, begin, take)
            if self._file.seek(0, os.SEEK_END) > whole:
                self._file.truncate(whole)
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Journal[Record]:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let others write it."""
        self._file.close()

    def append(self, line: Line, *, to_disk: bool = False) -> None:
        """Add a line: what a killed process wrote is kept, and with ``to_disk`` also after a power cut."""
        self._file.write(json.dumps(line, separators=(",", ":")).encode("ascii") + b"\n")
        self._file.flush()
        if to_disk:
            os.fsync(self._file.fileno())

    def _lock(self, wait_s: float) -> None:
        stop = time.monotonic() + wait_s
        while fcntl is not None:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except OSError as why:
                if time.monotonic() >= stop:
                    raise UsageError(
                        f"Another survey is writing {self._path}; wait for it, or name another --out."
                    ) from why
                time.sleep(0.05)


def read(path: Path, begin: bytes, take: Callable[[Line], Record]) -> list[Record]:
    """The records of a file without changing it; none where there is no file. Raises UsageError as :class:`Journal`."""
    try:
        with path.open("rb") as file:
            return _read(file, path, begin, take)[0]
    except FileNotFoundError:
        return []
    except OSError as why:
        raise UsageError(f"Can't read {path} ({why.strerror}); check its permissions.") from why


def _read(lines: Iterable[bytes], path: Path, begin: bytes, take: Callable[[Line], Record]) -> tuple[list[Record], int]:
    """Records, and how many bytes hold whole ones."""
    records: list[Record] = []
    whole = 0
    for number, line in enumerate(lines, start=1):
        torn = not line.endswith(b"\n")
        if torn and (line.startswith(begin) or begin.startswith(line)):
            break
        try:
            if torn:
                raise ValueError("torn")
            records.append(take(json.loads(line)))
        except (ValueError, KeyError, TypeError) as why:
            raise UsageError(f"{path}, line {number} is no line of a survey; move that file out of the way.") from why
        whole += len(line)
    return records, whole
