"""Fit what a window's rating as a thread counts for (``identify.dimensions.zone``) to rendered calibration pictures.

    python -m training.fit_zones gather --pictures DIR ... --out FILE.pkl --workers N
    python -m training.fit_zones fit --data FILE.pkl

A multinomial logit: of all windows of a part as every listed thread, and none of them, the likeliest shall be right.
Parts are measured by their references and by their true cameras. ``fit`` prints the weights of ``zone.TOLD`` and how
often the answer is right on parts that were held back. Never give it evaluation pictures.
"""

from __future__ import annotations

import argparse
import math
import pickle
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from identify import classifier, photo, tables
from identify.dimensions import laying, reading, stretch, zone
from identify.model import Array, NotMeasured, Plane
from training.edge_strips import each_picture
from training.measure_renders import rows, steps

QUANTITY = "thread_major_diameter"
RIGHT, SAME = 0.03, 0.01  # a window shows the thread where its own and its listed size are so near the true one
SHRINKAGE = 0.3
FOLDS = 5
LIMITS = (0.3, 0.5, 0.7)
GROSS = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """All windows (W,) of a part at one pose: features, listed and own diameter, span; ``none`` speaks against all."""

    picture: str
    pose: str
    features: Array
    major_mm: Array
    diameter_mm: Array
    span_mm: Array
    none: float
    truth_mm: float

    @property
    def right(self) -> NDArray[np.bool_]:
        """Windows (W,) that show the thread."""
        near = np.abs(self.diameter_mm / self.truth_mm - 1) < RIGHT
        return near & (np.abs(self.major_mm / self.truth_mm - 1) < SAME)


def cases(folder: Path, row: dict[str, Any], _number: int = 0) -> Iterator[Case]:
    """Both cases of a picture of a lying part of a class that is told by its thread."""
    if row["split"] == "evaluation":
        raise SystemExit(f"{folder} holds evaluation pictures: nothing is fitted on them.")
    fitting = tables.load().fitting(row["class"])
    if row["view"] != "lying" or QUANTITY not in row["dimensions_mm"] or not fitting.turned:
        return
    shot = photo.load(folder / row["file"])
    labels = classifier.load().recognise(shot).labels
    for pose in ("reference", "true"):
        _, bench, traced = steps(row, shot, labels, pose=pose)
        if not isinstance(bench, Plane) or isinstance(traced, NotMeasured):
            continue
        lain = reading.settled(shot, traced, bench.camera, bench.poses[0])
        told = lain and stretch.odds(shot, lain.camera, lain.pose, lain.profile, lain.usable)
        if not lain or not told:
            continue
        listed = laying.listed(row["class"])
        tried = zone.windows(shot, lain.camera, lain.pose, lain.profile, lain.usable, listed, told)
        if tried:
            yield Case(
                f"{folder.name}/{row['file']}", pose,
                np.concatenate([one.features for one in tried]),
                np.concatenate([np.full(len(one.low_mm), one.major_mm) for one in tried]),
                np.concatenate([one.diameter_mm for one in tried]),
                np.concatenate([np.column_stack([one.low_mm, one.high_mm]) for one in tried]),
                zone.none_told(told), row["dimensions_mm"][QUANTITY],
            )  # fmt: skip


def _loss(weights: Array, fitted: Sequence[Case]) -> tuple[float, Array]:
    """Minus log of the odds that a right window is chosen, or none where none is right; and its gradient."""
    own, base, against = weights[:-2], weights[-2], weights[-1]
    loss, slope = SHRINKAGE * float(own @ own), np.append(2 * SHRINKAGE * own, [0.0, 0.0])
    for one in fitted:
        scores = np.append(one.features @ own, base + against * one.none)
        odds = np.exp(scores - scores.max())
        odds /= odds.sum()
        wanted = np.append(one.right, not one.right.any())
        share = odds * wanted / max(float(odds @ wanted), 1e-12)
        loss -= math.log(max(float(odds @ wanted), 1e-12))
        away = odds - share
        slope[:-2] += one.features.T @ away[:-1]
        slope[-2:] += away[-1] * np.array([1.0, one.none])
    return loss, slope


