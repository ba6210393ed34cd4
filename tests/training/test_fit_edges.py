"""The edge network's chain on one drawn head: cut strips, train, score; what comes out is a file with its card."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

import numpy as np
import onnxruntime as ort
import pytest

pytest.importorskip("torch")

import torch

from identify.geometry.part_edge import COLUMNS, MIDDLE
from training import edge_strips, edge_windows, fit_edges

pytestmark = pytest.mark.train


@pytest.fixture(scope="module")
def cut(bar: Path, bar_labels, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Strips of that picture about a mask as coarse as the network's."""
    out = tmp_path_factory.mktemp("strips") / "strips.npz"
    edge_strips.cut([bar], out)
    return out


def test_parts_are_held_back_whole() -> None:
    strips = [edge_strips.Strip(np.zeros((1, 1, 3), np.uint8), np.zeros(1), 1.0, True, n // 3) for n in range(120)]
    learnt, held = fit_edges.divided(strips)
    assert {one.part for one in held} == {19, 39}
    assert len(learnt) + len(held) == 120
    assert not {one.part for one in held} & {one.part for one in learnt}


def test_strips_go_round_the_part_and_along_both_its_sides(cut: Path) -> None:
    ring, *sides = edge_strips.loaded([cut])
    assert ring.closed
    assert [side.closed for side in sides] == [False, False]
    for one in (ring, *sides):
        known = np.isfinite(one.edge)
        assert known.mean() > 0.9
        rows, middle = np.flatnonzero(known), (one.light.shape[1] - 1) // 2
        assert np.median(np.abs(one.edge[known] - middle)) < one.reach
        place = np.round(one.edge[known]).astype(int)
        inside, outside = (one.light[rows, place + step].astype(float).mean(axis=1) for step in (-4, 4))
        assert np.median(np.abs(outside - inside)) > 20, "the light changes where the mask says that the edge is"


def test_a_changed_window_still_has_its_edge(cut: Path) -> None:
    data = edge_windows.stock(edge_strips.loaded([cut]))
    chosen = torch.arange(64) % len(data)
    given, edges = edge_windows.changed(data, chosen, torch.Generator().manual_seed(2))
    assert given.shape == (64, 4, edge_windows.LENGTH, COLUMNS)
    assert given[:, :3].min() >= 0
    assert given[:, :3].max() <= 1
    assert (given[:, 3, 0, MIDDLE] == 0).all()
    known = torch.isfinite(edges)
    assert known.float().mean() > 0.7
    assert edges[known].min() >= 0
    assert edges[known].max() <= COLUMNS - 1
    place = edges[known].round().long()
    window, row = torch.nonzero(known, as_tuple=True)
    inner, outer = (given[window, :3, row, (place + far).clamp(0, COLUMNS - 1)].mean(1) for far in (-4, 4))
    assert (outer - inner).abs().median() > 0.06, "the light still changes where the edge is"


def test_a_plain_window_is_the_strip(cut: Path) -> None:
    ring, *sides = edge_strips.loaded([cut])
    data = edge_windows.stock([ring, *sides])
    given, edges = edge_windows.plain(data, torch.arange(3))
    side, width = sides[0], data.light.shape[1]
    skipped, own = (width - 1) // 2 - MIDDLE, (side.light.shape[1] - 1) // 2 - MIDDLE
    assert skipped >= own
    light = np.moveaxis(given[1, :3].numpy(), 0, 2) * 255
    assert light[0] == pytest.approx(side.light[0, own : own + COLUMNS].astype(float), abs=1e-3)
    assert float(edges[1, 0]) == pytest.approx(side.edge[0] - own, abs=1e-3)
    middle = (ring.light.shape[1] - 1) // 2 - MIDDLE
    assert float(edges[0, 3]) == pytest.approx(ring.edge[3] - middle, abs=1e-3)


def test_train_and_score_write_the_file_and_its_card(cut: Path, tmp_path: Path) -> None:
    out = tmp_path / "net.onnx"
    fit_edges.train([cut], out, minutes=0.02, seed=3)
    session = ort.InferenceSession(out, providers=["CPUExecutionProvider"])
    for rows in (40, 96):
        strip = np.random.default_rng(0).random((1, 4, rows, COLUMNS), np.float32)
        odds = np.exp(session.run(None, {"strips": strip})[0])
        assert odds.shape == (1, rows, COLUMNS)
        assert odds.sum(axis=2) == pytest.approx(1.0, abs=1e-4)
    assert str(Path(fit_edges.__file__).parents[1]).encode() not in out.read_bytes(), "no path of this machine"
    assert torch.load(out.with_suffix(".pt"), weights_only=True)
    fit_edges.score([cut], out)
    card = tomllib.loads(out.with_suffix(".toml").read_text())
    assert card["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
    assert card["training"]["seed"] == 3
    assert card["training"]["steps"] >= 1
    assert 0 <= card["check"]["wrong_share"] <= 1
    fit_edges.train([cut], tmp_path / "further.onnx", minutes=0.01, seed=4, start=out.with_suffix(".pt"))
    further = tomllib.loads((tmp_path / "further.toml").read_text())["training"]
    assert further["steps_before"] == card["training"]["steps"]


def test_a_packed_network_says_the_same(cut: Path, tmp_path: Path) -> None:
    out = tmp_path / "net.onnx"
    fit_edges.train([cut], out, minutes=0.05, seed=3)
    strip = fit_edges._whole(edge_strips.loaded([cut])[1])[None]
    before, size = np.exp(ort.InferenceSession(out).run(None, {"strips": strip})[0]), out.stat().st_size
    fit_edges.pack([cut], out)
    after = np.exp(ort.InferenceSession(out).run(None, {"strips": strip})[0])
    assert out.stat().st_size < 0.45 * size
    assert np.abs(after - before).sum(axis=2).mean() < 0.1, "odds that moved, of two"
    card = tomllib.loads(out.with_suffix(".toml").read_text())
    assert card["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
    assert card["training"]["seed"] == 3
