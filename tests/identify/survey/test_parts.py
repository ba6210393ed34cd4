"""The survey's modules one by one: places, progress, sheets, likeness, the line of progress."""

from __future__ import annotations

import csv
import io
import json
import os
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw

from identify import glance, photo
from identify.cli import survey as face
from identify.errors import PhotoError, UsageError
from identify.survey import archive, crew, finding, likeness, sheet, site
from identify.survey.progress import Progress
from identify.survey.schedule import Row, draw_up

ROOT = Path(__file__).parents[3]
FOUND = finding.Finding(
    sha256="ab" * 32,
    answer="sensor",
    likely="sensor",
    probability=0.9,
    prediction_set=("sensor",),
    view="installed",
    varieties=(("supply", "battery", 0.8),),
    measured=(),
    advice=("Look.",),
    likeness="0" * 16,
    traits="5a" * 32,
)


@pytest.mark.parametrize(
    ("pattern", "file", "want"),
    [
        ("building/floor/room", "north/2/kitchen/a.jpg", ("north", "2", "kitchen")),
        ("building/floor/room", "2026/north/2/kitchen/a.jpg", ("north", "2", "kitchen")),
        ("building/floor/room", "2/kitchen/a.jpg", ("photos", "2", "kitchen")),
        ("building/floor/room", "a.jpg", ("", "", "photos")),
        ("site/-/room", "north/2/kitchen/a.jpg", ("north", "kitchen")),
        ("Room", "north/2/kitchen/a.jpg", ("kitchen",)),
    ],
)
def test_places(tmp_path, pattern, file, want):
    path = tmp_path / "photos" / file
    path.parent.mkdir(parents=True)
    path.touch()
    (shot,) = site.find(tmp_path / "photos", site.read_pattern(pattern))
    assert (shot.file, shot.places) == (file, want)


def test_linked_folders_and_odd_names(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "private.jpg").touch()
    (tmp_path / "photos" / "link").symlink_to(tmp_path / "outside")
    odd = b"odd\xff\n\x1b[31m.jpg".decode("utf-8", "surrogateescape")
    (tmp_path / "photos" / odd).touch()
    (shot,) = site.find(tmp_path / "photos", site.read_pattern(site.PLACES))
    assert shot.file == "odd???[31m.jpg"
    with pytest.raises(PhotoError, match="no longer there"):
        finding.read(replace(shot, path=shot.path + "/gone"))


@pytest.mark.parametrize("cut", range(1, 40, 3))
def test_a_torn_last_line_is_trimmed(tmp_path, cut):
    path = tmp_path / "progress.jsonl"
    second = replace(FOUND, sha256="cd" * 32)
    with Progress(path, "a") as kept:
        kept.keep(FOUND)
        kept.keep(FOUND)
        whole = path.read_bytes()
        kept.keep(second)
    torn = path.read_bytes()[: len(whole) + cut]
    path.write_bytes(torn)
    with Progress(path, "a") as kept:
        assert kept.findings == {FOUND.sha256: FOUND}
        kept.keep(second)
    assert path.read_bytes().startswith(whole)
    with Progress(path, "a") as kept:
        assert list(kept.findings.values()) == [FOUND, second]
    assert path.read_bytes().count(b"\n") == 2


def test_another_recipe_is_done_again_and_nothing_is_lost(tmp_path):
    path = tmp_path / "progress.jsonl"
    with Progress(path, "old tables") as kept:
        kept.keep(FOUND)
    with Progress(path, "new tables") as kept:
        assert kept.findings == {}
        kept.keep(replace(FOUND, probability=0.7))
    with Progress(path, "old tables") as kept:
        assert kept.findings == {FOUND.sha256: FOUND}


def test_recipe_names_all_that_decides():
    from identify import __version__, classifier, tables

    plain = finding.recipe(None)
    assert all(part in plain for part in (__version__, classifier.load().card.sha256[:16], tables.version()))
    assert len({plain, finding.recipe("card"), finding.recipe("sheet")}) == 3


