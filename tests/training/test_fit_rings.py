"""The coin network's chain on a handful of drawn coins: draw, train, score; what comes out is a file with its card."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

import numpy as np
import onnxruntime as ort
import pytest

pytest.importorskip("torch")

from identify.geometry.rings import SCALES, SPOKES
from training import fit_rings

pytestmark = pytest.mark.train


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("coins") / "drawn.npz"
    fit_rings.draw(file, count=3, seed=0, workers=1, seconds=60.0)
    return file


def test_the_true_rim_lies_on_the_unwrapped_picture(drawn: Path) -> None:
    data = np.load(drawn)
    assert data["pictures"].shape[1:] == (SPOKES, len(SCALES), 3)
    inside = (data["radii"] > SCALES[0]) & (data["radii"] < SCALES[-1])
    assert inside.mean() > 0.9
    assert (data["radii"][:, 1] >= data["radii"][:, 0]).all(), "the outline takes in the wall, so it is never inside"


def test_train_and_score_write_the_file_and_its_card(drawn: Path, tmp_path: Path) -> None:
    out = tmp_path / "net.onnx"
    fit_rings.train([drawn], out, minutes=0.02, seed=3, batch=4)
    odds = ort.InferenceSession(out, providers=["CPUExecutionProvider"]).run(
        None, {"unwrapped": np.random.default_rng(0).random((1, 3, SPOKES, len(SCALES)), np.float32)}
    )[0]
    assert np.exp(odds).sum(axis=3) == pytest.approx(1.0, abs=1e-4)
    assert str(Path(fit_rings.__file__).parents[1]).encode() not in out.read_bytes(), "no path of this machine"
    fit_rings.score(drawn, out)
    card = tomllib.loads(out.with_suffix(".toml").read_text())
    assert card["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
    assert card["training"]["seed"] == 3
    assert card["training"]["steps"] >= 1
    assert card["check"]["radius_error_p50_percent"] > 0
