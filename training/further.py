"""Further training in one go: new pictures, then the networks of a model file go on from there, each on a card.

    python -m training.further --start models/fitting_classifier.onnx --out runs/next --seed 101 --cards 2 \
        --workers 34 --render-minutes 13 --train-minutes 13

Standing inserts and installed taps get sets of their own, because most of what is answered wrongly is among them. The
generator resumes: run again, the command keeps the pictures that are there. ``home`` in the run's folder holds what is
worth bringing home from another machine, weights with half the digits; :mod:`training.mean` and :mod:`training.export`
take its folders as runs. On a small machine: ``--cards 0 --pictures 24 --steps 1``.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import torch

from data_synthetic.generate import lines_of
from training.start import NETWORKS

HOME = "home"
RECORDS = ("config.json", "metrics.json", "log.csv")
VIEWS = 3  # pictures of each part
CONFIGS = Path(__file__).parent / "configs"


@dataclass(frozen=True, slots=True)
class PictureSet:
    """One folder of pictures: how the generator makes it, and its share of the processes."""

    name: str
    share: float
    options: tuple[str, ...]


NEAR = ("--size", "320x320", "--framing", "near")  # as large as the training keeps pictures
SETS = (
    PictureSet("natural", 0.28, ("--size", "256x192", "--with-installed")),
    PictureSet("near", 0.26, (*NEAR, "--with-installed")),
    PictureSet("installed", 0.26, (*NEAR, "--with-installed", "1.0")),
    PictureSet("standing", 0.2, (*NEAR, "--rest", "standing")),
)


def _started(module: str, given: Sequence[object], log: Path, card: int | None) -> subprocess.Popen[bytes]:
    """A process of its own group, on the card of that number, what it says in ``log``."""
    seen = {} if card is None else {"CUDA_VISIBLE_DEVICES": str(card)}
    with log.open("wb") as said:
        return subprocess.Popen(
            [sys.executable, "-m", module, *map(str, given)],
            stdout=said,
            stderr=subprocess.STDOUT,
            env=os.environ | seen,
            start_new_session=True,
        )


def _finished(running: Sequence[subprocess.Popen[bytes]], until: float) -> bool:
    """Wait for processes until the clock (monotonic) says ``until``, then end them with all their own; none failed."""
    try:
        for process in running:
            try:
                process.wait(max(0.0, until - time.monotonic()))
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGTERM)
                process.wait()
    except BaseException:  # this command is stopped itself, and its children's process groups do not hear of it
        for process in running:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGTERM)
        raise
    return all(process.returncode in (0, -signal.SIGTERM) for process in running)


def render(options: argparse.Namespace) -> list[Path]:
    """Make the pictures of all chosen sets beside each other, within the time; returns their folders.

    Raises
    ------
    RuntimeError
        A set has no picture; single ones that could not be made stand in its ``failed.jsonl``.
    """
    chosen = [(number, one) for number, one in enumerate(SETS) if one.name in options.sets]
    whole = sum(one.share for _, one in chosen)
    running = []
    for place, (number, one) in enumerate(chosen):
        given = ["--out", options.out / one.name, "--count", options.pictures, "--seed", options.seed + number]
        given += ["--views", VIEWS, "--spp", options.spp, *one.options]
        given += ["--workers", max(1, round(options.workers * one.share / whole))]
        card = place % options.cards if options.cards else None
        running.append(_started("data_synthetic.generate", given, options.out / f"{one.name}.log", card))
    _finished(running, time.monotonic() + 60 * options.render_minutes)
    folders = [options.out / one.name for _, one in chosen]
    for folder in folders:
        if not lines_of(folder):
            raise RuntimeError(f"No picture of {folder.name} was made; {folder}.log has what the generator said.")
    return folders


def train(options: argparse.Namespace, index: Path) -> list[Path]:
    """Let the chosen networks go on, as many at a time as there are cards; returns the run folders.

    Raises
    ------
    RuntimeError
        A training failed.
    """
    at_once = max(1, options.cards)
    turns = [options.networks[start : start + at_once] for start in range(0, len(options.networks), at_once)]
    minutes = options.train_minutes / len(turns)
    for names in turns:
        running = []
        for card, name in enumerate(names):
            given = ["--index", index, "--run", options.out / name, "--start", options.start, "--network", name]
            number = NETWORKS.index(name)
            given += ["--config", options.config[number % len(options.config)], "--seed", options.seed + number]
            given += ["--minutes", minutes]
            given += ["--steps", options.steps] if options.steps else []
            given += ["--compile"] if options.cards else []
            log = options.out / f"{name}.log"
            running.append(_started("training.train", given, log, card if options.cards else None))
        if not _finished(running, float("inf")):
            raise RuntimeError(f"A training failed; what it said is in {options.out}/*.log.")
    return [options.out / name for name in options.networks]


def bring_home(run: Path, folder: Path) -> None:
    """Copy a run's records, and its weights with half of their digits: large ones as float16."""
    folder.mkdir(parents=True, exist_ok=True)
    state = torch.load(run / "weights.pt", map_location="cpu", weights_only=True)
    small = {
        name: value.half() if value.is_floating_point() and value.ndim > 1 else value for name, value in state.items()
    }
    torch.save(small, folder / "weights.pt")
    for name in RECORDS:
        shutil.copy(run / name, folder / name)


def main(arguments: list[str] | None = None) -> None:
    """Render, index, train, and gather what is to be brought home."""
    parser = argparse.ArgumentParser(prog="python -m training.further", description=__doc__.splitlines()[0])
    parser.add_argument("--start", type=Path, required=True, help="the model file to go on from, its card beside it")
    parser.add_argument("--out", type=Path, required=True, help="folder of pictures, runs and home")
    configs = [CONFIGS / "rough_photos.toml", CONFIGS / "hard_targets.toml"]
    parser.add_argument("--config", type=Path, nargs="+", default=configs, help="of the first and the second network")
    parser.add_argument("--seed", type=int, required=True, help="of the first set; pictures depend on it")
    parser.add_argument("--cards", type=int, default=torch.cuda.device_count())
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes that make pictures")
    parser.add_argument("--pictures", type=int, default=30000, help="of a set at most")
    parser.add_argument("--spp", type=int, default=14, help="samples a pixel")
    parser.add_argument("--render-minutes", type=float, default=13.0)
    parser.add_argument("--train-minutes", type=float, default=13.0)
    parser.add_argument("--steps", type=int, help="of each training, instead of a time")
    parser.add_argument("--sets", nargs="+", choices=[one.name for one in SETS], default=[one.name for one in SETS])
    parser.add_argument("--networks", nargs="+", choices=NETWORKS, default=list(NETWORKS))
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    folders = render(options)
    index = options.out / "index.json"
    subprocess.run([sys.executable, "-m", "training.prepare", "--pictures", *folders, "--out", index], check=True)
    for run in train(options, index):
        bring_home(run, options.out / HOME / run.name)
    print(f"Done: {options.out / HOME}.")


if __name__ == "__main__":
    main()
