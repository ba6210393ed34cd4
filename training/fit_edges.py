"""Train the small network that finds a part's edge on a strip of picture across it, on rendered pictures.

    python -m training.fit_edges cut --pictures DIR ... --out FILE.npz
    python -m training.fit_edges train --data FILE.npz ... --out models/part_edge.onnx --minutes M --seed S
    python -m training.fit_edges score --data FILE.npz --model models/part_edge.onnx

The strips are those that measuring looks at: beside the axis of a lying part, and along the outline that the network's
mask gives. Where the edge is, the renderer's mask says. Strips of evaluation pictures are for ``score`` only.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from identify import classifier, outline, photo
from identify.dimensions import bearing, lying
from identify.geometry import coin_edge, part_edge
from identify.geometry.edges import sample_profiles
from identify.geometry.part_edge import COLUMNS, MIDDLE, STEP_PX
from identify.model import Array, Bytes, NotMeasured, Photo
from training import edge_card
from training.measure_renders import PART, rows, true_plane

SPARE = 0.6  # of the reach, by which strips are cut wider so that they can be shifted
MASK_BLUR_PX = 0.5
LENGTH = 96  # rows of a strip in training
SPREAD = 0.9  # columns: standard deviation of what is taught about the true edge
BATCH = 16
OFF = 3.0  # columns: a place further off than this is wrong


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Square root of light (N, K, 3) uint8 across an edge, the edge's column (N,) or nan, and the reach [columns]."""

    light: Bytes
    edge: Array
    reach: float
    closed: bool


def strips(folder: Path, row: dict[str, Any]) -> Iterator[Strip]:
    """The strips of one picture."""
    shot = photo.load(folder / row["file"])
    mask = np.asarray(cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE), np.uint8)
    labels = classifier.load().recognise(shot).labels
    ring, traced = outline.ring(shot, labels=labels), outline.trace(shot, labels=labels)
    if isinstance(ring, NotMeasured) or isinstance(traced, NotMeasured):
        return
    yield _cut(shot, mask, ring.start_px, ring.normals, ring.reach_px, closed=True)
    if row["view"] != "lying":
        return
    bench = true_plane(row, shot)
    axis = bearing.rough_axis(traced, bench.camera, bench.poses[0], shot)
    beside = None if axis is None else lying.beside(shot, traced, bench.camera, bench.poses[0], axis)
    for side in () if beside is None else beside.strips:
        yield _cut(shot, mask, side.start_px, side.normals, beside.reach_px, closed=False)


def _cut(shot: Photo, mask: Bytes, start: Array, normals: Array, reach_px: float, *, closed: bool) -> Strip:
    half = MIDDLE + math.ceil(SPARE * reach_px / STEP_PX)
    offsets = np.arange(-half, half + 1) * STEP_PX
    light = np.sqrt(np.clip(sample_profiles(shot.rgb, start, normals, offsets), 0, 1))
    soft = cv2.GaussianBlur((mask == PART).astype(np.float32), (0, 0), MASK_BLUR_PX)
    x, y = ((start[:, axis, None] + offsets * normals[:, axis, None]).astype(np.float32) for axis in (0, 1))
    return Strip(
        np.round(255 * light).astype(np.uint8),
        _edge(cv2.remap(soft, x, y, cv2.INTER_LINEAR), offsets, outermost=not closed),
        reach_px / STEP_PX,
        closed,
    )


def _edge(inside: Array, offsets: Array, *, outermost: bool) -> Array:
    """Column (N,) where each row leaves the part: the outermost such place, or the one nearest the middle."""
    leaves = (inside[:, :-1] > 0.5) & (inside[:, 1:] <= 0.5)
    rank = np.arange(leaves.shape[1]) if outermost else -np.abs(offsets[:-1])
    column = np.where(leaves, rank, -np.inf).argmax(axis=1)
    row = np.arange(len(inside))
    before, after = inside[row, column], inside[row, column + 1]
    place = column + np.clip((before - 0.5) / np.maximum(before - after, 1e-6), 0, 1)
    return np.where(leaves.any(axis=1), place, np.nan)


