"""Pictures unwrapped about coins, as the search for coins looks at them, and where the top rim and the outline are.

They are cut from rendered pictures with a coin as reference: about ellipses of the picture's edges that may be its rim,
and about ones near it at random. Where the coin is, the true camera says; what stands before it, the renderer's mask.
"""

from __future__ import annotations

import json
import math
import multiprocessing
import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from identify import photo
from identify.errors import IdentifyError
from identify.geometry import ellipse as ellipses
from identify.geometry.camera import on_height, project
from identify.geometry.rings import SPOKES, unwrap
from identify.model import Array, Bytes, Ellipse
from identify.reference.rims import candidates
from training.edge_strips import THREADS
from training.measure_renders import REFERENCE, true_plane

LOOKS = 8  # at each coin
SEEN_LOOKS = 3  # of these at most about ellipses of the picture's edges
SEEKS = hasattr(cv2, "ximgproc")  # without OpenCV's contrib modules all looks are about ellipses near the coin
FIRST = (0.73, 0.88, 0.95, 1.0, 1.0, 1.0, 1.03, 1.1)  # what a first ellipse was fitted to: core, lip, edge, shadow
FOOT_MM = 0.14  # height of a rendered coin's lower edge over what it lies on
SMALLEST_PX, WIDEST = 9.0, 0.5  # semi-axis of a coin, and minor over major
LEAST_SEEN = 0.5  # of the spokes, on which nothing stands before the coin
INSIDE = 0.95  # of the outline: there the mask must say coin
Looks = tuple[Array, Array]


def jittered(true: Ellipse, rng: np.random.Generator, *, first: Sequence[float] = FIRST, u: float = 0.02) -> Ellipse:
    """An ellipse that a search may start from: of another size, shape and place than the coin's rim.

    Parameters
    ----------
    first : sizes to choose from, in units of the rim
    u : standard deviation of the size; others go with it
    """
    size = rng.choice(first) * rng.normal(1, u)
    blunt = 1 + rng.normal(0, 1.25 * u)
    middle = np.array([true.x_px, true.y_px]) + 1.5 * u * true.major_px * rng.standard_normal(2)
    shape = ellipses.shape_matrix(true) * size
    lean = rng.normal(0, u) * true.major_px
    shape = shape * np.array([[blunt, 1], [1, 1 / blunt]]) + np.array([[0, lean], [lean, 0]])
    return ellipses.from_shape_matrix(middle, shape)


def radii_about(rim_px: Array, start: Ellipse) -> Array:
    """Radii (SPOKES,) of a closed curve on the spokes of the picture unwrapped about a first ellipse."""
    points = (rim_px - (start.x_px, start.y_px)) @ np.linalg.inv(ellipses.shape_matrix(start))
    angles = np.arctan2(points[:, 1], points[:, 0])
    order = np.argsort(angles)
    turn = (2 * np.pi * np.arange(SPOKES) / SPOKES + np.pi) % (2 * np.pi) - np.pi
    return np.interp(turn, angles[order], np.hypot(*points.T)[order], period=2 * np.pi)


def about(rgb: Bytes, start: Ellipse, rims_px: Sequence[Array]) -> Looks:
    """The picture unwrapped about an ellipse (SPOKES, K, 3) uint8, and radii (2, SPOKES) of top rim and outline."""
    inner, lower = (radii_about(rim, start) for rim in rims_px)
    picture = np.round(255 * unwrap(rgb, start)).astype(np.uint8)
    return picture, np.stack([inner, np.maximum(inner, lower)]).astype(np.float32)


def rims_px(row: dict[str, Any], shot: photo.Photo) -> tuple[Array, Array]:
    """A rendered coin's upper and lower edge, each (K, 2) [px]."""
    known, bench = row["reference"], true_plane(row, shot)
    upper = np.array(known["outline_px"], float)
    ring = on_height(bench.camera, bench.poses[0], upper, known["height_mm"])
    ring[:, 2] = known["height_mm"] - known["thickness_mm"] + 2 * FOOT_MM
    return upper, project(bench.camera, bench.poses[0], ring)


