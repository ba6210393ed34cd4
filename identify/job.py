"""One job at the counter: photos of one part, the answer, and the checks that are answered one after the other.

The photos are looked at once. What is kept of them is the answer and the drawn picture, so that an answered check
ranks anew at once and no photo lies about.
"""

from __future__ import annotations

import hashlib
import io
import multiprocessing
import os
import secrets
import signal
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from PIL import Image

from identify import child, overlay, pipeline, report
from identify.errors import PhotoError, UsageError
from identify.model import Case, FailedPhoto
from identify.records import Records
from identify.tables.stock import Stock

MOST_PHOTOS = 8
KEPT_S, MOST_KEPT = 8 * 3600.0, 500
QUALITY = 85
WARM_HW = (480, 640)


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """A part that is being identified.

    Parameters
    ----------
    picture : JPEG of the most telling photo with the answer drawn on it.
    answers : id of a check to the answer, in the order in which they were given.
    failed : photos that could not be read.
    case_id : its name in the records; empty where it is not kept.
    """

    case: Case
    picture: bytes
    answers: Mapping[str, str] = field(default_factory=dict)
    failed: tuple[FailedPhoto, ...] = ()
    case_id: str = ""

    def answered(self, check: str, answer: str, stock: Stock | None = None) -> Job:
        """The job with one more answer, or another one to the same check.

        Raises
        ------
        UsageError
            The answer belongs to no check, or is none of its answers.
        """
        return self._ranked({**self.answers, check: answer}, stock)

    def withdrawn(self, check: str, stock: Stock | None = None) -> Job:
        """The job without the answer to that check."""
        return self._ranked({name: answer for name, answer in self.answers.items() if name != check}, stock)

    def kept(self, records: Records, photos: Sequence[tuple[str, bytes]] = ()) -> Job:
        """The job with its name in the records, where it now stands as it is.

        Parameters
        ----------
        photos : as `start` had them; those that could not be read are left out.

        Raises
        ------
        RecordsError
            The database can't be written.
        """
        told = report.as_json(self.case)
        known = {each["sha256"] for each in told["photos"]}
        sound = [data for _, data in photos if hashlib.sha256(data).hexdigest() in known]
        return replace(self, case_id=records.keep(told, sound, self.picture if sound else None, self.answers))

    def _ranked(self, answers: Mapping[str, str], stock: Stock | None) -> Job:
        return replace(self, case=pipeline.rejudge(self.case, answers, stock=stock), answers=answers)


def start(
    photos: Sequence[tuple[str, bytes]],
    *,
    scale: str = pipeline.AUTO,
    on_part: bool = False,
    height_mm: float | None = None,
    answers: Mapping[str, str] | None = None,
    stock: Stock | None = None,
) -> Job:
    """Identify the one part that all photos show.

    Parameters
    ----------
    photos : name and bytes of each.

    Raises
    ------
    PhotoError
        None of the photos can be read.
    UsageError
        There is no photo, or too many; no reference object has that name, or an answer belongs to no check.
    """
    if not photos:
        raise UsageError("There is no photo yet; take one first.")
    if len(photos) > MOST_PHOTOS:
        raise UsageError(f"{len(photos)} photos are too many for one part; choose the best {MOST_PHOTOS} at most.")
    cases, failed, best, picture = [], [], -1, b""
    for name, data in photos:
        try:
            case, photo = pipeline.identify_photo(
                data, name=name, scale=scale, on_part=on_part, height_mm=height_mm, answers=answers, stock=stock
            )
        except PhotoError as why:
            failed.append(FailedPhoto(name, str(why)))
            continue
        cases.append(case)
        if len(case.measurements) > best:
            best, picture = len(case.measurements), jpeg(overlay.draw(photo, case))
    if not cases:
        raise PhotoError(" ".join(each.error for each in failed))
    whole = cases[0] if len(cases) == 1 else pipeline.identify_part(cases, answers=answers, stock=stock)
    return Job(_light(whole), picture, dict(answers or {}), tuple(failed))


