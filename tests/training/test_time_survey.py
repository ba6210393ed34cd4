"""The survey's timing: its photos, its floor, its plan."""

from __future__ import annotations

import hashlib
import io
import subprocess
import sys
import time
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from PIL import Image

from identify import photo
from training import survey_photos, survey_plan, time_survey

ROOT = Path(__file__).resolve().parents[2]
SMALL = replace(survey_photos.MIX[-2], size_wh=(400, 300), of_ten=10)


def test_photos_differ_as_files_and_not_as_pictures(tmp_path):
    bases = {SMALL: survey_photos.base(SMALL, 2)}
    survey_photos.lay_out(tmp_path, 24, bases)
    files = sorted(tmp_path.rglob("*.jpg"))
    assert len({hashlib.sha256(file.read_bytes()).digest() for file in files}) == 24
    assert len({photo.load(file).rgb.tobytes() for file in files}) == 2
    assert len({file.parent for file in files}) == 24 / survey_photos.ROOM


def test_kinds_come_in_their_shares(tmp_path):
    other = replace(SMALL, name="other", size_wh=(300, 400), of_ten=3)
    bases = {kind: survey_photos.base(kind, 1) for kind in (replace(SMALL, of_ten=7), other)}
    survey_photos.lay_out(tmp_path, 20, bases)
    shapes = [photo.load(file).rgb.shape for file in sorted(tmp_path.rglob("*.jpg"))]
    assert shapes.count((400, 300, 3)) == 6
    assert sum(kind.of_ten for kind in survey_photos.MIX) == survey_photos.KINDS == 10


def test_heic_is_made_and_read_where_there_is_an_encoder():
    pytest.importorskip("pi_heif")
    kind = replace(survey_photos.MIX[-1], size_wh=(400, 300))
    files = survey_photos.base(kind, 1)
    if not files:
        pytest.skip("heif-enc is not installed (Debian: libheif-examples)")
    assert photo.load(survey_photos.remarked(files[0], "photo 1")).rgb.shape == (300, 400, 3)


def test_floor_is_less_than_the_survey_and_more_passes_take_longer():
    file = io.BytesIO()
    Image.new("RGB", (1024, 768), "grey").save(file, "JPEG")
    network = time_survey.classifier.load()
    took = [
        min(time_survey._took(lambda n=n: time_survey.floor_of(file.getvalue(), network, n)) for _ in range(3))
        for n in (1, 4)
    ]
    assert 0 < 2 * took[0] < took[1]


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_memory_counts_children_too():
    hold = "import time; held = bytearray(b'x' * 80_000_000); print(flush=True); time.sleep(60)"
    start = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {hold!r}])"
    with subprocess.Popen([sys.executable, "-c", start], stdout=subprocess.PIPE) as run:
        run.stdout.readline()
        family = time_survey._family(run.pid)
        assert len(family) == 2
        assert 80_000 < sum(map(time_survey._memory_kb, family)) < 160_000
        peak = time_survey._Peak(run.pid)
        time.sleep(0.5)
        assert 80 < peak.ended() < 160
        subprocess.run(["kill", *map(str, family[::-1])], check=True)


def test_plan_as_worked_by_hand():
    # 20,000,000 photos of 0.1 s on 100 cores at work half of the time: 500 a second, 40,000 s, and 1,000 starts of 40 s
    found = survey_plan.plan(20_000_000, seconds=0.1, megabytes=2.0, row_bytes=100.0, cores=100, price=0.05, use=0.5)
    assert found.photos_per_s == pytest.approx(500)
    assert found.partitions == 1000
    assert found.hours == pytest.approx((40_000 + 1000 * 40) / 3600)
    assert found.core_hours == pytest.approx(2_000_000 / 3600)
    assert found.price == pytest.approx(found.hours * 100 * 0.05)
    assert (found.terabytes, found.gigabits_per_s) == (pytest.approx(40), pytest.approx(8))
    assert (found.result_gigabytes, found.lost_core_s) == (pytest.approx(2), pytest.approx(3.2))
    assert all(value > 0 for value in asdict(found).values())


def test_plan_is_printed():
    words = ["--photos", "10000000", "--seconds", "0.12", "--megabytes", "1.2", "--row-bytes", "60"]
    told = subprocess.run(
        [sys.executable, "-m", "training.survey_plan", *words], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    assert "500 partitions of 20,000 photos" in told
    assert "333 processor hours" in told
