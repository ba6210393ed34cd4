"""Train the small network that finds a part's edge on a strip of picture across it, on rendered pictures.

    python -m training.fit_edges cut --pictures DIR ... --out FILE.npz --workers N
    python -m training.fit_edges train --data FILE.npz ... --out models/part_edge.onnx --minutes M --seed S
    python -m training.fit_edges pack --data FILE.npz --model models/part_edge.onnx
    python -m training.fit_edges score --data FILE.npz --model models/part_edge.onnx

The strips are those that measuring looks at (``training.edge_strips``). A share of the parts is held back from
training and scored at its end. Strips of evaluation pictures are for ``score`` only. What ships is packed: it works
in 8-bit integers but for its last layer, which takes less than half the time.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from identify.geometry import coin_edge, part_edge
from identify.geometry.part_edge import COLUMNS, STEP_PX
from identify.model import Array
from training import edge_card
from training.edge_strips import Strip, cut, loaded

SPREAD = 0.9  # columns: standard deviation of what is taught about the true edge
BATCHES = {"cuda": 256, "cpu": 16}
RATE = 4e-3
WARM_STEPS = 200
HELD_EVERY = 20  # one picture of so many is held back
OFF = 3.0  # columns: a place further off than this is wrong
RANGED = 250  # strips by which the ranges of the integers are chosen
SAVED_EVERY_S = 60.0


def network():
    """A U-shaped network over (rows, columns): log odds of the edge over the columns of each row.

    Nothing is worked out at full size: the first layer halves the strip, and the last one gives four places at once.
    """
    import torch
    from torch import nn

    def conv(given: int, made: int, *, stride: int = 1, dilation: tuple[int, int] = (1, 1)):
        layer = nn.Conv2d(given, made, 3, stride, padding=dilation, dilation=dilation, bias=False)
        return nn.Sequential(layer, nn.BatchNorm2d(made), nn.ReLU())

    class Net(nn.Module):
        def __init__(self, fine: int = 24, mid: int = 40, coarse: int = 64) -> None:
            super().__init__()
            self.fine = nn.Sequential(conv(4, fine, stride=2), conv(fine, fine))
            self.mid = nn.Sequential(conv(fine, mid, stride=2), conv(mid, mid), conv(mid, mid, dilation=(2, 1)))
            self.coarse = conv(mid, coarse, stride=2)
            self.far = nn.Sequential(*(conv(coarse, coarse, dilation=(rows, 1)) for rows in (1, 2, 4, 1)))
            self.to_mid, self.to_fine = nn.Conv2d(coarse, mid, 1), nn.Conv2d(mid, fine, 1)
            self.up_mid, self.up_fine = conv(mid, mid), conv(fine, fine)
            self.last = nn.Conv2d(fine, 4, 3, padding=1)

        def forward(self, x):
            light, place = x[:, :3], x[:, 3:]
            mean = light.mean((1, 2, 3), keepdim=True)
            spread = ((light - mean) ** 2).mean((1, 2, 3), keepdim=True).sqrt() + 0.02
            fine = self.fine(torch.cat([(light - mean) / spread, place], 1))
            mid = self.mid(fine)
            coarse = self.coarse(mid)
            coarse = coarse + self.far(coarse)
            up = nn.functional.interpolate
            mid = self.up_mid(mid + up(self.to_mid(coarse), scale_factor=2.0))
            fine = self.up_fine(fine + up(self.to_fine(mid), scale_factor=2.0))
            return torch.log_softmax(nn.functional.pixel_shuffle(self.last(fine), 2)[:, 0], 2)

    return Net()


def divided(cuts: Sequence[Any]) -> tuple[list[Any], list[Any]]:
    """What was cut from pictures to learn from, strips or surfaces, and that of the parts that are held back."""
    held = [one for one in cuts if one.part % HELD_EVERY == HELD_EVERY - 1]
    return [one for one in cuts if one.part % HELD_EVERY != HELD_EVERY - 1], held


def train(
    files: list[Path],
    out: Path,
    minutes: float,
    seed: int,
    *,
    device: str | None = None,
    batch: int | None = None,
    start: Path | None = None,
) -> None:
    """Train on the strips of ``files`` and write the network with its card, and its weights beside it (.pt).

    The rate falls as half a cosine over the ``minutes``. ``start`` is a .pt file of before to go on from,
    its card beside it.
    """
    import torch

    from training import edge_windows
    from training.network import export_onnx

    device = device or ("cuda" if torch.cuda.is_available() else "cpu")
    batch = batch or BATCHES.get(device, BATCHES["cpu"])
    torch.manual_seed(seed)
    dice = torch.Generator(device).manual_seed(seed)
    learnt, held = divided(loaded(files))
    data, strips = edge_windows.stock(learnt, device), len(learnt)
    del learnt
    net = network().to(device)
    if start is not None:
        net.load_state_dict(torch.load(start, map_location=device, weights_only=True))
    rate = torch.optim.AdamW(net.parameters(), RATE, weight_decay=1e-4)
    columns = torch.arange(COLUMNS, device=device)
    begun, saved, share, turns, mean = time.monotonic(), time.monotonic(), 0.0, 0, 0.0
    while share < 1:
        now = time.monotonic()
        share = min(1.0, (now - begun) / (60 * minutes))
        for group in rate.param_groups:
            group["lr"] = RATE * min(1.0, turns / WARM_STEPS) * (0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        chosen = torch.randint(0, strips, (batch,), generator=dice, device=device)
        given, edges = edge_windows.changed(data, chosen, dice)
        loss = _loss(net(given), edges, columns)
        rate.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        rate.step()
        turns += 1
        if turns % 100 == 0:
            mean += 0.1 * (loss.item() - mean) if mean else loss.item()
            if turns % 500 == 0:
                print(f"step {turns}, {100 * share:.0f} % of the time, loss {mean:.3f}", flush=True)
        if now - saved > SAVED_EVERY_S or share == 1:
            torch.save(net.state_dict(), out.with_suffix(".pt"))
            saved = now
    export_onnx(net, out, shape=(4, edge_windows.LENGTH, COLUMNS), names=("log_odds",), given="strips",
                rows=part_edge.ROWS)  # fmt: skip
    made = {"strips": strips, "steps": turns, "batch": batch, "minutes": minutes, "seed": seed}
    if start is not None:
        made["steps_before"] = edge_card.steps(start)
    check = scored(held, out, {"held_strips": len(held)}, made) if held else {}
    edge_card.write(out, "training.fit_edges", made, check)


def _loss(said: Any, edges: Any, columns: Any) -> Any:
    """Cross entropy of log odds (B, N, COLUMNS) and a bell about each edge (B, N), where there is one."""
    import torch

    known = ~torch.isnan(edges)
    wanted = torch.exp(-0.5 * ((columns - torch.nan_to_num(edges)[..., None]) / SPREAD) ** 2)
    wanted = wanted / (wanted.sum(2, keepdim=True) + 1e-9)
    return -((wanted * said).sum(2) * known).sum() / known.sum().clamp(min=1)


def scored(strips: list[Strip], model: Path, check: dict[str, Any], made: dict[str, Any]) -> dict[str, Any]:
    """What the network in a file gets right on strips as they are, added to ``check`` and printed."""
    edge_card.write(model, "training.fit_edges", made)
    session, off, surely = coin_edge.load(model.resolve()), [], []
    for given, edges in _plain(strips):
        odds = session.run(None, {"strips": given})[0]
        known = np.isfinite(edges)
        off.append((odds.argmax(axis=2) - edges)[known])
        place = np.round(edges[known]).astype(int)
        surely.append(odds[known][np.arange(len(place)), place])
    error = np.abs(np.concatenate(off))
    near = error[error <= OFF]
    close = STEP_PX * float(np.median(near)) if len(near) else math.inf
    found = {"wrong_share": float(np.mean(error > OFF)), "median_px": close}
    found["log_odds"] = float(np.mean(np.concatenate(surely)))
    print(f"{len(strips)} strips, {len(error)} rows: {100 * found['wrong_share']:.1f} % wrong,", end=" ")
    print(f"the others off by {close:.2f} px (median); mean log odds of the true place {found['log_odds']:.3f}")
    return check | {name: round(value, 3) for name, value in found.items()}


def _plain(strips: list[Strip], most: int = 64) -> Iterator[tuple[Array, Array]]:
    """Windows all along each strip, some at a time."""
    import torch

    from training import edge_windows

    data = edge_windows.stock(strips)
    parts = [-(-len(one.edge) // edge_windows.LENGTH) for one in strips]
    chosen = torch.from_numpy(np.repeat(np.arange(len(strips)), parts))
    begin = torch.from_numpy(np.concatenate([np.arange(n) / (n if one.closed else max(n - 1, 1))
                                             for n, one in zip(parts, strips, strict=True)]))  # fmt: skip
    for first in range(0, len(chosen), most):
        here = slice(first, first + most)
        given, edges = edge_windows.plain(data, chosen[here], begin[here].float())
        yield given.numpy(), edges.numpy()


def pack(files: list[Path], model: Path) -> None:
    """Put integers for the layers of a network in a file, by the windows of strips from pictures to learn from."""
    from training.export import to_integers

    made = edge_card.kept(model)
    strips = loaded(files)
    to_integers(model, model, map(_whole, strips[:: -(-len(strips) // RANGED)]), whole_last=True)
    edge_card.write(model, "training.fit_edges", made, scored(strips, model, {"strips": len(strips)}, made))


def _whole(strip: Strip) -> NDArray[np.float32]:
    """A strip from end to end as measuring gives it to the network (4, R, COLUMNS)."""
    first = strip.light.shape[1] // 2 - part_edge.MIDDLE
    light = strip.light[None, :, first : first + COLUMNS].astype(np.float32) / 255
    return part_edge.given(light, strip.reach, closed=strip.closed)[0]


def score(files: list[Path], model: Path) -> None:
    """Share of rows whose likeliest place is more than OFF columns off, and the median of the rest, into the card."""
    made = edge_card.kept(model)
    strips = loaded(files)
    edge_card.write(model, "training.fit_edges", made, scored(strips, model, {"strips": len(strips)}, made))


def main() -> None:
    """Cut, train, pack or score."""
    parser = argparse.ArgumentParser(description="Train the network that finds a part's edge, on rendered pictures.")
    steps = parser.add_subparsers(dest="step", required=True)
    cutting = steps.add_parser("cut")
    cutting.add_argument("--pictures", type=Path, nargs="+", required=True)
    cutting.add_argument("--out", type=Path, required=True)
    cutting.add_argument("--workers", type=int, default=2)
    training = steps.add_parser("train")
    training.add_argument("--data", type=Path, nargs="+", required=True)
    training.add_argument("--out", type=Path, required=True)
    training.add_argument("--minutes", type=float, default=20.0)
    training.add_argument("--seed", type=int, default=1)
    training.add_argument("--device", help="cuda or cpu; cuda where there is one")
    training.add_argument("--batch", type=int, help="windows at once; 256 on cuda, 16 on a processor")
    training.add_argument("--start", type=Path, help="weights (.pt) of before to go on from")
    scoring = steps.add_parser("score")
    scoring.add_argument("--data", type=Path, nargs="+", required=True)
    scoring.add_argument("--model", type=Path, required=True)
    packing = steps.add_parser("pack")
    packing.add_argument("--data", type=Path, nargs="+", required=True)
    packing.add_argument("--model", type=Path, required=True)
    asked = parser.parse_args()
    if asked.step == "cut":
        cut(asked.pictures, asked.out, asked.workers)
    elif asked.step == "pack":
        pack(asked.data, asked.model)
    elif asked.step == "train":
        train(asked.data, asked.out, asked.minutes, asked.seed, device=asked.device, batch=asked.batch,
              start=asked.start)  # fmt: skip
    else:
        score(asked.data, asked.model)


if __name__ == "__main__":
    main()