def fitted(data: Sequence[Case]) -> Array:
    """The weights of the features, of nothing, and of the network's word against any thread."""
    start = np.append(np.zeros(data[0].features.shape[1]), [0.0, 0.0])
    return np.asarray(minimize(_loss, start, args=(data,), jac=True, method="L-BFGS-B").x)


def answer(one: Case, weights: Array) -> tuple[float, float]:
    """Chance of the likeliest thread, and by what share its diameter is off."""
    scores = one.features @ weights[:-2]
    top = int(np.argmax(scores))
    odds = np.exp(scores - scores[top])
    low, high = one.span_mm.T
    same = (one.major_mm == one.major_mm[top]) & (low < high[top]) & (high > low[top])
    whole = odds.sum() + math.exp(weights[-2] + weights[-1] * one.none - scores[top])
    value = float(odds[same] @ one.diameter_mm[same] / odds[same].sum())
    return float(odds[same].sum() / whole), value / one.truth_mm - 1


def report(said: Sequence[tuple[Case, tuple[float, float]]]) -> None:
    """Print how many are given, how many of these are near, and how many far off, at several limits."""
    for pose in ("reference", "true"):
        own = [told for case, told in said if case.pose == pose]
        for limit in LIMITS:
            off = np.abs([error for chance, error in own if chance >= limit])
            middle = 100 * float(np.median(off)) if len(off) else math.nan
            print(f"{pose:9} {len(own)} parts, chance {limit}: {len(off)} given, {np.sum(off < RIGHT)} within 3 %, "
                  f"{np.sum(off > GROSS)} off by more than 10 %, median {middle:.2f} %")  # fmt: skip


def fit(file: Path) -> None:
    """Fit on all but a fifth of the pictures in turn, report on that fifth, then fit on all and print the weights."""
    data = [Case(**one) for one in pickle.loads(file.read_bytes())]
    fold = [zlib.crc32(one.picture.encode()) % FOLDS for one in data]
    said = []
    for held in range(FOLDS):
        weights = fitted([one for one, own in zip(data, fold, strict=True) if own != held])
        said += [(one, answer(one, weights)) for one, own in zip(data, fold, strict=True) if own == held]
    print("as it is:")
    own_weights = np.append(list(zone.TOLD.values()), [zone.TOLD_NOTHING + math.log(zone.HIDDEN / (1 - zone.HIDDEN)),
                                                       zone.TOLD_NONE])  # fmt: skip
    report([(one, answer(one, own_weights)) for one in data])
    print("fitted, on parts that were held back:")
    report(said)
    weights = fitted(data)
    for name, weight in zip(zone.TOLD, weights, strict=False):
        print(f'"{name}": {weight:.2f},')
    print(f"TOLD_NOTHING {weights[-2] - math.log(zone.HIDDEN / (1 - zone.HIDDEN)):.2f}, TOLD_NONE {weights[-1]:.2f}")


def main() -> None:
    """Gather or fit."""
    parser = argparse.ArgumentParser(prog="python -m training.fit_zones", description=__doc__.splitlines()[0])
    tasks = parser.add_subparsers(dest="task", required=True)
    gathering = tasks.add_parser("gather")
    gathering.add_argument("--pictures", type=Path, nargs="+", required=True)
    gathering.add_argument("--out", type=Path, required=True)
    gathering.add_argument("--workers", type=int, default=2)
    fitting = tasks.add_parser("fit")
    fitting.add_argument("--data", type=Path, required=True)
    asked = parser.parse_args()
    if asked.task == "fit":
        fit(asked.data)
        return
    wanted = [(folder, row, 0) for folder in asked.pictures for row in rows(folder)]
    found = [one for ones in each_picture(cases, wanted, asked.workers) for one in ones or []]
    asked.out.write_bytes(pickle.dumps([{name: getattr(one, name) for name in Case.__slots__} for one in found]))
    print(len(found), "cases of", len({one.picture for one in found}), "pictures")


if __name__ == "__main__":
    main()
