"""Small pictures of a survey's photos, and the schedule written with them."""

from __future__ import annotations

import io

from identify.errors import PhotoError
from identify.survey import finding, sheet
from identify.survey.schedule import Row, Schedule
from identify.survey.site import Shot
from identify.survey.store import Place


def small(shot: Shot, side_px: int) -> bytes:
    """A JPEG of a photo, no longer than ``side_px``, without any of the file's metadata.

    Raises
    ------
    PhotoError
        It is gone, or can't be read.
    """
    from PIL import Image

    from identify import photo

    read = photo.load(finding.read(shot), name=finding.CALLED, reduced=4, least_px=side_px)
    image = Image.fromarray(read.rgb)
    image.thumbnail((side_px, side_px))
    file = io.BytesIO()
    image.save(file, "JPEG", quality=80)
    return file.getvalue()


def write(schedule: Schedule, out: Place, *, thumbnails: bool) -> tuple[Place, ...]:
    """Write the schedule; see :func:`identify.survey.sheet.write`."""
    rows = schedule.rows
    return sheet.write(out, schedule.sheets(), (lambda number: _thumbnail(rows[number])) if thumbnails else None)


def _thumbnail(row: Row) -> bytes | None:
    if row.finding is None:
        return None
    try:
        return small(row.shot, sheet.PICTURE_PX)
    except PhotoError:  # it was taken away meanwhile
        return None
