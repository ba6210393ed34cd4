"""A network of a model file as it is, as a run folder: to pair it with one that went on, or to export it anew.

    python -m training.kept --file models/fitting_classifier.onnx --network second --out runs/kept

What the run was made of comes from the records beside the file (see :mod:`training.card`), so that a pair of an old
and a new network still says what each learnt from. Networks of different training err in different places.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import torch

from training import config as configuration
from training.card import RUN, read_json, write_json
from training.mean import state_of
from training.start import NETWORKS

OF_ALL = ("sources", "pictures", "classes", "asked", "backbone", "torch")  # what the networks of a pair share


def records(file: Path, number: int) -> tuple[dict[str, Any], dict[str, Any]]:
    """What config.json and metrics.json of the run said that the network of a ``number`` in ``file`` is of.

    Raises
    ------
    ValueError
        There are no records beside the file.
    """
    found = read_json(file.parent / RUN / "metrics.json")
    if not found:
        raise ValueError(f"{file.parent / RUN} has no metrics.json; keep the run's records beside {file.name}.")
    if "pair" not in found:
        return read_json(file.parent / RUN / "config.json"), found
    own = dict(found["pair"][number])
    config = own.pop("config")
    own.pop("sha256", None)
    return config, {name: found[name] for name in OF_ALL if name in found} | own


def main(arguments: list[str] | None = None) -> None:
    """Write the run folder."""
    parser = argparse.ArgumentParser(prog="python -m training.kept", description=__doc__.splitlines()[0])
    parser.add_argument("--file", type=Path, required=True, help="model file, its records in a folder beside it")
    parser.add_argument("--network", choices=NETWORKS, default=NETWORKS[0], help="of a file of two")
    parser.add_argument("--out", type=Path, required=True, help="run folder to write")
    options = parser.parse_args(arguments)
    number = NETWORKS.index(options.network)
    config, metrics = records(options.file, number)
    options.out.mkdir(parents=True, exist_ok=True)
    write_json(options.out / "config.json", config)
    state = state_of(options.file, number, configuration.read_resolved(options.out / "config.json"))
    torch.save(state, options.out / "weights.pt")
    write_json(options.out / "metrics.json", metrics)


if __name__ == "__main__":
    main()
