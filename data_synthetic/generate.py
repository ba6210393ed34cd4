"""``python -m data_synthetic.generate``: pictures, masks and a manifest, by several worker processes.

A picture depends on (split, seed, views, number) only. ``views`` pictures in a row show the same part, each on another
bench, in another light and pose, by another camera, and worn otherwise: most of the cost is building the shapes.
Resuming keeps every line of the manifest and makes what is missing.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from data_synthetic import (
    camera,
    cartridge,
    film,
    installed,
    lookalikes,
    push,
    quarter_turn,
    raster,
    render,
    scene,
    screw_down,
    sensor,
    thermostatic,
)
from data_synthetic.mesh import InstalledScene, Part
from data_synthetic.spindle import pick, within

FAMILIES: dict[str, Callable[[np.random.Generator], Part]] = {
    "compression-screw": screw_down.build, "quarter-turn-ceramic": quarter_turn.build,
    "push-non-hold-open": push.build, "single-lever-cartridge": cartridge.build,
    "thermostatic": thermostatic.build, "sensor": sensor.build,
}  # fmt: skip
NONE_SHARE, EMPTY_SHARE, INSTALLED_SHARE = 0.13, 0.2, 0.25
FAILED = "failed"  # key of a line that says why a picture could not be made
SPLITS = ("training", "evaluation", "unknown", "calibration")  # seeds count on this order: add at the end
SURROUNDINGS = {"unknown": "evaluation"}  # splits that take the benches and lights of another
RENDERERS = ("path-traced", "raster")


@dataclass(frozen=True, slots=True)
class Job:
    """What every picture of a run shares."""

    folder: str
    width_px: int
    height_px: int
    spp: int
    seed: int
    split: str
    installed: float  # share of the fittings that are shown as installed taps
    natural: bool
    only: str | None = None
    views: int = 1
    renderer: str = RENDERERS[0]
    rest: str | None = None
    near: bool = False

    def part_of(self, number: int) -> int:
        """Number of the part that picture ``number`` shows."""
        return number // self.views


@lru_cache(maxsize=2)
def _shown(
    split: str, seed: int, number: int, share_installed: float, only: str | None
) -> Part | InstalledScene | None:
    """Part ``number`` of a run, loose or installed; None is an empty bench."""
    rng = np.random.default_rng([SPLITS.index(split), seed, number])
    share = {"none": NONE_SHARE} | dict.fromkeys(FAMILIES, (1 - NONE_SHARE) / len(FAMILIES))
    class_id = pick(rng, share)
    class_id = class_id if only is None else only
    if split == "unknown":
        return lookalikes.build(rng, unseen=True)
    if share_installed and rng.random() < share_installed:
        return installed.build(class_id, rng)
    if class_id == "none":
        return None if rng.random() < EMPTY_SHARE else lookalikes.build(rng)
    return FAMILIES[class_id](rng)


def composed(job: Job, number: int) -> tuple[scene.Scene, np.random.Generator]:
    """The scene of picture ``number`` and the generator that goes on to draw the camera's noise."""
    shown = _shown(job.split, job.seed, job.part_of(number), job.installed, job.only)
    rng = np.random.default_rng([SPLITS.index(job.split), job.seed, job.part_of(number), 1 + number % job.views])
    given: dict[str, Any] = {"width_px": job.width_px, "height_px": job.height_px, "near": job.near}
    split = SURROUNDINGS.get(job.split, job.split)
    if isinstance(shown, InstalledScene):
        return scene.in_building(shown, rng, split=split, **given), rng
    return scene.on_bench(shown, rng, split=split, natural=job.natural, rest=job.rest, **given), rng


