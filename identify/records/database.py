"""The database behind the records: one transaction a deed, on disk when it is acknowledged."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from identify.errors import RecordsError
from identify.records import place

if TYPE_CHECKING:
    from sqlalchemy import URL, Connection, Engine

WAIT_S = 30  # for another program that is writing
RETRY_S = 0.02
CONNECT_S = 10
_LOCK = 7_461_707_205  # any number; the same for all who write these records
_PRAGMAS = (
    f"busy_timeout = {WAIT_S * 1000}",
    "journal_mode = WAL",
    "synchronous = FULL",  # what is committed is on the disk
    "foreign_keys = ON",
    "secure_delete = ON",  # what is forgotten is overwritten
)


class Database:
    """Connections to the records' database.

    Raises
    ------
    UsageError
        The URL can't be read.
    RecordsError
        Libraries are missing, or the file can't be made.
    """

    def __init__(self, where: str | None = None) -> None:
        url = place.database_url(where)
        place.prepare_file(url)
        self.shown = place.shown(url)
        self.is_sqlite = url.get_backend_name() == "sqlite"
        self._engine = _engine(url)

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one state of the records."""
        with self._told("read"), self._engine.connect() as link, link.begin():
            yield link

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that is done as a whole when the block ends, or not at all; one at a time."""
        from sqlalchemy import text

        with self._told("written"), self._engine.connect() as link:
            with link.execution_options(writes=True).begin():
                if not self.is_sqlite:  # SQLite holds its own lock from the beginning of a writing transaction
                    link.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
                yield link

    def scrub(self) -> None:
        """Take deleted rows out of SQLite's log too."""
        if self.is_sqlite:
            with self._told("written"), self._engine.connect() as link:
                link.connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")

    @contextmanager
    def _told(self, deed: str) -> Iterator[None]:
        """The database's own errors as one sentence; a statement that is wrong in itself is ours and goes through."""
        from sqlalchemy import exc

        try:
            yield
        except exc.DBAPIError as why:
            if not isinstance(why, exc.OperationalError) and type(why) is not exc.DatabaseError:
                if "permission denied" not in str(why.orig):
                    raise
            reason = str(why.orig).strip().splitlines()[0].rstrip(".")
            raise RecordsError(f"The records {self.shown} can't be {deed} ({reason}); {_advice(reason)}.") from why


def _advice(reason: str) -> str:
    if "locked" in reason:
        return "another program holds them, so close it and try again"
    if "not a database" in reason or "malformed" in reason:
        return "name another file, or bring the last copy back"
    if "full" in reason:
        return "make room on the disk"
    if "readonly" in reason or "unable to open" in reason or "permission" in reason:
        return "see who may write there"
    return "check the address, and that the server runs"


def set_pragma(cursor: sqlite3.Cursor, pragma: str) -> None:
    """Set a pragma; that of the log does not wait for others by itself while the file is new, so it is tried again."""
    until = time.monotonic() + WAIT_S
    while True:
        try:
            cursor.execute(f"PRAGMA {pragma}")
            return
        except sqlite3.OperationalError as why:
            if "locked" not in str(why) or time.monotonic() > until:
                raise
            time.sleep(RETRY_S)


def _engine(url: URL) -> Engine:
    from sqlalchemy import create_engine, event

    if url.get_backend_name() != "sqlite":
        own = url.query.get("options", "")
        settings = {"connect_timeout": CONNECT_S, "options": f"{own} -c synchronous_commit=on"}
        return create_engine(url, connect_args=settings, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": WAIT_S})

    @event.listens_for(engine, "connect")
    def _prepare(raw: Any, _: object) -> None:
        raw.isolation_level = None  # transactions are begun below, so that they hold changes of the layout too
        cursor = raw.cursor()
        for pragma in _PRAGMAS:
            set_pragma(cursor, pragma)
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(link: Connection) -> None:
        writes = link.get_execution_options().get("writes", False)
        link.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine
