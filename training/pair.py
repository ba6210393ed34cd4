"""Two runs of one making in one file whose outputs are the mean of theirs, with 8-bit integers so that both fit.

    python -m training.pair --runs runs/first runs/further --index runs/further/index.json --out runs/pair

Both runs must have been exported. The mean of several networks' logits is righter and better calibrated than each
[Lakshminarayanan et al. 2017, Simple and Scalable Predictive Uncertainty Estimation using Deep Ensembles]; two networks
of 8-bit integers take the time and room of one of floats. Calibrate the new run folder as any other.
"""

from __future__ import annotations

import argparse
import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from training import config as configuration
from training.card import read_json, write_json
from training.dataset import load
from training.export import normalised, score, ship, to_integers
from training.join import PREFIXES, joined
from training.mean import parts_of, together
from training.prepare import CALIBRATION, read_rows

RANGES = 200  # pictures that the integers' ranges are taken from


def metrics_of(runs: Sequence[Path]) -> dict[str, Any]:
    """metrics.json of the pair: what the networks learnt from added up, and each one's own making under ``pair``."""
    found = [read_json(run / "metrics.json") for run in runs]
    own = ("steps", "seconds", "devices", "device", "held", "start", "mean_of")
    return {
        **together([part for one in found for part in parts_of(one)]),
        "asked": found[0]["asked"],
        "backbone": found[0]["backbone"] or (found[0].get("start") or {}).get("backbone"),
        "torch": found[-1]["torch"],
        "pair": [
            {"config": read_json(run / "config.json"), "sha256": read_json(run / "export.json")["sha256"]}
            | {name: one.get(name) for name in own}
            for run, one in zip(runs, found, strict=True)
        ],
    }


def pair(runs: Sequence[Path], index: Path, out: Path, *, limit: int = 1500) -> dict[str, object]:
    """Write the pair's run folder and return what its export.json holds."""
    out.mkdir(parents=True, exist_ok=True)
    shutil.copy(runs[-1] / "config.json", out / "config.json")
    config = configuration.read_resolved(out / "config.json")
    write_json(out / "metrics.json", metrics_of(runs))
    pictures = load(read_rows(index, CALIBRATION)[:limit], config.labels, side_px=config.side_px)
    pixels = normalised(pictures, slice(0, RANGES), config)
    small = [out / f"{prefix.strip('/')}.onnx" for prefix in PREFIXES]
    for run, file in zip(runs, small, strict=True):
        to_integers(run / "float32.onnx", file, pixels)
    joined([run / "float32.onnx" for run in runs], out / "float32.onnx")
    joined(small, out / "int8.onnx")
    plain, answers = score(out / "float32.onnx", pictures, config, None)
    found: dict[str, object] = {
        "torch_difference": max(read_json(run / "export.json")["torch_difference"] for run in runs),
        "pictures": len(pictures),
        "float32": asdict(plain),
        "int8": asdict(score(out / "int8.onnx", pictures, config, answers)[0]),
        "alone": {run.name: asdict(score(run / "float32.onnx", pictures, config, answers)[0]) for run in runs},
    }
    return found | ship(out / "int8.onnx", out)


def main(arguments: list[str] | None = None) -> None:
    """Pair two runs."""
    parser = argparse.ArgumentParser(prog="python -m training.pair", description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=Path, nargs=2, required=True)
    parser.add_argument("--index", type=Path, required=True, help="file written by training.prepare")
    parser.add_argument("--out", type=Path, required=True, help="run folder to write")
    options = parser.parse_args(arguments)
    found = pair(options.runs, options.index, options.out)
    write_json(options.out / "export.json", found)
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
