"""What each ingredient of the training buys: short runs that each lack one, scored on pictures of another renderer.

    python -m training.ablations train --index runs/first/index.json --backbone WEIGHTS.pth --out runs/without
    python -m training.ablations score --runs runs/without --pictures runs/raster runs/evaluation --out runs/first

A run a file of ``training/configs/without``; ``nothing.toml`` lacks nothing. All take the same pictures, seed, and
time or steps: by ``--steps`` they stay alike where runs share a device.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from identify.classifier import NAME, Classifier, load, mean_logits
from training import card, figures
from training.prepare import read_manifest
from training.sample import Picture, each, pictures, rgb_of

CONFIGS = Path(__file__).parent / "configs" / "without"
WHOLE = "nothing"  # the run that lacks nothing
NEAR, WHOLE_WEIGHT = (0.7,), 0.3


def names() -> list[str]:
    """The runs, the one that lacks nothing first."""
    return sorted((path.stem for path in CONFIGS.glob("*.toml")), key=lambda name: (name != WHOLE, name))


def train(options: argparse.Namespace) -> None:
    """Train and export the chosen runs one after the other."""
    from training import train as training  # needs torch, which scoring does without
    from training.export import quick

    for name in options.only or names():
        run = options.out / name
        given = ["--config", str(CONFIGS / f"{name}.toml"), "--index", str(options.index), "--run", str(run)]
        given += ["--minutes", str(options.minutes), *(["--steps", str(options.steps)] if options.steps else [])]
        given += ["--compile"] if options.compile else []
        training.main([*given, *(["--backbone", str(options.backbone)] if options.backbone else [])])
        quick(run)


def score(runs: Path, folders: list[Path], *, workers: int) -> dict[str, Any]:
    """Top-1 of each run on each folder: by one look at the whole picture, and with one near look."""
    found: dict[str, Any] = {}
    for name in names():
        run = runs / name
        if not (run / NAME).is_file():
            continue
        card.write(run, calibrated=False)
        classifier = load(run / NAME)
        metrics = card.read_json(run / "metrics.json")
        found[name] = {"steps": metrics["steps"], "seconds": metrics["seconds"], "folders": {}}
        for folder in folders:
            found[name]["folders"][folder.name] = _right(classifier, pictures(folder, read_manifest(folder)), workers)
    return found


def _right(classifier: Classifier, sample: list[Picture], workers: int) -> dict[str, Any]:
    nearer = classifier.with_card(replace(classifier.card, crop_shares=NEAR))
    classes = classifier.card.classes
    seen = each(lambda picture: nearer.looks(rgb_of(picture)), sample, workers=workers)
    truth = np.array([classes.index(picture.line["class"]) for picture in sample])
    whole = np.array([np.argmax(looks[0].logits) for looks in seen]) == truth
    both = np.array([np.argmax(mean_logits(looks, WHOLE_WEIGHT)) for looks in seen]) == truth
    return {
        "pictures": len(sample),
        "whole": float(whole.mean()),
        "near": float(both.mean()),
        "near_interval": figures.wilson(int(both.sum()), len(both)),
    }


def main(arguments: list[str] | None = None) -> None:
    """Train the runs, or score them."""
    parser = argparse.ArgumentParser(prog="python -m training.ablations", description=__doc__.splitlines()[0])
    tasks = parser.add_subparsers(dest="task", required=True)
    making = tasks.add_parser("train", help="train and export the runs")
    making.add_argument("--index", type=Path, required=True, help="file written by training.prepare")
    making.add_argument("--out", type=Path, required=True, help="folder of the run folders")
    making.add_argument("--backbone", type=Path, help="pretrained weights")
    making.add_argument("--minutes", type=float, default=2.0, help="time of each run")
    making.add_argument("--steps", type=int, help="as many steps for each run instead of a time")
    making.add_argument("--only", nargs="*", choices=names(), help="these runs alone")
    making.add_argument("--compile", action="store_true", help="as of training.train")
    scoring = tasks.add_parser("score", help="score the runs, write ablations.json")
    scoring.add_argument("--runs", type=Path, required=True)
    scoring.add_argument("--pictures", type=Path, nargs="+", required=True)
    scoring.add_argument("--out", type=Path, required=True, help="the run folder whose card shall hold the table")
    scoring.add_argument("--workers", type=int, default=2)
    options = parser.parse_args(arguments)
    if options.task == "train":
        train(options)
        return
    found = score(options.runs, options.pictures, workers=options.workers)
    card.write_json(options.out / "ablations.json", found)
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
