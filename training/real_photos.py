"""Figures of merit on openly licensed real photos: coins found, coins measured by coins, boards, a leaning card.

``python -m training.real_photos --photos DIR``. The folder holds a manifest.csv with the source, licence and truth
of each photo. Nothing is trained on it and no threshold is set by it.
"""

from __future__ import annotations

import argparse
import csv
import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from identify import photo as photos
from identify import plane, reference, tables
from identify.geometry import tilts
from identify.geometry.camera import DIAGONAL35_MM, moved, on_height
from identify.geometry.coin_pose import RIM_POINTS
from identify.model import Array, Bytes, Camera, Ellipse, NotMeasured, Photo, Plane, Pose, Reference
from identify.reference import coin
from identify.reference.rims import Rim, find_rims
from identify.tables.rows import ReferenceRow

TRUTH = Path(__file__).parents[1] / "tests" / "data" / "coin_truth.csv"
ALONE = 1.15  # coins are isolated where their centres are this many times the sum of their radii apart
DENOMINATIONS = {name: f"eur-{name}" for name in ("5c", "10c", "20c", "50c")} | {"1e": "eur-1", "2e": "eur-2"}
SQUARE_MM = 25.0


@dataclass(frozen=True, slots=True)
class Finding:
    """How many isolated coins of a photo were found, and how many findings are no coin."""

    file: str
    isolated: int
    found: int
    findings: int
    false: int


def truths(path: Path = TRUTH) -> dict[str, Array]:
    """Coins labelled by eye on a 100 px grid: file to (N, 3) of x, y, radius [px]."""
    rows: dict[str, list[list[float]]] = {}
    with path.open(newline="") as file:
        for row in csv.DictReader(file):
            rows.setdefault(row["file"], []).append([float(row[key]) for key in ("x_px", "y_px", "radius_px")])
    return {name: np.array(coins) for name, coins in rows.items()}


def isolated(coins: Array, photo: Photo) -> Array:
    """Which of the coins (N, 3) stand alone and are wholly in the picture (N,)."""
    apart = np.hypot(coins[:, None, 0] - coins[:, 0], coins[:, None, 1] - coins[:, 1])
    near = apart < ALONE * (coins[:, None, 2] + coins[:, 2])
    inside = (coins[:, :2] > coins[:, 2:]) & (coins[:, :2] < np.array([photo.width_px, photo.height_px]) - coins[:, 2:])
    return np.asarray((near.sum(axis=1) == 1) & inside.all(axis=1))


def score_findings(file: str, photo: Photo, coins: Array, found: list[Ellipse]) -> Finding:
    """Match findings with coins: centres within a quarter of the radius, radius within 15 %."""
    alone = isolated(coins, photo)
    hit, false = np.zeros(len(coins), bool), 0
    for each in found:
        distance = np.hypot(coins[:, 0] - each.x_px, coins[:, 1] - each.y_px)
        nearest = int(np.argmin(distance))
        radius = math.sqrt(each.major_px * each.minor_px)
        size = abs(radius / coins[nearest, 2] - 1)
        if distance[nearest] < 0.25 * coins[nearest, 2] and size < 0.15 and not hit[nearest]:
            hit[nearest] = True
        else:
            false += 1
    return Finding(file, int(alone.sum()), int((hit & alone).sum()), len(found), false)


@dataclass(frozen=True, slots=True)
class Sized:
    """A coin measured by another: error [%], its standard uncertainty [%], distance between them [mm]."""

    file: str
    error_percent: float
    u_percent: float
    apart_mm: float


def coins_by_coin(file: str, photo: Photo, rims: list[Rim], row: ReferenceRow, *, references: int = 1) -> list[Sized]:
    """Take the coin that the product would take as the reference; measure every other coin that stands alone.

    Parameters
    ----------
    references : take the second best coin as the reference as well, and so on
    """
    results: list[Sized] = []
    taken: list[Ellipse] = []
    for _ in range(references):
        left = [rim for rim in rims if rim.ellipse not in taken]
        by = coin.choose(photo, left, row)
        seen = plane.see(photo, by) if isinstance(by, Reference) else by
        if isinstance(seen, NotMeasured) or by.ellipse is None:
            break
        taken.append(by.ellipse)
        for rim in rims:
            alone = coin.stands_apart(rim.ellipse, rims) and coin.whole(rim.ellipse, photo)
            if rim.ellipse != by.ellipse and alone:
                results += _sized(file, seen, by, rim, row)
    return results


