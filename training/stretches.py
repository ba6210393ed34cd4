"""Unrolled surfaces of rendered lying parts, as measuring looks at them, and what each place of them is.

Where the cylinder is that gives a part's thread or body diameter the manifest says; parts without one show neither.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from identify import classifier, outline, photo
from identify.dimensions import reading, stretch
from identify.dimensions.axis import unrolled
from identify.geometry.camera import project
from identify.model import Array, NotMeasured, Plane
from training.edge_strips import gathered
from training.measure_renders import true_plane

LOOKS = 2  # of each picture: by its true scale, and by one that is off as references are
U_SCALE = 0.015
TAKEN = {"thread_major_diameter": 1, "body_diameter": 2}  # of stretch.KINDS
UNSURE_MM = 0.4  # so near a border nothing is taught
UNKNOWN = -1


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """Light (M, ANGLES, 3) uint8, lines (M, LINES) float16, and kind (M // SHRUNK,) int8 of each place or UNKNOWN.

    ``part`` numbers the part that it shows.
    """

    light: NDArray[np.uint8]
    lines: NDArray[np.float16]
    kind: NDArray[np.int8]
    part: int = 0


def surfaces(folder: Path, row: dict[str, Any], part: int = 0) -> Iterator[Surface]:
    """The surfaces of one picture."""
    if row["view"] != "lying" or "measured_mm" not in row["pose"]:
        return
    shot = photo.load(folder / row["file"])
    traced = outline.trace(shot, labels=classifier.load().recognise(shot).labels)
    if isinstance(traced, NotMeasured):
        return
    rng = np.random.default_rng(zlib.crc32(f"{row['seed']} {row['file']}".encode()))
    true = true_plane(row, shot)
    ends_px = project(true.camera, true.poses[0], _ends_mm(row))
    kind = next((number for name, number in TAKEN.items() if name in row["dimensions_mm"]), 0)
    for look in range(LOOKS):
        bench = _scaled(true, 1.0 if look == 0 else float(np.exp(rng.normal(0, U_SCALE))))
        lain = reading.settled(shot, traced, bench.camera, bench.poses[0])
        seen = lain and stretch.along(shot, lain.camera, lain.pose, lain.profile, lain.usable)
        if not lain or not seen:
            continue
        at, _ = unrolled(lain.profile.axis, lain.camera, lain.pose, ends_px)
        yield Surface(
            np.round(255 * seen.light).astype(np.uint8),
            seen.lines.astype(np.float16),
            _kinds(seen.station_mm, np.sort(at), kind),
            part,
        )


def _scaled(bench: Plane, scale: float) -> Plane:
    pose = bench.poses[0]
    return replace(bench, poses=(replace(pose, translation_mm=pose.translation_mm * scale),))


def _ends_mm(row: dict[str, Any]) -> Array:
    """Both ends (2, 3) of the measured cylinder's axis in the world [mm]."""
    start, end = np.array(row["pose"]["axis_mm"], float)
    along = (end - start) / np.linalg.norm(end - start)
    return np.asarray(start + np.array(row["pose"]["measured_mm"], float)[:, None] * along)


def _kinds(station_mm: Array, span_mm: Array, kind: int) -> NDArray[np.int8]:
    """Kind (M // SHRUNK,) of each place of odds."""
    count = len(station_mm) // stretch.SHRUNK
    place = stretch.places(station_mm[0], count)
    if not kind:
        return np.zeros(count, np.int8)
    inside = (place > span_mm[0]) & (place < span_mm[1])
    near = np.min(np.abs(place[:, None] - span_mm), axis=1) < UNSURE_MM
    return np.where(near, UNKNOWN, np.where(inside, kind, 0)).astype(np.int8)


def cut(folders: Sequence[Path], out: Path, workers: int = 1) -> None:
    """Cut the surfaces of all pictures of lying parts in ``folders`` and save them: some 60 kB each."""
    found = gathered(surfaces, folders, workers, "surfaces")
    np.savez(
        out,
        light=np.concatenate([one.light for one in found]),
        lines=np.concatenate([one.lines for one in found]),
        kind=np.concatenate([one.kind for one in found]),
        rows=np.array([len(one.lines) for one in found]),
        part=np.array([one.part for one in found]),
    )


def loaded(files: Sequence[Path]) -> list[Surface]:
    """The surfaces of all files; parts are numbered on from file to file."""
    found: list[Surface] = []
    for file in files:
        with np.load(file) as kept:
            light, lines, kind, counts, part = (kept[name] for name in ("light", "lines", "kind", "rows", "part"))
        after = found[-1].part + 1 if found else 0
        ends, halves = np.cumsum(counts), np.cumsum(counts // stretch.SHRUNK)
        for number, end, half, count in zip(part, ends, halves, counts, strict=True):
            here, there = slice(end - count, end), slice(half - count // stretch.SHRUNK, half)
            found.append(Surface(light[here], lines[here], kind[there], after + int(number)))
    return found
