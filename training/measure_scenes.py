"""Benchmark of the geometry on exact projective scenes: no renderer, only what a camera sees with known errors.

``python -m training.measure_scenes``: a reference and a part as ``training.scenes`` has them; plane and dimensions are
found again by the product's own steps. For each row: how many were measured, bias, median |error|, two robust standard
deviations of the error, median u95 [mm], how many true values lie within u95 [%], and whether the row holds what is
asked of it, give or take chance: the median |error| of its kind (one standard error), and a coverage of 93 % (two).

Lying rows hand edges to the reading of a settled part; rows ``drawn`` go from a drawn picture of a threaded head
through outline and dimensions. Standing rows hand an outline to the dimensions step.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass, replace

import cv2
import numpy as np

from identify import dimensions, outline, plane, reference
from identify.dimensions import bearing, edging, reading
from identify.dimensions.axis import Sides, settle, unrolled
from identify.geometry.camera import project
from identify.model import Array, Camera, NotMeasured, Outline, Photo, Plane, Pose, Reference
from identify.uncertainty import Estimate, mixture
from training import scenes
from training.drawn_parts import draw, hexagon, joined, laid, look_at, stepped, surface_points, whitworth

THREAD_MM, PITCH_MM, COLLAR_MM, RIM_MM, RIM_HIGH_MM = 20.955, 1.814, 26.0, 35.0, 40.0  # G 1/2 (ISO 228-1)
LYING, DRAWN, BASE, GIVEN, ON_IT, BLIND = (
    "lying thread",
    "lying thread, drawn",
    "standing, base seen",
    "standing, h ± 1 mm",
    "standing, coin on it",
    "standing, h unknown",
)
EMPTY = np.zeros((2, 2, 3), np.uint8)
LEAST_HELD, LEAST_BLIND = 0.93, 0.03
MEDIAN_SE = 1.17  # standard error of the median |error| of n normal ones, over that median and the root of n


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the benchmark; ``most`` is the median |error| that is allowed, relative."""

    part: str
    kind: str
    distance_mm: float
    tilt_deg: float
    focal_known: bool = True
    roll_deg: float = 0.0
    most: float | None = None


def table_rows() -> list[Row]:
    """The rows of the table."""
    kinds = {"card": 0.006, "sheet": 0.006, "ruler": 0.012, "coin": 0.010}
    rows = [Row(LYING, kind, 300, tilt, most=most) for kind, most in kinds.items() for tilt in (0, 15, 25, 35)]
    rows += [Row(LYING, kind, at, 15, most=most) for kind, most in kinds.items() for at in (200, 450)]
    rows += [Row(LYING, kind, 300, 20, roll_deg=90, most=most) for kind, most in kinds.items()]
    rows += [Row(LYING, kind, 300, tilt, focal_known=False) for kind in kinds for tilt in (0, 20)]
    rows += [Row(DRAWN, kind, 250, 15, most=most) for kind, most in (("card", 0.006), ("coin", 0.010))]
    rows += [Row(BASE, kind, 300, tilt, most=0.006) for kind in ("card", "coin", "ruler") for tilt in (15, 25, 35)]
    rows += [Row(BASE, "card", at, 25, most=0.006) for at in (200, 450)]
    rows += [Row(GIVEN, kind, 300, tilt, most=0.007) for kind in kinds for tilt in (0, 15, 25)]
    rows += [Row(GIVEN, "card", at, 15, most=0.007) for at in (200, 450)]
    rows += [Row(GIVEN, "card", 300, tilt, focal_known=False) for tilt in (0, 25)]
    rows += [Row(ON_IT, "coin", at, tilt, most=0.005) for at, tilt in ((300, 0), (300, 20), (200, 15), (450, 15))]
    rows += [Row(ON_IT, "coin", 300, 10, focal_known=False, most=0.005)]
    return [*rows, *(Row(BLIND, kind, 300, 0, focal_known=False) for kind in ("card", "coin"))]