def _sized(file: str, seen: Plane, by: Reference, rim: Rim, row: ReferenceRow) -> list[Sized]:
    if row.rim_mm is None or by.ellipse is None:
        return []
    values, variances, weights = [], [], []
    rocking = seen.form[2] if seen.form else 0.0
    there = plane.beneath(seen, by, np.array([rim.ellipse.x_px, rim.ellipse.y_px]))
    for pose in there.poses:
        value = _diameter_mm(rim.ellipse, seen.camera, pose, by.thickness_mm, rocking)
        slopes = []
        for step in np.eye(7) * 1e-3:
            moves = [moved(seen.camera, pose, sign * step) for sign in (1, -1)]
            plus, minus = (
                _diameter_mm(rim.ellipse, camera, other, by.thickness_mm, rocking) for camera, other in moves
            )
            slopes.append((plus - minus) / 2e-3)
        edge = coin.u_rim_px(rim) / (rim.ellipse.major_px * math.sqrt(RIM_POINTS)) * value
        values.append(value)
        variances.append(
            float(np.array(slopes) @ pose.covariance @ np.array(slopes))
            + edge**2
            + row.u_mm**2
            + (rim.u_rel**2 + tilts.u_rocking(rocking) ** 2) * value**2
        )
        weights.append(pose.weight)
    mean = float(np.dot(weights, values))
    u_mm = math.sqrt(float(np.dot(weights, np.array(variances) + (np.array(values) - mean) ** 2)))
    centres = np.array([[each.x_px, each.y_px] for each in (by.ellipse, rim.ellipse)])
    places = on_height(seen.camera, seen.poses[0], centres, by.thickness_mm)
    return [
        Sized(
            file,
            100 * (mean / row.rim_mm - 1),
            100 * u_mm / row.rim_mm,
            float(np.linalg.norm(places[1] - places[0])),
        )
    ]


def _diameter_mm(rim: Ellipse, camera: Camera, pose: Pose, thickness_mm: float, rocking: float) -> float:
    """Diameter of a coin whose face lies ``thickness_mm`` over the bench, by its rim's area, as the reference's."""
    normal = pose.rotation[:, 2]
    image = tilts.of([rim], camera)
    places, radii, _ = tilts.circles(normal, *image)
    radii = tilts.unrocked(radii, rocking, normal[None], *image)
    face = float(normal @ pose.translation_mm) + thickness_mm
    return float(2 * radii[0] * face / (places[0] @ normal))


@dataclass(frozen=True, slots=True)
class Board:
    """Lengths on a chessboard by a card-sized patch: median |error| inside the patch's span and beyond it [%]."""

    file: str
    inside_percent: float
    beyond_percent: float


def boards(paths: list[Path]) -> list[Board]:
    """Measure chessboard squares by a card-sized patch of the board, after undistortion by a calibration from them."""
    pictures = {path: cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in paths}
    corners = {path: found for path, grey in pictures.items() if (found := _corners(grey)) is not None}
    grid = np.column_stack([np.mgrid[0:9, 0:6].reshape(2, -1, order="F").T * SQUARE_MM, np.zeros(54)])
    height, width = next(iter(pictures.values())).shape
    _, matrix, lens, _, _ = cv2.calibrateCamera(
        [grid.astype(np.float32)] * len(corners), list(corners.values()), (width, height), None, None
    )
    focal35_mm = matrix[0, 0] / math.hypot(width, height) * DIAGONAL35_MM
    centred = np.array([[matrix[0, 0], 0, (width - 1) / 2], [0, matrix[0, 0], (height - 1) / 2], [0, 0, 1]])
    photo = Photo("", "", np.zeros((1, 1, 3), np.uint8), width, height, float(focal35_mm))
    return [
        _board(path.name, photo, grid, cv2.undistortPoints(found, matrix, lens, P=centred).reshape(-1, 2))
        for path, found in corners.items()
    ]


