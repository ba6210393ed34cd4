import json
from pathlib import Path

import pytest

from training import prepare


def test_a_part_falls_always_on_the_same_side():
    sides = [prepare.subset_of(seed, 0.1) for seed in range(5000)]
    assert sides == [prepare.subset_of(seed, 0.1) for seed in range(5000)]
    # binomial, n = 5000, p = 0.1: sigma 21
    assert sides.count(prepare.CALIBRATION) == pytest.approx(500, abs=85)


def test_index_keeps_parts_apart(toy_set: Path, tmp_path: Path):
    prepare.main(["--pictures", str(toy_set), "--out", str(tmp_path / "index.json"), "--calibration", "0.3"])
    train, held = (prepare.read_rows(tmp_path / "index.json", s) for s in (prepare.TRAIN, prepare.CALIBRATION))
    assert len(train) + len(held) == 70
    assert len(held) > 5
    assert not {row.seed for row in train} & {row.seed for row in held}
    source = json.loads((tmp_path / "index.json").read_text())["sources"][0]
    assert source["pictures"] == 70
    assert source["seeds"] == [0, 69]


def test_evaluation_pictures_are_refused(toy_evaluation: Path):
    with pytest.raises(ValueError, match="evaluation split"):
        prepare.index([toy_evaluation], calibration_share=0.1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"file": "a.jpg", "seed": 1}\n', "line 1: the key 'class'"),
        ('{"file": "a.jpg", "seed": 1, "class": "none"}\n', "a.jpg is missing"),
        ('{"file": \n{"file": "a.jpg", "seed": 1, "class": "none"}\n', "line 1"),
    ],
)
def test_a_bad_manifest_is_named(tmp_path: Path, text: str, said: str):
    (tmp_path / "manifest.jsonl").write_text(text)
    with pytest.raises(ValueError, match=said):
        prepare.read_manifest(tmp_path)


def test_a_half_written_last_line_is_dropped(tmp_path: Path):
    (tmp_path / "manifest.jsonl").write_text('{"file": "a.jpg", "seed": 1, "class": "none"}\n{"file": "b')
    assert len(prepare.read_manifest(tmp_path, check_files=False)) == 1


def test_no_manifest(tmp_path: Path):
    with pytest.raises(ValueError, match="does not exist"):
        prepare.read_manifest(tmp_path)