def trial(row: Row, seed: int) -> tuple[float, float, float] | None:
    """Truth, value and u95 [mm] of one scene, or None where it can't be measured."""
    noise = np.random.default_rng(seed)
    camera = scenes.camera(noise)
    pose = look_at(
        row.distance_mm,
        abs(row.tilt_deg + float(noise.normal(0, 2))),
        270.0 + row.roll_deg + float(noise.normal(0, 20)),
        roll_deg=row.roll_deg + float(noise.normal(0, 8)),
    )
    found, shot = _seen(row, camera, pose, noise)
    bench = plane.see(shot, found) if isinstance(found, Reference) else found
    if not isinstance(bench, Plane) or not isinstance(found, Reference):
        return None
    if row.part == LYING:
        read = _lying(camera, pose, bench, found, noise)
        return (THREAD_MM, *read) if read else None
    if row.part == DRAWN:
        read = _drawn(camera, pose, bench, found, seed)
        return (THREAD_MM, *read) if read else None
    read = _standing(row, camera, pose, bench, found, noise)
    return (RIM_MM, *read) if read else None


def _seen(row: Row, camera: Camera, pose: Pose, noise: np.random.Generator) -> tuple[Reference | NotMeasured, Photo]:
    """The reference, a coin as found in its picture, and the photo."""
    if row.kind != "coin":
        return scenes.reference(row.kind, camera, pose, noise), scenes.photo(EMPTY, focal_known=row.focal_known)
    up_mm = RIM_HIGH_MM if row.part == ON_IT else 0.0
    shot = scenes.photo(scenes.coin_picture(camera, pose, noise, up_mm=up_mm), focal_known=row.focal_known)
    found = reference.find(shot, f"coin:{scenes.COIN_MM}", on_part=up_mm > 0)
    return replace(found, thickness_mm=scenes.COIN_HIGH_MM) if isinstance(found, Reference) else found, shot


def _lying(
    camera: Camera, pose: Pose, bench: Plane, found: Reference, noise: np.random.Generator
) -> tuple[float, float] | None:
    """Value and u95 [mm] of the diameter of a part's longest stretch, a collar lying with it on the bench."""
    station = np.linspace(-35, 35, scenes.STATIONS)
    radius = np.where(np.abs(station) < 8, COLLAR_MM, THREAD_MM) / 2
    traced, sides = scenes.lying_edges(camera, pose, station, radius, noise)
    estimates, weights = [], []
    for one in bench.poses:
        estimate = _settled(traced, bench.camera, one, sides, np.abs(station) > 10, found.u_size_rel)
        if estimate is not None:
            estimates.append(estimate)
            weights.append(one.weight)
    return mixture(estimates, weights) if estimates else None


def _settled(
    traced: Outline, camera: Camera, pose: Pose, sides: Sides, thread: Array, u_size_rel: float
) -> Estimate | None:
    first = bearing.first_axis(traced, camera, pose)
    if first is None:
        return None
    _, side = unrolled(first, camera, pose, sides.right_px)
    if float(np.median(side)) < 0:
        sides = Sides(sides.right_px, sides.left_px, sides.trusted)
    profile = settle(first, camera, pose, sides)
    long_px = float(np.linalg.norm(sides.left_px[-1] - sides.left_px[0]))
    seen = edging.Seen(profile.axis, sides, 70.0 / long_px, scenes.NOISE_PX, np.zeros(len(thread)))
    usable = np.ones(len(thread), bool)
    lain = reading.Lain(camera, pose, seen, profile, usable, usable, np.ones(len(thread)), body=thread)
    read = reading.read(lain, traced, u_size_rel=u_size_rel)
    return read["body_diameter"].estimate if "body_diameter" in read else None


def _drawn(camera: Camera, pose: Pose, bench: Plane, found: Reference, seed: int) -> tuple[float, float] | None:
    """Value and u95 [mm] of the thread of a drawn head, from its picture."""
    part = joined(
        (22, stepped((22, 8.0))),
        (9, hexagon(24.0)),
        (5, stepped((5, 19.0))),
        (14, whitworth(THREAD_MM, PITCH_MM)),
        (4, stepped((4, 17.0))),
    )
    placed = laid(part, (10.0, 5.0), 25.0 + 30 * (seed % 5))
    pixels = project(camera, pose, surface_points(part, placed, 1.0)[0])
    low = np.maximum(pixels.min(axis=0) - 40, 0).astype(int)
    high = np.minimum(pixels.max(axis=0) + 40, (scenes.WIDTH_PX, scenes.HEIGHT_PX)).astype(int)
    size = int(high[1] - low[1]), int(high[0] - low[0])
    crop, mask = draw(part, placed, scenes.shifted(camera, low), pose, size, finer=2, seed=seed)
    whole = scenes.inlaid(crop, low, (scenes.HEIGHT_PX, scenes.WIDTH_PX))
    labels = np.zeros(whole.shape[:2], np.float32)
    labels[low[1] : high[1], low[0] : high[0]] = mask
    shot = Photo("drawn", "", whole, scenes.WIDTH_PX, scenes.HEIGHT_PX)
    rough = cv2.resize(labels, (200, 150), interpolation=cv2.INTER_AREA) > 0.5
    traced = outline.trace(shot, labels=rough.astype(np.uint8))
    if isinstance(traced, NotMeasured):
        return None
    return _measured(shot, traced, bench, found, "lying", "thread_major_diameter", "unsure", None)


