"""The coin network's chain on a handful of coins: draw, cut, train, go on, score; out come a file and its card."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import onnxruntime as ort
import pytest

pytest.importorskip("torch")

import torch

from identify import weights
from identify.errors import IdentifyError
from identify.geometry.rings import SCALES, SPOKES
from training import coin_changes, coin_looks, coin_scenes, drawn_coins, edge_card, fit_rings, start

pytestmark = pytest.mark.train


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("coins") / "drawn.npz"
    fit_rings.draw(file, count=3, seed=0, workers=1, seconds=60.0)
    return file


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A picture of one coin with its mask and its line; something stands before a part of it."""
    folder = tmp_path_factory.mktemp("pictures")
    size = (320, 240)
    rng = np.random.default_rng(5)
    stage = coin_scenes.random_stage(rng, size_wh=size)
    coin = replace(stage.coins[0], x_mm=0.0, y_mm=0.0, base_mm=0.0)
    turn = np.radians(20)
    rotation = np.array([[1, 0, 0], [0, -np.cos(turn), -np.sin(turn)], [0, np.sin(turn), -np.cos(turn)]])
    far = np.array([0.0, 0.0, 300 * coin.radius_mm / 40])
    stage = replace(
        stage, focal_px=300.0, centre_px=(159.5, 119.5), rotation=rotation, translation_mm=far, coins=(coin,)
    )
    rgb = drawn_coins.developed(drawn_coins.light(stage, (0, 0, *size), rays=2), rng)
    rims = [stage.circle_px(coin, height, count=72) for height in (1.0, 0.0)]
    mask = np.zeros(size[::-1], np.uint8)
    cv2.fillPoly(mask, [cv2.convexHull(np.round(np.concatenate(rims)).astype(np.int32))], 2)
    mask[:, 172:] = 1
    cv2.imwrite(str(folder / "coin.png"), rgb[..., ::-1])
    cv2.imwrite(str(folder / "mask.png"), mask)
    camera = {"focal_px": 300.0, "k1": 0.0, "rotation": rotation.tolist(), "translation_mm": far.tolist()}
    known = {"kind": "coin", "height_mm": coin.thickness_mm, "thickness_mm": coin.thickness_mm}
    row = {"file": "coin.png", "mask": "mask.png", "seed": 1, "reference": known | {"outline_px": rims[0].tolist()}}
    row["camera"] = camera | {"tilt_deg": 20.0, "distance_mm": float(far[2])}
    lines = [row, row | {"file": "lost.png"}, row | {"reference": None}]
    (folder / "manifest.jsonl").write_text("\n".join(map(json.dumps, lines)) + "\n")
    return folder


