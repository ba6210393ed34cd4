"""Confirmed cases come out as training pictures that the training code reads."""

from __future__ import annotations

import io
import json

import pytest
from PIL import Image

from identify.errors import UsageError
from identify.records.export import Exported, seed
from training import prepare


@pytest.fixture
def exported(kept, a_case, jpeg, tmp_path):
    photos = [jpeg(number) for number in range(5)]
    two = kept.keep(a_case(photos[0], photos[1]), photos[:2], answers={"spindle-reach": "yes", "drive": "fits"})
    kept.confirm(two, handed_out="x", right_class="compression-screw", callipers_mm={"overall_length": 60.0})
    wrong = kept.keep(a_case(photos[2]), photos[2:3])
    kept.confirm(wrong, handed_out="y", right_class="sensor", returned=True)
    kept.keep(a_case(photos[3]), photos[3:4])  # not confirmed
    unknown = kept.keep(a_case(photos[3]), photos[3:4], case_id="unknown")
    kept.confirm(unknown, handed_out="z")
    bare = kept.keep(a_case(photos[4]))
    kept.confirm(bare, handed_out="z", right_class="sensor")
    folder = tmp_path / "new" / "shop"
    assert kept.export(folder) == Exported(cases=2, photos=3, without_class=1, without_photo=1)
    return folder, two, wrong


def test_the_manifest_is_what_training_reads(exported):
    folder, two, wrong = exported
    lines = prepare.read_manifest(folder)
    assert [(line["class"], line["case"]) for line in lines] == [
        ("compression-screw", two), ("compression-screw", two), ("sensor", wrong),
    ]  # fmt: skip
    assert all(line["real"] and line["source"] == "shop" and line["view"] is None for line in lines)
    assert lines[0]["seed"] == lines[1]["seed"] == seed(two) != lines[2]["seed"]
    assert lines[0]["dimensions_mm"] == {"overall_length": 60.0}
    assert lines[0]["variety"] == {"spindle": "concealed"}  # what the user answered, not what the network said
    assert (lines[0]["width_px"], lines[0]["height_px"], lines[0]["exif_focal35_mm"]) == (240, 320, 26.0)
    found = prepare.index([folder], calibration_share=0.5)
    assert {row["klass"] for row in found["rows"]} == {"compression-screw", "sensor"}
    assert len({row["subset"] for row in found["rows"][:2]}) == 1


def test_no_exported_photo_tells_of_a_person(exported):
    folder = exported[0]
    files = sorted((folder / "images").iterdir())
    assert len(files) == 3
    for file in files:
        data = file.read_bytes()
        assert [word for word in (b"Jane", b"Maker", b"SERIAL", b"2026:05") if word in data] == []
        with Image.open(io.BytesIO(data)) as image:
            assert dict(image.getexif().get_ifd(0x8825)) == {}
            assert image.getexif().get_ifd(0x8769)[0xA405] == 26
    assert "/home" not in (folder / "manifest.jsonl").read_text()


def test_a_folder_that_holds_something_is_left_alone(kept, tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(UsageError, match="is not empty; name a new folder"):
        kept.export(tmp_path)
    with pytest.raises(UsageError, match="Can't write into"):
        kept.export(tmp_path / "mine.txt" / "x")


def test_nothing_confirmed_is_an_empty_manifest(kept, tmp_path):
    assert kept.export(tmp_path / "new") == Exported(0, 0, 0, 0)
    assert (tmp_path / "new" / "manifest.jsonl").read_text() == ""
    assert json.loads(json.dumps(prepare.read_manifest(tmp_path / "new"))) == []
