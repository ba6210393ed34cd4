"""Scores finding the reference object on a folder of rendered pictures with known cameras.

``python -m training.measure_references DIR …``: every picture of a loose part is searched as with ``--scale auto``, a
coin by its name; with ``--labels network`` what the network calls part and reference is a hint, as in the pipeline. By
kind: how many lie wholly in view, how many of those are found, how many finds are of another kind
or off in scale, and the error of lengths on the bench at the part.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from identify import photo, plane, reference
from identify.geometry.camera import on_height
from identify.model import Array, NotMeasured, Photo, Plane, Reference
from training.measure_renders import labels_of, scale_name, true_plane

WRONG = 0.03  # a scale error that no pose explains: something else was found
ARM_MM = 30.0  # lengths of twice this are compared, along and across
FEWEST_MM = 60.0  # of a ruler's scale in view


@dataclass(frozen=True, slots=True)
class Find:
    """What was found in one picture: ``error`` is the relative error of lengths at the part, nan where not found."""

    file: str
    kind: str
    in_view: bool
    found: str | None
    error: float
    spent_ms: float
    reason: str

    @property
    def wrong(self) -> bool:
        """Whether something else was taken for the reference."""
        return self.found is not None and (self.found != self.kind or abs(self.error) > WRONG)


def in_view(row: dict[str, Any]) -> bool:
    """Whether the reference lies wholly in the picture, or FEWEST_MM of a ruler's scale."""
    known, size = row["reference"], np.array([row["width_px"], row["height_px"]])
    if known["kind"] != "ruler":
        outline = np.array(known["outline_px"])
        return bool(np.all((outline > 2) & (outline < size - 3)))
    ends = np.array(known["marks_px"])
    places = ends[0] + np.linspace(0, 1, 301)[:, None] * (ends[1] - ends[0])
    return float(np.mean(np.all((places > 2) & (places < size - 3), axis=1))) * known["span_mm"] >= FEWEST_MM


def _part_px(row: dict[str, Any]) -> Array:
    """Middle (1, 2) of the part, or of the picture where the manifest does not say."""
    ends = row["pose"].get("axis_px") or [[row["width_px"], row["height_px"]], [0, 0]]
    return np.mean(np.array(ends, float), axis=0)[None]


def length_error(row: dict[str, Any], shot: Photo, seen: Plane, height_mm: float = 0.0) -> float:
    """Relative error of a length at the part, the worse of two directions, at the height of what was seen."""
    truth = true_plane(row, shot)
    pose = truth.poses[0]
    middle = on_height(truth.camera, pose, _part_px(row), height_mm)[0]
    cross: Array = middle + ARM_MM * np.array([[1.0, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]])
    camera = cross @ pose.rotation.T + pose.translation_mm
    px = np.array(truth.camera.centre_xy_px) + truth.camera.focal_px * camera[:, :2] / camera[:, 2:]
    places = on_height(seen.camera, seen.poses[0], px)
    lengths = np.linalg.norm(places[::2] - places[1::2], axis=1) / (2 * ARM_MM) - 1
    return float(lengths[np.argmax(np.abs(lengths))])


def look(folder: Path, row: dict[str, Any], labels: str) -> Find:
    """Search one picture."""
    shot = photo.load(folder / row["file"])
    known = row["reference"]
    mask = cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE)
    hint = labels_of(labels, shot, np.asarray(mask, np.uint8))
    begun = time.process_time()
    found = reference.find(shot, scale_name(row) or "auto", on_part=bool(known and known["on_part"]), labels=hint)
    spent = 1e3 * (time.process_time() - begun)
    kind, whole = (known["kind"], in_view(row)) if known else ("none", True)
    if not isinstance(found, Reference):
        return Find(row["file"], kind, whole, None, float("nan"), spent, found.reason)
    bench = plane.see(shot, found)
    height_mm = known["height_mm"] - found.thickness_mm if known and known["on_part"] else 0.0
    error = float("nan") if isinstance(bench, NotMeasured) else length_error(row, shot, bench, height_mm)
    return Find(row["file"], kind, whole, found.kind, error, spent, "")


def table(finds: list[Find]) -> list[str]:
    """A line for each kind of reference."""
    lines = [f"{'kind':8}{'n':>5}{'in view':>9}{'found %':>9}{'wrong %':>9}{'|err| %':>9}{'p90 %':>8}{'ms':>8}"]
    groups: dict[str, list[Find]] = defaultdict(list)
    for one in finds:
        groups[one.kind].append(one)
    for kind, ones in sorted(groups.items()):
        whole = [one for one in ones if one.in_view]
        right = [one for one in whole if one.found and not one.wrong]
        errors = np.abs([100 * one.error for one in right if np.isfinite(one.error)] or [np.nan])
        wrong = np.mean([one.wrong for one in ones])
        lines.append(
            f"{kind:8}{len(ones):5d}{len(whole):9d}{100 * len(right) / max(len(whole), 1):9.1f}{100 * wrong:9.1f}"
            f"{np.median(errors):9.2f}{np.percentile(errors, 90):8.2f}{np.median([one.spent_ms for one in ones]):8.0f}"
        )
    return lines


def _with(folder: Path, kinds: list[str]) -> Iterator[tuple[Path, dict[str, Any]]]:
    """A folder's loose objects beside a reference of one of these kinds."""
    for line in (folder / "manifest.jsonl").read_text().splitlines():
        row = json.loads(line)
        kind = row["reference"]["kind"] if row.get("reference") else "none"
        if row["view"] in ("lying", "standing") and kind in kinds:
            yield folder, row


def main(argv: list[str] | None = None) -> int:
    """Command line: prints the table, and with ``--each`` every picture that was not found or found wrongly."""
    parser = argparse.ArgumentParser(prog="python -m training.measure_references", description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+", metavar="DIR")
    parser.add_argument("--kinds", nargs="*", default=["card", "ruler", "sheet", "coin", "none"])
    parser.add_argument("--labels", choices=("true", "network", "none"), default="none")
    parser.add_argument("--each", action="store_true", help="print what was missed or found wrongly too")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    asked = parser.parse_args(argv)
    chosen = [pair for folder in asked.folders for pair in _with(folder, asked.kinds)]
    with ProcessPoolExecutor(asked.workers) as pool:
        finds = list(pool.map(look, *zip(*chosen, strict=True), repeat(asked.labels), chunksize=4)) if chosen else []
    for one in finds if asked.each else ():
        if one.wrong or (one.found is None and one.in_view and one.kind != "none"):
            print(f"{one.file} {one.kind}: {one.found} {100 * one.error:+.1f} % {one.reason}", flush=True)
    print("\n".join(table(finds)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
