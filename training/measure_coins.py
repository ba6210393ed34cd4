"""Scores the pose of a lone coin on drawn ones: how well its tilt is told, how often its sign, and what u95 covers.

``python -m training.measure_coins --count 200``: coins as ``training.coin_scenes`` draws them, of seeds that the
network was not trained on, each alone in its picture, are found and posed as in the product. Printed by tilt: how many
were found; the error of the tilt along its own direction and across it, of the likelier pose and of the nearer one
[deg]; how often the likelier pose has the wrong sign; and for lengths on the bench 50 mm from the coin, bias, median
|error|, u95 and how many lie within it [%].
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
from dataclasses import dataclass, replace

import numpy as np

from identify import plane, reference
from identify.geometry import ellipse as ellipses
from identify.geometry.bows import frames
from identify.geometry.camera import DIAGONAL35_MM, on_height
from identify.model import Array, BudgetLine, Camera, Photo, Plane, Pose, Reference
from identify.uncertainty import Estimate, mixture, pose_gradient
from training import coin_scenes, drawn_coins, scenes
from training.drawn_coins import Stage

SEED = 60_000_000  # the network's own coins were drawn from seeds near zero
SIZE_WH = (1440, 1080)
AWAY_MM, ARM_MM = 50.0, 10.0
UP_MEAN_RAD, UP_SPREAD_RAD = math.radians(15), math.radians(12)  # how people hold a camera, as plane's prior has it
BINS_DEG = (0.0, 6.0, 15.0, 36.0)


@dataclass(frozen=True, slots=True)
class Posed:
    """One coin: its tilt [deg], errors of the tilt [deg], and errors and u95 of lengths about it, relative."""

    tilt_deg: float
    along_deg: float
    across_deg: float
    nearest_deg: float
    sign_wrong: bool
    errors: tuple[float, ...]
    u95: tuple[float, ...]


def scene(seed: int, *, held: bool) -> tuple[Photo, Stage] | None:
    """A picture of one coin, and how it was drawn; ``held``: the camera is tilted as people hold it."""
    rng = np.random.default_rng(seed)
    stage = coin_scenes.random_stage(rng, size_wh=SIZE_WH)
    stage = replace(stage, coins=stage.coins[:1])
    if held:
        x, y = UP_SPREAD_RAD * 2 / 3 * rng.normal(), -UP_MEAN_RAD + UP_SPREAD_RAD * rng.normal()
        angle = math.hypot(x, y)
        normal = np.array([*(math.sin(angle) * np.array([x, y]) / angle), -math.cos(angle)])
        stage = replace(stage, rotation=frames(normal[None])[0])
        ahead = stage.rotation.T @ np.array([*rng.uniform(-0.3, 0.3, 2), 1.0])
        place = -stage.rotation.T @ stage.translation_mm
        x, y = (place - ahead * place[2] / ahead[2])[:2]
        stage = replace(stage, coins=(replace(stage.coins[0], x_mm=float(x), y_mm=float(y)),))
    fitted = ellipses.fit(stage.circle_px(stage.coins[0], 1.0))
    if fitted is None or not 25 < fitted.ellipse.major_px < 115:
        return None
    reach = 2.2 * fitted.ellipse.major_px + 10
    middle = np.array([fitted.ellipse.x_px, fitted.ellipse.y_px])
    low = np.maximum(middle - reach, 0).astype(int)
    high = np.minimum(middle + reach, SIZE_WH).astype(int)
    if (middle - 1.2 * fitted.ellipse.major_px < 0).any() or (middle + 1.2 * fitted.ellipse.major_px > SIZE_WH).any():
        return None
    crop = drawn_coins.developed(drawn_coins.light(stage, (*low, *high), rays=2), rng)
    picture = scenes.inlaid(crop, low, SIZE_WH[::-1])
    focal35 = stage.focal_px / math.hypot(*SIZE_WH) * DIAGONAL35_MM * math.exp(0.02 * rng.normal())
    return Photo("coin", "", picture, *SIZE_WH, focal35), stage


def posed(seed: int, *, held: bool = True) -> Posed | str | None:
    """One coin's scores; a word where it was not found; None where nothing fit was drawn."""
    drawn = scene(seed, held=held)
    if drawn is None:
        return None
    shot, stage = drawn
    coin = stage.coins[0]
    found = reference.find(shot, f"coin:{2 * coin.radius_mm:.4f}")
    if not isinstance(found, Reference):
        return "not found"
    found = replace(found, thickness_mm=coin.thickness_mm)
    seen = plane.see(shot, found)
    if not isinstance(seen, Plane):
        return "no plane"
    normal = stage.rotation[:, 2]
    apart = [pose.rotation[:, 2] - normal for pose in seen.poses]
    size = [math.degrees(float(np.linalg.norm(each))) for each in apart]
    side = math.hypot(normal[0], normal[1])
    way = normal[:2] / max(side, 1e-9)
    best = apart[0][:2]
    errors, u95 = _lengths(stage, seen)
    return Posed(
        math.degrees(math.acos(-normal[2])),
        math.degrees(float(best @ way)),
        math.degrees(float(best @ [-way[1], way[0]])),
        min(size),
        size[0] > min(size) + 1e-9,
        errors,
        u95,
    )


