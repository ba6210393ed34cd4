"""Benchmark of the geometry on exact projective scenes: no renderer, only points with known errors.

``python -m training.measure_scenes``: a reference and a part are projected through a camera that differs from what
the photo says (focal length, radial term, principal point), edges get errors, and plane and dimensions are found
again. A coin is drawn with its wall, because its tilt is read off what lies beside its rim. Printed for each row:
bias, median |error|, median u95, and how many true values lie within u95.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass

import numpy as np

from identify import plane
from identify.dimensions import lying, reading, standing
from identify.dimensions.axis import Sides, settle, unrolled
from identify.geometry import ellipse as ellipses
from identify.geometry.camera import camera_place_mm, focal_px_from_35mm, project
from identify.model import Array, Bytes, Camera, NotMeasured, Outline, Photo, Plane, Pose, Reference
from identify.uncertainty import Estimate, mixture
from training.drawn_parts import Placed, draw, joined, look_at, stepped
from training.drawn_parts import stood as upright

WIDTH_PX, HEIGHT_PX = 1600, 1200
FOCAL35_MM = 26.0
U_FOCAL, U_K1, U_CENTRE = 0.02, 0.005, 0.003
EDGE_BIAS_PX, EDGE_NOISE_PX = 0.15, 0.10
THREAD_MM, COLLAR_MM, RIM_MM, RIM_HIGH_MM = 20.955, 26.0, 35.0, 40.0
REFERENCE_MM = -55.0  # the reference's centre lies this far to the left of the part's
COIN_MM, COIN_HIGH_MM = 23.25, 2.33
COIN_MARGIN_PX = 40


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the benchmark."""

    part: str
    kind: str
    distance_mm: float
    tilt_deg: float
    focal_known: bool = True


def scene_camera(noise: np.random.Generator) -> Camera:
    """A true camera, off its nominal focal length, with a little distortion and its centre not in the middle."""
    focal = focal_px_from_35mm(FOCAL35_MM, WIDTH_PX, HEIGHT_PX) * math.exp(U_FOCAL * noise.normal())
    shift = U_CENTRE * math.hypot(WIDTH_PX, HEIGHT_PX) * noise.normal(size=2)
    centre = ((WIDTH_PX - 1) / 2 + float(shift[0]), (HEIGHT_PX - 1) / 2 + float(shift[1]))
    return Camera(focal, centre, 0.0, "truth", U_K1 * float(noise.normal()))


def photo_of(picture: Bytes, focal_known: bool) -> Photo:
    """A photo of the scene."""
    return Photo("scene", "", picture, WIDTH_PX, HEIGHT_PX, FOCAL35_MM if focal_known else None)


def drawn(found: Reference, camera: Camera, pose: Pose, *, up_mm: float, seed: int) -> Bytes:
    """What there is to see of the reference: a coin with its wall (H, W, 3); of others nothing (2, 2, 3)."""
    if found.ellipse is None:
        return np.zeros((2, 2, 3), np.uint8)
    low = np.maximum(np.floor(found.outline_px.min(axis=0)) - COIN_MARGIN_PX, 0).astype(int)
    high = np.minimum(np.ceil(found.outline_px.max(axis=0)) + COIN_MARGIN_PX, (WIDTH_PX, HEIGHT_PX)).astype(int)
    corner = Camera(
        camera.focal_px,
        (camera.centre_xy_px[0] - float(low[0]), camera.centre_xy_px[1] - float(low[1])),
        camera.u_focal_rel,
        camera.focal_source,
        camera.k1,
    )
    coin = joined((COIN_HIGH_MM, stepped((COIN_HIGH_MM, COIN_MM))))
    place = upright((REFERENCE_MM if up_mm == 0 else 0.0, 0.0))
    place = Placed(place.foot_mm + np.array([0.0, 0.0, up_mm]), place.along, place.down)
    crop, _ = draw(coin, place, corner, pose, (int(high[1] - low[1]), int(high[0] - low[0])), finer=2, seed=seed)
    picture = np.broadcast_to(np.median(crop[:3].reshape(-1, 3), axis=0).astype(np.uint8), (HEIGHT_PX, WIDTH_PX, 3))
    picture = picture.copy()
    picture[low[1] : high[1], low[0] : high[0]] = crop
    return picture


