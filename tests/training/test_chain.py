"""The whole chain on drawn pictures: a step learns, the exported file agrees, calibration and scoring run."""

import hashlib
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="the training extra is not installed")
pytest.importorskip("timm", reason="the training extra is not installed")

from identify import classifier  # noqa: E402
from training import (  # noqa: E402
    ablations,
    calibrate,
    card,
    config,
    corruptions,
    evaluate,
    export,
    looks,
    mean,
    pair,
    prepare,
    train,
    unknown,
)
from training.augment import Augmenter, Settings, smaller  # noqa: E402
from training.dataset import UNKNOWN, load, part_box  # noqa: E402
from training.degrade import LUMA_TABLE, degrade, jpeg  # noqa: E402
from training.network import load_backbone  # noqa: E402
from training.start import go_on  # noqa: E402

pytestmark = pytest.mark.train
torch.set_num_threads(1)  # small pictures: threads only wait for each other
FULL = Path(__file__).parents[2] / "training" / "configs" / "full.toml"


@pytest.fixture(scope="module")
def small() -> config.Config:
    """The real configuration at 64 px with few steps; no smoothing, so that the loss may fall far."""
    return replace(
        config.read(FULL),
        side_px=64,
        stored_px=64,
        small_px=(32,),
        batch=16,
        steps=3,
        reports=1,
        head_share=0.0,
        smoothing=0.0,
        dropout=0.0,
    )


@pytest.fixture(scope="module")
def run(toy_set: Path, tmp_path_factory: pytest.TempPathFactory, small: config.Config) -> Path:
    """A run folder after prepare, a few steps of training, and export."""
    torch.manual_seed(0)
    folder = tmp_path_factory.mktemp("run")
    prepare.main(["--pictures", str(toy_set), "--out", str(folder / "index.json"), "--calibration", "0.3"])
    config.write(small, folder / "config.json")
    rows = {s: prepare.read_rows(folder / "index.json", s) for s in (prepare.TRAIN, prepare.CALIBRATION)}
    sets = {s: load(found, small.labels, side_px=64, workers=2) for s, found in rows.items()}
    metrics = train.train(small, folder, sets["train"], sets["calibration"], backbone=None, minutes=1)
    metrics |= train.learnt_from(rows, small, folder / "index.json") | {"backbone": None, "torch": torch.__version__}
    (folder / "metrics.json").write_text(json.dumps(metrics))
    (folder / "export.json").write_text(json.dumps(export.export(folder, folder / "index.json")))
    return folder


