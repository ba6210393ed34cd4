"""Train the small network that finds a coin's edge on the picture unwrapped about it, on drawn coins.

    python -m training.fit_rings draw --out FILE.npz --count N --seed S [--workers W]
    python -m training.fit_rings train --data FILE.npz ... --out models/coin_edge.onnx --minutes M --seed S
    python -m training.fit_rings score --data FILE.npz --model models/coin_edge.onnx

For every spoke the network gives log odds over radii of the top rim and of the outline, which takes in the side wall.
"""

from __future__ import annotations

import argparse
import math
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import onnxruntime as ort

from identify.geometry import ellipse as ellipses
from identify.geometry.rings import SCALES, SPOKES, unwrap
from identify.model import Array, Ellipse
from training import coin_scenes, drawn_coins, edge_card

LOOKS = 4  # developments of one drawn coin, each with its own start
FIRST = (0.73, 0.88, 0.95, 1.0, 1.0, 1.0, 1.03, 1.1)  # what a first ellipse was fitted to: core, lip, edge, shadow


def looks(seed: int) -> tuple[Array, Array] | None:
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
    pictures, radii = [], []
    for _ in range(LOOKS):
        rgb = drawn_coins.developed(picture, rng)
        size = rng.choice(FIRST) * rng.normal(1, 0.02)
        blunt = 1 + rng.normal(0, 0.025)
        x, y = np.array([true.x_px - left, true.y_px - top]) + 0.03 * true.major_px * rng.standard_normal(2)
        shape = ellipses.shape_matrix(true) * size
        lean = rng.normal(0, 0.02) * true.major_px
        shape = shape * np.array([[blunt, 1], [1, 1 / blunt]]) + np.array([[0, lean], [lean, 0]])
        start = ellipses.from_shape_matrix(np.array([x, y]), shape)
        pictures.append(np.round(255 * unwrap(rgb, start)).astype(np.uint8))
        inner, lower = (radii_about(rim - (left, top), start) for rim in rims)
        radii.append(np.stack([inner, np.maximum(inner, lower)]))
    return np.stack(pictures), np.stack(radii).astype(np.float32)


def radii_about(rim_px: Array, start: Ellipse) -> Array:
    """Radii (SPOKES,) of a closed curve on the spokes of the picture unwrapped about a first ellipse."""
    points = (rim_px - (start.x_px, start.y_px)) @ np.linalg.inv(ellipses.shape_matrix(start))
    angles = np.arctan2(points[:, 1], points[:, 0])
    order = np.argsort(angles)
    turn = (2 * np.pi * np.arange(SPOKES) / SPOKES + np.pi) % (2 * np.pi) - np.pi
    return np.interp(turn, angles[order], np.hypot(*points.T)[order], period=2 * np.pi)


def draw(out: Path, count: int, seed: int, workers: int, seconds: float) -> None:
    """Draw coins until there are ``count`` or the time is over, and save them."""
    begun, found = time.monotonic(), []
    with ProcessPoolExecutor(workers) as pool:
        block = min(64 * workers, 2 * count)
        for first in range(seed, seed + 4 * count, block):
            found += [each for each in pool.map(looks, range(first, first + block), chunksize=8) if each is not None]
            if len(found) >= count or time.monotonic() - begun > seconds:
                break
    np.savez(
        out, pictures=np.concatenate([each[0] for each in found]), radii=np.concatenate([each[1] for each in found])
    )
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


def train(data: list[Path], out: Path, minutes: float, seed: int, batch: int = 256) -> None:
    """Train on all the coins of ``data`` and write the network with its card."""
    import torch

    from training.network import export_onnx

    torch.manual_seed(seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    files = [np.load(each) for each in data]
    pictures = torch.from_numpy(np.concatenate([each["pictures"] for each in files])).to(device)
    radii = torch.from_numpy(np.concatenate([each["radii"] for each in files])).to(device)
    scales = torch.tensor(SCALES, dtype=torch.float32, device=device)
    step = float(SCALES[1] - SCALES[0])
    net = network().to(device)
    rate = torch.optim.AdamW(net.parameters(), 3e-3, weight_decay=1e-4)
    begun, share, turns = time.monotonic(), 0.0, 0
    while share < 1:
        share = min(1.0, (time.monotonic() - begun) / (60 * minutes))
        for group in rate.param_groups:
            group["lr"] = 3e-3 * min(1.0, turns / 200) * (0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        chosen = torch.randint(0, len(pictures), (batch,), device=device)
        x, y = pictures[chosen].permute(0, 3, 1, 2).float() / 255, radii[chosen]
        roll = int(torch.randint(0, SPOKES, (1,)))
        x, y = torch.roll(x, roll, 2), torch.roll(y, roll, 2)
        if turns % 2:
            x, y = x.flip(2), y.flip(2)
        x = x[:, torch.randperm(3, device=device)] if turns % 5 == 0 else x
        wanted = torch.exp(-0.5 * ((scales - y[..., None]) / (0.8 * step)) ** 2)
        inside = (y > scales[0]) & (y < scales[-1])
        wanted = wanted / (wanted.sum(3, keepdim=True) + 1e-9)
        logs = net(x)
        loss = -((wanted * logs).sum(3) * inside).sum() / inside.sum()
        rate.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        rate.step()
        turns += 1
        if turns % 500 == 0:
            print(turns, round(float(loss), 4), flush=True)
    export_onnx(net, out, shape=(3, SPOKES, len(SCALES)), names=("log_odds",), given="unwrapped")
    edge_card.write(
        out, "training.fit_rings", {"coins": len(pictures) // LOOKS, "looks": LOOKS, "steps": turns, "seed": seed}
    )


def score(data: Path, model: Path) -> None:
    """Error of the mean radius of the top rim [%] on the coins of ``data``, into the card of ``model``.

    The coins must be of other seeds than those of the training.
    """
    drawn, scales = np.load(data), np.asarray(SCALES, np.float32)
    session = ort.InferenceSession(model, providers=["CPUExecutionProvider"])
    given = drawn["pictures"]
    missed = []
    for part in range(0, len(given), 64):
        x = np.moveaxis(given[part : part + 64], -1, 1).astype(np.float32) / 255
        odds = np.exp(session.run(None, {"unwrapped": x})[0])
        missed.append((odds * scales).sum(3).mean(2)[:, 0] / drawn["radii"][part : part + 64, 0].mean(1) - 1)
    percent = 100 * np.abs(np.concatenate(missed))
    found = dict(zip(("p50", "p90", "p95"), np.percentile(percent, [50, 90, 95]).round(2).tolist(), strict=True))
    kept = edge_card.kept(model)
    edge_card.write(
        model,
        "training.fit_rings",
        kept,
        {"coins": len(given) // LOOKS, **{f"radius_error_{k}_percent": v for k, v in found.items()}},
    )
    print(found)


def main() -> None:
    """Draw, or train."""
    parser = argparse.ArgumentParser(description="Train the network that finds a coin's edge, on drawn coins.")
    steps = parser.add_subparsers(dest="step", required=True)
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
    scoring = steps.add_parser("score")
    scoring.add_argument("--data", type=Path, required=True)
    scoring.add_argument("--model", type=Path, required=True)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if options.step == "draw":
        draw(options.out, options.count, options.seed, options.workers, options.seconds)
    elif options.step == "train":
        train(options.data, options.out, options.minutes, options.seed)
    else:
        score(options.data, options.model)


if __name__ == "__main__":
    main()
