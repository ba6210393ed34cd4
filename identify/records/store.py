"""The records themselves: keep, confirm, find, forget; each deed is one transaction."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from identify.errors import UsageError
from identify.records import export, figures, names, pictures, reading, truth, words
from identify.records.database import Database
from identify.records.kept import KeptCase, Line
from identify.records.migrations import migrate

if TYPE_CHECKING:
    from sqlalchemy import Connection

Json = dict[str, Any]


class Records:
    """The kept cases; safe to share among threads, and among programs.

    Parameters
    ----------
    url, keep_photos : as `identify.records.open_records` has them.
    """

    def __init__(self, url: str | None = None, *, keep_photos: bool = True) -> None:
        self._database = Database(url)
        self._keep_photos = keep_photos
        try:
            migrate(self._database)
        except BaseException:
            self._database.close()
            raise

    def __enter__(self) -> Records:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections to the database."""
        self._database.close()

    @property
    def place(self) -> str:
        """Where the records lie, without a password."""
        return self._database.shown

    def keep(
        self,
        case_json: Mapping[str, Any],
        photos: Sequence[bytes] | None = None,
        overlay_jpeg: bytes | None = None,
        answers: Mapping[str, str] | None = None,
        case_id: str | None = None,
    ) -> str:
        """Keep a case and return its id; when this returns, the case is on disk.

        A case that is there already is not doubled: it takes the new answer; one that is confirmed stays as it is,
        because figures count what was said before the part was known.

        Parameters
        ----------
        case_json : one object of the case contract.
        photos : bytes of the original files, any of the case's photos in any order.
        overlay_jpeg : the photo with the answer drawn on it.
        answers : check id to what was answered.
        case_id : a name of the caller's own; else one that follows from the photos.

        Raises
        ------
        UsageError
            The case is of a photo that failed, the id is taken by other photos, or a photo is not the case's.
        PhotoError
            A photo can't be read.
        RecordsError
            The database can't be written.
        """
        hashes = names.photo_hashes(case_json)
        name = names.case_name(case_json) if case_id is None else names.checked(case_id)
        clean = self._cleaned(photos or (), hashes)
        overlay = pictures.cleaned(overlay_jpeg) if overlay_jpeg and self._keep_photos else None
        with self._database.writing() as link:
            added = _run(
                link,
                """INSERT INTO cases (id, made_at, changed_at, answer, case_json, answers, words)
                VALUES (:id, :now, :now, '', '', '', '') ON CONFLICT (id) DO NOTHING""",
                id=name,
                now=_now(),
            ).rowcount
            if added:
                for position, digest in enumerate(hashes):
                    values = {"id": name, "position": position, "sha256": digest}
                    _run(link, "INSERT INTO case_photos VALUES (:id, :position, :sha256)", **values)
            elif sorted(reading.hashes(link, name)) != sorted(hashes):
                raise UsageError(f"The case {name} is of other photos; leave the id out, or choose another.")
            for digest, jpeg in clean.items():
                statement = "INSERT INTO photos VALUES (:sha256, :jpeg) ON CONFLICT (sha256) DO NOTHING"
                _run(link, statement, sha256=digest, jpeg=jpeg)
            if added or not reading.is_confirmed(link, name):
                _write(link, name, case_json, answers or {})
                if overlay is not None:
                    _run(link, "UPDATE cases SET overlay = :overlay WHERE id = :id", overlay=overlay, id=name)
        return name

    def _cleaned(self, photos: Sequence[bytes], hashes: Sequence[str]) -> dict[str, bytes]:
        clean = {}
        for number, data in enumerate(photos, start=1):
            digest = pictures.sha256(data)
            if digest not in hashes:
                raise UsageError(f"Photo {number} is not one of the case's; give the bytes that were answered.")
            if self._keep_photos:
                clean[digest] = pictures.cleaned(data)
        return clean

    def update(self, case_id: str, case_json: Mapping[str, Any], answers: Mapping[str, str]) -> None:
        """Put a new answer, after more checks, in place of the case's old one.

        Raises
        ------
        UsageError
            There is no such case, it is of other photos, or it is confirmed.
        """
        with self._database.writing() as link:
            name = reading.found(link, case_id)
            if sorted(reading.hashes(link, name)) != sorted(names.photo_hashes(case_json)):
                raise UsageError(f"The case {name} is of other photos; keep this one as a case of its own.")
            if reading.is_confirmed(link, name):
                raise UsageError(f"The case {name} is confirmed, so its answer stays; keep a new photo as a new case.")
            _write(link, name, case_json, answers)

    def confirm(
        self,
        case_id: str,
        *,
        handed_out: str,
        right_class: str | None = None,
        callipers_mm: Mapping[str, float] | None = None,
        returned: bool | None = None,
        note: str = "",
    ) -> None:
        """Say what was really handed out; a second time puts it right.

        Readings that were given as answers to checks count as callipers too, unless the same quantity is given here.

        Raises
        ------
        UsageError
            There is no such case, no such class or quantity, or a reading can't be one.
        """
        given = truth.readings(callipers_mm or {})
        values = {
            "now": _now(),
            "handed_out": words.typed(handed_out, "part handed out", truth.MOST_LETTERS),
            "right_class": truth.known_class(right_class),
            "returned": None if returned is None else int(returned),
            "note": words.typed(note, "note", truth.MOST_NOTE),
        }
        with self._database.writing() as link:
            name = reading.found(link, case_id)
            case, answers = reading.said(link, name)
            given = truth.answered(answers) | given
            _run(link, "DELETE FROM callipers WHERE case_id = :id", id=name)
            _run(link, "DELETE FROM confirmations WHERE case_id = :id", id=name)
            statement = "INSERT INTO confirmations VALUES (:id, :now, :handed_out, :right_class, :returned, :note)"
            _run(link, statement, id=name, **values)
            for quantity, value in given.items():
                values_of = {"id": name, "quantity": quantity, "value": value}
                _run(link, "INSERT INTO callipers VALUES (:id, :quantity, :value)", **values_of)
            told = f"{words.search_text(name, case)} {values['handed_out']} {values['note']}".strip().casefold()
            _run(link, "UPDATE cases SET words = :words WHERE id = :id", words=told, id=name)

    def get(self, case_id: str) -> KeptCase:
        """One case; letters that are easily misread in an id are put right.

        Raises
        ------
        UsageError
            There is no such case.
        """
        with self._database.reading() as link:
            return reading.kept(link, reading.found(link, case_id))

    def photo(self, sha256: str) -> bytes | None:
        """The kept JPEG of the photo with this hash of its original bytes; None where it is not kept."""
        with self._database.reading() as link:
            row = _run(link, "SELECT jpeg FROM photos WHERE sha256 = :sha256", sha256=sha256).first()
        return None if row is None else bytes(row.jpeg)

    def find(
        self,
        text: str | None = None,
        class_: str | None = None,
        confirmed: bool | None = None,
        limit: int = 50,
        offset: int = 0,
    ) -> tuple[Line, ...]:
        """Cases, the newest first.

        Parameters
        ----------
        text : words that all have to stand in the id, a file's name, a candidate, what was handed out or the note.
        class_ : what the photo was said to show, or what it was confirmed to be.
        """
        with self._database.reading() as link:
            return reading.lines(link, text, class_, confirmed, limit, offset)

    def count(self, text: str | None = None, class_: str | None = None, confirmed: bool | None = None) -> int:
        """How many cases `find` would give without a limit."""
        with self._database.reading() as link:
            return reading.count(link, text, class_, confirmed)

    def figures(self) -> Json:
        """How often the answers were right, by the confirmed cases; see `identify.records.figures`."""
        with self._database.reading() as link:
            return figures.of(reading.confirmed_cases(link), cases=reading.count(link, None, None, None))

    def export(self, folder: str | Path) -> export.Exported:
        """Write the confirmed cases whose photos are kept as training pictures; see `identify.records.export`.

        Raises
        ------
        UsageError
            The folder is not empty, or can't be written.
        """
        with self._database.reading() as link:
            return export.write(Path(folder), reading.confirmed_cases(link), lambda name: reading.jpeg(link, name))

    def forget(self, case_id: str) -> None:
        """Take a case and its photos out for good; photos that another case has too stay with that one.

        Raises
        ------
        UsageError
            There is no such case.
        """
        with self._database.writing() as link:
            name = reading.found(link, case_id)
            of_case = reading.hashes(link, name)
            _run(link, "DELETE FROM cases WHERE id = :id", id=name)
            for digest in of_case:
                statement = """DELETE FROM photos WHERE sha256 = :sha256
                    AND NOT EXISTS (SELECT 1 FROM case_photos WHERE case_photos.sha256 = :sha256)"""
                _run(link, statement, sha256=digest)
        self._database.scrub()


def _write(link: Connection, name: str, case_json: Mapping[str, Any], answers: Mapping[str, str]) -> None:
    case = dict(case_json) | {
        "photos": [{**each, "file": words.bare(str(each["file"]))} for each in case_json["photos"]]
    }
    _run(
        link,
        """UPDATE cases SET changed_at = :now, answer = :answer, case_json = :case, answers = :answers, words = :words
        WHERE id = :id""",
        id=name,
        now=_now(),
        answer=case["class"]["answer"],
        case=json.dumps(case, allow_nan=False),
        answers=json.dumps({str(check): str(said) for check, said in answers.items()}),
        words=words.search_text(name, case),
    )


def _run(link: Connection, statement: str, **values: object) -> Any:
    from sqlalchemy import text

    return link.execute(text(statement), values)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
