"""Many photos of a building, answered one by one: the schedule, counts and parts list of what is installed where."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from identify.errors import PhotoError
from identify.survey import crew, finding, sheet, site
from identify.survey.progress import Progress
from identify.survey.schedule import Row, Schedule, draw_up

__all__ = ["Survey", "run", "write"]

Told = Callable[[int, int, int], None]  # done, known from before, all


@dataclass(frozen=True, slots=True)
class Survey:
    """A survey as far as it got: ``known`` rows were there already; ``stopped`` by the user before all were done."""

    schedule: Schedule
    photos: int
    known: int
    stopped: bool


def run(
    source: Path,
    progress: Path,
    *,
    places: str = site.PLACES,
    scale: str | None = None,
    workers: int = 1,
    told: Told = lambda done, known, photos: None,
) -> Survey:
    """Answer every photo of a folder or ZIP that the progress file does not know yet.

    Parameters
    ----------
    progress : file that remembers what is done; made where there is none.
    places : what the last folders above a photo stand for.
    scale : measure loose parts by this reference object; None measures nothing and is many times faster.
    told : called after each photo.

    Raises
    ------
    UsageError
        There is no photo, the ZIP is refused, or the progress file can't be used.
    ModelError
        The model file is missing or damaged.
    """
    pattern = site.read_pattern(places)
    shots = site.find(source, pattern)
    rows: list[Row] = []
    known, stopped = 0, False
    with Progress(progress, finding.recipe(scale)) as kept:
        before = frozenset(kept.findings)
        told(0, 0, len(shots))
        try:
            with contextlib.closing(crew.work_through(shots, workers=workers, scale=scale, known=before)) as outcomes:
                for outcome in outcomes:
                    if outcome.finding is not None:
                        kept.keep(outcome.finding)
                    known += outcome.sha256 in before
                    rows.append(Row(shots[outcome.number], kept.findings.get(outcome.sha256), outcome.error))
                    told(len(rows), known, len(shots))
        except KeyboardInterrupt:
            stopped = True
            if before:  # a schedule of an earlier run may stand there: its rows are not given up
                with contextlib.suppress(KeyboardInterrupt):
                    rows += _rest(set(shots).difference(row.shot for row in rows), kept)
    names = [name for name in pattern if name != site.NAMELESS]
    return Survey(draw_up(names, rows), len(shots), known, stopped)


def _rest(shots: Iterable[site.Shot], kept: Progress) -> Iterator[Row]:
    """Rows of the photos that are known already, without looking at any of them again."""
    for shot in shots:
        with contextlib.suppress(PhotoError):
            found = kept.findings.get(finding.digest(finding.read(shot)))
            if found is not None:
                yield Row(shot, found)


def write(survey: Survey, out: Path, *, thumbnails: bool = False) -> tuple[Path, ...]:
    """Write the schedule with its counts, parts list and cautions; see :func:`identify.survey.sheet.write`."""
    rows = survey.schedule.rows
    return sheet.write(out, survey.schedule.sheets(), (lambda number: _small(rows[number])) if thumbnails else None)


def _small(row: Row) -> bytes | None:
    """A small JPEG of the photo, without any of the file's metadata."""
    from PIL import Image

    from identify import photo

    if row.finding is None:
        return None
    try:
        small = Image.fromarray(photo.load(finding.read(row.shot), name=finding.CALLED, reduced=4).rgb)
    except PhotoError:  # it was taken away meanwhile
        return None
    small.thumbnail((sheet.PICTURE_PX, sheet.PICTURE_PX))
    file = io.BytesIO()
    small.save(file, "JPEG", quality=80)
    return file.getvalue()
