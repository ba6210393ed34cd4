"""The layout of the database as a list of steps; each is applied once, in one transaction with its own record.

A step that has been released is never changed: a new layout is a new step at the end.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from identify.errors import RecordsError
from identify.records.database import Database
from identify.records.words import search_text

if TYPE_CHECKING:
    from sqlalchemy import Connection


@dataclass(frozen=True, slots=True)
class Step:
    """One change: statements ({blob} is the database's own word for bytes), then what is done to the rows there."""

    name: str
    statements: tuple[str, ...]
    fill: Callable[[Connection], None] | None = None


def _fill_search(link: Connection) -> None:
    from sqlalchemy import text

    confirmed = {
        row.case_id: f"{row.handed_out} {row.note}"
        for row in link.execute(text("SELECT case_id, handed_out, note FROM confirmations"))
    }
    for row in link.execute(text("SELECT id, case_json FROM cases")).all():
        words = search_text(row.id, json.loads(row.case_json))
        link.execute(
            text("UPDATE cases SET words = :words WHERE id = :id"),
            {"words": f"{words} {confirmed.get(row.id, '')}".strip().casefold(), "id": row.id},
        )


STEPS = (
    Step(
        "cases and their photos",
        (
            """CREATE TABLE cases (
                id TEXT PRIMARY KEY, made_at TEXT NOT NULL, changed_at TEXT NOT NULL, answer TEXT NOT NULL,
                case_json TEXT NOT NULL, answers TEXT NOT NULL, overlay {blob})""",
            "CREATE INDEX cases_by_time ON cases (made_at, id)",
            "CREATE TABLE photos (sha256 TEXT PRIMARY KEY, jpeg {blob} NOT NULL)",
            """CREATE TABLE case_photos (
                case_id TEXT NOT NULL REFERENCES cases (id) ON DELETE CASCADE, position INTEGER NOT NULL,
                sha256 TEXT NOT NULL, PRIMARY KEY (case_id, position))""",
            "CREATE INDEX case_photos_by_photo ON case_photos (sha256)",
        ),
    ),
    Step(
        "confirmations",
        (
            """CREATE TABLE confirmations (
                case_id TEXT PRIMARY KEY REFERENCES cases (id) ON DELETE CASCADE, confirmed_at TEXT NOT NULL,
                handed_out TEXT NOT NULL, right_class TEXT, returned INTEGER, note TEXT NOT NULL)""",
            """CREATE TABLE callipers (
                case_id TEXT NOT NULL REFERENCES confirmations (case_id) ON DELETE CASCADE, quantity TEXT NOT NULL,
                value DOUBLE PRECISION NOT NULL, PRIMARY KEY (case_id, quantity))""",
        ),
    ),
    Step("words to search by", ("ALTER TABLE cases ADD COLUMN words TEXT NOT NULL DEFAULT ''",), _fill_search),
)


def migrate(database: Database, steps: tuple[Step, ...] = STEPS) -> int:
    """Apply the steps that the database lacks; returns how many those were.

    Raises
    ------
    RecordsError
        The database has steps that this program does not know: a newer one made it.
    """
    from sqlalchemy import inspect, text

    with database.reading() as link:
        fresh = not inspect(link).has_table("migrations")
        done = 0 if fresh else _done(link)
    if done > len(steps):
        raise RecordsError(f"A newer tapwright made the records {database.shown}; update this one.")
    for number in range(done + 1, len(steps) + 1):
        with database.writing() as link:
            link.execute(
                text(
                    "CREATE TABLE IF NOT EXISTS migrations "
                    "(number INTEGER PRIMARY KEY, name TEXT NOT NULL, applied_at TEXT NOT NULL)"
                )
            )
            if _done(link) < number:  # another program may have been quicker
                _apply(link, number, steps[number - 1], "BLOB" if database.is_sqlite else "BYTEA")
    return len(steps) - done


def _done(link: Connection) -> int:
    from sqlalchemy import text

    return int(link.execute(text("SELECT coalesce(max(number), 0) FROM migrations")).scalar_one())


def _apply(link: Connection, number: int, step: Step, blob: str) -> None:
    from sqlalchemy import text

    for statement in step.statements:
        link.execute(text(statement.replace("{blob}", blob)))
    if step.fill is not None:
        step.fill(link)
    link.execute(
        text("INSERT INTO migrations VALUES (:number, :name, :at)"),
        {"number": number, "name": step.name, "at": datetime.now(UTC).isoformat(timespec="seconds")},
    )
