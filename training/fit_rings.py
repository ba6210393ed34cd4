"""Train the small network that finds a coin's edge on the picture unwrapped about it, on drawn and rendered coins.

    python -m training.fit_rings draw --out FILE.npz --count N --seed S [--workers W]
    python -m training.fit_rings cut --pictures DIR ... --out FILE.npz [--workers W]
    python -m training.fit_rings train --data FILE.npz ... [--start FILE.onnx] --out models/coin_edge.onnx --minutes M
    python -m training.fit_rings mean --models BEFORE.onnx AFTER.onnx --out models/coin_edge.onnx
    python -m training.fit_rings score --data FILE.npz --model models/coin_edge.onnx

For every spoke the network gives log odds over radii of the top rim and of the outline, which takes in the side wall.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import onnxruntime as ort

from identify.geometry import ellipse as ellipses
from identify.geometry.rings import SCALES, SPOKES
from identify.model import Array
from training import coin_looks, coin_scenes, drawn_coins, edge_card

LOOKS = 4  # developments of one drawn coin, each with its own start
RATE, RATE_ON = 3e-3, 1e-3  # at most; of a network that goes on
WARM_STEPS = 200
NEAR = 0.025  # of the radius: odds so near the true place count as there


def looks(seed: int) -> coin_looks.Looks | None:
    """Unwrapped pictures (LOOKS, SPOKES, K, 3) uint8 and true radii (LOOKS, 2, SPOKES) of one drawn coin."""
    rng = np.random.default_rng(seed)
    stage = coin_scenes.random_stage(rng)
    rims = [stage.circle_px(stage.coins[0], height) for height in (1.0, 0.0)]
    fitted = ellipses.fit(rims[0])
    if (
        fitted is None
        or not 11 < fitted.ellipse.major_px < 115
        or fitted.ellipse.minor_px < 0.6 * fitted.ellipse.major_px
    ):
        return None
    true = fitted.ellipse
    reach = 1.75 * true.major_px + 4
    left, top = int(true.x_px - reach), int(true.y_px - reach)
    picture = drawn_coins.light(
        stage, (left, top, left + int(2 * reach), top + int(2 * reach)), rays=3 if true.major_px < 50 else 2
    )
    here = replace(true, x_px=true.x_px - left, y_px=true.y_px - top)
    seen = []
    for _ in range(LOOKS):
        rgb = drawn_coins.developed(picture, rng)
        start = coin_looks.jittered(here, rng)
        seen.append(coin_looks.about(rgb, start, [rim - (left, top) for rim in rims]))
    pictures, radii = zip(*seen, strict=True)
    return np.stack(pictures), np.stack(radii)


def draw(out: Path, count: int, seed: int, workers: int, seconds: float) -> None:
    """Draw coins until there are ``count`` or the time is over, and save them."""
    begun, found = time.monotonic(), []
    with ProcessPoolExecutor(workers) as pool:
        block = min(64 * workers, 2 * count)
        for first in range(seed, seed + 4 * count, block):
            found += [each for each in pool.map(looks, range(first, first + block), chunksize=8) if each is not None]
            if len(found) >= count or time.monotonic() - begun > seconds:
                break
    coin_looks.save(out, found)
    print(len(found), "coins in", round(time.monotonic() - begun), "s")


def network():
    """A U-shaped network over (spokes, radii); spokes close on themselves."""
    import torch
    from torch import nn

    class Conv(nn.Module):
        def __init__(self, given: int, made: int, stride: int = 1) -> None:
            super().__init__()
            self.conv = nn.Conv2d(given, made, 3, stride, bias=False)
            self.norm = nn.BatchNorm2d(made)

        def forward(self, x):
            x = torch.cat([x[:, :, -1:], x, x[:, :, :1]], 2)
            x = nn.functional.pad(x, (1, 1, 0, 0))
            return torch.relu(self.norm(self.conv(x)))

    class Net(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.a = Conv(3, 12)
            self.b = nn.Sequential(Conv(12, 24, 2), Conv(24, 24))
            self.c = nn.Sequential(Conv(24, 40, 2), Conv(40, 40), Conv(40, 40))
            self.d = nn.Sequential(Conv(40, 64, 2), Conv(64, 64), Conv(64, 64))
            self.e = nn.Sequential(Conv(64, 64, 2), Conv(64, 64), Conv(64, 64))
            self.ring = nn.Conv2d(64, 64, 1)
            self.up_d, self.up_c, self.up_b = Conv(128, 48), Conv(88, 32), Conv(56, 24)
            self.up_a = Conv(36, 16)
            self.last = nn.Conv2d(16, 2, 1)

        def forward(self, x):
            mean = x.mean((1, 2, 3), keepdim=True)
            x = (x - mean) / (((x - mean) ** 2).mean((1, 2, 3), keepdim=True).sqrt() + 0.02)
            a = self.a(x)
            b = self.b(a)
            c = self.c(b)
            d = self.d(c)
            e = self.e(d)
            e = e + self.ring(e.mean(2, keepdim=True))
            up = nn.functional.interpolate
            d = self.up_d(torch.cat([up(e, scale_factor=2.0), d], 1))
            c = self.up_c(torch.cat([up(d, scale_factor=2.0), c], 1))
            b = self.up_b(torch.cat([up(c, scale_factor=2.0), b], 1))
            a = self.up_a(torch.cat([up(b, scale_factor=2.0), a], 1))
            return torch.log_softmax(self.last(a), 3)

    return Net()


def train(
    data: list[Path], out: Path, minutes: float, seed: int, batch: int = 256, *, start: Path | None = None
) -> None:
    """Train on the coins of ``data``, of each file as often, and write the network with its card and weights (.pt).

    The rate falls as half a cosine over the ``minutes``. ``start`` is a model file to go on from, its card beside it.
    """
    import torch

    from training import coin_changes
    from training import start as starts
    from training.network import export_onnx

    torch.manual_seed(seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    files = [np.load(each) for each in data]
    stock = [tuple(torch.from_numpy(each[name]).to(device) for name in ("pictures", "radii")) for each in files]
    net = network().to(device)
    if start is not None:
        sample = torch.cat([pictures[: -(-512 // len(stock))] for pictures, _ in stock])
        starts.go_on_in_order(net, start, sample.permute(0, 3, 1, 2).float() / 255)
    top = RATE if start is None else RATE_ON
    rate = torch.optim.AdamW(net.parameters(), top, weight_decay=1e-4)
    begun, share, turns, mean = time.monotonic(), 0.0, 0, 0.0
    net.train()
    while share < 1:
        share = min(1.0, (time.monotonic() - begun) / (60 * minutes))
        for group in rate.param_groups:
            group["lr"] = top * min(1.0, turns / WARM_STEPS) * (0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        given, radii = coin_changes.batch(stock, batch, turns)
        loss = coin_changes.loss(net(given), radii)
        rate.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        rate.step()
        turns += 1
        if turns % 50 == 0:
            mean += 0.1 * (loss.item() - mean) if mean else loss.item()
            if turns % 500 == 0:
                print(f"step {turns}, {100 * share:.0f} % of the time, loss {mean:.4f}", flush=True)
    torch.save(net.state_dict(), out.with_suffix(".pt"))
    export_onnx(net, out, shape=(3, SPOKES, len(SCALES)), names=("log_odds",), given="unwrapped")
    made = {"coins": sum(map(count, files)), "steps": turns, "batch": batch, "seed": seed}
    if start is not None:
        made |= {"coins_before": edge_card.kept(start)["coins"], "steps_before": edge_card.steps(start)}
    edge_card.write(out, "training.fit_rings", made)


def count(data: Mapping[str, Array]) -> int:
    """How many coins a file of looks holds."""
    return len(data["pictures"]) // int(data["looks"])


def score(data: Path, model: Path) -> None:
    """Error of the mean radius of top rim and outline [%] on the coins of ``data``, into the card of ``model``.

    The coins must be of other seeds than those of the training.
    """
    looked, scales = np.load(data), np.asarray(SCALES, np.float32)
    session = ort.InferenceSession(model, providers=["CPUExecutionProvider"])
    given = looked["pictures"]
    missed, surely = [], []
    for part in range(0, len(given), 64):
        x = np.moveaxis(given[part : part + 64], -1, 1).astype(np.float32) / 255
        odds = np.exp(session.run(None, {"unwrapped": x})[0])
        radii = looked["radii"][part : part + 64]
        known = (radii > scales[0]) & (radii < scales[-1])  # not so where something stands before the coin
        places, count_known = (odds * scales).sum(3), np.maximum(known.sum(2), 1)
        sizes = [np.where(known, each, 0).sum(2) / count_known for each in (places, radii)]
        missed.append((sizes[0] / np.maximum(sizes[1], 1e-6) - 1)[known.mean(2).min(1) > 0.5])
        near = np.abs(scales - radii[..., None]) < NEAR
        surely.append((odds * near).sum(3)[known])
    percent = 100 * np.abs(np.concatenate(missed))
    check: dict[str, float] = {"coins": count(looked)}
    for name, column in (("radius", 0), ("outline", 1)):
        values = np.percentile(percent[:, column], [50, 90, 95]).round(2).tolist()
        check |= {f"{name}_error_p{at}_percent": value for at, value in zip((50, 90, 95), values, strict=True)}
    check["odds_near_truth"] = round(float(np.mean(np.concatenate(surely))), 4)
    edge_card.write(model, "training.fit_rings", edge_card.kept(model), check)
    print(check)


def mean(models: list[Path], out: Path) -> None:
    """Write the mean of the weights of a model file and of the one that went on from it [Wortsman et al. 2022].

    Layers are matched in their order, as the export gives weights other names each time.
    """
    import onnx
    from onnx import numpy_helper

    files = [onnx.load(each) for each in models]
    kept = [{one.name: one for one in file.graph.initializer} for file in files]
    layers = [[name for node in file.graph.node if node.op_type == "Conv" for name in node.input[1:]] for file in files]
    for names in zip(*layers, strict=True):
        arrays = [numpy_helper.to_array(held[name]) for held, name in zip(kept, names, strict=True)]
        kept[-1][names[-1]].CopyFrom(numpy_helper.from_array(np.mean(arrays, axis=0, dtype=np.float32), names[-1]))
    onnx.save(files[-1], out)
    edge_card.write(out, "training.fit_rings", edge_card.kept(models[-1]) | {"mean_of": len(models)})


def main() -> None:
    """Draw, cut, train, average or score."""
    parser = argparse.ArgumentParser(description="Train the network that finds a coin's edge.")
    steps = parser.add_subparsers(dest="step", required=True)
    cutting = steps.add_parser("cut")
    cutting.add_argument("--pictures", type=Path, nargs="+", required=True)
    cutting.add_argument("--out", type=Path, required=True)
    cutting.add_argument("--workers", type=int, default=2)
    drawing = steps.add_parser("draw")
    drawing.add_argument("--out", type=Path, required=True)
    drawing.add_argument("--count", type=int, default=20000)
    drawing.add_argument("--seed", type=int, default=0)
    drawing.add_argument("--workers", type=int, default=2)
    drawing.add_argument("--seconds", type=float, default=1e9)
    training = steps.add_parser("train")
    training.add_argument("--data", type=Path, nargs="+", required=True)
    training.add_argument("--out", type=Path, required=True)
    training.add_argument("--minutes", type=float, default=5.0)
    training.add_argument("--seed", type=int, default=1)
    training.add_argument("--batch", type=int, default=256)
    training.add_argument("--start", type=Path, help="a model file to go on from, its card beside it")
    averaging = steps.add_parser("mean")
    averaging.add_argument("--models", type=Path, nargs="+", required=True)
    averaging.add_argument("--out", type=Path, required=True)
    scoring = steps.add_parser("score")
    scoring.add_argument("--data", type=Path, required=True)
    scoring.add_argument("--model", type=Path, required=True)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if options.step == "draw":
        draw(options.out, options.count, options.seed, options.workers, options.seconds)
    elif options.step == "cut":
        coin_looks.cut(options.pictures, options.out, options.workers)
    elif options.step == "train":
        train(options.data, options.out, options.minutes, options.seed, options.batch, start=options.start)
    elif options.step == "mean":
        mean(options.models, options.out)
    else:
        score(options.data, options.model)


if __name__ == "__main__":
    main()
