"""Questions to the database, each within a transaction of the caller."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from identify.errors import UsageError
from identify.records import names, words
from identify.records.kept import Confirmation, KeptCase, Line

if TYPE_CHECKING:
    from sqlalchemy import Connection

Json = dict[str, Any]
MOST_WORDS = 20  # of a search
AT_ONCE = 100
_FIELDS = "cases.id, made_at, changed_at, answer, case_json, answers, overlay"
_CONFIRMED = "handed_out, right_class, returned, note, confirmed_at"
_FROM = "FROM cases LEFT JOIN confirmations ON confirmations.case_id = cases.id"


def found(link: Connection, name: str) -> str:
    """The id as it is kept.

    Raises
    ------
    UsageError
        There is no such case.
    """
    for each in (name, names.as_written(name)):
        if _all(link, "SELECT 1 FROM cases WHERE id = :id", id=words.line(each)):
            return each
    raise UsageError(f"There is no case {words.line(name)[:80]!r}; tapwright records list shows the kept ones.")


def hashes(link: Connection, name: str) -> list[str]:
    """SHA-256 of the case's photos, in order."""
    rows = _all(link, "SELECT sha256 FROM case_photos WHERE case_id = :id ORDER BY position", id=name)
    return [row.sha256 for row in rows]


def is_confirmed(link: Connection, name: str) -> bool:
    """Whether it was said what was handed out."""
    return bool(_all(link, "SELECT 1 FROM confirmations WHERE case_id = :id", id=name))


def said(link: Connection, name: str) -> tuple[Json, dict[str, str]]:
    """The case and the answers to its checks."""
    [row] = _all(link, "SELECT case_json, answers FROM cases WHERE id = :id", id=name)
    return json.loads(row.case_json), json.loads(row.answers)


def jpeg(link: Connection, sha256: str) -> bytes | None:
    """The kept picture of a photo."""
    rows = _all(link, "SELECT jpeg FROM photos WHERE sha256 = :sha256", sha256=sha256)
    return bytes(rows[0].jpeg) if rows else None


def kept(link: Connection, name: str) -> KeptCase:
    """A case that is known to be there."""
    [row] = _all(link, f"SELECT {_FIELDS}, {_CONFIRMED} {_FROM} WHERE cases.id = :id", id=name)
    pictured = _all(
        link,
        """SELECT case_photos.sha256 FROM case_photos JOIN photos ON photos.sha256 = case_photos.sha256
        WHERE case_id = :id ORDER BY position""",
        id=name,
    )
    readings = _all(link, "SELECT quantity, value FROM callipers WHERE case_id = :id ORDER BY quantity", id=name)
    return _case(row, [each.sha256 for each in pictured], {each.quantity: each.value for each in readings})


def confirmed_cases(link: Connection) -> Iterator[KeptCase]:
    """All confirmed cases, the oldest first, without their overlay pictures; a few at a time are in memory."""
    from sqlalchemy import text

    readings: dict[str, dict[str, float]] = {}
    for each in _all(link, "SELECT case_id, quantity, value FROM callipers ORDER BY case_id, quantity"):
        readings.setdefault(each.case_id, {})[each.quantity] = each.value
    pictured: dict[str, list[str]] = {}
    for each in _all(
        link,
        """SELECT case_id, case_photos.sha256 FROM case_photos JOIN photos ON photos.sha256 = case_photos.sha256
        ORDER BY case_id, position""",
    ):
        pictured.setdefault(each.case_id, []).append(each.sha256)
    statement = f"""SELECT {_FIELDS.replace("overlay", "NULL AS overlay")}, {_CONFIRMED} {_FROM}
        WHERE confirmed_at IS NOT NULL ORDER BY made_at, cases.id"""
    for row in link.execute(text(statement).execution_options(yield_per=AT_ONCE)):
        yield _case(row, pictured.get(row.id, []), readings.get(row.id, {}))


def lines(
    link: Connection, text: str | None, class_: str | None, confirmed: bool | None, limit: int, offset: int
) -> tuple[Line, ...]:
    """The newest cases that fit."""
    where, values = _where(text, class_, confirmed)
    rows = _all(
        link,
        f"""SELECT cases.id, made_at, answer, case_json, {_CONFIRMED} {_FROM} {where}
        ORDER BY made_at DESC, cases.id LIMIT :limit OFFSET :offset""",
        **values,
        limit=max(0, limit),
        offset=max(0, offset),
    )
    return tuple(_line(row, json.loads(row.case_json)) for row in rows)


def count(link: Connection, text: str | None, class_: str | None, confirmed: bool | None) -> int:
    """How many cases fit."""
    where, values = _where(text, class_, confirmed)
    return int(_all(link, f"SELECT count(*) AS count {_FROM} {where}", **values)[0].count)


def _where(text: str | None, class_: str | None, confirmed: bool | None) -> tuple[str, dict[str, str]]:
    parts, values = [], {}
    for number, word in enumerate(words.line(text or "").casefold().split()[:MOST_WORDS]):
        plain = word.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
        parts.append(f"words LIKE :word{number} ESCAPE '\\'")
        values[f"word{number}"] = f"%{plain}%"
    if class_ is not None:
        parts.append("(answer = :class OR right_class = :class)")
        values["class"] = class_
    if confirmed is not None:
        parts.append(f"confirmed_at IS {'NOT ' if confirmed else ''}NULL")
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), values


def _line(row: Any, case: Json) -> Line:
    first = next(iter(case["candidates"]), None)
    return Line(
        id=row.id,
        made_at=row.made_at,
        files=tuple(photo["file"] for photo in case["photos"]),
        answer=row.answer,
        probability=max(case["class"]["probabilities"].values(), default=0.0),
        first="" if first is None else first["description"],
        confirmed=row.confirmed_at is not None,
        handed_out=row.handed_out or "",
        right_class=row.right_class,
        returned=_yes(row.returned),
    )


def _case(row: Any, photos: Sequence[str], readings: dict[str, float]) -> KeptCase:
    told = None
    if row.confirmed_at is not None:
        told = Confirmation(row.confirmed_at, row.handed_out, row.right_class, readings, _yes(row.returned), row.note)
    return KeptCase(
        id=row.id,
        made_at=row.made_at,
        changed_at=row.changed_at,
        case=json.loads(row.case_json),
        answers=json.loads(row.answers),
        overlay_jpeg=None if row.overlay is None else bytes(row.overlay),
        photos=tuple(photos),
        confirmation=told,
    )


def _yes(value: int | None) -> bool | None:
    return None if value is None else bool(value)


def _all(link: Connection, statement: str, **values: object) -> Sequence[Any]:
    from sqlalchemy import text

    return link.execute(text(statement), values).all()
