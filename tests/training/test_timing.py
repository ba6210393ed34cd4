"""The timing command: what it feeds the road, and that it leaves the road as it found it."""

from __future__ import annotations

import argparse
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from identify import pipeline
from training import timing


@pytest.fixture
def small_photo(tmp_path) -> Path:
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0xA405] = 26
    path = tmp_path / "small.jpg"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (300, 400, 3), np.uint8)).save(path, exif=exif)
    return path


def test_a_small_photo_is_enlarged_to_a_phones_size(small_photo):
    data, what = timing.enlarged(small_photo)
    with Image.open(io.BytesIO(data)) as image:
        assert image.width * image.height == pytest.approx(12e6, rel=0.01)
        assert image.getexif()[0x0112] == 6
        assert image.getexif().get_ifd(0x8769)[0xA405] == 26
    assert what == "enlarged from 0.1 MP"


def test_a_large_photo_is_timed_as_it_is(tmp_path):
    path = tmp_path / "large.jpg"
    Image.new("RGB", (4000, 3000)).save(path)
    assert timing.enlarged(path) == (path.read_bytes(), "as it is")


def test_the_road_is_left_as_it_was():
    before = [getattr(getattr(pipeline, step), name) for step, name in zip(timing.STEPS, timing.FUNCTIONS, strict=True)]
    with timing.Watch() as watch:
        assert pipeline.photo.load is not before[0]
        with pytest.raises(pipeline.photo.PhotoError):
            pipeline.photo.load(b"nothing")
    assert len(watch.spent["photo"]) == 1
    after = [getattr(getattr(pipeline, step), name) for step, name in zip(timing.STEPS, timing.FUNCTIONS, strict=True)]
    assert after == before


@pytest.mark.parametrize(("total", "code"), [(300.0, 0), (2000.0, 1)])
def test_a_missed_goal_is_told_by_the_exit_code(total, code, monkeypatch, capsys):
    monkeypatch.setattr(timing, "start_up_ms", lambda: 50.0)
    monkeypatch.setattr(timing, "peak_mb", lambda: 300.0)
    watch = timing.Watch()
    watch.spent["photo"] = [40.0, 60.0, 50.0]
    options = argparse.Namespace(photo=Path("a.jpg"), scale="auto", runs=3)
    floor = {"decoding": [50.0], "network": [50.0]}
    assert timing.report(options, "12 MP", watch, floor, [total]) == code
    out = capsys.readouterr().out
    assert "50.0 ms   (least 40.0, most 60.0)" in out
    assert f"{total / 100:.1f} ×" in out