def _taken(
    job: Job, number: int, made_scene: scene.Scene, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """The picture (H, W, 3) uint8 and the labels (H, W) that the camera makes of a scene."""
    view = made_scene.view
    size = {"width_px": job.width_px + 2 * view.margin_px, "height_px": job.height_px + 2 * view.margin_px}
    if job.renderer == "raster":
        light, labels = camera.bent(*raster.render(made_scene.setting, view.lens, seed=number, **size), view)
        return film.developed(light, rng), labels
    spp = job.spp * (2 if made_scene.truth["view"] == "installed" else 1)
    light, labels = render.render(made_scene.setting, view.lens, spp=spp, seed=number, **size)
    light, labels = camera.bent(camera.cleaned(light, job.spp), labels, view)
    return camera.developed(light, rng, white=made_scene.white), labels


def made(job: Job, number: int) -> dict[str, Any]:
    """Render one picture, write its files, return its manifest line."""
    made_scene, rng = composed(job, number)
    view = made_scene.view
    picture, labels = _taken(job, number, made_scene, rng)
    main = 23.5 < view.focal35_mm < 60 and rng.random() < 0.62
    focal35 = round(view.focal35_mm) if main else None
    name = f"{number:06d}"
    folder = Path(job.folder)
    quality = round(within(rng, 70, 95))
    (folder / "images" / f"{name}.jpg").write_bytes(camera.jpeg(picture, quality=quality, focal35_mm=focal35))
    cv2.imwrite(str(folder / "masks" / f"{name}.png"), labels)
    return {
        "file": f"images/{name}.jpg", "mask": f"masks/{name}.png",
        "seed": SPLITS.index(job.split) * 10**15 + job.seed * 10**9 + job.part_of(number), "split": job.split,
        "width_px": job.width_px, "height_px": job.height_px, **made_scene.truth, "exif_focal35_mm": focal35,
        "part_px": int((labels == render.PART).sum()), "reference_px": int((labels == render.REFERENCE).sum()),
        "jpeg_quality": quality, "renderer": job.renderer,
    }  # fmt: skip


def lines_of(folder: Path) -> dict[int, str]:
    """Complete manifest lines by picture number; a line cut off by a kill is dropped."""
    path = folder / "manifest.jsonl"
    lines: dict[int, str] = {}
    for line in path.read_text().splitlines() if path.exists() else []:
        try:
            number = int(Path(json.loads(line)["file"]).stem)
        except (json.JSONDecodeError, KeyError, ValueError):
            continue
        lines.setdefault(number, line)
    return lines


def _start(threads: int, renderer: str) -> None:
    cv2.setNumThreads(1)
    if renderer == "raster":
        os.environ.setdefault("LP_NUM_THREADS", str(threads))  # Mesa's software card
        return
    render.mitsuba()
    import drjit

    if not render.mitsuba().variant().startswith("scalar"):
        drjit.set_thread_count(threads)


def _each(job: Job, numbers: list[int], workers: int) -> Iterator[tuple[int, dict[str, Any]]]:
    if workers == 1:
        _start(os.cpu_count() or 1, job.renderer)
        yield from map(_Maker(job), numbers)
        return
    for library in ("OMP", "OPENBLAS"):  # read once, when a worker loads its array library
        os.environ[f"{library}_NUM_THREADS"] = "1"
    context = multiprocessing.get_context("spawn")
    threads = max(1, (os.cpu_count() or 1) // workers)
    with context.Pool(workers, _start, (threads, job.renderer)) as pool:
        yield from pool.imap_unordered(_Maker(job), numbers, chunksize=4 * job.views)


@dataclass(frozen=True, slots=True)
class _Maker:
    job: Job

    def __call__(self, number: int) -> tuple[int, dict[str, Any]]:
        try:
            return number, made(self.job, number)
        except Exception as why:  # one shape that can't be built must not stop a run of thousands
            return number, {"number": number, FAILED: f"{type(why).__name__}: {why}"}


def generate(job: Job, count: int, *, workers: int = 1, say: bool = True) -> int:
    """Make the pictures 0..count-1 that the manifest lacks; returns how many were made.

    Those that can't be made stand in failed.jsonl with the reason; the next run tries them again.
    """
    folder = Path(job.folder)
    for name in ("images", "masks"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    done = lines_of(folder)
    path = folder / "manifest.jsonl"
    path.write_text("".join(f"{line}\n" for _, line in sorted(done.items())))
    numbers = [number for number in range(count) if number not in done]
    start, failures = time.monotonic(), 0
    with path.open("a") as manifest, (folder / "failed.jsonl").open("w") as failed:
        for made_so_far, (_, line) in enumerate(_each(job, numbers, workers), 1):
            file = failed if FAILED in line else manifest
            file.write(json.dumps(line) + "\n")
            file.flush()
            failures += FAILED in line
            if say and (made_so_far % 50 == 0 or made_so_far == len(numbers)):
                rate = made_so_far / (time.monotonic() - start)
                print(f"{made_so_far} of {len(numbers)} pictures, {rate:.2f} a second", flush=True)
    return len(numbers) - failures


def _arguments(arguments: list[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m data_synthetic.generate", description=__doc__)
    parser.add_argument("--out", required=True, help="folder for images/, masks/ and manifest.jsonl")
    parser.add_argument("--count", type=int, required=True, help="pictures in the folder when done")
    parser.add_argument("--size", default="224x224", help="WIDTHxHEIGHT in px")
    parser.add_argument("--spp", type=int, default=16, help="samples a pixel")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--views", type=int, default=1, help="pictures of each part")
    parser.add_argument(
        "--split", choices=SPLITS, default="training", help="unknown: objects of kinds that training never shows"
    )
    parser.add_argument(
        "--with-installed",
        type=float,
        nargs="?",
        const=INSTALLED_SHARE,
        default=0.0,
        metavar="SHARE",
        help="share of the fittings as installed taps; a quarter where no number follows",
    )
    parser.add_argument(
        "--framing",
        choices=("auto", "natural", "close", "near"),
        default="auto",
        help="natural: whole photos; close: the part fills 25-90 %% of the frame; near: a square as a near look cuts "
        "it out of a whole photo; auto: natural unless square",
    )
    parser.add_argument("--renderer", choices=RENDERERS, default=RENDERERS[0], help="raster: evaluation only")
    parser.add_argument("--rest", choices=("lying", "standing"), help="how loose parts rest; by default both")
    parser.add_argument("--only", choices=(*FAMILIES, "none"), help="one class only")
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> int:
    """Run the command; the exit code is 1 where a picture could not be made."""
    wanted = _arguments(arguments)
    if wanted.renderer == "raster" and wanted.split != "evaluation":
        raise SystemExit("The raster pictures are for evaluation only: add --split evaluation.")
    width, height = (int(side) for side in wanted.size.split("x"))
    near = wanted.framing == "near"
    if near and (width != height or wanted.renderer == "raster"):
        raise SystemExit(f"Near pictures are path-traced squares: not {wanted.size} {wanted.renderer}.")
    natural = width != height if wanted.framing == "auto" else wanted.framing == "natural"
    job = Job(wanted.out, width, height, wanted.spp, wanted.seed, wanted.split, wanted.with_installed, natural,
              wanted.only, wanted.views, wanted.renderer, wanted.rest, near)  # fmt: skip
    generate(job, wanted.count, workers=wanted.workers)
    failures = (Path(job.folder) / "failed.jsonl").read_text().splitlines()
    if failures:
        print(f"{len(failures)} pictures could not be made; the first: {failures[0]}", file=sys.stderr)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
