"""The chain of the network that tells a part's thread and body, on one drawn bar: cut surfaces, train, score."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

import numpy as np
import onnxruntime as ort
import pytest

pytest.importorskip("torch")

import torch

from identify.dimensions import stretch
from training import fit_stretches, stretches

pytestmark = pytest.mark.train


@pytest.fixture(scope="module")
def cut(bar: Path, bar_labels, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("surfaces") / "surfaces.npz"
    stretches.cut([bar], out)
    return out


def test_a_surface_shows_where_the_body_is(cut: Path) -> None:
    found = stretches.loaded([cut])
    assert len(found) == stretches.LOOKS
    for one in found:
        assert one.light.shape == (len(one.lines), stretch.ANGLES, 3)
        assert len(one.kind) == len(one.lines) // stretch.SHRUNK
        radius_mm = one.lines[:: stretch.SHRUNK, 1].astype(float)[: len(one.kind)] * stretch.UNIT_MM
        assert np.median(radius_mm[one.kind == 2]) == pytest.approx(12.0, rel=0.06)
        assert np.median(radius_mm[one.kind == 0]) == pytest.approx(8.0, rel=0.06)
        assert np.sum(one.kind == 2) * stretch.SHRUNK * stretch.STEP_MM == pytest.approx(29.0, abs=2.0)
        assert not np.any(one.kind == 1)


def test_parts_are_held_back_whole(cut: Path) -> None:
    one = stretches.loaded([cut])[0]
    many = [stretches.Surface(one.light, one.lines, one.kind, number // 2) for number in range(80)]
    learnt, held = fit_stretches.divided(many)
    assert {other.part for other in held} == {19, 39}
    assert len(learnt) == 76


def test_a_changed_window_still_shows_the_body(cut: Path) -> None:
    data = fit_stretches.Stock(stretches.loaded([cut]), "cpu")
    chosen = torch.arange(32) % 2
    plain = data.windows(chosen, torch.zeros(32))
    light, lines, kind = fit_stretches.changed(*plain, torch.Generator().manual_seed(1))
    assert not torch.equal(kind, plain[2]), "some are turned end for end"
    assert light.min() >= 0
    assert light.max() <= 1
    radius = lines[:, 1, :: stretch.SHRUNK] * stretch.UNIT_MM
    assert float(radius[kind == 2].median()) == pytest.approx(12.0, rel=0.06)
    assert float(radius[kind == 0].median()) == pytest.approx(8.0, rel=0.06)
    beyond = lines[:, 0, :: stretch.SHRUNK] == 0
    assert (kind[beyond] == stretches.UNKNOWN).all()
    assert (lines[:, :, :: stretch.SHRUNK].abs().sum(1)[beyond] == 0).all()


def test_a_part_is_judged_alike_in_any_window(cut: Path) -> None:
    torch.manual_seed(0)
    net = fit_stretches.network().eval()
    data = fit_stretches.Stock(stretches.loaded([cut])[:1], "cpu")
    light, lines, _ = data.windows(torch.tensor([0]), torch.zeros(1))
    whole = fit_stretches.given(light, lines)
    rows = int(lines[0, 0].sum())
    with torch.no_grad():
        wide, narrow = net(whole), net(whole[:, :, : -(-rows // stretch.ROWS) * stretch.ROWS])
    half = rows // stretch.SHRUNK
    assert wide[..., :half].numpy() == pytest.approx(narrow[..., :half].numpy(), abs=1e-4)
    seen = stretch.Along(np.arange(rows), light[0, :, :rows].permute(1, 2, 0).numpy(), lines[0, :, :rows].T.numpy())
    assert stretch.given(seen)[..., :rows, :] == pytest.approx(whole[..., :rows, :].numpy(), abs=1e-5)


def test_train_lowers_the_loss_and_score_writes_the_card(cut: Path, tmp_path: Path) -> None:
    out = tmp_path / "net.onnx"
    fit_stretches.train([cut], out, minutes=0.15, seed=3)
    fit_stretches.score([cut], out)
    card = tomllib.loads(out.with_suffix(".toml").read_text())
    assert card["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
    assert card["training"]["seed"] == 3
    assert card["check"]["log_odds"] > np.log(1 / 3), "better than by chance on what it has seen"
    session = ort.InferenceSession(out, providers=["CPUExecutionProvider"])
    for rows in (64, 200):
        seen = np.random.default_rng(0).random((1, 4 + stretch.LINES, rows, stretch.ANGLES), np.float32)
        odds = np.exp(session.run(None, {"unrolled": seen})[0])
        assert odds.shape == (1, len(stretch.KINDS), rows // stretch.SHRUNK)
        assert odds.sum(axis=1) == pytest.approx(1.0, abs=1e-4)
    assert str(Path(fit_stretches.__file__).parents[1]).encode() not in out.read_bytes(), "no path of this machine"


def test_a_run_goes_on_and_the_mean_lies_between(cut: Path, tmp_path: Path) -> None:
    before, after, out = (tmp_path / f"{name}.onnx" for name in ("before", "after", "mean"))
    fit_stretches.train([cut], before, minutes=0.02, seed=3)
    fit_stretches.train([cut], after, minutes=0.02, seed=4, start=before.with_suffix(".pt"))
    fit_stretches.mean([before.with_suffix(".pt"), after.with_suffix(".pt")], out)
    card = tomllib.loads(out.with_suffix(".toml").read_text())
    assert (
        card["training"]["steps_before"] == tomllib.loads(before.with_suffix(".toml").read_text())["training"]["steps"]
    )
    assert card["training"]["mean_of"] == 2
    states = [torch.load(each.with_suffix(".pt")) for each in (before, after, out)]
    for name, value in states[2].items():
        if value.is_floating_point():
            assert value.numpy() == pytest.approx(((states[0][name] + states[1][name]) / 2).numpy(), abs=1e-6)
    assert any(not torch.equal(states[0][name], states[1][name]) for name in states[0])
