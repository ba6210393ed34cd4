"""Keep what was answered: in the records, and as a job card; several commands share these options."""

from __future__ import annotations

import argparse
import io
import os
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

from identify.cli import terminal
from identify.errors import UsageError

if TYPE_CHECKING:
    from identify.model import Case, Photo
    from identify.records import Records

CARDS = (".pdf", ".html")
PHOTOS_VARIABLE = "TAPWRIGHT_KEEP_PHOTOS"
NO = ("0", "no", "false", "off")


def add_options(option: Any) -> None:
    """Add what ``identify`` takes."""
    option("--keep", action="store_true", help="keep the case in your records and print its id")
    option("--card", type=Path, metavar="PLACE", help="write a job card: a .pdf or .html file, or a folder for PDFs")
    option(
        "--no-photos",
        action="store_true",
        help=f"with --keep: keep no pictures, only their hashes ({PHOTOS_VARIABLE}=no always)",
    )
    add_place(option)


def add_place(option: Any) -> None:
    """Add ``--records``."""
    option(
        "--records",
        metavar="URL",
        help="where the records lie: a file, sqlite:///FILE or postgresql://USER@HOST/DATABASE "
        "(default: TAPWRIGHT_RECORDS, else a file in your own data folder)",
    )


def opened(options: argparse.Namespace) -> Records:
    """The records that the options name."""
    from identify import records

    without = getattr(options, "no_photos", False) or os.environ.get(PHOTOS_VARIABLE, "").lower() in NO
    return records.open_records(options.records, keep_photos=not without)


def if_wanted(options: argparse.Namespace) -> AbstractContextManager[Records | None]:
    """The records where ``--keep`` asks for them; opened before the first photo, so that a wrong address costs no time.

    Raises
    ------
    UsageError
        ``--records`` or ``--no-photos`` stand without ``--keep``.
    """
    if options.keep:
        return opened(options)
    if options.records or options.no_photos:
        raise UsageError("--records and --no-photos say how to keep the case; add --keep.")
    return nullcontext()


def card_places(place: Path | None, names: Sequence[str]) -> list[Path | None]:
    """Where the card of each case goes.

    Raises
    ------
    UsageError
        One file for several cases, or a file of another kind.
    """
    if place is None:
        return [None] * len(names)
    if place.is_dir() or not place.suffix:
        places = [place / f"{Path(name).stem}-card.pdf" for name in names]
        for at, each in enumerate(places):
            if each in places[:at]:
                places[at] = each.with_stem(f"{each.stem}-{at + 1}")
    elif len(names) > 1:
        raise UsageError(f"--card {place}: {len(names)} cases need a folder, for example --card cards.")
    else:
        places = [checked_card(place)]
    for each in places:
        terminal.make_folder(each.parent)
    return list(places)


def checked_card(place: Path) -> Path:
    """A place whose name says which kind of card is wanted.

    Raises
    ------
    UsageError
        It ends neither in .pdf nor in .html.
    """
    if place.suffix.lower() not in CARDS:
        raise UsageError(f"{place} ends neither in .pdf nor in .html; a job card is one of the two.")
    return place


def keep(
    case: Case,
    photo: Photo,
    files: Sequence[str],
    answers: Mapping[str, str],
    *,
    records: Records | None,
    card: Path | None,
) -> str | None:
    """Keep a case, write its card, and return its id where it was kept.

    Parameters
    ----------
    photo : the one that the case's outline belongs to.
    files : the case's photos, as they were named.
    """
    if records is None and card is None:
        return None
    from identify import report
    from identify.records import case_name

    told, drawn = report.as_json(case), drawn_jpeg(photo, case)
    name = case_name(told)
    if records is not None:
        name = records.keep(told, [_bytes(file) for file in files], drawn, answers)
    if card is not None:
        write_card(card, told, drawn, case_id=name, answers=answers)
    return name if records is not None else None


def drawn_jpeg(photo: Photo, case: Case) -> bytes:
    """The photo with the answer drawn on it."""
    from PIL import Image

    from identify import overlay

    out = io.BytesIO()
    Image.fromarray(overlay.draw(photo, case)).save(out, "JPEG", quality=88)
    return out.getvalue()


def write_card(place: Path, case_json: Mapping[str, Any], drawn: bytes | None, **details: Any) -> None:
    """Write a card of the kind that the place's name says.

    Raises
    ------
    UsageError
        The file can't be written.
    """
    from identify import job_card

    if checked_card(place).suffix.lower() == ".pdf":
        data = job_card.pdf(case_json, drawn, **details)
    else:
        data = job_card.html(case_json, drawn, **details).encode("utf-8")
    try:
        place.write_bytes(data)
    except OSError as why:
        raise UsageError(f"Can't write {place} ({why.strerror or why}); choose another place.") from why


def _bytes(file: str) -> bytes:
    try:
        return Path(file).read_bytes()
    except OSError as why:
        raise UsageError(f"{file} was there and is gone ({why.strerror}); run it again.") from why
