"""Scores measuring on a folder of rendered pictures with known dimensions.

``python -m training.measure_renders DIR …``: every picture of a loose part goes through the pipeline's own steps
(reference, plane, outline, dimensions); what comes out is set against the manifest: bias, median |error|, 95th
percentile, u95, and how many true values lie within u95. The true mask at the network's resolution stands in for the
network unless ``--labels network``; ``--pose true`` takes the true camera, so that only outline and dimensions count;
``--bench blank`` lays the part on one strange colour, so that its edge is clear and only what is read off it counts.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from identify import classifier, dimensions, outline, photo, plane, reference, tables
from identify.geometry.edges import linear_light
from identify.model import Array, Bytes, Camera, NotMeasured, Outline, Photo, Plane, Pose, Reference

GRID = 64  # cells of the network's mask across its second look
LOOK_SHARE = 0.7  # of that look's side that the part fills
PART, REFERENCE = 1, 2
BLANK = (255, 0, 255)  # no part is of this colour
GOOD_TILT_DEG = 35.0
TRUE_POSE_U = np.array([2e-3, 5e-4, 5e-4, 5e-4, 0.1, 0.1, 0.3])


@dataclass(frozen=True, slots=True)
class Score:
    """One measured value against the truth [mm]."""

    file: str
    view: str
    fitting: str
    reference: str
    quantity: str
    truth: float
    value: float
    u95: float
    method: str

    @property
    def error(self) -> float:
        """Measured less true."""
        return self.value - self.truth


def network_like(mask: Bytes) -> Bytes:
    """A true mask (H, W) at the resolution of the network's second look, back at up to 512 px: part and reference."""
    rows, columns = np.nonzero(mask == PART)
    labels = np.zeros((max(1, mask.shape[0] // 2), max(1, mask.shape[1] // 2)), np.uint8)
    if len(rows) == 0:
        return labels
    side = max(np.ptp(rows), np.ptp(columns)) / LOOK_SHARE
    centre = (columns.min() + columns.max()) / 2, (rows.min() + rows.max()) / 2
    part = _coarse(mask == PART, side, centre, labels.shape)
    whole = max(mask.shape)
    reference = _coarse(mask == REFERENCE, whole, (mask.shape[1] / 2, mask.shape[0] / 2), labels.shape)
    return np.where(part, PART, np.where(reference, REFERENCE, 0)).astype(np.uint8)


def _coarse(mask: NDArray[np.bool_], side: float, centre: tuple[float, float], shape: tuple[int, int]) -> Array:
    """Where a mask is set after it was seen through GRID cells across a square: (h, w) bool at half its size."""
    to_grid = np.array(
        [[GRID / side, 0, GRID / 2 - centre[0] * GRID / side], [0, GRID / side, GRID / 2 - centre[1] * GRID / side]]
    )
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.5 * side / GRID)
    cells = cv2.warpAffine(soft, to_grid, (GRID, GRID), flags=cv2.INTER_LINEAR)
    back = cv2.invertAffineTransform(to_grid) * 0.5
    return np.asarray(cv2.warpAffine(cells, back, shape[::-1], flags=cv2.INTER_LINEAR) > 0.5)


def on_blank(shot: Photo, mask: Bytes) -> Photo:
    """The photo with its part cut out by the true mask and laid on one colour; light is mixed as a lens would."""
    inside = cv2.GaussianBlur((mask == PART).astype(np.float32), (0, 0), 0.6)[..., None]
    mixed = inside * linear_light(shot.rgb) + (1 - inside) * (np.array(BLANK, np.float32) / 255)
    coded = np.where(mixed <= 0.0031308, 12.92 * mixed, 1.055 * np.maximum(mixed, 1e-9) ** (1 / 2.4) - 0.055)
    return replace(shot, rgb=np.round(255 * coded).clip(0, 255).astype(np.uint8))


def true_plane(row: dict[str, Any], shot: Photo) -> Plane:
    """Camera and bench of a manifest line."""
    seen = row["camera"]
    centre = ((shot.width_px - 1) / 2, (shot.height_px - 1) / 2)
    camera = Camera(seen["focal_px"], centre, 0.002, "truth", seen.get("k1", 0.0))
    pose = Pose(np.array(seen["rotation"], float), np.array(seen["translation_mm"], float), np.diag(TRUE_POSE_U**2))
    return Plane(camera, (pose,), seen["tilt_deg"], seen["distance_mm"])


def scale_name(row: dict[str, Any]) -> str | None:
    """What a user would say the reference is."""
    known = row.get("reference")
    if not known:
        return None
    if known["kind"] != "coin":
        return "auto"
    return known["id"] if known["id"] in tables.load().references else f"coin:{known['diameter_mm']}"


def steps(
    row: dict[str, Any], shot: Photo, labels: Bytes | None, *, pose: str, edges: Photo | None = None
) -> tuple[Reference | None, Plane | NotMeasured | None, Outline | NotMeasured]:
    """Reference, plane and outline as the pipeline finds them, or with the true camera, or an outline of ``edges``."""
    name = scale_name(row)
    found = reference.find(shot, name, labels=labels, on_part=row["reference"]["on_part"]) if name else None
    seen = found or None
    if pose == "true":
        bench: Plane | NotMeasured | None = true_plane(row, shot)
    else:
        bench = plane.see(shot, seen) if isinstance(seen, Reference) else found
    return (
        (seen if isinstance(seen, Reference) else None),
        bench,
        outline.trace(edges or shot, reference=seen or None, labels=labels),
    )


def rows(folder: Path) -> Iterator[dict[str, Any]]:
    """Manifest lines of whole loose parts."""
    for line in (folder / "manifest.jsonl").read_text().splitlines():
        row = json.loads(line)
        if row["view"] in ("lying", "standing") and row["dimensions_mm"] and not row["pose"].get("cut_off", False):
            yield row


def score(
    folder: Path, row: dict[str, Any], *, pose: str, labels: str, blank: bool = False
) -> tuple[list[Score], list[NotMeasured]]:
    """All values of one picture against the truth."""
    shot = photo.load(folder / row["file"])
    mask = np.asarray(cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE), np.uint8)
    given = labels_of(labels, shot, mask)
    looked_at = on_blank(shot, mask) if blank else shot
    seen, bench, traced = steps(row, shot, given, pose=pose, edges=looked_at)
    if isinstance(bench, NotMeasured):
        return [], [bench]
    if isinstance(traced, NotMeasured):
        return [], [traced]
    truth = dict(row["dimensions_mm"])
    wanted = tuple(truth)
    measured, missed = dimensions.measure(
        looked_at, traced, bench, reference=seen, view=row["view"], answer=row["class"], wanted=wanted
    )
    kind = "none" if row["reference"] is None else row["reference"]["kind"]
    scores = [
        Score(
            row["file"],
            row["view"],
            row["class"],
            kind,
            one.quantity,
            truth[one.quantity],
            one.value,
            one.u95,
            one.method,
        )
        for one in measured
        if one.quantity in truth
    ]
    return scores, list(missed)


def main_quantity(row: dict[str, Any]) -> str | None:
    """What a photo that a person would call good ought to give: whole, upright enough, its reference in view."""
    if not row["reference"] or row["camera"]["tilt_deg"] >= GOOD_TILT_DEG or row["reference"]["on_part"]:
        return None
    name = tables.load().fitting(row["class"]).main_quantity
    return name if name in row["dimensions_mm"] else None


def labels_of(which: str, shot: Photo, mask: Bytes) -> Bytes | None:
    """The label map of a photo: from the ``true`` mask at the network's resolution, the ``network``'s, or ``none``."""
    if which == "true":
        return network_like(mask)
    return classifier.load().recognise(shot).labels if which == "network" else None


def table(scores: list[Score]) -> list[str]:
    """Lines of the table: one a view, quantity and kind of reference, and all kinds together."""
    groups: dict[tuple[str, str, str], list[Score]] = defaultdict(list)
    for one in scores:
        groups[one.view, one.quantity, one.reference].append(one)
        groups[one.view, one.quantity, "all"].append(one)
    lines = [
        f"{'view':9}{'quantity':23}{'ref':7}{'n':>4}{'bias %':>8}{'|err| %':>8}{'p95 %':>8}{'u95 %':>8}{'held %':>8}"
    ]
    for (view, quantity, kind), ones in sorted(groups.items()):
        lines.append(f"{view:9}{quantity:23}{kind:7}" + _line(ones))
    return lines


def _line(ones: list[Score]) -> str:
    relative: Array = np.array([one.error / one.truth for one in ones]) * 100
    u95: Array = np.array([one.u95 / one.truth for one in ones]) * 100
    held = 100 * float(np.mean(np.abs(relative) <= u95))
    size = np.abs(relative)
    return (
        f"{len(ones):4d}{np.median(relative):8.2f}{np.median(size):8.2f}{np.percentile(size, 95):8.2f}"
        f"{np.median(u95):8.2f}{held:8.0f}"
    )


def _scored(picture: tuple[Path, dict[str, Any]], **asked: Any) -> tuple[list[Score], list[NotMeasured]]:
    return score(*picture, **asked)


def main(argv: list[str] | None = None) -> int:
    """Command line: prints the table, and with ``--each`` every value."""
    parser = argparse.ArgumentParser(prog="python -m training.measure_renders", description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+", metavar="DIR")
    parser.add_argument("--pose", choices=("reference", "true"), default="reference")
    parser.add_argument("--labels", choices=("true", "network", "none"), default="true")
    parser.add_argument("--bench", choices=("seen", "blank"), default="seen")
    parser.add_argument("--each", action="store_true", help="print every value too")
    parser.add_argument("--first", type=int, default=None, help="only that many pictures")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    asked = parser.parse_args(argv)
    scores: list[Score] = []
    missed: dict[str, int] = defaultdict(int)
    given: dict[str, list[bool]] = defaultdict(list)
    chosen = list(islice(((folder, row) for folder in asked.folders for row in rows(folder)), asked.first))
    work = partial(_scored, pose=asked.pose, labels=asked.labels, blank=asked.bench == "blank")
    with ProcessPoolExecutor(asked.workers) as pool:
        done = list(pool.map(work, chosen, chunksize=4))
    for (_, row), (found, lacking) in zip(chosen, done, strict=True):
        scores += found
        name = main_quantity(row)
        if name is not None:
            given[f"{row['view']} {name}"].append(any(one.quantity == name for one in found))
        for one in lacking:
            missed[f"{row['view']} {one.quantity}: {one.reason}"] += 1
        for value in found if asked.each else ():
            held = "" if abs(value.error) <= value.u95 else "  OUT"
            where = f"{value.file} {value.fitting:22} {value.view} {value.reference:6} {value.quantity:22}"
            print(f"{where} true {value.truth:7.3f} got {value.value:7.3f} ± {value.u95:.3f}", end=" ")
            print(f"{100 * value.error / value.truth:+.2f} %{held}  {value.method}")
    print("\n".join(table(scores)))
    for name, ones in sorted(given.items()):
        print(f"{name} given in {sum(ones)} of {len(ones)} good photos ({100 * np.mean(ones):.0f} %)")
    for reason, count in sorted(missed.items(), key=lambda pair: -pair[1]):
        print(f"{count:4d}  {reason}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
