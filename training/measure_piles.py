"""Benchmark of standing parts by exact silhouettes of the generator's shapes: no renderer, no reference, the true pose.

``python -m training.measure_piles CLASS``: parts of the calibration split are built and stood on a bench, each seen
from two places; their silhouettes are handed to the dimensions step. For each range of tilts: how many, how many given,
and of these bias, median |error|, 95th percentile, u95 [%] and how many true values lie within u95 [%].
"""

from __future__ import annotations

import argparse
import sys

import cv2
import numpy as np

from data_synthetic import generate, rest, scene
from identify import dimensions
from identify.model import Array, Outline, Photo, Plane, Pose
from training.measure_renders import TRUE_POSE_U

FINER, SUBPIXEL = 3, 4  # of the picture in which a silhouette is drawn: scale, and bits of a corner's place
WIDTH_PX, HEIGHT_PX = 1024, 768
TILTS_DEG = ((0, 10), (10, 20), (20, 30), (30, 41))
OUTLINE_PX = 0.2
EMPTY = Photo("silhouette", "", np.zeros((4, 4, 3), np.uint8), WIDTH_PX, HEIGHT_PX)


def silhouette(placed: rest.Placed, view: scene.View) -> Array:
    """Border (N, 2) [px] of a part as the camera sees it, without anything in front."""
    seen = np.zeros((HEIGHT_PX * FINER, WIDTH_PX * FINER), np.uint8)
    for solid in placed.solids():
        corners = (view.project(solid.vertices_mm) + 0.5) * FINER - 0.5
        for triangle in np.round(corners * 2**SUBPIXEL).astype(np.int32)[solid.faces]:
            cv2.fillConvexPoly(seen, triangle, 1, cv2.LINE_8, SUBPIXEL)
    contours, _ = cv2.findContours(seen, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray((max(contours, key=cv2.contourArea).reshape(-1, 2) + 0.5) / FINER - 0.5, float)


def trial(class_id: str, number: int) -> list[tuple[float, float, float, float]]:
    """Tilt [deg], truth, value and u95 [mm] of both views of a part; value and u95 are nan where it is refused."""
    rng = np.random.default_rng([generate.SPLITS.index("calibration"), number])
    part = generate.FAMILIES[class_id](rng)
    found = []
    for _ in range(2):
        placed = rest.standing(part, rng)
        if placed is None:
            continue
        view = scene.framed(rng, placed.points_mm(), None, width_px=WIDTH_PX, height_px=HEIGHT_PX, natural=True)
        pose = Pose(view.lens.rotation, view.lens.translation_mm, np.diag(TRUE_POSE_U**2))
        border = silhouette(placed, view)
        measured, _ = dimensions.measure(
            EMPTY,
            Outline(border, np.zeros((1, 1), bool), 1, OUTLINE_PX, False, "silhouette"),
            Plane(view.camera, (pose,), view.tilt_deg, view.distance_mm),
            reference=None,
            view="standing",
            answer=class_id,
            wanted=("body_diameter",),
        )
        value, u95 = (measured[0].value, measured[0].u95) if measured else (np.nan, np.nan)
        found.append((view.tilt_deg, part.dimensions_mm["body_diameter"], value, u95))
    return found


def line(name: str, trials: Array) -> str:
    """One line of the table from trials (N, 4)."""
    given = trials[np.isfinite(trials[:, 2])]
    head = f"{name:8}{len(trials):5d}{len(given):7d}"
    if not len(given):
        return head
    error, u95 = 100 * (given[:, 2] / given[:, 1] - 1), 100 * given[:, 3] / given[:, 1]
    size = np.abs(error)
    return (
        f"{head}{np.median(error):8.2f}{np.median(size):8.2f}{np.percentile(size, 95):8.2f}{np.median(u95):8.2f}"
        f"{100 * float(np.mean(size <= u95)):7.0f}"
    )


def main(argv: list[str] | None = None) -> int:
    """Command line: prints the table."""
    parser = argparse.ArgumentParser(prog="python -m training.measure_piles", description=__doc__)
    parser.add_argument("class_id", choices=("thermostatic", "single-lever-cartridge"), metavar="CLASS")
    parser.add_argument("--parts", type=int, default=100)
    asked = parser.parse_args(argv)
    trials = np.array([one for number in range(asked.parts) for one in trial(asked.class_id, number)])
    print(f"{'tilt':8}{'n':>5}{'given':>7}{'bias %':>8}{'|err| %':>8}{'p95 %':>8}{'u95 %':>8}{'held %':>7}")
    for low, high in TILTS_DEG:
        print(line(f"{low}-{high}", trials[(trials[:, 0] >= low) & (trials[:, 0] < high)]))
    print(line("all", trials))
    return 0


if __name__ == "__main__":
    sys.exit(main())