def _corners(grey: Bytes) -> Array | None:
    seen, corners = cv2.findChessboardCornersSB(grey, (9, 6), flags=cv2.CALIB_CB_ACCURACY)
    return np.asarray(corners, np.float32).reshape(-1, 1, 2) if seen else None


def _board(name: str, photo: Photo, grid: Array, points: Array) -> Board:
    patch = (np.abs(grid[:, 0] - 50) <= 50) & (np.abs(grid[:, 1] - 25) <= 25)  # 100 mm x 50 mm of squares
    edge = patch & ((grid[:, 0] % 100 == 0) | (grid[:, 1] % 50 == 0))
    card = Reference("card", "card", points[edge], 0.15, points_px=points[edge], points_mm=grid[edge, :2])
    seen = plane.see(photo, card)
    if isinstance(seen, NotMeasured):
        return Board(name, math.nan, math.nan)
    places = on_height(seen.camera, seen.poses[0], points, 0.0)
    inside, beyond = [], []
    for one in range(len(grid)):
        for two in range(one + 1, len(grid)):
            truth = float(np.linalg.norm(grid[one] - grid[two]))
            if truth >= 2 * SQUARE_MM:
                error = abs(float(np.linalg.norm(places[one] - places[two])) / truth - 1)
                (inside if patch[one] and patch[two] else beyond).append(100 * error)
    return Board(name, float(np.median(inside)), float(np.median(beyond)))


def leaning(path: Path) -> tuple[str, ...]:
    """The warnings that a card leaning out of the bench's plane raises."""
    photo = photos.load(path)
    found = reference.find(photo, "card")
    if isinstance(found, NotMeasured):
        return (found.reason,)
    seen = plane.see(photo, found)
    remarks = found.remarks + (() if isinstance(seen, NotMeasured) else seen.remarks)
    return tuple(remark.text for remark in remarks if remark.kind == "plane")


def denomination(name: str) -> ReferenceRow | None:
    """Row of the coin that a single-denomination scene shows, by its file name."""
    first = name.split("_")[0]
    return tables.load().reference(DENOMINATIONS[first]) if first in DENOMINATIONS else None


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, required=True, help="folder with manifest.csv")
    parser.add_argument("--references", type=int, default=1, help="coins of a scene to take as the reference in turn")
    wanted = parser.parse_args()
    findings, sizes = [], []
    for file, coins in truths().items():
        photo = photos.load(wanted.photos / file)
        rims = find_rims(photo)
        findings.append(score_findings(file, photo, coins, [rim.ellipse for rim in rims]))
        print(findings[-1])
    for path in sorted((wanted.photos / "coins_scenes").glob("*_IMG_*.jpg")):
        row = denomination(path.name)
        if row is not None:
            photo = photos.load(path)
            measured = coins_by_coin(path.name, photo, find_rims(photo), row, references=wanted.references)
            sizes += measured
            print(path.name, spread(measured))
    isolated_coins, found = sum(each.isolated for each in findings), sum(each.found for each in findings)
    all_found, false = sum(each.findings for each in findings), sum(each.false for each in findings)
    print(f"isolated coins found: {found} of {isolated_coins} ({100 * found / isolated_coins:.1f} %)")
    print(f"false findings: {false} of {all_found} ({100 * false / all_found:.1f} %)")
    for limit in (60.0, 1e9):
        print(f"coin by coin up to {limit:.0f} mm apart:", spread([each for each in sizes if each.apart_mm <= limit]))
    for board in boards(sorted((wanted.photos / "chessboard").glob("left*.jpg"))):
        print(board)
    for path in sorted((wanted.photos / "planar").glob("id1_card*.jpg")):
        print(path.name, leaning(path))


def spread(sizes: list[Sized]) -> str:
    """Median and 95th percentile of |error|, and how often the error lies within twice its standard uncertainty."""
    if not sizes:
        return "none"
    errors = np.array([each.error_percent for each in sizes])
    within = np.mean(np.abs(errors) <= 2 * np.array([each.u_percent for each in sizes]))
    median, high = np.percentile(np.abs(errors), [50, 95])
    return f"{len(sizes)} coins, median |e| {median:.2f} %, 95th {high:.2f} %, within u95 {100 * within:.0f} %"


if __name__ == "__main__":
    main()
