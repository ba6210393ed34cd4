"""Fit the choice model that tells a coin's edge from its border and its shadow, on rendered coins.

    python -m training.fit_rings --training DIR --check DIR

The folders hold rendered pictures with a manifest.jsonl; a start beside each coin's true rim is drawn at random, and
the weights are those that make the expected error of the ring chosen least. Prints weights for identify.geometry.rings.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from identify import photo
from identify.geometry import ellipse as ellipses
from identify.geometry import rings
from identify.model import Array, Ellipse

SMALLEST_PX = 18.0
WORST = 4.0  # per cent: an error beyond it counts no more
RIDGE = 0.001

Scene = tuple[Array, Array]  # features (M, F) of the rings beside one coin, and their errors (M, SPOKES) [%]


def scenes(folder: Path, most: int) -> list[Scene]:
    """Rings beside the coins of a folder's pictures, free and with the shape known."""
    noise = np.random.default_rng(0)
    rows = [json.loads(line) for line in (folder / "manifest.jsonl").read_text().splitlines()]
    coins = [row for row in rows if row["reference"] and row["reference"]["kind"] == "coin"]
    found: list[Scene] = []
    for row in [row for row in coins if not row["reference"].get("on_part")][:most]:
        fitted = ellipses.fit(np.array(row["reference"]["outline_px"]))
        if fitted is None or fitted.ellipse.major_px < SMALLEST_PX:
            continue
        true = fitted.ellipse
        rgb = photo.load(folder / row["file"]).rgb
        for hold, least in ((rings.FREE, 0.75), (rings.STIFF, 0.85)):
            size = noise.uniform(least, 1.08)
            blunt = noise.uniform(0.97, 1.0) if hold == rings.FREE else 1.0
            x, y = np.array([true.x_px, true.y_px]) + 0.02 * true.major_px * noise.standard_normal(2)
            start = Ellipse(x, y, size * true.major_px, size * blunt * true.minor_px, true.angle_rad)
            seen = rings.unwrap(rgb, start)
            rims = rings.follow(seen, low=0.6, high=1.5, hold=hold)
            if len(rims.radii):
                wanted = _radii(true, start)
                found.append((rings.features(seen, rims), 100 * (rims.radii / wanted - 1)))
    return found


def _radii(rim: Ellipse, start: Ellipse) -> Array:
    """The rim's radii (SPOKES,) on the spokes of the picture unwrapped about the start."""
    points = (ellipses.rim(rim, 720)[0] - (start.x_px, start.y_px)) @ np.linalg.inv(ellipses.shape_matrix(start))
    angles = np.arctan2(points[:, 1], points[:, 0])
    order = np.argsort(angles)
    turn = (2 * np.pi * np.arange(rings.SPOKES) / rings.SPOKES + np.pi) % (2 * np.pi) - np.pi
    return np.interp(turn, angles[order], np.hypot(*points.T)[order], period=2 * np.pi)


def expected_error(weights: Array, found: list[Scene]) -> tuple[float, Array]:
    """Mean error of a ring drawn by its odds, as a share of WORST, with a ridge; and the slope."""
    total, slope = RIDGE * float(weights @ weights), 2 * RIDGE * weights
    for features, errors in found:
        worth = features @ weights
        odds = np.exp(worth - worth.max())
        odds /= odds.sum()
        loss = np.minimum(np.sqrt(np.mean(errors**2, axis=1)), WORST) / WORST
        total += float(odds @ loss) / len(found)
        slope = slope + (odds * (loss - odds @ loss)) @ features / len(found)
    return total, slope


def main() -> None:
    """Fit and print."""
    parser = argparse.ArgumentParser(description="Fit the choice of a coin's edge among the rings about it.")
    parser.add_argument("--training", type=Path, required=True)
    parser.add_argument("--check", type=Path, required=True)
    parser.add_argument("--most", type=int, default=500)
    options = parser.parse_args()
    found = scenes(options.training, options.most)
    starts = [np.zeros(len(rings.WEIGHTS)), *np.random.default_rng(1).normal(0, 0.5, (4, len(rings.WEIGHTS)))]
    fits = [minimize(expected_error, start, args=(found,), jac=True) for start in starts]
    best = min(fits, key=lambda fit: float(fit.fun))
    print("weights", np.round(best.x, 2).tolist())
    for name, sample in (("training", found), ("check", scenes(options.check, options.most))):
        for title, weights in (("these", best.x), ("shipped", rings.WEIGHTS)):
            sizes = [abs(float(errors[np.argmax(features @ weights)].mean())) for features, errors in sample]
            print(
                name, title, len(sizes), "median, 75th, 90th |error| [%]", np.percentile(sizes, [50, 75, 90]).round(2)
            )


if __name__ == "__main__":
    main()
