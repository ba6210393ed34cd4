"""Worker processes that look at the photos, one network each; a photo that ends its worker costs one row.

They are spawned, each with a pipe of its own, and end when the process that started them does: the pipe breaks, and a
thread sees that the parent is another one, also while a photo is being decoded.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Collection, Generator, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import TracebackType

from identify import child, heic
from identify.errors import IdentifyError
from identify.survey import finding
from identify.survey.finding import Finding
from identify.survey.site import Shot

LIMIT_S = 180.0  # for one photo; HEIC has its own, shorter one
CRASHED = "The photo ended the program that read it; leave it out, or save it as a JPEG."
TOO_LONG = f"The photo takes more than {LIMIT_S:.0f} s; leave it out, or save it as a smaller JPEG."
_SPAWN = multiprocessing.get_context("spawn")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one photo: a finding, or the hash of one that was known, or the reason why there is none.

    ``sha256`` is empty where the photo could not even be read.
    """

    number: int
    sha256: str = ""
    finding: Finding | None = None
    error: str = ""


@dataclass(slots=True)
class _Worker:
    process: BaseProcess
    pipe: Connection
    busy_with: int = -1
    since: float = 0.0


class Crew:
    """Workers that stay for one lot of photos after another; leaving the context ends them."""

    def __init__(self, workers: int, scale: str | None, known: Collection[str]) -> None:
        self._most, self._order = workers, (scale, frozenset(known))
        self._workers: list[_Worker] = []

    def __enter__(self) -> Crew:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the workers, whatever they do."""
        while self._workers:
            _dismiss(self._workers.pop())

    def work(self, shots: Sequence[Shot]) -> Iterator[Outcome]:
        """The outcome of every photo, in the order in which they are done; take all, or close the crew."""
        waiting = iter(range(len(shots)))
        while len(self._workers) < min(self._most, len(shots)):
            self._workers.append(_hired(*self._order))
        for worker in self._workers:
            _hand(worker, shots, waiting)
        while busy := {worker.pipe: worker for worker in self._workers if worker.busy_with >= 0}:
            ready = wait(list(busy), timeout=1.0)
            late = [pipe for pipe, worker in busy.items() if time.monotonic() - worker.since > LIMIT_S]
            for pipe in dict.fromkeys([*ready, *late]):
                worker = busy[pipe]  # type: ignore[index]
                outcome = _taken(worker) if pipe in ready else None
                if outcome is None:
                    outcome = Outcome(worker.busy_with, error=CRASHED if pipe in ready else TOO_LONG)
                    worker = self._replaced(worker)
                _hand(worker, shots, waiting)
                yield outcome

    def _replaced(self, worker: _Worker) -> _Worker:
        self._workers.remove(worker)
        _dismiss(worker)
        self._workers.append(_hired(*self._order))
        return self._workers[-1]


def work_through(
    shots: Sequence[Shot], *, workers: int, scale: str | None, known: Collection[str]
) -> Generator[Outcome, None, None]:
    """The outcome of every photo, in the order in which they are done; closing the iterator ends the workers.

    Parameters
    ----------
    known : hashes of the photos that are not looked at again.
    """
    with Crew(workers, scale, known) as crew:
        yield from crew.work(shots)


def _hired(scale: str | None, known: frozenset[str]) -> _Worker:
    ours, theirs = _SPAWN.Pipe()
    process = _SPAWN.Process(target=_work, args=(theirs, os.getpid(), scale, known), daemon=True)
    with _undisturbed():
        process.start()
    theirs.close()
    return _Worker(process, ours)


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """A process that is started here never sees Ctrl-C, which goes to all of a terminal; its parent ends it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _dismiss(worker: _Worker) -> None:
    worker.pipe.close()
    worker.process.kill()
    worker.process.join()


def _hand(worker: _Worker, shots: Sequence[Shot], waiting: Iterator[int]) -> None:
    worker.busy_with, worker.since = next(waiting, -1), time.monotonic()
    if worker.busy_with >= 0:
        with contextlib.suppress(OSError):  # a worker that is gone is found out when its answer is awaited
            worker.pipe.send((worker.busy_with, shots[worker.busy_with]))


def _taken(worker: _Worker) -> Outcome | None:
    try:
        return worker.pipe.recv()
    except (EOFError, OSError):
        return None


def _work(pipe: Connection, parent: int, scale: str | None, known: frozenset[str]) -> None:
    """The life of a worker."""
    import cv2

    child.end_with(parent)
    cv2.setNumThreads(1)
    heic.decode_here()  # a photo that ends this process costs its row and no more
    with contextlib.suppress(EOFError, OSError):
        while True:
            number, shot = pipe.recv()
            pipe.send(_outcome(number, shot, scale, known))


def _outcome(number: int, shot: Shot, scale: str | None, known: frozenset[str]) -> Outcome:
    data = b""
    try:
        data = finding.read(shot)
        if known and (digest := finding.digest(data)) in known:
            return Outcome(number, digest)
        found = finding.find(data, scale)
        return Outcome(number, found.sha256, found)
    except IdentifyError as why:
        error = str(why)
    except Exception as why:  # one photo never ends the survey
        error = f"The photo can't be worked through ({type(why).__name__}); leave it out."
    return Outcome(number, finding.digest(data) if data else "", error=error)
