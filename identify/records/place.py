"""Where the records lie: a file in the user's data folder, or the database that a URL names."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from identify.errors import RecordsError, UsageError

if TYPE_CHECKING:
    from sqlalchemy import URL

VARIABLE = "TAPWRIGHT_RECORDS"
FILE = "records.sqlite"
_POSTGRESQL = ("postgresql", "postgres")


def default_file() -> Path:
    """The file in the user's own data folder, as each system has it."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "tapwright" / FILE


def database_url(place: str | None = None) -> URL:
    """The database of a URL or a file name; of TAPWRIGHT_RECORDS, or the user's own file, where None is given.

    Raises
    ------
    UsageError
        The URL can't be read, or names a kind of database that is not known here.
    RecordsError
        The libraries that the records need are not installed.
    """
    if importlib.util.find_spec("sqlalchemy") is None:
        raise RecordsError("The records need SQLAlchemy, which is not installed; run pip install 'tapwright[records]'.")
    from sqlalchemy import URL, make_url
    from sqlalchemy.exc import ArgumentError

    place = place or os.environ.get(VARIABLE) or str(default_file())
    if "://" not in place:
        return URL.create("sqlite", database=str(Path(place).expanduser()))
    try:
        url = make_url(place)
    except (ArgumentError, ValueError) as why:
        raise UsageError(
            "The records' address is no database URL; write sqlite:///FILE or postgresql://USER@HOST/DATABASE."
        ) from why
    kind = url.get_backend_name()
    if kind in _POSTGRESQL:
        if importlib.util.find_spec("psycopg") is None:
            raise RecordsError(
                "PostgreSQL needs psycopg, which is not installed; run pip install 'tapwright[postgresql]'."
            )
        return url.set(drivername="postgresql+psycopg")
    if kind != "sqlite":
        raise UsageError(f"{kind} holds no records here; use sqlite:///FILE or postgresql://USER@HOST/DATABASE.")
    return url.set(drivername="sqlite")


def prepare_file(url: URL) -> None:
    """Make the folder and an empty file that only its owner may read, where they are not there yet.

    Raises
    ------
    RecordsError
        They can't be made.
    """
    if url.get_backend_name() != "sqlite" or not url.database or url.database == ":memory:":
        return
    path = Path(url.database)
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    except OSError as why:
        raise RecordsError(f"Can't write {path} ({why.strerror}); choose another place for the records.") from why


def shown(url: URL) -> str:
    """The database in words, without its password."""
    return url.database or "memory" if url.get_backend_name() == "sqlite" else url.render_as_string(hide_password=True)
