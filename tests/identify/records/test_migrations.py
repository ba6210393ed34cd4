"""An old database is brought up to date with its cases; a step is done as a whole or not at all."""

from __future__ import annotations

import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import inspect, text

from identify.errors import RecordsError
from identify.records import open_records
from identify.records.database import Database, set_pragma
from identify.records.migrations import STEPS, Step, migrate

RELEASED = ["0a203e016f3d", "8e002be18b00", "8a38ee172c0d"]


@pytest.fixture
def database(url):
    opened = Database(url)
    yield opened
    opened.close()


def names_of(database: Database) -> list[tuple[int, str]]:
    with database.reading() as link:
        return [tuple(row) for row in link.execute(text("SELECT number, name FROM migrations ORDER BY number"))]


@pytest.mark.parametrize("old", [1, 2])
def test_an_old_database_keeps_its_cases_and_learns_to_find_them(database, url, a_case, jpeg, old):
    assert migrate(database, STEPS[:old]) == old
    case = a_case(jpeg(), file="before.jpg")
    with database.writing() as link:
        statement = (
            "INSERT INTO cases (id, made_at, changed_at, answer, case_json, answers) VALUES (:id, :t, :t, :a, :c, '{}')"
        )
        values = {
            "id": "old-1",
            "t": "2026-01-02T03:04:05.000+00:00",
            "a": case["class"]["answer"],
            "c": json.dumps(case),
        }
        link.execute(text(statement), values)
        link.execute(text("INSERT INTO case_photos VALUES ('old-1', 0, :s)"), {"s": case["photos"][0]["sha256"]})
        if old == 2:
            link.execute(text("INSERT INTO confirmations VALUES ('old-1', 'now', 'PART-9', NULL, 1, '')"))
    with open_records(url) as records:
        assert names_of(database) == [(at + 1, step.name) for at, step in enumerate(STEPS)]
        assert records.get("old-1").case == case
        assert [line.id for line in records.find(text="before")] == ["old-1"]
        assert [line.id for line in records.find(text="part-9")] == ["old-1"] * (old == 2)
        records.confirm("old-1", handed_out="PART-8", returned=False)
        assert records.count(text="part-8", confirmed=True) == 1
    assert migrate(database) == 0


def test_a_step_that_fails_leaves_no_trace(database):
    def fail(link: object) -> None:
        raise RuntimeError("power cut")

    bad = Step("bad", ("CREATE TABLE half (x INTEGER)", "ALTER TABLE cases ADD COLUMN y TEXT"), fail)
    with pytest.raises(RuntimeError, match="power cut"):
        migrate(database, (*STEPS[:1], bad))
    assert names_of(database) == [(1, STEPS[0].name)]
    with database.reading() as link:
        seen = inspect(link)
        assert not seen.has_table("half")
        assert "y" not in [column["name"] for column in seen.get_columns("cases")]
    assert migrate(database) == len(STEPS) - 1


def test_a_newer_database_is_left_alone(database, url):
    migrate(database, (*STEPS, Step("of next year", ("CREATE TABLE later (x INTEGER)",))))
    with pytest.raises(RecordsError, match=r"A newer tapwright made the records .*; update this one\.") as why:
        open_records(url)
    assert str(why.value).count(".") <= 4


def test_ten_counters_start_at_once(url, database):
    with ThreadPoolExecutor(10) as pool:
        for _ in pool.map(lambda _: open_records(url).close(), range(10)):
            pass
    assert names_of(database) == [(at + 1, step.name) for at, step in enumerate(STEPS)]


def test_the_steps_that_were_released_are_as_they_were():
    """A released step is never changed: an old database would then differ from a new one."""
    import hashlib

    released = [hashlib.sha256("\n".join([step.name, *step.statements]).encode()).hexdigest()[:12] for step in STEPS]
    assert released == RELEASED


def test_a_log_that_others_are_just_making_is_tried_again():
    """SQLite does not wait by itself where two connections turn a new file's log on (SQLITE_BUSY, no busy handler)."""

    class Cursor:
        def __init__(self, errors: list[str]) -> None:
            self.errors, self.asked = errors, 0

        def execute(self, _: str) -> None:
            self.asked += 1
            if self.errors:
                raise sqlite3.OperationalError(self.errors.pop(0))

    busy, odd = Cursor(["database is locked"] * 3), Cursor(["disk I/O error"])
    set_pragma(busy, "journal_mode = WAL")
    assert busy.asked == 4
    with pytest.raises(sqlite3.OperationalError, match="disk I/O error"):
        set_pragma(odd, "journal_mode = WAL")
    assert odd.asked == 1
