r"""Train the network of one configuration on an indexed picture set, within a number of steps or minutes.

    python -m training.train --config training/configs/full.toml --index runs/first/index.json \
        --backbone efficientnet-lite2-9656183e.pth --minutes 6 --run runs/first

First the heads alone on the frozen backbone, then all layers, the backbone at a low rate. The run folder receives
config.json, log.csv, metrics.json and weights.pt (the moving average of the weights).
"""

from __future__ import annotations

import argparse
import copy
import csv
import json
import math
import random
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn

from training import config as configuration
from training import ranks
from training.augment import Augmenter, smaller
from training.card import write_json
from training.config import Config
from training.dataset import UNKNOWN, Pictures, load
from training.loss import losses
from training.network import FittingNet, load_backbone
from training.prepare import CALIBRATION, TRAIN, Row, read_rows
from training.start import NETWORKS, go_on, origin


def build(config: Config) -> FittingNet:
    """The untrained network of a configuration."""
    labels = config.labels
    return FittingNet(
        config.backbone,
        classes=len(labels.classes),
        views=len(labels.views),
        answers=labels.answers,
        dropout=config.dropout,
    )


class Clock:
    """How far a run is, from 0 to 1: by steps where they are given, else by time."""

    def __init__(self, steps: int, seconds: float) -> None:
        self.steps, self.seconds = steps, seconds
        self.start, self.done = time.monotonic(), 0

    def progress(self) -> float:
        """Share of the budget that is used."""
        if self.steps:
            return self.done / self.steps
        return (time.monotonic() - self.start) / self.seconds


class Average:
    """Exponential moving average of weights and batch statistics, young averages adapting faster."""

    def __init__(self, net: nn.Module, decay: float) -> None:
        self.net = copy.deepcopy(net).eval().requires_grad_(False)
        self.decay, self.updates = decay, 0

    @torch.no_grad()
    def update(self, net: nn.Module) -> None:
        """Move towards ``net``."""
        self.updates += 1
        keep = min(self.decay, (1 + self.updates) / (10 + self.updates))
        mine = [v for v in self.net.state_dict().values() if v.is_floating_point()]
        theirs = [v.detach() for v in net.state_dict().values() if v.is_floating_point()]
        torch._foreach_lerp_(mine, theirs, 1 - keep)


def set_rates(optimiser: torch.optim.Optimizer, config: Config, progress: float) -> bool:
    """Set both groups' learning rates; true while only the heads are trained."""
    if progress < config.head_share:
        rates = (0.0, config.head_rate)
    else:
        along = min(1.0, (progress - config.head_share) / (1 - config.head_share))
        factor = 0.5 * (1 + math.cos(math.pi * along)) * min(1.0, along / 0.05 + 0.05)
        rates = (config.backbone_rate * factor, config.rate * factor)
    for group, rate in zip(optimiser.param_groups, rates, strict=True):
        group["lr"] = rate
    return progress < config.head_share


def _optimiser(net: FittingNet, config: Config) -> torch.optim.AdamW:
    heads = net.head_parameters()
    body = list(net.backbone.parameters())
    return torch.optim.AdamW([{"params": body}, {"params": heads}], lr=0.0, weight_decay=config.weight_decay)


@torch.no_grad()
def score(net: nn.Module, pictures: Pictures, config: Config, limit: int = 2048) -> dict[str, float]:
    """Top-1 of class and view and the part's intersection over union, on plain pictures."""
    device = next(net.parameters()).device
    right = view_right = view_known = both = either = 0.0
    count = min(limit, len(pictures))
    for start in range(0, count, 128):
        rows = slice(start, min(count, start + 128))
        pixels = (pictures.pixels[rows].to(device).float() - config.mean) / config.std
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logits, view, _, mask, _ = net(pixels.contiguous(memory_format=torch.channels_last))
        klass, want = pictures.klass[rows].to(device), pictures.view[rows].to(device)
        right += float((logits.argmax(1) == klass).sum())
        view_known += float((want != UNKNOWN).sum())
        view_right += float(((view.argmax(1) == want) & (want != UNKNOWN)).sum())
        true = pictures.mask[rows, ::4, ::4].to(device) == 1
        said = mask.argmax(1) == 1
        both += float((true & said).sum())
        either += float((true | said).sum())
    return {
        "top1": right / max(1, count),
        "view": view_right / max(1.0, view_known),
        "part_iou": both / max(1.0, either),
    }


