"""Files that the page's users sent: read once, and gone."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from identify.errors import UsageError

GONE = "The file did not arrive; choose it again."
MOST_LETTERS = 200


def place(uploads: Path, sent: Any) -> Path:
    """The uploaded file that a message of the page names.

    Raises
    ------
    UsageError
        It lies outside the folder of uploads, or is no longer there.
    """
    path = Path(str(sent.get("path", ""))) if isinstance(sent, Mapping) else Path()
    try:
        real = path.resolve(strict=True)
    except (OSError, ValueError, RuntimeError) as why:
        raise UsageError(GONE) from why
    if not real.is_file() or not real.is_relative_to(uploads.resolve()):
        raise UsageError(GONE)
    return real


def taken(uploads: Path, sent: Any) -> tuple[str, bytes]:
    """Name and bytes of an uploaded file, which is deleted."""
    path = place(uploads, sent)
    try:
        data = path.read_bytes()
    except OSError as why:
        raise UsageError(GONE) from why
    path.unlink(missing_ok=True)
    return name_of(sent, path.name), data


def name_of(sent: Any, otherwise: str) -> str:
    """The file's own name on the user's machine, cut to what can be shown."""
    named = str(sent.get("name", "")) if isinstance(sent, Mapping) else ""
    last = PurePosixPath(named.replace("\\", "/")).name
    return "".join(letter for letter in last if letter.isprintable())[:MOST_LETTERS] or otherwise