def cut(folders: list[Path], out: Path) -> None:
    """Cut the strips of all pictures of loose parts in ``folders`` and save them."""
    found = [one for folder in folders for row in rows(folder) for one in strips(folder, row) if len(one.edge) >= 24]
    widths = max(one.light.shape[1] for one in found)
    light = np.concatenate([_widened(one.light, widths) for one in found])
    ends = np.cumsum([len(one.edge) for one in found])
    edge = np.concatenate([one.edge + (widths - one.light.shape[1]) // 2 for one in found]).astype(np.float32)
    reach, closed = np.array([one.reach for one in found]), np.array([one.closed for one in found])
    np.savez_compressed(out, light=light, edge=edge, ends=ends, reach=reach, closed=closed)
    print(len(found), "strips,", len(edge), "rows")


def _widened(light: Bytes, columns: int) -> Bytes:
    side = (columns - light.shape[1]) // 2
    return np.pad(light, ((0, 0), (side, side), (0, 0)), mode="edge")


def loaded(files: list[Path]) -> list[Strip]:
    """The strips of all files."""
    found = []
    for file in files:
        with np.load(file) as kept:
            light, edge = kept["light"], kept["edge"]
            ends, reach, closed = kept["ends"], kept["reach"], kept["closed"]
        starts = np.concatenate([[0], ends[:-1]])
        for first, last, far, ring in zip(starts, ends, reach, closed, strict=True):
            found.append(Strip(light[first:last], edge[first:last], float(far), bool(ring)))
    return found


def batch(data: list[Strip], rng: np.random.Generator, count: int, *, plain: bool = False) -> tuple[Array, Array]:
    """Windows (B, 4, LENGTH, COLUMNS) as the network sees them, and the edge's columns (B, LENGTH), nan where none.

    Unless ``plain``, the strip's line is shifted, leant and bent, and light, colour and noise are changed.
    """
    given = np.empty((count, 4, LENGTH, COLUMNS), np.float32)
    edges = np.empty((count, LENGTH), np.float32)
    for index in range(count):
        one = data[rng.integers(len(data))]
        light, edge = _window(one, rng, plain=plain)
        if not plain:
            light, edge = _changed(light, edge, rng)
        given[index, :3] = np.moveaxis(light, 2, 0)
        given[index, 3] = np.clip((np.arange(COLUMNS) - MIDDLE) / one.reach, -2, 2)
        edges[index] = edge
    return given, edges


def _window(one: Strip, rng: np.random.Generator, *, plain: bool) -> tuple[Array, Array]:
    count, width = one.light.shape[:2]
    first = int(rng.integers(0, max(1, count - LENGTH + 1)))
    index = np.arange(first, first + LENGTH)
    index = index % count if one.closed else np.minimum(index, count - 1)
    middle, room = (width - 1) // 2, SPARE * one.reach
    along = np.linspace(0, 1, LENGTH)
    wave = np.sin(2 * math.pi * (along * rng.uniform(0.5, 3) + rng.uniform()))
    shift = one.reach * (rng.normal(0, 0.15) + rng.normal(0, 0.1) * along + rng.normal(0, 0.08) * wave)
    shift = np.zeros(LENGTH, int) if plain else np.round(np.clip(shift, -room, room)).astype(int)
    columns = np.clip(np.arange(COLUMNS)[None, :] - MIDDLE + middle + shift[:, None], 0, width - 1)
    light = one.light[index[:, None], columns].astype(np.float32) / 255
    edge = one.edge[index] - middle - shift + MIDDLE
    far = np.abs(edge - MIDDLE) > part_edge.FAR * one.reach + 2
    return light, np.where((edge < 0) | (edge > COLUMNS - 1) | far, np.nan, edge)


def _changed(light: Array, edge: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    if rng.random() < 0.5:
        light, edge = light[::-1], edge[::-1]
    light = np.clip(light * np.exp(rng.normal(0, 0.1, 3)), 0, 1) ** rng.uniform(0.75, 1.35)
    if rng.random() < 0.3:
        light = light[..., rng.permutation(3)]
    if rng.random() < 0.15:
        light = np.repeat(light.mean(axis=2, keepdims=True), 3, axis=2)
    return light + rng.normal(0, rng.uniform(0, 0.02), light.shape), edge


def network():
    """A U-shaped network over (rows, columns): log odds of the edge over the columns of each row."""
    import torch
    from torch import nn

    def conv(given: int, made: int, *, stride: int = 1, dilation: tuple[int, int] = (1, 1)):
        layer = nn.Conv2d(given, made, 3, stride, padding=dilation, dilation=dilation, bias=False)
        return nn.Sequential(layer, nn.BatchNorm2d(made), nn.ReLU())

    class Net(nn.Module):
        def __init__(self, thin: int = 12, wide: int = 24) -> None:
            super().__init__()
            self.a, self.b, self.c = conv(4, thin), conv(thin, wide, stride=2), conv(wide, wide)
            self.d = conv(wide, wide, stride=2)
            self.e = nn.Sequential(*(conv(wide, wide, dilation=each) for each in ((1, 1), (2, 1), (4, 2), (8, 1))))
            self.upc, self.upa = conv(2 * wide, wide), conv(wide + thin, thin)
            self.last = nn.Conv2d(thin, 1, 3, padding=1)

        def forward(self, x):
            light, place = x[:, :3], x[:, 3:]
            mean = light.mean((1, 2, 3), keepdim=True)
            spread = ((light - mean) ** 2).mean((1, 2, 3), keepdim=True).sqrt() + 0.02
            a = self.a(torch.cat([(light - mean) / spread, place], 1))
            b = self.c(self.b(a))
            d = self.d(b)
            d = d + self.e(d)
            up = nn.functional.interpolate
            b = self.upc(torch.cat([up(d, scale_factor=2.0), b], 1))
            a = self.upa(torch.cat([up(b, scale_factor=2.0), a], 1))
            return torch.log_softmax(self.last(a)[:, 0], 2)

    return Net()


def train(files: list[Path], out: Path, minutes: float, seed: int) -> None:
    """Train on all strips of ``files`` and write the network with its card."""
    import torch

    from training.network import export_onnx

    torch.manual_seed(seed)
    data, rng = loaded(files), np.random.default_rng(seed)
    net = network()
    rate = torch.optim.AdamW(net.parameters(), 4e-3, weight_decay=1e-4)
    columns = torch.arange(COLUMNS).float()
    begun, share, turns = time.monotonic(), 0.0, 0
    while share < 1:
        share = min(1.0, (time.monotonic() - begun) / (60 * minutes))
        for group in rate.param_groups:
            group["lr"] = 4e-3 * min(1.0, turns / 50) * (0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        given, edges = (torch.from_numpy(each) for each in batch(data, rng, BATCH))
        known = ~torch.isnan(edges)
        wanted = torch.exp(-0.5 * ((columns - torch.nan_to_num(edges)[..., None]) / SPREAD) ** 2)
        wanted = wanted / (wanted.sum(2, keepdim=True) + 1e-9)
        loss = -((wanted * net(given)).sum(2) * known).sum() / known.sum().clamp(min=1)
        rate.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        rate.step()
        turns += 1
        if turns % 100 == 0:
            print(turns, round(loss.item(), 3), flush=True)
    export_onnx(net, out, shape=(4, LENGTH, COLUMNS), names=("log_odds",), given="strips", rows=part_edge.ROWS)
    edge_card.write(out, "training.fit_edges", {"strips": len(data), "steps": turns, "batch": BATCH, "seed": seed})


def score(files: list[Path], model: Path) -> None:
    """Share of rows whose likeliest place is more than OFF columns off, and the median of the rest, into the card."""
    data, rng = loaded(files), np.random.default_rng(0)
    session, off = coin_edge.load(model), []
    for _ in range(max(1, 2 * len(data) // BATCH)):
        given, edges = batch(data, rng, BATCH, plain=True)
        found = session.run(None, {"strips": given})[0].argmax(axis=2)
        off.append((found - edges)[np.isfinite(edges)])
    error = np.abs(np.concatenate(off))
    wrong = float(np.mean(error > OFF))
    close = STEP_PX * float(np.median(error[error <= OFF]))
    edge_card.write(
        model,
        "training.fit_edges",
        edge_card.kept(model),
        {"strips": len(data), "wrong_share": round(wrong, 3), "median_px": round(close, 2)},
    )
    print(f"{100 * wrong:.1f} % of {len(error)} rows wrong")


def main() -> None:
    """Cut, train or score."""
    parser = argparse.ArgumentParser(description="Train the network that finds a part's edge, on rendered pictures.")
    steps = parser.add_subparsers(dest="step", required=True)
    cutting = steps.add_parser("cut")
    cutting.add_argument("--pictures", type=Path, nargs="+", required=True)
    cutting.add_argument("--out", type=Path, required=True)
    training = steps.add_parser("train")
    training.add_argument("--data", type=Path, nargs="+", required=True)
    training.add_argument("--out", type=Path, required=True)
    training.add_argument("--minutes", type=float, default=20.0)
    training.add_argument("--seed", type=int, default=1)
    scoring = steps.add_parser("score")
    scoring.add_argument("--data", type=Path, nargs="+", required=True)
    scoring.add_argument("--model", type=Path, required=True)
    asked = parser.parse_args()
    if asked.step == "cut":
        cut(asked.pictures, asked.out)
    elif asked.step == "train":
        train(asked.data, asked.out, asked.minutes, asked.seed)
    else:
        score(asked.data, asked.model)


if __name__ == "__main__":
    main()
