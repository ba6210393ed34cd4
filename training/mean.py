"""The mean of the weights of several runs that went on from one model file: one network, steadier than each.

    python -m training.mean --runs runs/a runs/b --out runs/mean

Weights fine-tuned from one start lie in one basin, and their mean does as well or better there [Wortsman et al. 2022,
Model soups]; calibrate it and compare before shipping. The new run folder is exported and calibrated as any other.
"""

from __future__ import annotations

import argparse
import json
import shutil
from pathlib import Path
from typing import Any

import torch

from training.card import read_json

SHARED = ("start", "sources", "classes", "pictures", "asked", "blank", "torch")


def mean_of(runs: list[Path]) -> dict[str, torch.Tensor]:
    """The mean state dictionary of the runs' weights.pt.

    Raises
    ------
    ValueError
        Two runs differ in their start, their pictures, or the names of their weights.
    """
    kept = [read_json(run / "metrics.json") for run in runs]
    for run, found in zip(runs, kept, strict=True):
        if odd := [key for key in SHARED if found.get(key) != kept[0].get(key)]:
            raise ValueError(f"{run} and {runs[0]} differ in {odd[0]!r}; a mean is only for runs that share it.")
    states = [torch.load(run / "weights.pt", map_location="cpu", weights_only=True) for run in runs]
    if any(state.keys() != states[0].keys() for state in states):
        raise ValueError(f"{', '.join(map(str, runs))} are not runs of one network.")
    return {
        name: torch.stack([state[name].double() for state in states]).mean(0).to(value.dtype)
        for name, value in states[0].items()
    }


def main(arguments: list[str] | None = None) -> None:
    """Write the run folder of the mean."""
    parser = argparse.ArgumentParser(prog="python -m training.mean", description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True, help="run folder to write")
    options = parser.parse_args(arguments)
    weights = mean_of(options.runs)
    options.out.mkdir(parents=True, exist_ok=True)
    torch.save(weights, options.out / "weights.pt")
    shutil.copy(options.runs[0] / "config.json", options.out / "config.json")
    metrics: dict[str, Any] = read_json(options.runs[0] / "metrics.json")
    metrics["mean_of"] = [
        {
            "seed": read_json(run / "config.json")["seed"],
            "steps": (found := read_json(run / "metrics.json"))["steps"],
            "seconds": found["seconds"],
        }
        for run in options.runs
    ]
    (options.out / "metrics.json").write_text(json.dumps(metrics, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