class Log:
    """log.csv of a run: one row a report, also said on the terminal."""

    LOSSES = ("total", "klass", "view", "varieties", "mask")

    def __init__(self, path: Path) -> None:
        self.path = path
        self._add(["seconds", "step", "rate", *self.LOSSES, "held_top1", "held_view", "held_part_iou"], mode="w")

    def _add(self, row: list[Any], mode: str = "a") -> None:
        with self.path.open(mode, newline="", encoding="utf-8") as file:
            csv.writer(file).writerow(row)

    def report(self, clock: Clock, rate: float, parts: dict[str, Tensor], found: dict[str, float]) -> None:
        """One row."""
        seconds = round(time.monotonic() - clock.start, 1)
        values = [round(float(parts[name]), 5) for name in self.LOSSES]
        self._add([seconds, clock.done, rate, *values, *(round(value, 5) for value in found.values())])
        said = f"loss {values[0]:.3f}  held top-1 {found['top1']:.4f}  part IoU {found['part_iou']:.3f}"
        print(f"{seconds:7.1f} s  step {clock.done}  {said}", flush=True)


def augmenter_of(config: Config, pictures: Pictures, *, compiled: bool = False) -> Augmenter:
    """The augmenter of a configuration."""
    labels = config.labels
    return Augmenter(
        pictures,
        config.augment,
        side_px=config.side_px,
        nothing=labels.classes.index(labels.nothing),
        installed=labels.views.index("installed") if "installed" in labels.views else UNKNOWN,
        mean=config.mean,
        std=config.std,
        compiled=compiled,
    )


def train(
    config: Config,
    run: Path,
    pictures: Pictures,
    held: Pictures,
    *,
    backbone: Path | None = None,
    start: Path | None = None,
    network: int = 0,
    minutes: float,
    compiled: bool = False,
) -> dict[str, Any]:
    """Train, write log.csv and weights.pt, and return the metrics.

    ``backbone`` holds weights of the backbone alone, ``start`` is a whole model file to go on from, ``network`` which
    network of it.

    ``compiled`` fuses the network's and the augmentation's small operations, which takes a minute to prepare.
    """
    torch.manual_seed(config.seed)
    net = build(config)
    if backbone is not None:
        load_backbone(net, backbone)
    device = pictures.pixels.device
    net = net.to(device, memory_format=torch.channels_last)
    optimiser = _optimiser(net, config)
    augmenter = augmenter_of(config, pictures, compiled=compiled)
    if start is not None:
        sample = augmenter.draw(torch.randperm(len(pictures), device=device)[: config.batch]).pixels
        go_on(net, start, sample, network)
    ranks.share(net)
    torch.manual_seed(config.seed + ranks.number())  # from here on the processes draw differently
    average = Average(net, config.ema)
    forward = torch.compile(net) if compiled else net
    batch_size = min(config.batch, len(pictures))
    log = Log(run / "log.csv")
    clock, reported = Clock(config.steps, minutes * 60), 0
    while (progress := ranks.agreed(clock.progress(), device)) < 1:
        chosen = torch.randint(len(pictures), (batch_size,), device=device)
        small_px = small_side(config, clock.done)
        parts = step(net, augmenter, optimiser, config, chosen, progress, forward=forward, small_px=small_px)
        average.update(net)
        clock.done += 1
        if progress >= reported / config.reports and ranks.number() == 0:
            reported += 1
            log.report(clock, optimiser.param_groups[1]["lr"], parts, score(average.net, held, config))
            keep(average.net, run)
    if ranks.number() == 0:
        keep(average.net, run)
    seconds = time.monotonic() - clock.start
    return {
        "steps": clock.done,
        "seconds": round(seconds, 1),
        "pictures_per_s": round(clock.done * batch_size * ranks.count() / seconds, 1),
        "devices": ranks.count(),
        "held": score(average.net, held, config, limit=len(held)),
    }


def small_side(config: Config, number: int) -> int | None:
    """The side to which step ``number`` shrinks its pictures, the same in every process; None: not at all."""
    draw = random.Random(f"{config.seed} {number}")
    return draw.choice(config.small_px) if config.small_px and draw.random() < config.small_share else None


def keep(net: nn.Module, run: Path) -> None:
    """Write the run's weights.pt, which a stopped run leaves as of its last report."""
    torch.save({name: value.cpu() for name, value in net.state_dict().items()}, run / "weights.pt")