# OWASP, CSV Injection: cells that begin with = + - @ tab or carriage return are taken for formulas
@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", " =1", "＝1", "＠A"])
def test_formulas_become_text(text):
    written = b"".join(sheet.csv_lines(sheet.Sheet("s", ("a", "b"), ((text, -1.5),)))).decode("utf-8-sig")
    _, line = written.splitlines()
    assert line.strip('"').startswith(("'", " "))
    assert not line.strip('" ').startswith(tuple(sheet.FORMULA))
    assert line.endswith(",-1.5")  # a number stays one


MIXED = sheet.Sheet(
    "s",
    ("place", "tap", "probability", "text"),
    (("=1+1", 1, 0.25, "Ⅷ ± 0.1 mm"), ("b", "", "", ""), ("-", 3, 1.0, "two\nlines")),
    {"tap": int, "probability": float},
)


def test_one_table_in_three_formats(tmp_path):
    openpyxl, tables = pytest.importorskip("openpyxl"), pytest.importorskip("pyarrow.parquet")
    pytest.importorskip("xlsxwriter")
    for ending in ("csv", "xlsx", "parquet"):
        sheet.write(tmp_path / f"s.{ending}", [MIXED])
    table = tables.read_table(tmp_path / "s.parquet")
    assert [str(each.type) for each in table.schema] == ["string", "int64", "double", "string"]
    of_parquet = [tuple(row.values()) for row in table.to_pylist()]
    of_xlsx = list(openpyxl.load_workbook(tmp_path / "s.xlsx")["s"].iter_rows(min_row=2, values_only=True))
    assert [[None if cell == "" else cell for cell in row] for row in of_parquet] == [list(row) for row in of_xlsx]
    assert of_parquet == [("=1+1", 1, 0.25, "Ⅷ ± 0.1 mm"), ("b", None, None, ""), ("-", 3, 1.0, "two lines")]
    with (tmp_path / "s.csv").open(encoding="utf-8-sig", newline="") as file:
        of_csv = list(csv.reader(file))[1:]
    assert [[cell.removeprefix("'") for cell in row] for row in of_csv] == [
        ["" if cell is None else str(cell) for cell in row] for row in of_parquet
    ]


def test_parquet_columns_keep_their_type_without_rows(tmp_path):
    tables = pytest.importorskip("pyarrow.parquet")
    sheet.write(tmp_path / "s.parquet", [replace(MIXED, rows=())])
    table = tables.read_table(tmp_path / "s.parquet")
    assert [str(each.type) for each in table.schema] == ["string", "int64", "double", "string"]