def _standing(
    row: Row, camera: Camera, pose: Pose, bench: Plane, found: Reference, noise: np.random.Generator
) -> tuple[float, float] | None:
    """Value and u95 [mm] of a standing body's diameter."""
    shape = np.array([8.0, 5.0, RIM_MM / 2, RIM_HIGH_MM])
    traced = scenes.standing_outline(camera, pose, shape, noise, base=True)
    shot = scenes.photo(EMPTY, focal_known=row.focal_known)
    given = RIM_HIGH_MM + float(noise.normal()) * dimensions.U_GIVEN_MM if row.part == GIVEN else None
    # a plain cylinder flat on the bench: no class, since the classes' parts stand on pegs or a capsule
    return _measured(shot, traced, bench, found, "standing", "body_diameter", "unsure", given)


def _measured(
    shot: Photo,
    traced: Outline,
    bench: Plane,
    found: Reference,
    view: str,
    name: str,
    answer: str,
    height_mm: float | None,
) -> tuple[float, float] | None:
    measured, _ = dimensions.measure(
        shot, traced, bench, reference=found, view=view, answer=answer, wanted=(name,), height_mm=height_mm
    )
    return (measured[0].value, measured[0].u95) if measured else None


def summary(row: Row, trials: int, seed: int) -> tuple[str, bool]:
    """One line of the table, and whether the row holds what is asked."""
    results = [one for k in range(trials) if (one := trial(row, seed + k)) is not None]
    head = (
        f"{row.part:22}{row.kind:7}{row.distance_mm:5.0f}{row.tilt_deg:5.0f}{row.roll_deg:5.0f}"
        f" {'EXIF' if row.focal_known else 'none':5}{len(results):5d}"
    )
    if not results:
        return f"{head}  refused", row.part == BLIND
    truth, values, u95 = np.array(results).T
    errors = values - truth
    held = float(np.mean(np.abs(errors) <= u95))
    spread = 2 * 1.4826 * float(np.median(np.abs(errors - np.median(errors))))
    chance = 2 * math.sqrt(LEAST_HELD * (1 - LEAST_HELD) / len(results))
    good = held >= LEAST_HELD - chance
    typical = float(np.median(np.abs(errors)))
    good &= row.most is None or typical - MEDIAN_SE * typical / math.sqrt(len(results)) <= row.most * truth[0]
    good &= row.part != BLIND or float(np.median(u95)) >= LEAST_BLIND * truth[0]
    line = (
        f"{head}{np.median(errors):8.3f}{typical:8.3f}{spread:8.3f}{np.median(u95):8.3f}"
        f"{100 * held:7.0f}  {'yes' if good else 'NO'}"
    )
    return line, good


def main(argv: list[str] | None = None) -> int:
    """Command line: prints the table."""
    parser = argparse.ArgumentParser(prog="python -m training.measure_scenes", description=__doc__)
    parser.add_argument("--trials", type=int, default=60)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--part", default="", help="only rows of parts that start so")
    asked = parser.parse_args(argv)
    print(
        f"{'part':22}{'kind':7}{'mm':>5}{'tilt':>5}{'roll':>5} focal    n    bias   |err|   2 sd      u95 held %  holds"
    )
    good = []
    for row in table_rows():
        if row.part.startswith(asked.part):
            line, holds = summary(row, asked.trials, asked.seed)
            good.append(holds)
            print(line, flush=True)
    print(f"rows that hold: {sum(good)} of {len(good)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
