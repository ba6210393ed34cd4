"""How far apart the sizes of equal coins on one cloth are, whatever plane is laid through them.

``python -m training.coin_scatter --photos DIR``: every coin-like rim of each real scene of one denomination is sized
in pixels, and a surface of second degree over the picture, which takes in any camera, tilt and bow, is taken out. What
is left is how each coin's size differs from its neighbours': by the rim's own error, or because it lies higher. A
second measure of the same rims, the steepest step of the light on each ray instead of the network, has errors of its
own; what both say alike (their covariance) is the coins', as an upper bound, for shadows pull at both. From it comes
the error at which one coin can at best be measured by another.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from identify import photo as photos
from identify.geometry import ellipse as ellipses
from identify.geometry.edges import linear_light
from identify.model import Array, Bytes, Ellipse
from identify.reference import coin
from identify.reference.rims import find_rims
from training.real_photos import coins_by_coin, denomination

RAYS = 180
REACH, STEP_PX = 0.07, 0.1  # of the rim, in which its step is looked for
SMOOTH_RAYS, SMOOTH_STEPS = 8.0, 10.0  # standard deviations of the blur before
FEWEST = 9
MOST_PERCENT = 4.0  # off its neighbours: another coin, or a rim that was lost


@dataclass(frozen=True, slots=True)
class Scatter:
    """A scene: coins compared and measured, and standard deviations [%] by network and step, and what they share."""

    file: str
    compared: int
    measured: int
    network_percent: float
    step_percent: float
    common_percent: float


def log_size(rim: Ellipse) -> float:
    """Logarithm of a rim's mean radius [px]."""
    return 0.5 * math.log(rim.major_px * rim.minor_px)


def stepped(light: NDArray[np.float32], rim: Ellipse) -> float:
    """``log_size`` by the steepest step of light (H, W, 3) on each ray; nan where no ellipse goes through them."""
    shares = np.arange(1 - REACH, 1 + REACH, STEP_PX / rim.major_px)
    turn = 2 * np.pi * np.arange(RAYS) / RAYS
    across = np.column_stack([np.cos(turn), np.sin(turn)]) @ ellipses.shape_matrix(rim)
    places = (np.array([rim.x_px, rim.y_px]) + shares[:, None, None] * across).astype(np.float32)
    seen = cv2.remap(light, places[..., 0], places[..., 1], cv2.INTER_CUBIC)
    seen = cv2.GaussianBlur(seen, (0, 0), sigmaX=SMOOTH_RAYS, sigmaY=SMOOTH_STEPS)
    steps = np.linalg.norm(seen[2:] - seen[:-2], axis=2)
    steepest = shares[1 + steps.argmax(axis=0)]
    fitted = ellipses.fit(np.array([rim.x_px, rim.y_px]) + steepest[:, None] * across, start=rim)
    return math.nan if fitted is None else log_size(fitted.ellipse)


def off_smooth(places: Array, sizes: Array) -> Array:
    """What sizes (N,) at places (N, 2) differ from a surface of second degree (N,), as a sample of N - 6 would."""
    x, y = places.T
    base = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    known = np.isfinite(sizes)
    given, weight = np.where(known, sizes, 0.0), known.astype(float)
    off = given
    for _ in range(20):
        root = np.sqrt(weight)
        off = given - base @ np.linalg.lstsq(base * root[:, None], given * root, rcond=None)[0]
        spread = max(1.4826 * float(np.median(np.abs(off[known]))), 1e-9)
        weight = known / (1 + (off / (2.5 * spread)) ** 2)
    return np.where(known, off, np.nan) * math.sqrt(len(sizes) / (len(sizes) - base.shape[1]))


def scatter(path: Path) -> Scatter | None:
    """The scatter of one scene; None where it shows too few coins."""
    row = denomination(path.name)
    if row is None:
        return None
    shot = photos.load(path)
    rims = find_rims(shot)
    whole = [rim.ellipse for rim in rims if coin.whole(rim.ellipse, shot)]
    if len(whole) < FEWEST:
        return None
    off = _both(shot.rgb, whole)
    near = off[:, np.all(np.abs(off) < MOST_PERCENT, axis=0)]
    shared = np.cov(near)
    network, step = np.sqrt(np.diag(shared))
    measured = len(coins_by_coin(path.name, shot, rims, row))
    return Scatter(
        path.name, near.shape[1], measured, float(network), float(step), math.sqrt(max(float(shared[0, 1]), 0.0))
    )


def _both(rgb: Bytes, rims: list[Ellipse]) -> Array:
    """How sizes differ from their neighbours' (2, N), by the network and by the step of light [%]."""
    places = np.array([[rim.x_px, rim.y_px] for rim in rims]) / max(rgb.shape) - 0.5
    light = np.sqrt(np.asarray(linear_light(rgb), np.float32))
    sizes = np.array([[log_size(rim), stepped(light, rim)] for rim in rims]).T
    return 100 * np.stack([off_smooth(places, each) for each in sizes])


def best_errors(scenes: list[Scatter], rng: np.random.Generator, turns: int = 4000) -> tuple[float, float]:
    """Median and 95th percentile of |error| [%] of coins measured by one of their scene with faultless rims and plane.

    Both coins are off by what the scene's coins have in common; one coin of a scene measures all its others.
    """
    errors = [
        common * np.abs(rng.standard_normal((turns, measured)) - rng.standard_normal((turns, 1))).ravel()
        for common, measured in ((scene.common_percent, scene.measured) for scene in scenes)
    ]
    middle, high = np.percentile(np.concatenate(errors), [50, 95])
    return float(middle), float(high)


def main(argv: list[str] | None = None) -> int:
    """Command line: a line for each scene, and what is the best that the pairs of ``real_photos`` can have."""
    parser = argparse.ArgumentParser(prog="python -m training.coin_scatter", description=__doc__)
    parser.add_argument("--photos", type=Path, required=True, help="folder with manifest.csv")
    asked = parser.parse_args(argv)
    scenes = []
    print(f"{'scene':20}{'coins':>6}{'network %':>11}{'step %':>8}{'common %':>10}{'measured':>10}")
    for path in sorted((asked.photos / "coins_scenes").glob("*_IMG_*.jpg")):
        one = scatter(path)
        if one is not None:
            scenes.append(one)
            print(
                f"{one.file:20}{one.compared:6d}{one.network_percent:11.2f}{one.step_percent:8.2f}"
                f"{one.common_percent:10.2f}{one.measured:10d}"
            )
    middle, high = best_errors(scenes, np.random.default_rng(0))
    print(f"at best, by what is common: median |e| {middle:.2f} %, 95th {high:.2f} %")
    return 0


if __name__ == "__main__":
    sys.exit(main())