def seen_reference(
    kind: str, camera: Camera, pose: Pose, noise: np.random.Generator, *, up_mm: float = 0.0
) -> Reference:
    """A reference of the kind, with the errors that its finder has."""
    here = np.array([REFERENCE_MM if up_mm == 0 else 0.0, 0.0])
    if kind == "coin":
        return _coin(camera, pose, noise, here, up_mm)
    size = np.array({"card": (85.6, 53.98), "ruler": (150.0, 0.0), "sheet": (160.0, 90.0)}[kind])
    here = np.array([REFERENCE_MM - 20, 0.0]) if kind == "card" else np.array([0.0, -45.0])
    if kind == "card":
        flat = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size
        flat, turned = flat[:, ::-1], size[::-1]
    elif kind == "ruler":
        ticks = np.tile(np.arange(0, 151, 5.0), 2)
        flat, turned = np.column_stack([ticks, np.repeat([0.0, 18.0], len(ticks) // 2)]), size
    else:
        grid = np.stack(np.meshgrid(np.linspace(0, 1, 8), np.linspace(0, 1, 5)), axis=-1).reshape(-1, 2)
        flat, turned = grid * size, size
        here = np.array([0.0, 0.0])
    high = {"card": 0.76, "ruler": 1.0, "sheet": 0.1}[kind]
    world = np.column_stack([flat - turned / 2 + here, np.full(len(flat), high)])
    u_px = {"card": 0.25, "ruler": 0.25, "sheet": 0.15}[kind]
    points = project(camera, pose, world) + u_px * noise.normal(size=(len(world), 2))
    return Reference(
        kind, kind, points[:4], u_px, points_px=points, points_mm=flat, thickness_mm=high, u_size_rel=0.0006
    )


def _coin(camera: Camera, pose: Pose, noise: np.random.Generator, here: Array, up_mm: float) -> Reference:
    angles = np.linspace(0, 2 * math.pi, 48, endpoint=False)
    radius = COIN_MM / 2 * (1 + 0.001 * noise.normal())
    high = up_mm + COIN_HIGH_MM
    ring = np.column_stack([here + radius * np.column_stack([np.cos(angles), np.sin(angles)]), np.full(48, high)])
    rim = project(camera, pose, ring)
    outward = rim - rim.mean(axis=0)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    slow = np.repeat(noise.normal(size=24), 2)[:, None]
    fit = ellipses.fit(rim + 0.12 * slow * outward)
    assert fit is not None
    return Reference(
        "coin",
        "coin",
        rim,
        0.12,
        ellipse=fit.ellipse,
        diameter_mm=COIN_MM,
        thickness_mm=COIN_HIGH_MM,
        on_part=up_mm > 0,
    )


def lying_edges(
    camera: Camera, pose: Pose, foot_mm: Array, along: Array, station_mm: Array, radius_mm: Array
) -> tuple[Array, Array]:
    """Images of the tangent lines (N, 2), (N, 2) [px] of a turned part: the rays that touch each cylinder."""
    centre = foot_mm + station_mm[:, None] * along
    sight = camera_place_mm(pose) - centre
    sight -= (sight @ along)[:, None] * along
    away = np.linalg.norm(sight, axis=1)
    up = sight / away[:, None]
    side = np.cross(along, up)
    cos = radius_mm / away
    ahead = radius_mm * cos
    out = radius_mm * np.sqrt(1 - cos**2)
    left = centre + ahead[:, None] * up + out[:, None] * side
    right = centre + ahead[:, None] * up - out[:, None] * side
    return project(camera, pose, left), project(camera, pose, right)


def measure_lying(camera: Camera, pose: Pose, bench: Plane, noise: np.random.Generator) -> tuple[float, float]:
    """Value and u95 [mm] of a thread's major diameter: a collar and a thread lying on the bench."""
    station = np.linspace(-35, 35, 160)
    radius = np.where(np.abs(station) < 8, COLLAR_MM, THREAD_MM) / 2
    turn = math.radians(float(noise.uniform(20, 160)))
    along = np.array([math.cos(turn), math.sin(turn), 0.0])
    foot = np.array([10.0, 5.0, COLLAR_MM / 2])
    right_px, left_px = lying_edges(camera, pose, foot, along, station, radius)
    across = right_px - left_px
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    left_px = left_px - across * (EDGE_BIAS_PX * noise.normal() + EDGE_NOISE_PX * noise.normal(size=(160, 1)))
    right_px = right_px + across * (EDGE_BIAS_PX * noise.normal() + EDGE_NOISE_PX * noise.normal(size=(160, 1)))
    contour = np.vstack([left_px, right_px[::-1]])
    outline = Outline(contour, np.zeros((1, 1), bool), 1, EDGE_BIAS_PX, False, "exact scene")
    estimates, weights = [], []
    for one in bench.poses:
        estimate = _lying_at(outline, bench.camera, one, Sides(left_px, right_px, np.ones(160, bool)), station)
        if estimate is not None:
            estimates.append(estimate)
            weights.append(one.weight)
    return mixture(estimates, weights) if estimates else (math.nan, math.nan)


def _lying_at(outline: Outline, camera: Camera, pose: Pose, sides: Sides, station: Array) -> Estimate | None:
    first = lying.first_axis(outline, camera, pose)
    if first is None:
        return None
    _, side = unrolled(first, camera, pose, sides.right_px)
    if float(np.median(side)) < 0:
        sides = Sides(sides.right_px, sides.left_px, sides.trusted)
    profile = settle(first, camera, pose, sides)
    long_px = float(np.linalg.norm(sides.left_px[-1] - sides.left_px[0]))
    seen = lying.Seen(profile.axis, sides, 70.0 / long_px, EDGE_NOISE_PX)
    usable = np.ones(len(station), bool)
    thread = np.abs(station) > 10
    lain = reading.Lain(camera, pose, seen, profile, usable, usable, np.ones(len(station)), body=thread)
    return reading.read(lain, outline, u_size_rel=0.001)["body_diameter"].estimate


def measure_standing(
    camera: Camera, pose: Pose, bench: Plane, noise: np.random.Generator, *, height: standing.Height, on_part: bool
) -> tuple[float, float] | None:
    """Value and u95 [mm] of a standing body's diameter."""
    shape = np.array([8.0, 5.0, RIM_MM / 2, RIM_HIGH_MM])
    polygon = standing.silhouette(shape, camera, pose)
    ring = np.vstack([polygon, polygon[:1]])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    want = np.linspace(0, along[-1], 400, endpoint=False)
    contour = np.column_stack([np.interp(want, along, ring[:, 0]), np.interp(want, along, ring[:, 1])])
    outward = contour - contour.mean(axis=0)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    slow = np.repeat(noise.normal(size=10), 40)[:, None]
    contour = contour + outward * (
        EDGE_BIAS_PX * (slow + 0.7 * noise.normal()) + EDGE_NOISE_PX * noise.normal(size=(400, 1))
    )
    outline = Outline(contour, np.zeros((1, 1), bool), 1, EDGE_BIAS_PX, False, "exact scene")
    estimates, weights = [], []
    for one in bench.poses:
        for stood in standing.stand(
            outline, bench.camera, one, height, u_size_rel=0.001, rim_mm=0.0 if on_part else None
        ):
            estimates.append(stood.estimate)
            weights.append(math.log(one.weight) + stood.likelihood)
    weights = list(np.exp(np.array(weights) - max(weights, default=0.0)))
    return mixture(estimates, weights) if estimates else None


def trial(row: Row, seed: int) -> tuple[float, float, float] | None:
    """Truth, value and u95 [mm] of one scene, or None where it can't be measured."""
    noise = np.random.default_rng(seed)
    camera = scene_camera(noise)
    pose = look_at(row.distance_mm, row.tilt_deg, 270.0 + float(noise.normal(0, 20)))
    on_part = row.part == "standing, coin on it"
    up_mm = RIM_HIGH_MM if on_part else 0.0
    found = seen_reference(row.kind, camera, pose, noise, up_mm=up_mm)
    bench = plane.see(photo_of(drawn(found, camera, pose, up_mm=up_mm, seed=seed), row.focal_known), found)
    if isinstance(bench, NotMeasured):
        return None
    if row.part == "lying":
        return THREAD_MM, *measure_lying(camera, pose, bench, noise)
    known = row.part == "standing, h ± 1"
    value = RIM_HIGH_MM + (noise.normal() if known else 0.0)
    height = standing.Height(value, 1.0, "given") if known else standing.Height(38.0, 10.0, "usual")
    measured = measure_standing(camera, pose, bench, noise, height=height, on_part=on_part)
    return (RIM_MM, *measured) if measured else None


def table_rows() -> list[Row]:
    """The rows of the table."""
    rows = [Row("lying", kind, 300, tilt) for kind in ("card", "coin", "ruler", "sheet") for tilt in (0, 20, 35)]
    rows += [Row("lying", "card", distance, 15) for distance in (200, 450)]
    rows += [Row("lying", kind, 300, tilt, focal_known=False) for kind in ("card", "coin") for tilt in (0, 20)]
    rows += [Row("standing, base seen", kind, 300, tilt) for kind in ("card", "coin") for tilt in (0, 20, 35)]
    rows += [Row("standing, h ± 1", kind, 300, tilt) for kind in ("card", "coin") for tilt in (0, 20)]
    rows += [Row("standing, coin on it", "coin", 300, tilt) for tilt in (0, 20)]
    return [*rows, Row("standing, coin on it", "coin", 300, 0, focal_known=False)]


def summary(row: Row, trials: int, seed: int) -> str:
    """One line of the table."""
    results = [one for k in range(trials) if (one := trial(row, seed + k)) is not None]
    errors = np.array([value - truth for truth, value, _ in results])
    u95 = np.array([u for _, _, u in results])
    held = 100 * float(np.mean(np.abs(errors) <= u95))
    return (
        f"{row.part:22}{row.kind:7}{row.distance_mm:5.0f}{row.tilt_deg:5.0f} {'EXIF' if row.focal_known else 'none':5}"
        f"{len(results):5d}{np.median(errors):8.3f}{np.median(np.abs(errors)):8.3f}{np.median(u95):8.3f}{held:7.0f}"
    )


def main(argv: list[str] | None = None) -> int:
    """Command line: prints the table."""
    parser = argparse.ArgumentParser(prog="python -m training.measure_scenes", description=__doc__)
    parser.add_argument("--trials", type=int, default=60)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args(argv)
    print(f"{'part':22}{'kind':7}{'mm':>5}{'tilt':>5} focal    n    bias  |err|     u95  held %")
    for row in table_rows():
        print(summary(row, asked.trials, asked.seed), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
