"""Files that the page's users sent: each lies under a name that can't be guessed until it is taken, or an hour."""

from __future__ import annotations

import contextlib
import re
import secrets
import shutil
import time
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from identify.errors import UsageError

GONE = "The file did not arrive; choose it again."
MOST_LETTERS, MOST_LEVELS = 200, 8
KEPT_S = 3600.0
_TOKEN = re.compile(r"[A-Za-z0-9_-]{24,64}")


def room(uploads: Path) -> Path:
    """A new file to write an upload to; uploads that nobody fetched within an hour are deleted."""
    long_ago = time.time() - KEPT_S
    for old in uploads.iterdir():
        with contextlib.suppress(FileNotFoundError):  # another user's photo was just read, and is gone
            if old.stat().st_mtime < long_ago:
                old.unlink()
    path = uploads / secrets.token_urlsafe(24)
    path.touch(mode=0o600)
    return path


def place(uploads: Path, sent: Any) -> Path:
    """The uploaded file that a message of the page names.

    Raises
    ------
    UsageError
        No upload has that name.
    """
    token = str(sent.get("token", "")) if isinstance(sent, Mapping) else ""
    path = uploads / token
    if not _TOKEN.fullmatch(token) or path.is_symlink() or not path.is_file():
        raise UsageError(GONE)
    return path


def taken(uploads: Path, sent: Any) -> tuple[str, bytes]:
    """Name and bytes of an uploaded file, which is deleted."""
    path = place(uploads, sent)
    try:
        data = path.read_bytes()
    except OSError as why:
        raise UsageError(GONE) from why
    path.unlink(missing_ok=True)
    return name_of(sent, "photo"), data


def name_of(sent: Any, otherwise: str) -> str:
    """The file's own name on the user's machine, cut to what can be shown."""
    named = str(sent.get("name", "")) if isinstance(sent, Mapping) else ""
    last = PurePosixPath(named.replace("\\", "/")).name
    return "".join(letter for letter in last if letter.isprintable())[:MOST_LETTERS] or otherwise


def arranged(uploads: Path, sent: Sequence[Any], folder: Path) -> Path:
    """Uploaded photos moved into a folder under the paths that they had, or the one ZIP among them.

    Returns
    -------
    Path
        What to survey.

    Raises
    ------
    UsageError
        Nothing was sent, or a ZIP came with other files.
    """
    if not sent:
        raise UsageError("There are no photos yet; choose a ZIP, photos or a folder.")
    zips = [each for each in sent if name_of(each, "").lower().endswith(".zip")]
    if zips and len(sent) > 1:
        raise UsageError("A ZIP came with other files; send it alone, or put everything into it.")
    folder.mkdir(parents=True)
    for number, each in enumerate(sent):
        to = folder / _within(each, number)
        to.parent.mkdir(parents=True, exist_ok=True)
        if to.exists():
            to = to.with_stem(f"{to.stem}-{number}")
        shutil.move(place(uploads, each), to)
    return folder / _within(zips[0], 0) if zips else _top(folder)


def _within(sent: Mapping[str, Any], number: int) -> Path:
    """A path below a folder: the user's own folders, without any step up and without hidden names."""
    parts = [
        "".join(letter for letter in part if letter.isprintable())[:MOST_LETTERS].lstrip(".")
        for part in str(sent.get("name", "")).replace("\\", "/").replace(":", "/").split("/")
    ]
    kept = [part for part in parts if part][-MOST_LEVELS:]
    return Path(*kept) if kept else Path(f"photo-{number}")


def _top(folder: Path) -> Path:
    """The user's own folder where all photos lie in one, so that it counts as the outermost place."""
    inside = list(folder.iterdir())
    return inside[0] if len(inside) == 1 and inside[0].is_dir() else folder
