"""Many photos of a building, answered one by one: the schedule, counts and parts list of what is installed where."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from identify.errors import PhotoError
from identify.survey import cluster, crew, finding, inventory, picture, site
from identify.survey.decisions import Decision
from identify.survey.progress import Progress
from identify.survey.schedule import Row, Schedule, draw_up
from identify.survey.store import Place

__all__ = ["Survey", "run", "write"]

Told = Callable[[int, int, int], None]  # done, known from before, all


@dataclass(frozen=True, slots=True)
class Survey:
    """A survey as far as it got: ``known`` rows were there already; ``stopped`` by the user before all were done."""

    schedule: Schedule
    photos: int
    known: int
    stopped: bool
    recipe: str


def run(
    source: Place,
    progress: Path,
    *,
    places: str = site.PLACES,
    scale: str | None = None,
    workers: int = 1,
    ray: str | None = None,
    decided: Mapping[tuple[str, str], Decision] | None = None,
    told: Told = lambda done, known, photos: None,
) -> Survey:
    """Answer every photo of a folder or ZIP that the progress file does not know yet.

    Parameters
    ----------
    progress : file that remembers what is done; made where there is none.
    places : what the last folders above a photo stand for.
    scale : measure loose parts by this reference object; None measures nothing and is many times faster.
    workers : processes that work at once.
    ray : address of the Ray cluster that does the work; None for this machine's processes.
    decided : what people decided in an earlier review.
    told : called after each photo.

    Raises
    ------
    UsageError
        There is no photo, the ZIP is refused, the progress file can't be used, or the cluster fails.
    ModelError
        The model file is missing or damaged.
    """
    pattern = site.read_pattern(places)
    shots = site.find(source, pattern)
    rows: list[Row] = []
    known, stopped = 0, False
    recipe = finding.recipe(scale)
    with Progress(progress, recipe) as kept:
        before = frozenset(kept.findings)
        told(0, 0, len(shots))
        try:
            with contextlib.closing(_outcomes(shots, workers, scale, before, ray)) as outcomes:
                for outcome in outcomes:
                    if outcome.finding is not None:
                        kept.keep(outcome.finding)
                    known += outcome.sha256 in before
                    found = None if outcome.error else kept.findings.get(outcome.sha256)
                    rows.append(Row(shots[outcome.number], found, outcome.error, outcome.sha256))
                    told(len(rows), known, len(shots))
        except KeyboardInterrupt:
            stopped = True
            if before:  # a schedule of an earlier run may stand there: its rows are not given up
                with contextlib.suppress(KeyboardInterrupt):
                    rows += _rest(set(shots).difference(row.shot for row in rows), kept)
    names = [name for name in pattern if name != site.NAMELESS]
    return Survey(draw_up(names, rows, decided), len(shots), known, stopped, recipe)


def _outcomes(
    shots: Sequence[site.Shot], workers: int, scale: str | None, known: frozenset[str], ray: str | None
) -> Generator[crew.Outcome, None, None]:
    if ray is None:
        return crew.work_through(shots, workers=workers, scale=scale, known=known)
    return cluster.work_through(shots, workers=workers, scale=scale, known=known, address=ray)


def _rest(shots: Iterable[site.Shot], kept: Progress) -> Iterator[Row]:
    """Rows of the photos that are known already, without looking at any of them again."""
    for shot in shots:
        with contextlib.suppress(PhotoError):
            found = kept.findings.get(finding.digest(finding.read(shot)))
            if found is not None:
                yield Row(shot, found, sha256=found.sha256)


def write(survey: Survey, out: Place, *, thumbnails: bool = False) -> tuple[Place, ...]:
    """Write the schedule with its counts, parts list and cautions, and beside it what a review needs.

    Returns
    -------
    tuple of Path or Url
        The files of the schedule, see :func:`identify.survey.sheet.write`.
    """
    schedule = survey.schedule
    entries = sorted((inventory.Entry(row.shot, row.sha256, row.error) for row in schedule.rows), key=_file)
    listed = inventory.Inventory(survey.recipe, schedule.place_names, thumbnails, tuple(entries))
    inventory.write(inventory.beside(out, inventory.PHOTOS), listed)
    return picture.write(schedule, out, thumbnails=thumbnails)


def _file(entry: inventory.Entry) -> str:
    return entry.shot.file