def test_settings_survive_the_run_folder(tmp_path: Path, small: config.Config):
    config.write(small, tmp_path / "config.json")
    assert config.read_resolved(tmp_path / "config.json") == small


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("seed = 1", "sead = 1", "sead"),
        ("near = 0.6", "nearly = 0.45", "nearly"),
        ("side_px = 256", "side_px = 250", "multiple"),
    ],
)
def test_a_wrong_setting_is_named(tmp_path: Path, old: str, new: str, said: str):
    path = tmp_path / "bad.toml"
    path.write_text(FULL.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    with pytest.raises(ValueError, match=said):
        config.read(path)


def test_steps_on_one_batch_lower_the_loss(toy_set: Path, small: config.Config):
    torch.manual_seed(1)
    rows = prepare.index([toy_set], calibration_share=0.0)["rows"]
    pictures = load([prepare.Row(**row) for row in rows[:14]], small.labels, side_px=64, workers=2)
    calm = Settings(near=0, elsewhere=0, background=0, bars=0, cutout=0, jigsaw=0)
    augmenter = Augmenter(pictures, calm, side_px=64, nothing=6, installed=2, mean=127.0, std=128.0)
    fixed = augmenter.draw(torch.arange(14))
    augmenter.draw = lambda chosen: fixed  # type: ignore[method-assign]
    net = train.build(small)
    optimiser = train._optimiser(net, small)
    values = [float(train.step(net, augmenter, optimiser, small, torch.arange(14), 0.2)["total"]) for _ in range(8)]
    assert values[-1] < 0.8 * values[0]


def test_another_background_leaves_part_and_reference(toy_set: Path, small: config.Config):
    torch.manual_seed(2)
    rows = prepare.index([toy_set], calibration_share=0.0)["rows"]
    pictures = load([prepare.Row(**row) for row in rows], small.labels, side_px=64, workers=2)
    always = replace(small.augment, background=1.0)
    augmenter = Augmenter(pictures, always, side_px=64, nothing=6, installed=2, mean=127.0, std=128.0)
    x, mask, klass = pictures.pixels.float() / 255, pictures.mask.long(), pictures.klass
    laid, labels = augmenter._other_background(x, mask, klass)
    shows = klass != 6
    inner = (torch.nn.functional.max_pool2d((mask == 0).float().unsqueeze(1), 3, 1, 1) == 0) & shows.view(-1, 1, 1, 1)
    assert inner.any()
    assert torch.allclose(torch.where(inner, laid, 0), torch.where(inner, x, 0))
    assert torch.equal(labels[mask > 0], mask[mask > 0])
    outside = (mask == 0) & shows.view(-1, 1, 1)
    assert ((laid - x).abs().amax(1)[outside] > 0.02).float().mean() > 0.6
    assert torch.equal(laid[~shows], x[~shows])


def test_some_steps_see_small_pictures_the_same_in_every_process(toy_set: Path, small: config.Config):
    sides = [train.small_side(small, number) for number in range(400)]
    assert set(sides) == {32, None}
    assert 0.06 < sides.count(32) / 400 < 0.2  # 0.12 is asked
    assert sides == [train.small_side(small, number) for number in range(400)]
    rows = prepare.index([toy_set], calibration_share=0.0)["rows"]
    pictures = load([prepare.Row(**row) for row in rows[:14]], small.labels, side_px=64, workers=2)
    augmenter = Augmenter(pictures, small.augment, side_px=64, nothing=6, installed=2, mean=127.0, std=128.0)
    whole = augmenter.draw(torch.arange(14))
    shrunk = smaller(whole, 32)
    assert shrunk.pixels.shape == (14, 3, 32, 32)
    assert shrunk.mask.shape == (14, 3, 8, 8)
    assert torch.allclose(shrunk.mask.mean((2, 3)), whole.mask.mean((2, 3)), atol=1e-6)
    net = train.build(small)
    optimiser = train._optimiser(net, small)
    parts = train.step(net, augmenter, optimiser, small, torch.arange(14), 0.2, small_px=32)
    assert torch.isfinite(parts["total"])


def test_heads_alone_leave_the_backbone_as_it_is(toy_set: Path, small: config.Config):
    torch.manual_seed(1)
    rows = prepare.index([toy_set], calibration_share=0.0)["rows"]
    pictures = load([prepare.Row(**row) for row in rows[:14]], small.labels, side_px=64, workers=2)
    augmenter = Augmenter(pictures, small.augment, side_px=64, nothing=6, installed=2, mean=127.0, std=128.0)
    net = train.build(small)
    before = {name: value.clone() for name, value in net.state_dict().items()}
    frozen = replace(small, head_share=0.5)
    train.step(net, augmenter, train._optimiser(net, frozen), frozen, torch.arange(14), 0.1)
    moved = {name for name, value in net.state_dict().items() if not torch.equal(value, before[name])}
    assert any(name.startswith("class_head") for name in moved)
    assert not any(name.startswith("backbone") for name in moved)


def test_the_log_and_the_weights_are_there(run: Path):
    lines = (run / "log.csv").read_text().splitlines()
    assert lines[0].startswith("seconds,step,rate,total")
    assert len(lines) == 2
    assert (run / "weights.pt").is_file()


def test_torch_and_the_exported_file_agree(run: Path, small: config.Config):
    exported = json.loads((run / "export.json").read_text())
    assert exported["torch_difference"] <= 1e-4
    net = train.build(small)
    net.load_state_dict(torch.load(run / "weights.pt", weights_only=True))
    pixels = np.random.default_rng(0).normal(0, 0.5, (3, 3, 64, 64)).astype(np.float32)
    assert export.difference(net, run / "float32.onnx", pixels) <= 1e-4
    for side in (32, 96):  # any size goes in, and the padding is that of the network
        other = np.random.default_rng(side).normal(0, 0.5, (2, 3, side, side)).astype(np.float32)
        assert export.difference(net, run / "float32.onnx", other) <= 1e-4
    net.class_head.weight.data *= 1.01  # the comparison can fail
    assert export.difference(net, run / "float32.onnx", pixels) > 1e-4


def test_a_network_goes_on_from_an_exported_file(run: Path, small: config.Config):
    torch.manual_seed(3)
    net = train.build(small)
    pixels = torch.from_numpy(np.random.default_rng(1).normal(0, 0.5, (6, 3, 64, 64)).astype(np.float32))
    before = net.eval()(pixels)[0]
    go_on(net, run / "float32.onnx", pixels)
    want = export.session(run / "float32.onnx").run(["logits", "mask"], {"pixels": pixels.numpy()})
    with torch.no_grad():
        after = net.eval()(pixels)
    assert np.allclose(after[0].numpy(), want[0], atol=1e-3)
    assert np.allclose(after[3].numpy(), want[1], atol=1e-3)
    assert not np.allclose(before.detach().numpy(), want[0], atol=1e-2)
    with torch.no_grad():
        learning = net.train()(pixels)[3]  # the batch's own statistics are the ones that were set
    assert np.allclose(learning.numpy(), want[1], atol=1e-2)
    other = train.build(replace(small, labels=replace(small.labels, classes=small.labels.classes[1:])))
    with pytest.raises(ValueError, match=r"class_head\.weight, expected shape \(6,"):
        go_on(other, run / "float32.onnx", pixels)


def test_the_mean_of_runs_lies_between_them(run: Path, small: config.Config, tmp_path: Path):
    pixels = torch.randn(2, 3, 64, 64, generator=torch.Generator().manual_seed(1))
    answers = []
    for number, factor in enumerate((1.0, 3.0)):
        other = shutil.copytree(run, tmp_path / str(number))
        state = torch.load(run / "weights.pt", weights_only=True)
        state["class_head.weight"] = state["class_head.weight"] * factor
        torch.save(state, other / "weights.pt")
        answers.append(_said(state, small, pixels))
    mean.main(["--runs", str(tmp_path / "0"), str(tmp_path / "1"), "--out", str(tmp_path / "mean")])
    made = torch.load(tmp_path / "mean" / "weights.pt", weights_only=True)
    first = torch.load(run / "weights.pt", weights_only=True)
    assert torch.allclose(made["class_head.weight"], 2 * first["class_head.weight"])
    assert torch.allclose(_said(made, small, pixels), (answers[0] + answers[1]) / 2, atol=1e-4)
    assert len(json.loads((tmp_path / "mean" / "metrics.json").read_text())["mean_of"]) == 2
    found = json.loads((run / "metrics.json").read_text())
    assert json.loads((tmp_path / "mean" / "metrics.json").read_text())["pictures"] == found["pictures"]
    (tmp_path / "1" / "metrics.json").write_text(json.dumps(found | {"backbone": "another.pth"}))
    (tmp_path / "1" / "export.json").write_text("{}")
    with pytest.raises(ValueError, match="did not start from one file"):
        mean.mean_of([tmp_path / "0", tmp_path / "1"])


def _said(state: dict[str, torch.Tensor], small: config.Config, pixels: torch.Tensor) -> torch.Tensor:
    net = train.build(small)
    net.load_state_dict(state)
    with torch.no_grad():
        return net.eval()(pixels)[0]


def test_a_pair_says_the_mean_of_both_in_integers(run: Path, small: config.Config, tmp_path: Path):
    other = shutil.copytree(run, tmp_path / "other")
    state = torch.load(run / "weights.pt", weights_only=True)
    state["class_head.bias"] = state["class_head.bias"] + torch.arange(7.0)
    torch.save(state, other / "weights.pt")
    export.export(other, run / "index.json")
    pair.main(["--runs", str(run), str(other), "--index", str(run / "index.json"), "--out", str(tmp_path / "pair")])
    pixels = np.random.default_rng(0).normal(0, 0.5, (4, 3, 64, 64)).astype(np.float32)
    first, second, both = (
        export.session(path).run(["logits"], {"pixels": pixels})[0]
        for path in (run / "float32.onnx", other / "float32.onnx", tmp_path / "pair" / "float32.onnx")
    )
    assert np.allclose(second - first, np.arange(7.0), atol=1e-3)
    assert np.allclose(both, (first + second) / 2, atol=1e-4)
    asked = np.array([False, True])
    runner = export.session(tmp_path / "pair" / "float32.onnx")
    alone = runner.run(["logits"], {"pixels": pixels, classifier.NETWORKS: asked})[0]
    assert np.allclose(alone, second, atol=1e-4)
    assert np.allclose(runner.run(["logits"], {"pixels": pixels, classifier.NETWORKS: ~asked})[0], first, atol=1e-4)
    small_file = tmp_path / "pair" / classifier.NAME
    whole = export.session(small_file).run(["logits"], {"pixels": pixels})[0]
    assert 0 < np.abs(whole - both).max() < 0.25 * np.ptp(both)
    logits, mask = export.session(small_file).run(["logits", "mask"], {"pixels": pixels[..., ::2, ::2].copy()})
    assert (logits.shape, mask.shape) == ((4, 7), (4, 3, 8, 8))
    found = json.loads((tmp_path / "pair" / "export.json").read_text())
    assert found["shipped"] == "int8"
    assert small_file.stat().st_size < 0.4 * (tmp_path / "pair" / "float32.onnx").stat().st_size
    calibrate.main(["--run", str(tmp_path / "pair"), "--index", str(run / "index.json")])
    calibrated = json.loads((tmp_path / "pair" / "calibration.json").read_text())
    aims, chosen = calibrated["aims"], calibrated["survey"]
    assert [way["aimed_by"] for way in aims] == [None, 0, 1]
    best = min(aims, key=lambda way: way["nll"])
    taken = best if best["excess"] < -best["standard_error"] else aims[0]
    assert classifier.load(small_file).card.aimed_by == calibrated["aimed_by"] == taken["aimed_by"]
    assert {(way["turns"], way["first_px"]) for way in chosen["ways"]} == {(False, 64), (True, 64), (True, 32)}
    swift_enough = [way["nll"] for way in chosen["ways"] if way["passes"] <= chosen["most_passes"]]
    assert chosen["passes"] <= chosen["most_passes"]
    assert chosen["nll"] == min(swift_enough)
    swift = classifier.load(small_file).surveying().card
    assert (swift.turns, swift.first_px) == (chosen["turns"], chosen["first_px"])
    assert swift.whole_weight == pytest.approx(chosen["whole_weight"])
    whole_or_half = {way["passes"] for way in chosen["ways"] if way["survey_looks"] == 0 and way["first_px"] == 64}
    assert whole_or_half == {1.0, 0.5}
    metrics = json.loads((tmp_path / "pair" / "metrics.json").read_text())
    own = json.loads((run / "metrics.json").read_text())
    assert metrics["pictures"]["train"] == own["pictures"]["train"]  # both learnt from the same set: it counts once
    assert len(metrics["sources"]) == len(own["sources"])
    net = train.build(small)
    go_on(net, small_file, torch.from_numpy(pixels))  # of a pair, the first goes on
    with torch.no_grad():
        again = net.eval()(torch.from_numpy(pixels))[0].numpy()
    assert np.abs(again - first).max() < 0.25 * np.ptp(both)
    assert np.abs(again - second).max() > 2
    other_net = train.build(small)
    go_on(other_net, small_file, torch.from_numpy(pixels), 1)
    with torch.no_grad():
        again = other_net.eval()(torch.from_numpy(pixels))[0].numpy()
    assert np.abs(again - second).max() < 0.25 * np.ptp(both)
    with pytest.raises(IndexError):
        go_on(other_net, run / "float32.onnx", torch.from_numpy(pixels), 1)
    _check_mean_with_its_start(run, small, small_file, second, tmp_path)


def _check_mean_with_its_start(
    run: Path, small: config.Config, pair_file: Path, second: np.ndarray, tmp_path: Path
) -> None:
    """A run that went on from the pair's second network; its mean with that network lies between them."""
    further = shutil.copytree(run, tmp_path / "further")
    pixels = np.random.default_rng(0).normal(0, 0.5, (4, 3, 64, 64)).astype(np.float32)
    told = {"sha256": hashlib.sha256(pair_file.read_bytes()).hexdigest(), "network": 1}
    found = json.loads((run / "metrics.json").read_text()) | {"start": told, "backbone": None}
    (further / "metrics.json").write_text(json.dumps(found))
    out = tmp_path / "between"
    mean.main(["--runs", str(further), "--start", str(pair_file), "--out", str(out)])
    state = torch.load(out / "weights.pt", weights_only=True)
    bias = torch.load(run / "weights.pt", weights_only=True)["class_head.bias"]
    assert torch.allclose(state["class_head.bias"] - bias, torch.arange(7.0) / 2, atol=1e-2)
    said = _said(state, small, torch.from_numpy(pixels)).numpy()
    assert np.argmax(said, axis=1).tolist() == np.argmax(second, axis=1).tolist()
    assert [one["steps"] for one in json.loads((out / "metrics.json").read_text())["mean_of"]][-1] == 0
    (further / "metrics.json").write_text(json.dumps(found | {"start": told | {"sha256": "another"}}))
    with pytest.raises(ValueError, match="did not go on from"):
        mean.mean_of([further], pair_file)


def test_ablations_differ_in_one_setting_and_are_scored(run: Path, toy_evaluation: Path, tmp_path: Path):
    whole = config.read(ablations.CONFIGS / f"{ablations.WHOLE}.toml")
    assert ablations.names()[0] == ablations.WHOLE
    for name in ablations.names()[1:]:
        assert config.read(ablations.CONFIGS / f"{name}.toml") != whole
    shutil.copytree(run, tmp_path / "without" / "average")
    export.quick(tmp_path / "without" / "average")
    folder = ["--pictures", str(toy_evaluation), "--out", str(tmp_path)]
    ablations.main(["score", "--runs", str(tmp_path / "without"), *folder])
    found = json.loads((tmp_path / "ablations.json").read_text())
    assert list(found) == ["average"]  # the runs that are there, no others
    (scored,) = found["average"]["folders"].values()
    assert scored["pictures"] == 28
    assert scored["near_interval"][0] <= scored["near"] <= scored["near_interval"][1]


def test_float16_weights_halve_the_file_and_hardly_move_the_answer(run: Path):
    plain, half = (run / "float32.onnx", run / "float16.onnx")
    assert half.stat().st_size < 0.6 * plain.stat().st_size
    pixels = np.random.default_rng(0).normal(0, 0.5, (2, 3, 64, 64)).astype(np.float32)
    a, b = (export.session(path).run(["logits"], {"pixels": pixels})[0] for path in (plain, half))
    assert np.abs(a - b).max() < 0.05 * max(1, np.abs(a).max())


def test_what_a_part_stands_on_is_not_asked():
    upright = {"view": "standing", "pose": {"axis_mm": [[0.0, 0.0, 0.0], [0.0, 0.0, 50.0]]}}
    inverted = {"view": "standing", "pose": {"axis_mm": [[0.0, 0.0, 50.0], [0.0, 0.0, 0.0]]}}
    assert evaluate.stood_on(upright, "base")
    assert not evaluate.stood_on(upright, "hot_limit_ring")
    assert not evaluate.stood_on(inverted, "base")
    assert not evaluate.stood_on(upright | {"view": "lying"}, "base")
    assert not evaluate.stood_on({"view": "standing"}, "base")


def test_calibrate_evaluate_and_install(run: Path, toy_evaluation: Path, tmp_path: Path):
    calibrate.main(["--run", str(run), "--index", str(run / "index.json")])
    found = json.loads((run / "calibration.json").read_text())
    assert found["chosen"]["error_bound"] > 0.01  # a score of pictures can't prove 1 %
    assert {(way["turns"], way["first_px"]) for way in found["survey"]["ways"]} == {(False, 64), (False, 32)}
    made = classifier.load(run / classifier.NAME)
    assert made.card.temperature == pytest.approx(found["chosen"]["temperature"], rel=1e-4)
    assert [way["faint_from"] for way in found["faint"]] == list(looks.FAINT)
    assert made.card.faint_from == found["faint_from"]
    wanted = ["--model", str(run / classifier.NAME), "--pictures", str(toy_evaluation), "--out"]
    evaluate.main([*wanted, str(tmp_path / "new")])
    assert list((tmp_path / "new").iterdir()), "a folder that was not there is made, so that the figures are kept"
    evaluate.main([*wanted, str(run)])
    scored = json.loads((run / "evaluation-set.json").read_text())
    assert scored["pictures"] == 28
    assert sum(map(sum, scored["confusion"]["rows"])) == 28
    assert [entry["pictures"] for entry in scored["per_class"].values()] == [4] * 7
    card.main(["--run", str(run), "--install", str(tmp_path / "models")])
    again = shutil.copytree(tmp_path / "models" / card.RUN, tmp_path / "again")
    shutil.copy(run / classifier.NAME, again)
    card.main(["--run", str(again), "--install", str(tmp_path / "other")])
    for name in ("MODEL_CARD.md", card.CARD):  # what is kept is all that the card is written from
        assert (tmp_path / "other" / name).read_text() == (tmp_path / "models" / name).read_text()
    installed = classifier.load(tmp_path / "models" / classifier.NAME)
    assert installed.card.sha256 == made.card.sha256
    page = (tmp_path / "models" / "MODEL_CARD.md").read_text(encoding="utf-8")
    assert "No photo of a real tap is in any set" in page
    assert "NOT reached" in page
    assert installed.card.sha256 in page


def test_looks_are_elsewhere_where_they_share_less_than_half():
    empty = np.zeros(1, np.float32)

    def seen(*squares: classifier.Square) -> list[classifier.Look]:
        whole = classifier.whole_square((64, 64))
        return [classifier.Look(one, empty, empty, empty, empty, empty) for one in (whole, *squares)]

    here = classifier.Square(10.0, 10.0, 30.0)
    assert not looks.elsewhere(seen(here), seen(here))
    assert not looks.elsewhere(seen(), seen())
    assert looks.elsewhere(seen(here), seen())
    assert looks.elsewhere(seen(here), seen(classifier.Square(50.0, 10.0, 30.0)))
    # moved by a third of its side it shares 2/3 with itself, of 4/3 that both show: just half; by 9 and 11 of 30 px
    assert not looks.elsewhere(seen(here), seen(classifier.Square(19.0, 10.0, 30.0)))
    assert looks.elsewhere(seen(here), seen(classifier.Square(21.0, 10.0, 30.0)))
    assert looks.elsewhere(seen(here), seen(classifier.Square(10.0, 10.0, 50.0)))


@pytest.mark.parametrize(("right", "taken"), [(40, 0.2), (22, 0.5), (0, 0.5)])
def test_a_trace_is_looked_at_only_where_that_surely_helps(right: int, taken: float):
    """Of 40 pictures whose first look says nothing, so many near looks at a trace are right; 22 are too few to tell."""
    truth = np.arange(80) % 2
    square, empty = classifier.whole_square((64, 64)), np.zeros(1, np.float32)

    def said(klass: int, logit: float) -> classifier.Look:
        logits = logit * np.eye(2, dtype=np.float32)[klass]
        return classifier.Look(square, logits, empty, empty, np.zeros((3, 1, 1), np.float32), empty)

    seen = [(said(k, 0.0), said(k, 2.0)) for k in truth[40:]]
    seen[0] = (said(truth[40], 0.0), said(1 - truth[40], 2.0))  # one is wrong, so that no temperature is endless
    without = [(said(k, 0.0),) for k in truth[:40]]
    near = [(*plain, said(truth[n] if n < right else 1 - truth[n], 2.0)) for n, plain in enumerate(without)]
    found = looks.surely_better([[*some, *seen] for some in (without, without, near, near)], truth)
    assert looks.FAINT[found["number"]] == taken
    assert [way["pictures"] for way in found["ways"]] == [0, 0, 40, 40]


def test_unknown_objects_and_corruptions_reach_the_card(run: Path, toy_set: Path, toy_evaluation: Path, tmp_path: Path):
    calibrate.main(["--run", str(run), "--index", str(run / "index.json")])
    model, known = str(run / classifier.NAME), str(toy_evaluation)
    unknown.main(["--model", model, "--known", known, "--unknown", known, "--reference", str(toy_set), "--out",
                  str(run)])  # fmt: skip
    found = json.loads((run / "unknown.json").read_text())
    assert (found["known"], found["unknown"]) == (24, 4)
    made = classifier.load(run / classifier.NAME).card
    assert made.strange_by == found["chosen"]["strange_by"] in found["roc_area"]
    limit = found["chosen"]["strange_from"]
    assert made.strange_from == (float("inf") if limit is None else pytest.approx(limit, rel=1e-4))
    corruptions.main(["--model", model, "--pictures", known, "--kinds", "fog", "--every", "4", "--out", str(run)])
    card.main(["--run", str(run), "--install", str(tmp_path / "models")])
    page = (tmp_path / "models" / "MODEL_CARD.md").read_text(encoding="utf-8")
    assert f"4 renders of {found['judged']['kinds']} kinds" in page
    assert "| fog |" in page
    assert "another model file" not in page
    (run / "unknown.json").write_text(json.dumps(found | {"model": "0" * 64}))
    card.write(run)
    assert classifier.load(run / classifier.NAME).card.strange_by == ""  # what was chosen for another file


def test_an_uncalibrated_run_is_not_installed(tmp_path: Path):
    with pytest.raises(ValueError, match="not calibrated"):
        card.install(tmp_path, tmp_path / "models")


def test_thresholds_are_not_fitted_on_evaluation_pictures(toy_evaluation: Path, tmp_path: Path):
    with pytest.raises(ValueError, match="evaluation split"):
        calibrate.gather(tmp_path, [toy_evaluation], None)


def test_what_leaves_the_frame_changes_the_target(toy_set: Path, small: config.Config):
    torch.manual_seed(2)
    rows = prepare.index([toy_set], calibration_share=0.0)["rows"]
    pictures = load([prepare.Row(**row) for row in rows], small.labels, side_px=64, workers=2)
    only = replace(small.augment, near=0.0, elsewhere=1.0, background=0.0, bars=0.0, cutout=0.0, jigsaw=0.0)
    batch = Augmenter(pictures, only, side_px=64, nothing=6, installed=2, mean=127.0, std=128.0).draw(
        torch.arange(len(pictures))
    )
    share = batch.mask[:, 1].mean(dim=(1, 2))
    assert (share[batch.klass == 6] < 0.01).all()
    assert (batch.view[batch.klass == 6] == UNKNOWN).all()
    kept = (batch.klass != 6) & (batch.klass != UNKNOWN)
    assert kept.any()
    assert (share[kept] > 0.02).all()
    assert torch.allclose(batch.mask.sum(dim=1), torch.ones(()), atol=1e-5)


def test_pictures_and_masks_are_letter_boxed_alike(toy_evaluation: Path, small: config.Config):
    lines = prepare.read_manifest(toy_evaluation)
    line = next(line for line in lines if line["class"] == "sensor")
    row = prepare.Row(
        str(toy_evaluation / line["file"]), str(toy_evaluation / line["mask"]), 1, "train", "sensor", "lying", {}
    )
    pictures = load([row], small.labels, side_px=256, workers=1)
    green = pictures.pixels[0].int()
    inside = (green[1] > green[0] + 40) & (green[1] > green[2] + 20)  # the toy sensor is green
    mask = pictures.mask[0] == 1
    both, either = (inside & mask).sum(), (inside | mask).sum()
    assert float(both / either) > 0.9
    assert (pictures.pixels[0][:, :30] == classifier.FILL).all()
    assert tuple(pictures.box[0].tolist()) == part_box(pictures.mask[0].numpy())


def test_jpeg_quantisation_is_that_of_the_library():
    """A smooth grey picture through our blocks and through libjpeg (OpenCV) at the same quality."""
    cv2 = pytest.importorskip("cv2")
    y, x = np.mgrid[:64, :64]
    grey = np.clip(120 + 60 * np.sin(x / 7.0) + 40 * np.cos(y / 5.0), 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 50])[1]
    wanted = cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE).astype(float)
    three = torch.from_numpy(grey).float().expand(1, 3, -1, -1) / 255
    # quality 50 is the table itself; 127.5 / 255 shifts levels as libjpeg's 128 does, but for half a level
    torch.manual_seed(0)
    ours = jpeg(three.repeat(400, 1, 1, 1), p=1.0)[:, 0].numpy() * 255
    assert np.abs(ours - wanted).mean(axis=(1, 2)).min() < 1.0
    assert np.abs(ours - wanted).mean(axis=(1, 2)).max() > 2.0  # other qualities differ
    assert LUMA_TABLE[0][0] == 16  # ITU-T T.81, table K.1
    assert LUMA_TABLE[7][7] == 99


def test_degraded_pictures_stay_pictures():
    torch.manual_seed(4)
    x = torch.rand(32, 3, 64, 64)
    out = degrade(x)
    assert out.shape == x.shape
    assert torch.isfinite(out).all()
    assert out.min() >= 0
    assert out.max() <= 1
    assert float((out - x).abs().mean()) > 0.02


def test_a_backbone_of_another_shape_is_refused(tmp_path: Path, small: config.Config):
    net = train.build(small)
    state = dict(net.backbone.state_dict())
    torch.save(
        {name: value.half() if value.is_floating_point() else value for name, value in state.items()},
        tmp_path / "good.pth",
    )
    load_backbone(net, tmp_path / "good.pth")
    state[next(iter(state))] = torch.zeros(5, 3, 3, 3)
    torch.save(state, tmp_path / "bad.pth")
    with pytest.raises(ValueError, match="shape"):
        load_backbone(net, tmp_path / "bad.pth")
