"""Further training in one go, on a few pictures: the networks that ship go on, and what comes home is a run."""

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

torch = pytest.importorskip("torch", reason="the training extra is not installed")
pytest.importorskip("mitsuba", reason="the render extra is not installed")

from identify import weights  # noqa: E402
from training import config, further, start  # noqa: E402
from training.train import build  # noqa: E402

pytestmark = pytest.mark.train
SHIPPED = weights.shipped("fitting_classifier.onnx")


def test_the_second_network_goes_on_with_new_pictures_and_comes_home(tmp_path: Path) -> None:
    given = ["--start", str(SHIPPED), "--out", str(tmp_path), "--seed", "7", "--cards", "0", "--workers", "1"]
    given += ["--pictures", "6", "--spp", "1", "--steps", "1", "--sets", "standing", "--networks", "second"]
    further.main(given)
    lines = [json.loads(line) for line in (tmp_path / "standing" / "manifest.jsonl").read_text().splitlines()]
    assert len(lines) == 6
    assert sum(line["view"] == "standing" for line in lines) >= 3  # but what can not stand lies
    assert {(line["width_px"], line["height_px"]) for line in lines} == {(320, 320)}
    home = tmp_path / further.HOME / "second"
    assert sorted(path.name for path in home.iterdir()) == sorted((*further.RECORDS, "weights.pt"))
    told = json.loads((home / "metrics.json").read_text())
    assert told["start"]["sha256"] == start.origin(SHIPPED)["sha256"]
    assert (told["start"]["network"], told["steps"]) == (1, 1)
    own = config.read_resolved(home / "config.json")
    assert (own.seed, own.smoothing) == (8, 0.0)
    brought = torch.load(home / "weights.pt", weights_only=True)
    net = build(own)
    net.load_state_dict(brought)
    arrays, _ = start._stored(SHIPPED, 1)
    step_length = (net.class_head.weight - torch.from_numpy(arrays["class_head.weight"])).abs().max()
    assert 0 < step_length < 0.05  # one step away from the second network that ships, and no other


def test_a_set_without_pictures_is_told(tmp_path: Path) -> None:
    given = ["--start", str(SHIPPED), "--out", str(tmp_path), "--seed", "7", "--cards", "0", "--workers", "1"]
    with pytest.raises(RuntimeError, match=r"No picture of near was made; .*near\.log"):
        further.main([*given, "--render-minutes", "0.02", "--sets", "near"])
    assert (tmp_path / "near.log").is_file()


def test_what_has_no_time_left_is_ended_and_what_fails_is_told(tmp_path: Path) -> None:
    sleeper, log = (
        subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"], start_new_session=True),
        "x.log",
    )
    begin = time.monotonic()
    assert further._finished([sleeper], begin + 0.2)
    assert time.monotonic() - begin < 10
    assert sleeper.returncode is not None
    failing = further._started("training.prepare", ["--pictures", tmp_path / "nothing"], tmp_path / log, None)
    assert not further._finished([failing], time.monotonic() + 60)
    assert (tmp_path / log).read_text()