def looks(folder: Path, row: dict[str, Any]) -> Looks | None:
    """Unwrapped pictures (LOOKS, SPOKES, K, 3) uint8 and true radii (LOOKS, 2, SPOKES), nan where a coin is hidden."""
    shot = photo.load(folder / row["file"])
    rims = rims_px(row, shot)
    fitted = ellipses.fit(rims[0])
    if fitted is None or fitted.ellipse.major_px < SMALLEST_PX:
        return None
    true = fitted.ellipse
    if true.minor_px < WIDEST * true.major_px or np.any(rims[0] < 0):
        return None
    if np.any(rims[0] > np.array([shot.width_px, shot.height_px]) - 1):
        return None
    mask = np.asarray(cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE), np.uint8)
    rng = np.random.default_rng(int(row["seed"]))
    near = [each for each in candidates(shot) if _near(each, true)] if SEEKS else []
    starts = [near[n] for n in rng.permutation(len(near))[:SEEN_LOOKS]]
    starts += [jittered(true, rng, first=(1.0,), u=0.008) for _ in range(2)]
    starts += [jittered(true, rng, u=0.05) if rng.random() < 0.25 else jittered(true, rng)
               for _ in range(LOOKS - len(starts))]  # fmt: skip
    pictures, radii = [], []
    for start in starts:
        picture, known = about(shot.rgb, start, rims)
        known[:, ~_seen(mask, start, known[1])] = np.nan
        pictures.append(picture)
        radii.append(known)
    if np.mean(np.isfinite(radii)) < LEAST_SEEN:
        return None
    return np.stack(pictures), np.stack(radii)


def _near(found: Ellipse, true: Ellipse) -> bool:
    """Whether an ellipse of the picture's edges may be taken for one of the coin."""
    away = math.hypot(found.x_px - true.x_px, found.y_px - true.y_px)
    return away < 0.25 * true.major_px and 0.66 < found.major_px / true.major_px < 1.5


def _seen(mask: Bytes, start: Ellipse, outline: Array) -> Array:
    """On which spokes (SPOKES,) the mask shows the coin up to its outline."""
    turn = 2 * np.pi * np.arange(SPOKES) / SPOKES
    unit = INSIDE * outline[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    places = np.round(unit @ ellipses.shape_matrix(start) + (start.x_px, start.y_px)).astype(int)
    x, y = np.clip(places, 0, np.array(mask.shape[::-1]) - 1).T
    return np.asarray(mask[y, x] == REFERENCE)


def coins(folder: Path) -> Iterator[dict[str, Any]]:
    """Manifest lines of pictures with a coin."""
    for line in (folder / "manifest.jsonl").read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        if row.get("reference") and row["reference"]["kind"] == "coin":
            yield row


def _of_picture(asked: tuple[Path, dict[str, Any]]) -> Looks | None:
    """The looks of one picture; None where it can't be read: minutes of work must not end at one odd picture."""
    try:
        return looks(*asked)
    except (IdentifyError, ArithmeticError, LookupError, OSError, TypeError, ValueError, cv2.error) as why:
        print(asked[1].get("file"), type(why).__name__, why, flush=True)
        return None


def _alone() -> None:
    cv2.setNumThreads(1)


def _each(asked: Sequence[tuple[Path, dict[str, Any]]], workers: int) -> Iterable[Looks | None]:
    if workers <= 1:
        yield from map(_of_picture, asked)
        return
    for name in THREADS:
        os.environ.setdefault(name, "1")  # read by the processes when they load numpy
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=spawn, initializer=_alone) as pool:
        yield from pool.map(_of_picture, asked, chunksize=4)


def cut(folders: Sequence[Path], out: Path, workers: int = 1) -> None:
    """Cut the looks at all coins of the pictures in ``folders`` and save them: some 0.15 MB a coin."""
    asked = [(folder, row) for folder in folders for row in coins(folder)]
    found = [one for one in _each(asked, workers) if one is not None]
    if not found:
        raise IdentifyError(f"No coin was cut from {', '.join(map(str, folders))}; give pictures that show some.")
    save(out, found)
    print(len(found), "of", len(asked), "coins cut")


def save(out: Path, found: Sequence[Looks]) -> None:
    """Write the looks at coins, as many at each: ``pictures`` and ``radii`` of all, and ``looks`` at each."""
    pictures, radii = (np.concatenate(each) for each in zip(*found, strict=True))
    np.savez(out, pictures=pictures, radii=radii, looks=len(found[0][0]))
