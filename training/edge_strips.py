"""Strips of picture across the edges of rendered parts, as measuring looks at them, and where the edge is on each.

They are cut beside the axis of a lying part, and along the outline that the network's mask gives. Where the edge is,
the renderer's mask says.
"""

from __future__ import annotations

import math
import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from identify import classifier, outline, photo
from identify.dimensions import bearing, edging
from identify.errors import IdentifyError
from identify.geometry.edges import sample_profiles
from identify.geometry.part_edge import MIDDLE, STEP_PX
from identify.model import Array, Bytes, NotMeasured, Photo
from training.measure_renders import PART, rows, true_plane

SPARE = 0.6  # of the reach, by which strips are cut wider so that they can be shifted
SHRUNK = 1.25  # by which a window of training may shrink a strip: so much wider it is cut
MASK_BLUR_PX = 0.5
LEAST_ROWS = 24
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")  # each process keeps to one core


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Square root of light (N, K, 3) uint8 across an edge, the edge's column (N,) or nan, and the reach [columns].

    A ``closed`` strip's last row is beside its first; ``part`` numbers the part that it shows.
    """

    light: Bytes
    edge: Array
    reach: float
    closed: bool
    part: int = 0


def strips(folder: Path, row: dict[str, Any], part: int = 0) -> Iterator[Strip]:
    """The strips of one picture."""
    shot = photo.load(folder / row["file"])
    mask = np.asarray(cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE), np.uint8)
    labels = classifier.load().recognise(shot).labels
    ring, traced = outline.ring(shot, labels=labels), outline.trace(shot, labels=labels)
    if isinstance(ring, NotMeasured) or isinstance(traced, NotMeasured):
        return
    yield _cut(shot, mask, (ring.start_px, ring.normals), ring.reach_px, ring.step_px, part, closed=True)
    if row["view"] != "lying":
        return
    bench = true_plane(row, shot)
    axis = bearing.rough_axis(traced, bench.camera, bench.poses[0], shot)
    beside = None if axis is None else edging.beside(shot, traced, bench.camera, bench.poses[0], axis)
    for side in () if beside is None else beside.strips:
        yield _cut(shot, mask, (side.start_px, side.normals), beside.reach_px, STEP_PX, part, closed=False)


def _cut(
    shot: Photo, mask: Bytes, line: tuple[Array, Array], reach_px: float, step_px: float, part: int, *, closed: bool
) -> Strip:
    start, normals = line
    half = math.ceil(SHRUNK * MIDDLE + SPARE * reach_px / step_px)
    offsets = np.arange(-half, half + 1) * step_px
    light = np.sqrt(np.clip(sample_profiles(shot.rgb, start, normals, offsets), 0, 1))
    soft = cv2.GaussianBlur((mask == PART).astype(np.float32), (0, 0), MASK_BLUR_PX)
    x, y = ((start[:, axis, None] + offsets * normals[:, axis, None]).astype(np.float32) for axis in (0, 1))
    return Strip(
        np.round(255 * light).astype(np.uint8),
        _edge(cv2.remap(soft, x, y, cv2.INTER_LINEAR), offsets, outermost=not closed),
        reach_px / step_px,
        closed,
        part,
    )


def _edge(inside: Array, offsets: Array, *, outermost: bool) -> Array:
    """Column (N,) where each row leaves the part: the outermost such place, or the one nearest the middle."""
    leaves = (inside[:, :-1] > 0.5) & (inside[:, 1:] <= 0.5)
    rank = np.arange(leaves.shape[1]) if outermost else -np.abs(offsets[:-1])
    column = np.where(leaves, rank, -np.inf).argmax(axis=1)
    row = np.arange(len(inside))
    before, after = inside[row, column], inside[row, column + 1]
    place = column + np.clip((before - 0.5) / np.maximum(before - after, 1e-6), 0, 1)
    return np.where(leaves.any(axis=1), place, np.nan)


Cutter = Callable[[Path, dict[str, Any], int], Iterator[Any]]  # folder, manifest line, the part's number


@dataclass(frozen=True, slots=True)
class _OfPicture:
    cutter: Cutter

    def __call__(self, asked: tuple[Path, dict[str, Any], int]) -> list[Any] | None:
        try:
            return list(self.cutter(*asked))
        except (IdentifyError, ArithmeticError, LookupError, OSError, TypeError, ValueError, cv2.error) as why:
            print(asked[1].get("file"), type(why).__name__, why, flush=True)
            return None


def _alone() -> None:
    cv2.setNumThreads(1)


def each_picture(
    cutter: Cutter, asked: Sequence[tuple[Path, dict[str, Any], int]], workers: int
) -> Iterable[list[Any] | None]:
    """What is cut from each picture; None where it can't be read: hours of work must not end at one odd picture."""
    if workers <= 1:
        yield from map(_OfPicture(cutter), asked)
        return
    for name in THREADS:
        os.environ.setdefault(name, "1")  # read by the processes when they load numpy
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=spawn, initializer=_alone) as pool:
        yield from pool.map(_OfPicture(cutter), asked, chunksize=4)


