"""The mean of the weights of several runs of one descent: one network, steadier than each.

    python -m training.mean --runs runs/a runs/b --out runs/mean
    python -m training.mean --runs runs/a --start models/fitting_classifier.onnx --out runs/mean

The runs went on from one model file, or one from the other; with ``--start`` that file itself counts too. Weights of
one descent lie in one basin, and their mean does as well or better there [Wortsman et al. 2022, Model soups]; calibrate
it and compare before shipping. Each batch normalisation is put into the convolution before it first, because a run
that goes on from a file sets it up anew. The new run folder is exported and calibrated as any other.
"""

from __future__ import annotations

import argparse
import shutil
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn

from training import config as configuration
from training.card import read_json, write_json
from training.config import Config
from training.network import FittingNet
from training.start import go_on, origin
from training.train import build

PART = ("sources", "pictures", "classes")  # what metrics.json says of the pictures that a run learnt from


def _descent(found: dict[str, Any], exported: dict[str, Any]) -> set[str]:
    """Names of the model files that a run went on from or wrote, or of its backbone where it went on from none."""
    start = found.get("start") or {}
    return {found.get("backbone") or start.get("sha256", "random weights"), exported.get("sha256", "")} - {""}


@torch.no_grad()
def folded(net: FittingNet) -> dict[str, Tensor]:
    """The state of ``net`` with each batch normalisation in the convolution before it; all that it adds is a bias."""
    waiting: nn.Conv2d | None = None
    for module in net.modules():
        if isinstance(module, nn.Conv2d):
            waiting = module
        elif isinstance(module, nn.BatchNorm2d) and waiting is not None:
            scale = module.weight / (module.running_var + module.eps).sqrt()
            waiting.weight.mul_(scale.view(-1, 1, 1, 1))
            module.bias.sub_(module.running_mean * scale)
            module.running_mean.zero_()
            module.running_var.fill_(1 - module.eps)
            module.weight.fill_(1)
    return net.state_dict()


def begun(run: Path, start: Path) -> dict[str, Tensor]:
    """The state, batch normalisations folded, of the network in the file ``start`` that a run went on from.

    Raises
    ------
    ValueError
        The run went on from another file.
    """
    told = read_json(run / "metrics.json").get("start") or {}
    if told.get("sha256") != origin(start)["sha256"]:
        raise ValueError(f"{run} did not go on from {start}; give the file that it did go on from.")
    return state_of(start, told["network"], configuration.read_resolved(run / "config.json"))


@torch.no_grad()
def state_of(file: Path, number: int, config: Config) -> dict[str, Tensor]:
    """The state of the network of a ``number`` in a model file, batch normalisations folded."""
    net = build(config)
    go_on(net, file, torch.randn(8, 3, 64, 64), number)  # folded, it is the same with any sample
    return folded(net)


def mean_of(runs: Sequence[Path], start: Path | None = None) -> dict[str, Tensor]:
    """The mean state dictionary of the runs' weights.pt, batch normalisations folded.

    Raises
    ------
    ValueError
        A run is not of the same descent as the first, or of another network, or did not go on from ``start``.
    """
    descents = [_descent(read_json(run / "metrics.json"), read_json(run / "export.json")) for run in runs]
    known, states = set(descents[0]), []
    for run, descent in zip(runs, descents, strict=True):
        if not known & descent:
            raise ValueError(f"{run} and {runs[0]} did not start from one file; a mean is only for runs that did.")
        known |= descent
        net = build(configuration.read_resolved(run / "config.json"))
        net.load_state_dict(torch.load(run / "weights.pt", map_location="cpu", weights_only=True))
        states.append(folded(net))
    if start is not None:
        states.append(begun(runs[0], start))
    if any(state.keys() != states[0].keys() for state in states):
        raise ValueError(f"{', '.join(map(str, runs))} are not runs of one network.")
    return averaged(states)


def averaged(states: Sequence[dict[str, Tensor]]) -> dict[str, Tensor]:
    """The mean of state dictionaries of one making."""
    return {
        name: torch.stack([state[name].double() for state in states]).mean(0).to(value.dtype)
        for name, value in states[0].items()
    }


def parts_of(found: dict[str, Any]) -> list[dict[str, Any]]:
    """What a run's metrics say of its pictures: a part a set that was learnt from at once."""
    return found.get("parts") or [{name: found[name] for name in PART}]


def together(parts: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """All parts added up, each set of pictures once."""
    own = {tuple(source["manifest_sha256"] for source in part["sources"]): part for part in parts}
    distinct = list(own.values())
    return {
        "parts": distinct,
        "sources": [source for part in distinct for source in part["sources"]],
        "pictures": dict(sum((Counter(part["pictures"]) for part in distinct), Counter())),
        "classes": {
            subset: dict(sum((Counter(part["classes"][subset]) for part in distinct), Counter()))
            for subset in distinct[0]["classes"]
        },
    }


def metrics_of(runs: Sequence[Path], start: Path | None = None) -> dict[str, Any]:
    """metrics.json of the mean: that of the first run, the pictures of all, and each run's own making.

    The file that they went on from stands there as a run of no steps.
    """
    found = [read_json(run / "metrics.json") for run in runs]
    own = [
        {"seed": read_json(run / "config.json")["seed"], "steps": one["steps"], "seconds": one["seconds"]}
        for run, one in zip(runs, found, strict=True)
    ]
    own += [] if start is None else [{"seed": own[0]["seed"], "steps": 0, "seconds": 0.0}]
    return found[0] | together([part for one in found for part in parts_of(one)]) | {"mean_of": own}


def main(arguments: list[str] | None = None) -> None:
    """Write the run folder of the mean."""
    parser = argparse.ArgumentParser(prog="python -m training.mean", description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=Path, nargs="+", required=True)
    parser.add_argument("--start", type=Path, help="the model file that the runs went on from, to count it in")
    parser.add_argument("--out", type=Path, required=True, help="run folder to write")
    options = parser.parse_args(arguments)
    weights = mean_of(options.runs, options.start)
    options.out.mkdir(parents=True, exist_ok=True)
    torch.save(weights, options.out / "weights.pt")
    shutil.copy(options.runs[0] / "config.json", options.out / "config.json")
    write_json(options.out / "metrics.json", metrics_of(options.runs, options.start))


if __name__ == "__main__":
    main()
