"""How fast a survey is against the least that any program could take, and how much memory it needs.

    python -m training.time_survey [--photos 2000] [--rounds 4] [--memory 2000 20000] [--keep DIR]

The floor is the decoding of a photo to a quarter (HEIC: whole, there is no other way) and one pass of the network, by
as many processes as the survey has, on every fourth photo of the same files, before and after each round of the
survey. A survey looks at most photos more than once, and not every look is a whole pass; what its looks take is the
second floor. Processor time tells more than the clock where other programs run.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import cv2
import numpy as np

from identify import classifier, glance, heic
from identify.survey import finding
from training import survey_photos
from training.survey_photos import KINDS, MIX, WALL, Kind

GOAL_SHARE, GOAL_GROWTH = 0.8, 0.1
WORKERS = 2
EACH = 4  # photos of a kind that are timed one by one
BACKGROUND = 19  # of 20 photos show a wall where memory is measured


@dataclass(frozen=True, slots=True)
class Spent:
    """What some work took: photos, seconds by the clock, seconds of processors, largest memory of all processes."""

    photos: int
    clock_s: float
    processor_s: float
    peak_mb: float = 0.0


def floor_of(data: bytes, network: classifier.Classifier, looks: int = 1) -> None:
    """Decode as little as can be, and take so many looks with the network: with the card as loaded, whole passes."""
    if heic.is_heic(data):
        import pi_heif

        pi_heif.options.DECODE_THREADS = 1  # the cheapest
        image = pi_heif.open_heif(data, convert_hdr_to_8bit=True)
        rgb = np.asarray(image)[::4, ::4]
    else:
        rgb = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_REDUCED_COLOR_4)
    for number in range(looks):
        side = network.card.input_px if number else network.card.first_px
        if number < 2:
            small = cv2.resize(rgb, (side, side), interpolation=cv2.INTER_AREA)
        network.outputs(np.asarray(small, np.uint8), number)


def _floor_worker(files: Sequence[str]) -> float:
    """Processor seconds on the files; the network is opened before they are counted."""
    cv2.setNumThreads(1)
    network = classifier.load()
    floor_of(Path(files[0]).read_bytes(), network)
    start = time.process_time()
    for file in files:
        floor_of(Path(file).read_bytes(), network)
    return time.process_time() - start


def floor_rate(files: Sequence[Path], workers: int) -> Spent:
    """The floor on all files by as many processes, once they are up."""
    mixed = random.Random(1).sample(list(files), len(files))  # in turn, one process got all HEIC and the other idled
    lots = [[str(file) for file in mixed[number::workers]] for number in range(workers)]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        pool.map(_floor_worker, [lot[:2] for lot in lots], chunksize=1)  # imports and networks
        start = time.monotonic()
        spent = pool.map(_floor_worker, lots, chunksize=1)
        return Spent(len(files), time.monotonic() - start, sum(spent))


def surveyed(folder: Path, out: Path, workers: int) -> Spent:
    """A survey as the command makes it, its start and its end included."""
    before, start = _children_s(), time.monotonic()
    words = [sys.executable, "-m", "identify", "survey", str(folder), "--out", str(out), "--workers", str(workers)]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL) as run:
        peak = _Peak(run.pid)
        code = run.wait()
    if code:
        raise SystemExit(f"The survey of {folder} ended with {code}.")
    photos = sum(path.is_file() for path in folder.rglob("*"))
    return Spent(photos, time.monotonic() - start, _children_s() - before, peak.ended())


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


class _Peak:
    """The largest sum of the proportional memory of a process and all its children, looked at five times a second."""

    def __init__(self, pid: int) -> None:
        self._pid, self._most_kb, self._over = pid, 0, threading.Event()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()

    def ended(self) -> float:
        """Stop looking; megabytes."""
        self._over.set()
        self._thread.join()
        return self._most_kb / 1000

    def _watch(self) -> None:
        while not self._over.wait(0.2):
            self._most_kb = max(self._most_kb, sum(_memory_kb(pid) for pid in _family(self._pid)))


def _family(pid: int) -> list[int]:
    found = [pid]
    for parent in found:
        try:
            text = Path(f"/proc/{parent}/task/{parent}/children").read_text()
        except OSError:
            continue
        found += [int(word) for word in text.split()]
    return found


def _memory_kb(pid: int) -> int:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("Pss:")), 0)


def by_kind(bases: dict[Kind, list[bytes]]) -> float:
    """Print what a photo of each kind takes of one processor; the mean number of whole passes that its looks take."""
    cv2.setNumThreads(1)
    heic.decode_here()  # as in a survey's workers
    network = classifier.load()
    surveying = network.surveying()
    passes: list[float] = []
    print(f"{'':14s}{'survey':>9s}{'floor':>9s}{'floor with the same looks':>28s}   [ms of one processor]")
    for kind, files in bases.items():
        rows = []
        for data in files[:EACH]:
            _, shot = glance.recognise_photo(data)
            taken = surveying.looks(shot.rgb, until=surveying.card.sure_at)
            looks = len(taken)
            passes.append(sum(look.passes for look in taken))
            rows.append(
                [
                    min(_took(lambda data=data: finding.find(data, None)) for _ in range(3)),
                    min(_took(lambda data=data: floor_of(data, network)) for _ in range(3)),
                    min(_took(lambda data=data, looks=looks: floor_of(data, surveying, looks)) for _ in range(3)),
                ]
            )
        if rows:
            one, two, three = (1000 * statistics.mean(column) for column in zip(*rows, strict=True))
            shares = f"{two / one:.2f} and {three / one:.2f} of the floors' rates"
            print(f"{kind.name:14s}{one:9.0f}{two:9.0f}{three:28.0f}   {shares}")
    return statistics.mean(passes)


def _took(work: object) -> float:
    before, start = _children_s(), time.process_time()
    work()  # type: ignore[operator]
    return time.process_time() - start + _children_s() - before


def rates(folder: Path, photos: int, rounds: int, bases: dict[Kind, list[bytes]]) -> bool:
    """Time floor and survey in turns; whether the goal holds."""
    floors, surveys, size = [], [], 0
    for number in range(rounds):
        part = folder / f"round {number}"
        survey_photos.lay_out(part, photos // rounds, bases, first=number * (photos // rounds))
        files = sorted(path for path in part.rglob("*") if path.is_file())
        size += sum(path.stat().st_size for path in files)
        floors.append(floor_rate(_some(files, 0), WORKERS))
        surveys.append(surveyed(part, folder / f"schedule {number}.csv", WORKERS))
        floors.append(floor_rate(_some(files, 2), WORKERS))
    sums = []
    for name, spent in (("floor", floors), ("survey", surveys)):
        count = sum(each.photos for each in spent)
        clock_s, processor_s = (sum(getattr(each, what) for each in spent) for what in ("clock_s", "processor_s"))
        sums.append((count / clock_s, processor_s / count))
        print(
            f"{name:8s}{count:6d} photos, {count / clock_s:6.1f} a second, {1000 * processor_s / count:5.0f} ms of one"
        )
    (floor_rate_, floor_s), (survey_rate, survey_s) = sums
    by_clock, by_processor = survey_rate / floor_rate_, floor_s / survey_s
    print(f"The survey has {by_clock:.2f} of the floor's rate by the clock, {by_processor:.2f} by the processor.")
    peak_mb = max(each.peak_mb for each in surveys)
    print(f"A photo has {size / (photos // rounds * rounds) / 1e6:.2f} MB. Peak {peak_mb:.0f} MB.")
    return by_clock >= GOAL_SHARE


def _some(files: Sequence[Path], turn: int) -> list[Path]:
    """A quarter of the files, the mix as in all of them."""
    return [file for number, file in enumerate(files) if number // KINDS % 4 == turn] or list(files)


def memory(folder: Path, counts: Sequence[int], bases: dict[Kind, list[bytes]]) -> bool:
    """Peak memory of surveys of so many photos, most of them of a wall; whether they are alike."""
    peaks = []
    few = {kind: files for kind, files in bases.items() if kind.ending == ".jpg"}
    wall = survey_photos.base(WALL, 1)
    for count in counts:
        part = folder / f"memory {count}"
        survey_photos.lay_out(part, count - count // (BACKGROUND + 1), {WALL: wall})
        survey_photos.lay_out(part, count // (BACKGROUND + 1), few, first=count)
        spent = surveyed(part, folder / f"memory {count}.csv", WORKERS)
        peaks.append(spent.peak_mb)
        print(f"{count} photos: peak {spent.peak_mb:.0f} MB, {count / spent.clock_s:.1f} a second")
    return max(peaks) <= (1 + GOAL_GROWTH) * min(peaks)


def main() -> None:
    """Measure, and say which goals hold."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=2000, help="for the rate; 0 leaves it out")
    parser.add_argument("--rounds", type=int, default=4)
    parser.add_argument("--pictures", type=int, default=16, help="different pictures among them")
    parser.add_argument("--memory", type=int, nargs="*", default=[], metavar="COUNT", help="for the peak memory")
    parser.add_argument("--keep", type=Path, help="folder for the photos (default: one that is removed)")
    options = parser.parse_args()
    kinds = [kind for kind in MIX if options.photos or kind.ending == ".jpg"]  # memory is measured without HEIC
    bases = {kind: survey_photos.base(kind, options.pictures) for kind in kinds}
    for kind in (kind for kind, files in bases.items() if not files):
        print(f"No {kind.name}: this machine can't write it (heif-enc is missing).")
    with tempfile.TemporaryDirectory() as made:
        folder = options.keep or Path(made)
        if options.photos:
            print(f"The looks at a photo take {by_kind(bases):.2f} passes of the network.")
            met = rates(folder, options.photos, options.rounds, bases)
            print(f"{GOAL_SHARE} of the floor's rate: {'holds' if met else 'DOES NOT HOLD'}")
        if options.memory:
            met = memory(folder, options.memory, bases)
            print(f"Memory alike within {GOAL_GROWTH:.0%}: {'holds' if met else 'DOES NOT HOLD'}")


if __name__ == "__main__":
    main()
