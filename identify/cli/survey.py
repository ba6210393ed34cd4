"""``tapwright survey``: a folder or ZIP of photos in, a schedule out."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from typing import TYPE_CHECKING, Any

from identify.cli import terminal
from identify.errors import UsageError

if TYPE_CHECKING:
    from identify.survey import Survey
    from identify.survey.store import Place

EXAMPLE = """example:
  tapwright survey photos --out schedule.xlsx
      photos/BUILDING/FLOOR/ROOM/*.jpg; run it again after a stop or a crash and it goes on where it was"""
MOST_WORKERS = 1024


def add(commands: Any) -> None:
    """Add the command to the parser."""
    command = terminal.command(commands, "survey", "answer a folder of photos and write a schedule", EXAMPLE)
    option = command.add_argument
    option("source", metavar="FOLDER|ZIP|URL", help="photos in folders; the last ones name building, floor, room")
    option("--out", required=True, metavar="FILE|URL", help="the schedule: an .xlsx, .csv or .parquet")
    option(
        "--places",
        default="building/floor/room",
        metavar="PATTERN",
        help="what the last folders above a photo stand for, - for one to leave out (default: building/floor/room)",
    )
    option("--scale", metavar="NAME", help="measure loose parts too, by this reference object (see identify; slower)")
    option("--workers", type=_count, metavar="N", help="processes that work at once (default: one a processor)")
    option(
        "--ray",
        metavar="ADDRESS",
        help="work on this Ray cluster: auto, HOST:PORT, ray://HOST:PORT; local starts one here (see DEVELOPERS.md)",
    )
    option("--thumbnails", action="store_true", help="put a small picture into each row of the .xlsx")
    option("--json", action="store_true", help="print the summary as JSON")
    command.set_defaults(run=_survey)


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MOST_WORKERS:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes from 1 to {MOST_WORKERS}")
    return int(text)


def _survey(options: argparse.Namespace) -> int:
    from identify import survey
    from identify.survey import cluster, decisions, inventory, sheet, store

    source, out = store.place(options.source), store.place(options.out)
    sheet.check(out, pictures=options.thumbnails)
    _check_scale(options.scale)
    if options.ray is not None:
        cluster.check(options.ray)
    progress = inventory.beside(out, inventory.PROGRESS)
    terminal.make_folder(progress.parent)
    bar = _Bar()
    done = survey.run(
        source,
        progress,
        places=options.places,
        scale=options.scale,
        workers=options.workers or (MOST_WORKERS if options.ray not in (None, "local") else _processors()),
        ray=options.ray,
        decided=decisions.standing(inventory.beside(out, inventory.DECISIONS)),
        told=bar.told,
    )
    bar.finish()
    files = survey.write(done, out, thumbnails=options.thumbnails)
    for row in done.schedule.rows:
        if row.error:
            terminal.remark(f"{row.shot.file}: {row.error}")
    _tell(done, files, options.json)
    if done.stopped:
        terminal.remark(f"Stopped after {len(done.schedule.rows)} of {done.photos} photos; the same command goes on.")
        return terminal.STOPPED
    return terminal.SOME_FAILED if any(row.error for row in done.schedule.rows) else terminal.DONE


def _check_scale(scale: str | None) -> None:
    if scale is not None:
        from identify import pipeline

        try:
            pipeline.check_scale(scale)
        except UsageError as why:
            raise UsageError(f"--scale: {why}") from why


def _processors() -> int:
    allowed = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(allowed, MOST_WORKERS)


def _tell(done: Survey, files: tuple[Place, ...], as_json: bool) -> None:
    rows, taps = done.schedule.rows, done.schedule.taps
    classes = Counter(row.answer for row in taps.values())
    summary = {
        "schema": 1,
        "photos": done.photos,
        "rows": len(rows),
        "known_before": done.known,
        "failed": sum(bool(row.error) for row in rows),
        "taps": len(taps),
        "taps_by_class": dict(sorted(classes.items())),
        "errors": [{"file": row.shot.file, "error": row.error} for row in rows if row.error],
        "stopped": done.stopped,
        "files": [str(file) for file in files],
    }
    if as_json:
        import json

        print(json.dumps(summary, indent=1))
        return
    again = f", {done.known} of them known from before" if done.known else ""
    print(f"Photos: {len(rows)}{again}, {summary['failed']} that can't be read. Taps: {len(taps)}, of these")
    for name, count in sorted(classes.items(), key=lambda pair: (-pair[1], pair[0])):
        print(f"  {count:5d}  {name}")
    print("The insert of an installed tap can't be known from outside: check on site before ordering.")
    print(f"Written: {', '.join(map(str, files))}")


class _Bar:
    """One line on standard error with rate and time left; silent where that is no terminal."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._start = self._last = time.monotonic()

    def told(self, done: int, known: int, photos: int) -> None:
        """Photos done, those of them known from before, and all; drawn at most five times a second."""
        now = time.monotonic()
        if not self._shown or (now - self._last < 0.2 and done < photos):
            return
        self._last = now
        rate = (done - known) / max(now - self._start, 1e-3)
        left = f", {rate:.1f} a second, {_span(round((photos - done) / rate))} left" if rate > 0 else ""
        print(f"\r\033[K{done} of {photos} photos{left}", end="", file=sys.stderr, flush=True)

    def finish(self) -> None:
        """End the line."""
        if self._shown:
            print(file=sys.stderr)


def _span(seconds: int) -> str:
    minutes, seconds = divmod(max(0, seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