def _lengths(stage: Stage, seen: Plane) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Relative errors and u95 of four lengths on the bench about the coin."""
    coin = stage.coins[0]
    errors, widths = [], []
    for turn in np.radians([0, 90, 180, 270]):
        out = np.array([math.cos(turn), math.sin(turn)])
        across = np.array([-out[1], out[0]])
        middle = np.array([coin.x_mm, coin.y_mm]) + AWAY_MM * out
        ends = np.array([[*(middle + sign * ARM_MM * across), 0.0] for sign in (1, -1)])
        pixels = stage.pixels(ends)
        estimates = [_length(pixels, seen.camera, pose) for pose in seen.poses]
        value, u = mixture(estimates, [pose.weight for pose in seen.poses])
        errors.append(value / (2 * ARM_MM) - 1)
        widths.append(u / (2 * ARM_MM))
    return tuple(errors), tuple(widths)


def _length(pixels: Array, camera: Camera, pose: Pose) -> Estimate:
    def apart(seen_by: Camera, at: Pose, _: Array) -> Array:
        places = on_height(seen_by, at, pixels)
        return np.array([np.linalg.norm(places[0] - places[1])])

    slope = pose_gradient(apart, camera, pose, np.zeros(0))[:, 0]
    u = math.sqrt(float(slope @ pose.covariance @ slope))
    return Estimate(float(apart(camera, pose, np.zeros(0))[0]), (BudgetLine("pose", u),))


def table(results: list[Posed]) -> list[str]:
    """A line for each range of tilts."""
    lines = [
        f"{'tilt':>8}{'n':>5}{'along':>8}{'rms':>7}{'across':>8}{'rms':>7}{'nearer':>8}{'sign %':>8}"
        f"{'bias %':>8}{'|err| %':>9}{'u95 %':>7}{'held %':>8}"
    ]
    for low, high in [*itertools.pairwise(BINS_DEG), (0.0, 90.0)]:
        ones = [one for one in results if low <= one.tilt_deg < high]
        if not ones:
            continue
        right = [one for one in ones if not one.sign_wrong]
        along, across = np.array([(one.along_deg, one.across_deg) for one in right]).T
        errors = np.concatenate([one.errors for one in ones]) * 100
        u95 = np.concatenate([one.u95 for one in ones]) * 100
        lines.append(
            f"{low:3.0f}-{high:3.0f} {len(ones):5d}{np.median(along):8.2f}{np.sqrt(np.mean(along**2)):7.2f}"
            f"{np.median(across):8.2f}{np.sqrt(np.mean(across**2)):7.2f}"
            f"{np.median([one.nearest_deg for one in ones]):8.2f}"
            f"{100 * np.mean([one.sign_wrong for one in ones]):8.1f}{np.median(errors):8.2f}"
            f"{np.median(np.abs(errors)):9.2f}{np.median(u95):7.2f}{100 * np.mean(np.abs(errors) <= u95):8.1f}"
        )
    return lines


def main(argv: list[str] | None = None) -> int:
    """Command line: prints the table."""
    parser = argparse.ArgumentParser(prog="python -m training.measure_coins", description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument(
        "--any-way", action="store_true", help="tilted in every direction alike, not as cameras are held"
    )
    asked = parser.parse_args(argv)
    results: list[Posed] = []
    lost = 0
    seed = asked.seed
    while len(results) + lost < asked.count:
        one = posed(seed, held=not asked.any_way)
        seed += 1
        if isinstance(one, Posed):
            results.append(one)
        elif one is not None:
            lost += 1
    print("\n".join(table(results)))
    print(f"not found: {lost} of {asked.count}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
