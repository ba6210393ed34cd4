"""Train the small network that tells a lying part's thread and body on its unrolled surface, on rendered pictures.

    python -m training.fit_stretches cut --pictures DIR ... --out FILE.npz --workers N
    python -m training.fit_stretches train --data FILE.npz ... --out models/part_stretch.onnx --minutes M --seed S
    python -m training.fit_stretches mean --weights BEFORE.pt AFTER.pt --out models/part_stretch.onnx
    python -m training.fit_stretches score --data FILE.npz --model models/part_stretch.onnx

The surfaces are those that measuring unrolls (``training.stretches``). A share of the parts is held back from
training and scored at its end. Surfaces of evaluation pictures are for ``score`` only.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from identify.dimensions import stretch
from identify.dimensions.stretch import ANGLES, LINES, ROWS, SHRUNK
from identify.geometry import coin_edge
from training import edge_card
from training.fit_edges import divided
from training.stretches import UNKNOWN, Surface, cut, loaded

LENGTH = 512  # rows of a window
BATCHES = {"cuda": 128, "cpu": 8}
RATE = 3e-3
WARM_STEPS = 200
SEEN = 0.5  # of a true stretch's places: it is found where so many are told right
DILATIONS = (1, 2, 4, 8, 16, 32, 1)
BY = "training.fit_stretches"


def network():
    """Over (rows, angles), then along the rows alone: log odds of the kinds for every other row.

    Rows beyond the part are set to nothing after every layer, so a part is judged alike in any window.
    """
    import torch
    from torch import nn

    def wide(given: int, made: int, stride: tuple[int, int]):
        return nn.Sequential(nn.Conv2d(given, made, 3, stride, 1, bias=False), nn.BatchNorm2d(made), nn.ReLU())

    def long(given: int, made: int, size: int, *, stride: int = 1, apart: int = 1):
        layer = nn.Conv1d(given, made, size, stride, size // 2 * apart, dilation=apart, bias=False)
        return nn.Sequential(layer, nn.BatchNorm1d(made), nn.ReLU())

    class Net(nn.Module):
        def __init__(self, made: int = 64) -> None:
            super().__init__()
            self.one, self.two, self.three = wide(4, 16, (1, 2)), wide(16, 24, (2, 2)), wide(24, 32, (1, 2))
            self.across = nn.Conv2d(32, 48, (3, ANGLES // 8), padding=(1, 0))
            self.lines = long(LINES, 24, 5, stride=2)
            self.both = long(72, made, 1)
            self.blocks = nn.ModuleList([long(made, made, 3, apart=apart) for apart in DILATIONS])
            self.whole = nn.Linear(made, made)
            self.last = nn.Conv1d(made, len(stretch.KINDS), 1)

        def forward(self, x):
            light, lines = x[:, :4], x[:, 4:, :, 0]
            here = lines[:, :1]
            tall = here[..., None]
            count = 3 * ANGLES * tall.sum((1, 2, 3), keepdim=True) + 1e-3
            mean = (light[:, :3] * tall).sum((1, 2, 3), keepdim=True) / count
            away = (light[:, :3] - mean) * tall
            away = away / ((away**2).sum((1, 2, 3), keepdim=True) / count + 1e-3).sqrt()
            half = here[:, :, ::2]
            x = self.one(torch.cat([away, light[:, 3:]], 1)) * tall
            x = self.three(self.two(x) * half[..., None]) * half[..., None]
            x = self.both(torch.cat([torch.relu(self.across(x))[..., 0], self.lines(lines)], 1)) * half
            for number, block in enumerate(self.blocks):
                x = (x + block(x)) * half
                if number == len(self.blocks) - 2:
                    x = (x + self.whole(x.sum(2) / (half.sum(2) + 1e-3))[..., None]) * half
            return torch.log_softmax(self.last(x), 1)

    return Net()


class Stock:
    """Surfaces in one piece on a device."""

    def __init__(self, surfaces: Sequence[Surface], device: Any) -> None:
        import torch

        counts = np.array([len(one.lines) // SHRUNK * SHRUNK for one in surfaces])
        pairs = list(zip(surfaces, counts, strict=True))
        self.light = torch.from_numpy(np.concatenate([one.light[:count] for one, count in pairs])).to(device)
        self.lines = torch.from_numpy(np.concatenate([one.lines[:count] for one, count in pairs])).to(device)
        self.kind = torch.from_numpy(np.concatenate([one.kind for one in surfaces])).to(device)
        self.count = torch.tensor(counts, device=device)
        self.first = torch.cumsum(self.count, 0) - self.count

    def windows(self, chosen: Any, begin: Any) -> tuple[Any, Any, Any]:
        """Light (B, 3, LENGTH, ANGLES), lines (B, LINES, LENGTH), kind (B, LENGTH // SHRUNK); nothing beyond a part.

        ``begin`` (B,) is each window's first row as a share of those that there are.
        """
        import torch

        count = self.count[chosen]
        start = ((count - LENGTH).clamp(min=0) * begin / SHRUNK).long() * SHRUNK
        row = start[:, None] + torch.arange(LENGTH, device=chosen.device)
        there = row < count[:, None]
        index = self.first[chosen][:, None] + torch.minimum(row, count[:, None] - 1)
        light = self.light[index].permute(0, 3, 1, 2).float() / 255
        lines = self.lines[index].permute(0, 2, 1).float() * there[:, None]
        kind = torch.where(there[:, ::SHRUNK], self.kind[index[:, ::SHRUNK] // SHRUNK], UNKNOWN).long()
        return light, lines, kind


def given(light: Any, lines: Any) -> Any:
    """The network's input (B, 4 + LINES, LENGTH, ANGLES), as ``stretch.given`` lays it."""
    import torch

    place = torch.linspace(-1, 1, ANGLES, device=light.device).expand(len(light), 1, light.shape[2], -1)
    there = lines[:, :1, :, None]
    return torch.cat([light * there, place * there, lines[..., None].expand(-1, -1, -1, ANGLES)], 1)


def changed(light: Any, lines: Any, kind: Any, dice: Any) -> tuple[Any, Any, Any]:
    """The same windows turned end for end or mirrored, lit and seen otherwise, with rougher edges, another size."""
    import torch

    from training import edge_windows

    roll = edge_windows.Dice(dice, len(light), light.device)
    light = edge_windows.seen_otherwise(edge_windows.lit_otherwise(light, roll), roll)
    there = lines[:, :1]
    radius, sides = lines[:, 1:2], lines[:, 2:4]
    size = torch.exp(roll.normal(0.01))[:, None, None]
    rough = roll.normal(1.0, 2, LENGTH) * (roll.between(0, 0.25) * roll.some(0.6))[:, None, None]
    finest = lines[:, 6:7] + (roll.normal(0.3) * roll.some(0.5))[:, None, None]
    lines = torch.cat([there, radius * size, sides * size + rough, lines[:, 4:6], finest], 1) * there
    over = roll.some(0.5)[:, None, None]
    swapped = torch.cat([lines[:, :2], lines[:, 3:4], lines[:, 2:3], lines[:, 4:]], 1)
    light, lines = torch.where(over[..., None], light.flip(3), light), torch.where(over, swapped, lines)
    turned = roll.some(0.5)
    light = torch.where(turned[:, None, None, None], light.flip(2), light)
    lines = torch.where(turned[:, None, None], lines.flip(2), lines)
    return light, lines, torch.where(turned[:, None], kind.flip(1), kind)


def _loss(said: Any, kind: Any) -> Any:
    import torch

    return torch.nn.functional.nll_loss(said, kind, ignore_index=UNKNOWN)


def train(
    files: list[Path], out: Path, minutes: float, seed: int, *, device: str | None = None, start: Path | None = None
) -> None:
    """Train on the surfaces of ``files`` and write the network with its card; the rate falls as half a cosine.

    ``start`` is a .pt file of before to go on from, its card beside it.
    """
    import torch

    device = device or ("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(seed)
    dice = torch.Generator(device).manual_seed(seed)
    learnt, held = divided(loaded(files))
    data, batch = Stock(learnt, device), BATCHES[device]
    net = network().to(device)
    if start is not None:
        net.load_state_dict(torch.load(start, map_location=device, weights_only=True))
    rate = torch.optim.AdamW(net.parameters(), RATE, weight_decay=1e-2)
    begun, turns, share = time.monotonic(), 0, 0.0
    while share < 1:
        share = min(1.0, (time.monotonic() - begun) / (60 * minutes))
        for group in rate.param_groups:
            group["lr"] = RATE * min(1.0, turns / WARM_STEPS) * (0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        chosen = torch.randint(0, len(learnt), (batch,), generator=dice, device=device)
        begin = torch.rand(batch, generator=dice, device=device)
        light, lines, kind = changed(*data.windows(chosen, begin), dice)
        loss = _loss(net(given(light, lines)), kind)
        rate.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        rate.step()
        turns += 1
        if turns % 500 == 0:
            print(f"step {turns}, {100 * share:.0f} % of the time, loss {loss.item():.3f}", flush=True)
    _write(net, out)
    made = {"surfaces": len(learnt), "steps": turns, "batch": batch, "minutes": minutes, "seed": seed}
    if start is not None:
        made["steps_before"] = edge_card.steps(start)
    check = scored(held, out, {"held_surfaces": len(held)}, made) if held else {}
    edge_card.write(out, BY, made, check)


def _write(net: Any, out: Path) -> None:
    import torch

    from training.network import export_onnx

    torch.save(net.state_dict(), out.with_suffix(".pt"))
    export_onnx(net, out, shape=(4 + LINES, LENGTH, ANGLES), names=("log_odds",), given="unrolled", rows=ROWS)


def mean(weights: list[Path], out: Path) -> None:
    """Write the mean of the weights (.pt) of a run and of the one that it went on from [Wortsman et al. 2022]."""
    import torch

    from training.mean import averaged

    states = [torch.load(each, map_location="cpu", weights_only=True) for each in weights]
    net = network()
    net.load_state_dict(averaged(states))
    _write(net.eval(), out)
    edge_card.write(out, BY, edge_card.kept(weights[-1]) | {"mean_of": len(states)})


def scored(surfaces: list[Surface], model: Path, check: dict[str, Any], made: dict[str, Any]) -> dict[str, Any]:
    """What the network in a file gets right on surfaces as they are, added to ``check`` and printed."""
    edge_card.write(model, BY, made)
    session = coin_edge.load(model.resolve())
    wrong, surely = [], []
    found: dict[int, list[bool]] = {1: [], 2: []}
    for one in surfaces:
        seen = stretch.Along(np.arange(len(one.lines)), np.float32(one.light) / 255, np.float32(one.lines))
        said = session.run(None, {"unrolled": stretch.given(seen)})[0][0][:, : len(one.kind)]
        known = one.kind != UNKNOWN
        told = said.argmax(axis=0)
        wrong.append((told != one.kind)[known])
        surely.append(said[one.kind[known].astype(int), np.flatnonzero(known)])
        for kind, hits in found.items():
            if (one.kind == kind).any():
                hits.append(bool(np.mean(told[one.kind == kind] == kind) > SEEN))
    rate = {"wrong_share": np.mean(np.concatenate(wrong)), "log_odds": np.mean(np.concatenate(surely))}
    rate |= {f"{stretch.KINDS[kind]}_found": np.mean(hits) for kind, hits in found.items() if hits}
    print(f"{len(surfaces)} surfaces:", {name: round(float(value), 3) for name, value in rate.items()})
    return check | {name: round(float(value), 3) for name, value in rate.items()}


def score(files: list[Path], model: Path) -> None:
    """Share of places told wrong, and of threads and bodies that are found, into the card."""
    made = edge_card.kept(model)
    surfaces = loaded(files)
    edge_card.write(model, BY, made, scored(surfaces, model, {"surfaces": len(surfaces)}, made))


def main() -> None:
    """Cut, train, average or score."""
    parser = argparse.ArgumentParser(prog="python -m training.fit_stretches", description=__doc__.splitlines()[0])
    steps = parser.add_subparsers(dest="step", required=True)
    cutting = steps.add_parser("cut")
    cutting.add_argument("--pictures", type=Path, nargs="+", required=True)
    cutting.add_argument("--workers", type=int, default=2)
    training = steps.add_parser("train")
    training.add_argument("--minutes", type=float, default=3.0)
    training.add_argument("--seed", type=int, default=1)
    training.add_argument("--device", choices=BATCHES)
    training.add_argument("--start", type=Path, help="weights (.pt) of before to go on from")
    averaging = steps.add_parser("mean")
    averaging.add_argument("--weights", type=Path, nargs="+", required=True)
    scoring = steps.add_parser("score")
    scoring.add_argument("--model", type=Path, required=True)
    for one in (cutting, training, averaging):
        one.add_argument("--out", type=Path, required=True)
    for one in (training, scoring):
        one.add_argument("--data", type=Path, nargs="+", required=True)
    asked = parser.parse_args()
    if asked.step == "cut":
        cut(asked.pictures, asked.out, asked.workers)
    elif asked.step == "mean":
        mean(asked.weights, asked.out)
    elif asked.step == "train":
        train(asked.data, asked.out, asked.minutes, asked.seed, device=asked.device, start=asked.start)
    else:
        score(asked.data, asked.model)


if __name__ == "__main__":
    main()
