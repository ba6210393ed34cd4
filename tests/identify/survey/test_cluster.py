"""The same survey on a Ray cluster of two workers on this machine."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from identify import cli
from identify.errors import UsageError
from identify.survey import cluster, crew, site

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "data_synthetic" / "demo"
PICTURES = sorted((ROOT / "tests" / "evaluation" / "images").glob("*.jpg"))[:10]
SHEETS = ("schedule", "schedule-counts", "schedule-parts", "schedule-cautions", "schedule-candidates")


def surveyed(source: Path, out: Path, *words: str) -> dict:
    """The summary of a survey by two workers; one photo can't be read, so it ends with 1."""
    command = [sys.executable, "-m", "identify", "survey", str(source), "--out", str(out), "--workers", "2", "--json"]
    done = subprocess.run(
        [*command, *words], cwd=ROOT, capture_output=True, text=True, check=False, timeout=300, env=os.environ
    )
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    return json.loads(done.stdout)


@pytest.mark.ray
def test_a_cluster_gives_the_rows_of_the_plain_run(tmp_path):
    pytest.importorskip("ray", reason="Ray is not installed: make test-ray installs it")
    for number, path in enumerate(PICTURES):
        room = tmp_path / "north" / "1" / f"room {number % 2}"
        room.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, room)
    (room / "torn.jpg").write_bytes((DEMO / "installed.jpg").read_bytes()[:5000])
    shutil.copy(DEMO / "installed.jpg", room / "naïve =name.jpg")

    plain = surveyed(tmp_path / "north", tmp_path / "plain" / "schedule.csv")
    ray = surveyed(tmp_path / "north", tmp_path / "ray" / "schedule.csv", "--ray", "local")
    assert ray["rows"] == plain["rows"] == len(PICTURES) + 2
    for name in SHEETS:
        want = (tmp_path / "plain" / f"{name}.csv").read_bytes()
        assert (tmp_path / "ray" / f"{name}.csv").read_bytes() == want

    # what the cluster found is known to a plain run, and the other way round; a ZIP is read there as a folder is
    with zipfile.ZipFile(tmp_path / "north.zip", "w") as file:
        for path in sorted((tmp_path / "north").rglob("*.jpg")):
            file.write(path, path.relative_to(tmp_path / "north").as_posix())
    again = surveyed(tmp_path / "north.zip", tmp_path / "ray" / "schedule.csv", "--ray", "local")
    assert again["known_before"] == len(PICTURES) + 1
    assert (tmp_path / "ray" / "schedule.csv").read_bytes() == (tmp_path / "plain" / "schedule.csv").read_bytes()


@pytest.mark.ray
def test_no_cluster_is_there(tmp_path):
    pytest.importorskip("ray", reason="Ray is not installed: make test-ray installs it")
    command = [sys.executable, "-m", "identify", "survey", str(DEMO), "--out", str(tmp_path / "s.csv")]
    done = subprocess.run([*command, "--ray", "auto"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "--ray auto: no cluster answers there" in done.stderr
    assert "Traceback" not in done.stderr


def test_ray_is_asked_for_when_it_is_missing(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(cluster.importlib.util, "find_spec", lambda name: None)
    assert cli.main(["survey", str(DEMO), "--out", str(tmp_path / "s.csv"), "--ray", "auto"]) == 2
    assert "pip install 'tapwright[ray]'" in capsys.readouterr().err


SHOTS = [site.Shot(f"{name}.jpg", str(DEMO / f"{name}.jpg"), "", ("bath",)) for name in ("bench", "installed", "gone")]
LOT = {"number": [7, 8, 9], "shot": [json.dumps(cluster.asdict(shot)) for shot in SHOTS]}


def test_a_lot_comes_back_as_it_does_from_the_crew():
    actor = cluster.Actor((None, frozenset(), cluster.finding.recipe(None)))
    try:
        outcomes = list(cluster._read(actor(LOT)))
        assert list(cluster._read(actor(LOT))) == outcomes  # the crew stays for the next lot
    finally:
        actor._crew.close()
    with crew.Crew(1, None, ()) as here:
        want = list(here.work(SHOTS))
    assert [(each.number - 7, each.sha256, each.finding, each.error) for each in outcomes] == [
        (each.number, each.sha256, each.finding, each.error) for each in want
    ]
    assert "no longer there" in outcomes[2].error


def test_another_version_on_the_cluster_is_refused():
    actor = cluster.Actor((None, frozenset(), "of another version"))
    with pytest.raises(UsageError, match="another version of tapwright"):
        list(cluster._read(actor(LOT)))