@pytest.fixture(scope="module")
def cut(pictures: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("cut") / "cut.npz"
    coin_looks.cut([pictures], file)
    return file


def test_looks_of_a_picture_show_the_coin_and_leave_out_what_is_hidden(cut: Path) -> None:
    data = np.load(cut)
    pictures, radii = data["pictures"].astype(float).mean(axis=3), data["radii"]
    assert pictures.shape == (coin_looks.LOOKS, SPOKES, len(SCALES)), "of one coin: the second picture is lost"
    hidden = np.isnan(radii).any(axis=1)
    assert 0.2 < hidden.mean() < 0.5
    assert hidden[:, SPOKES // 8 : -SPOKES // 8].mean() < hidden.mean(), "it is the right half that is hidden"
    look, spoke = np.nonzero(~hidden & (radii[:, 0] > 0.62) & (radii[:, 1] < 1.4))
    inner, outer = (np.round((radii[look, rim, spoke] - SCALES[0]) / 0.01).astype(int) for rim in (0, 1))
    step = pictures[look, spoke, np.minimum(outer + 5, len(SCALES) - 1)] - pictures[look, spoke, inner - 5]
    assert np.median(np.abs(step)) > 15, "the light changes across the rim and its wall"


def test_a_changed_picture_still_has_its_rim(cut: Path) -> None:
    with np.load(cut) as data:
        stock = [(torch.from_numpy(data["pictures"]), torch.from_numpy(data["radii"]))]
    torch.manual_seed(4)
    x, y = coin_changes.batch(stock, 64, 1)
    assert x.shape == (64, 3, SPOKES, len(SCALES))
    assert x.min() >= 0
    assert x.max() <= 1
    known = (y > 0.62).all(1) & (y < 1.4).all(1)
    look, spoke = torch.nonzero(known, as_tuple=True)
    grey = x.mean(1)
    inner, outer = (((y[look, rim, spoke] - float(SCALES[0])) / coin_changes.STEP).round().long() for rim in (0, 1))
    step = grey[look, spoke, (outer + 5).clamp(max=len(SCALES) - 1)] - grey[look, spoke, inner - 5]
    assert step.abs().median() > 0.05


def test_what_is_hidden_costs_nothing(cut: Path) -> None:
    with np.load(cut) as data:
        radii = torch.from_numpy(data["radii"])
    logs = torch.full((*radii.shape, len(SCALES)), -np.log(len(SCALES)), dtype=torch.float32)
    hidden = torch.isnan(radii)
    other = torch.where(hidden[..., None], logs - 50, logs)
    assert float(coin_changes.loss(other, radii)) == pytest.approx(float(coin_changes.loss(logs, radii)))
    assert float(coin_changes.loss(logs, radii)) == pytest.approx(np.log(len(SCALES)), rel=1e-4)


def test_pictures_without_a_coin_are_refused(tmp_path: Path) -> None:
    (tmp_path / "manifest.jsonl").write_text(json.dumps({"reference": None}) + "\n")
    with pytest.raises(IdentifyError, match="give pictures"):
        coin_looks.cut([tmp_path], tmp_path / "none.npz")


def test_a_network_goes_on_from_the_file_that_ships() -> None:
    net, shipped = fit_rings.network(), weights.shipped("coin_edge.onnx")
    given = torch.rand(3, 3, SPOKES, len(SCALES), generator=torch.Generator().manual_seed(1))
    start.go_on_in_order(net, shipped, given)
    want = ort.InferenceSession(shipped, providers=["CPUExecutionProvider"]).run(None, {"unwrapped": given.numpy()})[0]
    with torch.no_grad():
        assert net.eval()(given).exp().numpy() == pytest.approx(np.exp(want), abs=1e-4)
    with pytest.raises(ValueError, match="belong"):
        start.go_on_in_order(torch.nn.Conv2d(3, 5, 3), shipped, given)
    with pytest.raises(ValueError, match="more than"):
        start.go_on_in_order(net.a, shipped, given)


def test_the_true_rim_lies_on_the_unwrapped_picture(drawn: Path) -> None:
    data = np.load(drawn)
    assert data["pictures"].shape[1:] == (SPOKES, len(SCALES), 3)
    inside = (data["radii"] > SCALES[0]) & (data["radii"] < SCALES[-1])
    assert inside.mean() > 0.9
    assert (data["radii"][:, 1] >= data["radii"][:, 0]).all(), "the outline takes in the wall, so it is never inside"


def test_train_and_score_write_the_file_and_its_card(drawn: Path, cut: Path, tmp_path: Path) -> None:
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
    further = tmp_path / "further.onnx"
    fit_rings.train([drawn, cut], further, minutes=0.01, seed=4, batch=6, start=out)
    made = tomllib.loads(further.with_suffix(".toml").read_text())["training"]
    assert made["coins"] == card["training"]["coins"] + 1
    assert made["steps_before"] == card["training"]["steps"]
    assert torch.load(further.with_suffix(".pt"), weights_only=True)


def test_the_mean_lies_between_two_files(tmp_path: Path) -> None:
    import onnx
    from onnx import numpy_helper

    shipped = weights.shipped("coin_edge.onnx")
    twice, out = tmp_path / "twice.onnx", tmp_path / "mean.onnx"
    other = onnx.load(shipped)
    for one in other.graph.initializer:
        if one.data_type == onnx.TensorProto.FLOAT:
            one.CopyFrom(numpy_helper.from_array(2 * numpy_helper.to_array(one), one.name))
    onnx.save(other, twice)
    twice.with_suffix(".toml").write_text(shipped.with_suffix(".toml").read_text())
    fit_rings.mean([shipped, twice], out)
    kept = {one.name: numpy_helper.to_array(one) for one in onnx.load(shipped).graph.initializer}
    made = {one.name: numpy_helper.to_array(one) for one in onnx.load(out).graph.initializer}
    names = [name for node in other.graph.node if node.op_type == "Conv" for name in node.input[1:]]
    assert len(names) > 20
    for name in names:
        assert made[name] == pytest.approx(1.5 * kept[name], rel=1e-6)
    assert edge_card.kept(out)["mean_of"] == 2