def gathered(cutter: Cutter, folders: Sequence[Path], workers: int, what: str) -> list[Any]:
    """All that is cut from the pictures in ``folders``; pictures of one part share its number."""
    asked = [(folder, row) for folder in folders for row in rows(folder)]
    parts: dict[tuple[Path, int], int] = {}
    numbered = [(folder, row, parts.setdefault((folder, row["seed"]), len(parts))) for folder, row in asked]
    found: list[Any] = []
    unread = 0
    for count, ones in enumerate(each_picture(cutter, numbered, workers), start=1):
        found += ones or []
        unread += ones is None
        if count % 200 == 0:
            print(count, "of", len(asked), "pictures,", len(found), what, flush=True)
    print(len(found), what, "of", len(parts), "parts;", unread, "pictures could not be read")
    return found


def in_one(strips: Sequence[Strip]) -> tuple[Bytes, Array, Array]:
    """All strips, widened to the widest: light (R, K, 3) uint8 and edge (R,) of all rows, and where each ends (S,)."""
    widths = max(one.light.shape[1] for one in strips)
    ends = np.cumsum([len(one.edge) for one in strips])
    light = np.empty((ends[-1], widths, 3), np.uint8)
    edge = np.empty(ends[-1], np.float32)
    for one, end in zip(strips, ends, strict=True):
        side = (widths - one.light.shape[1]) // 2
        here = slice(end - len(one.edge), end)
        light[here] = np.pad(one.light, ((0, 0), (side, side), (0, 0)), mode="edge")
        edge[here] = one.edge + side
    return light, edge, ends


def cut(folders: Sequence[Path], out: Path, workers: int = 1) -> None:
    """Cut the strips of all pictures of loose parts in ``folders`` and save them: some 0.8 MB a picture."""
    found = [one for one in gathered(strips, folders, workers, "strips") if len(one.edge) >= LEAST_ROWS]
    light, edge, ends = in_one(found)
    kept = {name: np.array([getattr(one, name) for one in found]) for name in ("reach", "closed", "part")}
    np.savez(out, light=light, edge=edge, ends=ends, **kept)


def loaded(files: Sequence[Path]) -> list[Strip]:
    """The strips of all files; parts are numbered on from file to file."""
    found: list[Strip] = []
    for file in files:
        with np.load(file) as kept:
            light, edge, ends = kept["light"], kept["edge"], kept["ends"]
            reach, closed, part = kept["reach"], kept["closed"], kept["part"]
        after = found[-1].part + 1 if found else 0
        for index, (first, last) in enumerate(zip([0, *ends[:-1]], ends, strict=True)):
            number = after + int(part[index])
            found.append(Strip(light[first:last], edge[first:last], float(reach[index]), bool(closed[index]), number))
    return found