@pytest.mark.parametrize(("ending", "package"), [("xlsx", "XlsxWriter"), ("parquet", "pyarrow")])
def test_what_is_missing_is_named(tmp_path, monkeypatch, ending, package):
    monkeypatch.setattr(sheet.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(UsageError, match=rf"needs {package}: pip install 'tapwright\["):
        sheet.check(tmp_path / f"s.{ending}")
    sheet.check(tmp_path / "s.csv")


def test_a_schedule_that_can_not_be_written_leaves_the_old_one(tmp_path, monkeypatch):
    out = tmp_path / "s.csv"
    out.write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(UsageError, match="No space left"):
        sheet.write(out, [sheet.Sheet("s", ("a",), (("b",),))])
    assert out.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["s.csv"]


def drawing(seed: int) -> Image.Image:
    """Random boxes and discs, 800 × 600 px."""
    rng = np.random.default_rng(seed)
    image = Image.new("RGB", (800, 600), tuple(rng.integers(60, 200, 3).tolist()))
    draw = ImageDraw.Draw(image)
    for _ in range(25):
        x, y, w, h = (*rng.integers(0, (750, 550)).tolist(), *rng.integers(30, 300, 2).tolist())
        shape = draw.ellipse if rng.random() < 0.5 else draw.rectangle
        shape((x, y, x + w, y + h), fill=tuple(rng.integers(0, 256, 3).tolist()))
    return image


def prints(image: Image.Image, **saving: object) -> str:
    file = io.BytesIO()
    image.save(file, "JPEG", **saving)
    return likeness.print_of(photo.load(file.getvalue()).rgb)


def test_likeness_survives_a_new_size_exposure_and_compression_and_tells_drawings_apart():
    marks = [prints(drawing(seed)) for seed in range(20)]
    for seed, mark in enumerate(marks):
        small = drawing(seed).resize((640, 480)).point(lambda code: min(255, int(1.1 * code)))
        assert likeness.alike((mark, ""), (prints(small, quality=50), ""))
        assert not any(likeness.alike((mark, ""), (other, "")) for other in marks[seed + 1 :])


def turned(features: np.ndarray, degrees: float) -> np.ndarray:
    """Features at that angle to ``features``, of another size and level, which traits do not see."""
    own = features - features.mean()
    other = np.random.default_rng(9).standard_normal(len(own))
    other -= other.mean() + own * (other @ own) / (own @ own)
    other *= np.linalg.norm(own) / np.linalg.norm(other)
    made = np.cos(np.radians(degrees)) * own + np.sin(np.radians(degrees)) * other
    return np.asarray(3.0 * made + 0.7, np.float32)


@pytest.mark.parametrize("degrees", [0.0, 10.0, 30.0, 60.0, 90.0])
def test_traits_tell_the_angle_between_features(degrees):
    """Each sign differs with the chance angle / pi (Charikar 2002); 256 signs know it to 0.03 of pi at worst (1 sd)."""
    features = np.random.default_rng(8).gamma(0.5, 1.0, 1280).astype(np.float32)
    one, other = (int(likeness.traits_of(f), 16) for f in (features, turned(features, degrees)))
    share = (one ^ other).bit_count() / likeness.TRAIT_BITS
    assert share == pytest.approx(degrees / 180, abs=0.1 if degrees else 0)


TRAITS = "5a" * 32


def other_traits(share: float) -> str:
    """Traits of which that share differs from TRAITS."""
    return f"{int(TRAITS, 16) ^ ((1 << round(share * likeness.TRAIT_BITS)) - 1):064x}"


@pytest.mark.parametrize(
    ("bits", "share", "one"),
    [
        (0, 0.0, True),
        (0, likeness.FAR_TRAITS - 0.02, True),
        (0, likeness.FAR_TRAITS + 0.02, False),  # the same grey picture of something else
        (32, likeness.NEAR_TRAITS - 0.02, True),  # the same thing from a step aside
        (32, likeness.NEAR_TRAITS + 0.02, False),
        (0, None, True),  # a record without traits
        (32, None, False),
    ],
)
def test_what_looks_like_one_thing(bits, share, one):
    other = (f"{(1 << bits) - 1:016x}", "" if share is None else other_traits(share))
    assert likeness.alike(("0" * 16, TRAITS), other) is one
    assert likeness.alike(other, ("0" * 16, TRAITS)) is one


def test_the_first_tap_that_looks_like_it_is_found_among_many():
    marks, rng = likeness.Marks(), np.random.default_rng(4)
    many = [(rng.bytes(8).hex(), rng.bytes(32).hex()) for _ in range(300)]
    for mark in many:
        marks.add(*mark)
    assert [marks.like(*mark) for mark in many] == [[number] for number in range(300)]


@pytest.mark.parametrize(
    ("change", "taps"),
    [
        ({}, 1),
        ({"traits": other_traits(0.4)}, 2),
        ({"likeness": "f" * 16, "traits": TRAITS}, 1),
        ({"answer": "unsure"}, 1),
        ({"likeness": "f" * 16, "traits": ""}, 2),
        ({"answer": "thermostatic", "likely": "thermostatic"}, 2),
        ({"answer": "none", "likely": "none"}, 1),
    ],
)
def test_which_photos_are_one_tap(change, taps):
    room = ("north", "1", "bath")
    rows = [
        Row(site.Shot(f"{name}.jpg", name, "", room), found)
        for name, found in (("a", FOUND), ("b", replace(FOUND, **change)))
    ]
    drawn = draw_up(("building", "floor", "room"), rows)
    assert len(drawn.taps) == taps
    assert [row.first for row in drawn.rows if row.first] == (
        ["a.jpg"] if taps == 1 and "none" not in change.values() else []
    )
    assert next(iter(drawn.taps.values())).answer == "sensor"


def test_what_may_be_a_fitting_is_checked_on_site():
    found = replace(FOUND, answer="none", likely="none", prediction_set=("none", "sensor"), view="")
    drawn = draw_up(("room",), [Row(site.Shot("a.jpg", "a", "", ("bath",)), found)])
    schedule, counts, parts, _, _ = drawn.sheets()
    (row,) = (dict(zip(schedule.heads, cells, strict=True)) for cells in schedule.rows)
    assert (row["look first"], row["could also be"]) == ("several classes", "Sensor tap or its solenoid valve")
    assert "open" in row["check on site"]
    assert counts.rows == (("bath", "none", 1, 0), ("all", "", 1, 0))
    assert parts.rows == ()


def carried(**change: object) -> list[dict[str, object]]:
    """The candidates for three installed taps that look alike to the program, in rooms of their own."""
    rows = [
        Row(site.Shot(f"{room}.jpg", room, "", (room,)), replace(FOUND, likeness="0" * 16, **change)) for room in "abc"
    ]
    *_, told = draw_up(("room",), rows).sheets()
    return [dict(zip(told.heads, line, strict=True)) for line in told.rows]


def test_candidates_for_installed_taps_are_what_the_rules_leave_possible():
    name = "single-lever-cartridge"
    lines = carried(answer=name, likely=name, varieties=(("base", "flat", 0.8),))
    assert {line["class"] for line in lines} == {name}
    assert {line["installed taps"] for line in lines} == {3}
    expected = [line["expected among them"] for line in lines]
    assert expected == sorted(expected, reverse=True)
    assert 2.0 < sum(expected) <= 3.1  # rare sizes are left out
    assert "35 mm, flat base" in lines[0]["candidate"]
    assert "body diameter [mm]: 35.0" in lines[0]["sizes and kinds"]
    for line in lines:  # what a look at the outside leaves open, and what would tell
        assert "body diameter" in line["can't be known from outside"]
        assert "body diameter of the cartridge in mm?" in line["check on site"]


def test_a_loose_part_is_no_candidate_to_carry():
    assert carried(view="lying") == []
    assert carried(answer="none", likely="none", view="") == []


def test_a_folder_that_can_not_be_read_is_named(tmp_path, monkeypatch):
    (tmp_path / "locked").mkdir()
    real = os.scandir

    def scandir(path):  # root may read every folder, so permissions alone would not show it
        if Path(path).name == "locked":
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    with pytest.raises(UsageError, match="locked"):
        site.find(tmp_path, ("room",))


def test_a_small_photo_is_read_whole():
    data = (ROOT / "data_synthetic" / "demo" / "installed.jpg").read_bytes()
    recognition, shot = glance.recognise_photo(data)
    network, whole = glance.recognisers.load().surveying(), photo.load(data)
    looks = network.looks(whole.rgb, until=network.card.sure_at)
    assert shot.reduced == 1
    assert recognition.probabilities == network.settle(looks, whole.rgb.shape[:2]).probabilities


def large() -> bytes:
    """A 12 MP JPEG of an installed tap."""
    with Image.open(ROOT / "data_synthetic" / "demo" / "installed.jpg") as image:
        file = io.BytesIO()
        image.resize((4032, 3024)).save(file, "JPEG", quality=92)
    return file.getvalue()


def test_features_are_those_of_the_first_look_of_a_survey():
    rgb = photo.load(ROOT / "data_synthetic" / "demo" / "installed.jpg").rgb
    recognition, shot = glance.recognise_photo((ROOT / "data_synthetic" / "demo" / "installed.jpg").read_bytes())
    assert shot.reduced == 1
    assert (glance.features(rgb) == recognition.features).all()


def test_a_large_photo_is_read_at_a_quarter_and_says_the_same():
    recognition, shot = glance.recognise_photo(large())
    whole = glance.recognisers.load().recognise(photo.load(large()))
    assert shot.reduced == 4
    assert recognition.answer == whole.answer
    assert recognition.view == whole.view


@pytest.mark.parametrize(
    ("side_px", "sureness", "reduced"),
    [(500.0, 0.0, 4), (192.0, 0.0, 4), (191.0, 0.0, 2), (40.0, 0.0, 2), (40.0, 1.0, 4)],
)
def test_a_small_part_is_read_at_a_half_unless_its_class_is_sure(monkeypatch, side_px, sureness, reduced):
    recognisers = glance.recognisers
    monkeypatch.setattr(recognisers.Classifier, "sureness", lambda network, looks: sureness)
    seen = recognisers.Square(300.0, 200.0, side_px)  # on the picture at a quarter of its size
    monkeypatch.setattr(recognisers, "part_square", lambda look, size_hw, share: seen)
    _, shot = glance.recognise_photo(large())
    assert shot.reduced == reduced
    assert recognisers.load().card.input_px == 256


def test_a_blurred_near_look_that_left_doubt_is_taken_again_on_the_finer_picture(monkeypatch):
    recognisers, seen = glance.recognisers, []
    near = recognisers.Square(300.0, 200.0, 100.0)
    taken = recognisers.Classifier.look

    def look(network, rgb, square, number=0):
        seen.append((number, rgb.shape[1], square.side_px))
        return taken(network, rgb, square, number)

    monkeypatch.setattr(recognisers.Classifier, "look", look)
    monkeypatch.setattr(recognisers.Classifier, "sureness", lambda network, looks: 0.0)
    monkeypatch.setattr(recognisers, "part_square", lambda look, size_hw, share: near)
    glance.recognise_photo(large())
    assert seen[:4] == [(0, 1008, 1008.0), (1, 1008, 100.0), (1, 2016, 100.0), (2, 2016, 100.0)]


def test_a_photo_that_takes_too_long_is_one_row(tmp_path, monkeypatch):
    monkeypatch.setattr(crew, "LIMIT_S", -1.0)
    monkeypatch.setattr(crew, "wait", lambda *_given, **_named: [])  # else a quick machine may be done in time
    shots = [site.Shot(f"{name}.jpg", str(ROOT / "data_synthetic" / "demo" / "bench.jpg"), "", ()) for name in "ab"]
    told = list(crew.work_through(shots, workers=1, scale=None, known=()))
    assert [(outcome.number, outcome.error) for outcome in told] == [(0, crew.TOO_LONG), (1, crew.TOO_LONG)]


def test_a_damaged_zip_entry_is_a_photo_error(tmp_path):
    import zipfile

    path = tmp_path / "photos.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as file:
        file.writestr("a.jpg", b"0123456789" * 50)
    path.write_bytes(path.read_bytes().replace(b"89012", b"89_12", 1))  # its checksum no longer holds
    assert archive.entries(path) == ("a.jpg",)
    with pytest.raises(PhotoError, match="damaged in the ZIP"):
        archive.read(str(path), "a.jpg", 1000)


@pytest.mark.parametrize(("seconds", "want"), [(0, "0:00"), (61, "1:01"), (3725, "1:02:05")])
def test_progress_is_shown_on_a_terminal_only(monkeypatch, seconds, want):
    class Screen(io.StringIO):
        def isatty(self) -> bool:
            return self.watched

    clock = [100.0]
    monkeypatch.setattr(face.time, "monotonic", lambda: clock[0])
    for watched in (False, True):
        screen = Screen()
        screen.watched = watched
        monkeypatch.setattr(sys, "stderr", screen)
        bar = face._Bar()
        clock[0] += 10
        bar.told(12, 2, 12 + seconds)  # ten new ones in ten seconds
        bar.finish()
        said = screen.getvalue()
        assert said == (f"\r\033[K12 of {12 + seconds} photos, 1.0 a second, {want} left\n" if watched else "")


def test_findings_survive_json():
    assert finding.Finding.from_json(json.loads(json.dumps(FOUND.as_json()))) == FOUND
