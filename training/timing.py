"""How long one photo takes on one core, step by step, against the least that any program could take.

    python -m training.timing PHOTO [--scale NAME] [--runs N]

The photo is enlarged to 12 megapixels where it is smaller, as a phone would have taken it, and read again from its
JPEG bytes in each run; the network's session is warm. The floor is the full decoding of the JPEG and one network pass.
"""

from __future__ import annotations

import argparse
import io
import math
import os
import platform
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import cv2
from PIL import Image

from identify import classifier as recognisers
from identify import photo, pipeline
from identify.classifier import Classifier

MEGAPIXELS = 12.0
GOAL_MS, GOAL_MB, GOAL_START_MS = 700.0, 450.0, 200.0
STEPS = ("photo", "reference", "plane", "outline", "dimensions", "quality", "rules")
FUNCTIONS = ("load", "find", "see", "trace", "measure", "assess", "judge")


class Watch:
    """Processor milliseconds spent in each step; inside ``with`` it stands between the road and its steps."""

    def __init__(self) -> None:
        self.spent: dict[str, list[float]] = {}
        self._steps = [(step, getattr(pipeline, step), name) for step, name in zip(STEPS, FUNCTIONS, strict=True)]
        self._own = [getattr(module, name) for _, module, name in self._steps]

    def __enter__(self) -> Watch:
        for (step, module, name), function in zip(self._steps, self._own, strict=True):
            setattr(module, name, self.timed(step, function))
        return self

    def __exit__(self, *_: object) -> None:
        for (_, module, name), function in zip(self._steps, self._own, strict=True):
            setattr(module, name, function)

    def timed(self, step: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The same function, its time noted."""

        def run(*given: Any, **named: Any) -> Any:
            begun = time.process_time()
            try:
                return function(*given, **named)
            finally:
                self.spent.setdefault(step, []).append(1e3 * (time.process_time() - begun))

        return run


class Watched:
    """The shipped recogniser, its time noted."""

    def __init__(self, recogniser: Classifier, watch: Watch) -> None:
        self.recognise = watch.timed("classifier", recogniser.recognise)


def enlarged(path: Path) -> tuple[bytes, str]:
    """The photo as JPEG bytes of at least 12 megapixels with its focal length, and what was done to it."""
    data = path.read_bytes()
    with Image.open(io.BytesIO(data)) as image:
        exif = image.getexif()
        focal = exif.get_ifd(0x8769).get(0xA405)
        megapixels = image.width * image.height / 1e6
        if megapixels >= MEGAPIXELS - 0.3:
            return data, "as it is"
        factor = math.sqrt(MEGAPIXELS / megapixels)
        size = (round(image.width * factor), round(image.height * factor))
        large = image.convert("RGB").resize(size, Image.Resampling.BICUBIC)
    kept = Image.Exif()
    kept[0x0112] = exif.get(0x0112, 1)
    if focal:
        kept.get_ifd(0x8769)[0xA405] = focal
    out = io.BytesIO()
    large.save(out, "JPEG", quality=90, exif=kept)
    return out.getvalue(), f"enlarged from {megapixels:.1f} MP"


def timed_ms(work: Callable[[], object], clock: Callable[[], float] = time.process_time) -> float:
    """Processor time of one call [ms]: on one core the wall's time, but for other programs' turns."""
    begun = clock()
    work()
    return 1e3 * (clock() - begun)


def start_up_ms() -> float:
    """Median time of ``tapwright --version`` as a new process [ms]."""
    command = [sys.executable, "-m", "identify", "--version"]
    return statistics.median(
        timed_ms(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL), time.perf_counter)
        for _ in range(5)
    )


def peak_mb() -> float:
    """The most memory that this process has held [MB]."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if platform.system() == "Darwin" else 1e3)


def main() -> int:
    """Measure and print; the exit code is 1 where a goal is missed."""
    parser = argparse.ArgumentParser(description="Time one photo's way on one core.")
    parser.add_argument("photo", type=Path)
    parser.add_argument("--scale", default="auto")
    parser.add_argument("--runs", type=int, default=9)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    data, what = enlarged(options.photo)
    recogniser = recognisers.load()
    shot = photo.load(data)
    whole = recognisers.whole_square(shot.rgb.shape[:2])
    floor = {
        "decoding": [timed_ms(lambda: photo.load(data)) for _ in range(options.runs)],
        "network": [timed_ms(lambda: recogniser.look(shot.rgb, whole)) for _ in range(options.runs)],
    }
    watch = Watch()
    watched = Watched(recogniser, watch)
    identify = partial(pipeline.identify_photo, data, scale=options.scale, classifier=watched)  # type: ignore[arg-type]
    with watch:
        road = [timed_ms(identify) for _ in range(options.runs)]
    shape = f"{shot.width_px} × {shot.height_px} px"
    return report(options, f"{shape}, {what}, {len(data) / 1e6:.1f} MB", watch, floor, road)


def report(
    options: argparse.Namespace, what: str, watch: Watch, floor: dict[str, list[float]], whole: list[float]
) -> int:
    """Print the table and compare with the goals."""
    median = statistics.median
    print(f"{options.photo.name}: {what}; scale {options.scale}; median of {options.runs} runs, one core, session warm")
    for step in ("photo", "classifier", *STEPS[1:]):
        if step in watch.spent:
            times = watch.spent[step]
            print(f"  {step:<12} {median(times):8.1f} ms   (least {min(times):.1f}, most {max(times):.1f})")
    total, least = median(whole), sum(median(times) for times in floor.values())
    start = start_up_ms()
    print(f"  {'whole road':<12} {total:8.1f} ms   goal {GOAL_MS:.0f} ms")
    print(f"  {'floor':<12} {least:8.1f} ms   decoding and one network pass; the road takes {total / least:.1f} ×")
    print(f"  {'peak memory':<12} {peak_mb():8.0f} MB   goal {GOAL_MB:.0f} MB")
    print(f"  {'--version':<12} {start:8.0f} ms   goal {GOAL_START_MS:.0f} ms")
    return int(total > GOAL_MS or peak_mb() > GOAL_MB or start > GOAL_START_MS)


if __name__ == "__main__":
    sys.exit(main())