def step(
    net: FittingNet,
    augmenter: Augmenter,
    optimiser: torch.optim.Optimizer,
    config: Config,
    chosen: Tensor,
    progress: float,
    *,
    forward: Callable[[Tensor], tuple[Tensor, ...]] | None = None,
    small_px: int | None = None,
) -> dict[str, Tensor]:
    """One step on the pictures ``chosen``; returns the parts of its loss.

    ``forward`` is a ``net`` compiled for the full size, taken once all layers learn; ``small_px`` is the side of
    pictures that are shrunk.
    """
    heads_only = set_rates(optimiser, config, progress)
    net.train()
    if heads_only:
        net.backbone.eval()
    net.backbone.requires_grad_(not heads_only)
    batch = augmenter.draw(chosen)
    if small_px is not None:
        batch = smaller(batch, small_px)
    device = batch.pixels.device
    through = net if heads_only or forward is None or small_px is not None else forward
    with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
        outputs = through(batch.pixels.contiguous(memory_format=torch.channels_last))
    parts = losses(outputs, batch, config)
    optimiser.zero_grad(set_to_none=True)
    parts["total"].backward()
    ranks.average_gradients(net.parameters())
    nn.utils.clip_grad_norm_([p for p in net.parameters() if p.grad is not None], 5.0)
    optimiser.step()
    return {name: value.detach() for name, value in parts.items()}


def learnt_from(rows: dict[str, list[Row]], config: Config, index: Path) -> dict[str, Any]:
    """What metrics.json says of a run's pictures: how many of each subset and class, and where they come from."""
    return {
        "pictures": {subset: len(found) for subset, found in rows.items()},
        "classes": {
            s: {k: sum(r.klass == k for r in found) for k in config.labels.classes} for s, found in rows.items()
        },
        "asked": config.labels.asked(rows[TRAIN]),
        "sources": json.loads(index.read_text(encoding="utf-8"))["sources"],
    }


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m training.train", description=__doc__.splitlines()[0])
    parser.add_argument("--config", type=Path, default=Path("training/configs/full.toml"))
    parser.add_argument("--index", type=Path, required=True, help="file written by training.prepare")
    parser.add_argument("--run", type=Path, required=True, help="run folder to write")
    parser.add_argument("--backbone", type=Path, help="pretrained weights; without: random weights")
    parser.add_argument("--start", type=Path, help="an exported model file to go on from, instead of --backbone")
    parser.add_argument(
        "--network", choices=NETWORKS, default=NETWORKS[0], help="of a file of two, which to go on from"
    )
    parser.add_argument("--minutes", type=float, default=6.0, help="time budget of the optimisation")
    parser.add_argument("--steps", type=int, help="number of steps instead of a time budget (repeatable)")
    parser.add_argument("--seed", type=int, help="instead of the configuration's")
    parser.add_argument("--compile", action="store_true", help="fuse small operations: faster after a minute")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> None:
    """Read everything, train, write the run folder."""
    options = _arguments(arguments)
    config = configuration.read(options.config)
    if options.steps:
        config = replace(config, steps=options.steps)
    if options.seed is not None:
        config = replace(config, seed=options.seed)
    device = ranks.join(options.device)
    options.run.mkdir(parents=True, exist_ok=True)
    configuration.write(config, options.run / "config.json")
    torch.backends.cudnn.benchmark = False  # its search took the first 49 s of a run on an H200
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    begin = time.monotonic()
    rows = {subset: read_rows(options.index, subset) for subset in (TRAIN, CALIBRATION)}
    sides = {TRAIN: config.stored_px, CALIBRATION: config.side_px}
    mine = rows | {TRAIN: rows[TRAIN][ranks.number() :: ranks.count()]}
    sets = {s: load(found, config.labels, side_px=sides[s]).showing() for s, found in mine.items()}
    blank = sum(map(len, mine.values())) - sum(map(len, sets.values()))
    pictures, held = sets[TRAIN].to(device), sets[CALIBRATION]
    seconds = time.monotonic() - begin
    print(f"{seconds:.1f} s to load {len(pictures)} + {len(held)} pictures; {blank} were blank", flush=True)
    metrics = train(
        config,
        options.run,
        pictures,
        held,
        backbone=options.backbone,
        start=options.start,
        network=NETWORKS.index(options.network),
        minutes=options.minutes,
        compiled=options.compile,
    )
    if ranks.number():
        return
    metrics |= {
        **learnt_from(rows, config, options.index),
        "blank": blank,
        "device": torch.cuda.get_device_name(device) if device.type == "cuda" else "CPU",
        "torch": torch.__version__,
        "backbone": options.backbone.name if options.backbone else None,
        "start": origin(options.start) | {"network": NETWORKS.index(options.network)} if options.start else None,
    }
    write_json(options.run / "metrics.json", metrics)
    print(json.dumps(metrics["held"]))


if __name__ == "__main__":
    main()