def jpeg(rgb: object) -> bytes:
    """A picture (H, W, 3) uint8 as JPEG bytes."""
    file = io.BytesIO()
    Image.fromarray(rgb).save(file, "JPEG", quality=QUALITY)  # type: ignore[arg-type]
    return file.getvalue()


def _light(case: Case) -> Case:
    """The case without the masks, which are as large as the photo."""
    return replace(case, recognition=replace(case.recognition, labels=None), outline=None)


class Desk:
    """The jobs that are open, by a key that can't be guessed; old ones are put away."""

    def __init__(self, *, most: int = MOST_KEPT, kept_s: float = KEPT_S, clock: Callable[[], float] = time.monotonic):
        self._most, self._kept_s, self._clock = most, kept_s, clock
        self._jobs: OrderedDict[str, tuple[float, Job]] = OrderedDict()
        self._lock = threading.Lock()

    def lay(self, job: Job, key: str | None = None) -> str:
        """Keep a job, under its own key where it has one."""
        key = key or secrets.token_urlsafe(18)
        with self._lock:
            self._jobs[key] = (self._clock(), job)
            self._jobs.move_to_end(key)
            oldest = next(iter(self._jobs))
            while len(self._jobs) > self._most or self._clock() - self._jobs[oldest][0] > self._kept_s:
                del self._jobs[oldest]
                oldest = next(iter(self._jobs))
        return key

    def take(self, key: str) -> Job:
        """The job of that key.

        Raises
        ------
        UsageError
            It was put away, or never was there.
        """
        with self._lock:
            found = self._jobs.get(key)
        if found is None or self._clock() - found[0] > self._kept_s:
            raise UsageError("This job is no longer open; take the photo again, or look it up in the records.")
        return found[1]


class Benches:
    """Processes that look at photos side by side; threads would wait for each other most of the time.

    Parameters
    ----------
    count : how many photos are looked at at once; the other ones wait.
    """

    def __init__(self, count: int) -> None:
        self._count, self._lock = count, threading.Lock()
        self._pool = self._opened()

    def start(self, photos: Sequence[tuple[str, bytes]], *, stock: Stock | None = None, **options: Any) -> Job:
        """What `start` says, by one of the processes; a large stock list stays here, where it is ranked."""
        job: Job = self._done(start, photos, **options)
        return job if stock is None else job._ranked(job.answers, stock)

    def look(self, data: bytes, *, stock: Stock | None = None, **options: Any) -> Case:
        """The case of one photo, without its masks, by one of the processes.

        Raises
        ------
        PhotoError, UsageError
            As `pipeline.identify_photo` does.
        """
        case: Case = self._done(_look, data, **options)
        return case if stock is None else pipeline.rejudge(case, options.get("answers") or {}, stock=stock)

    def close(self) -> None:
        """End the processes."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _done(self, work: Callable[..., Any], *given: object, **options: Any) -> Any:
        with self._lock:
            pool = self._pool
        try:
            return pool.submit(work, *given, **options).result()
        except BrokenProcessPool as why:
            with self._lock:
                if self._pool is pool:  # the first to see it
                    self._pool = self._opened()
            raise PhotoError(
                "The photo, or one beside it, ended the program that read it; send it again, or save it as a JPEG."
            ) from why

    def _opened(self) -> ProcessPoolExecutor:
        spawn = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(self._count, mp_context=spawn, initializer=_ready, initargs=(os.getpid(),))
        for _ in range(self._count):
            pool.submit(os.getpid)  # so that they stand ready before the first photo comes
        return pool


def _ready(parent: int) -> None:
    import cv2

    child.end_with(parent)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to all of a terminal; the parent ends it
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    cv2.setNumThreads(1)
    start([("", jpeg(np.full((*WARM_HW, 3), 127, np.uint8)))])  # so that what is made once is there for the first user


def _look(data: bytes, **options: Any) -> Case:
    return _light(pipeline.identify_photo(data, **options)[0])
