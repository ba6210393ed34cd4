"""A survey as a surveyor meets it: stopped, killed, gone on with, with bad files in it, in a ZIP."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import random
import shutil
import signal
import stat
import subprocess
import sys
import time
import zipfile
from functools import partial
from pathlib import Path

import pytest
from PIL import Image, ImageEnhance

from identify import cli, survey

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "data_synthetic" / "demo"
PICTURES = sorted((ROOT / "tests" / "evaluation" / "images").glob("*.jpg"))[:16]
FORMULA_ROOM = "=HYPERLINK(A1)"
PROGRESS = "schedule.csv.progress.jsonl"
SHEETS = tuple(f"schedule{end}.csv" for end in ("", "-counts", "-parts", "-cautions", "-candidates"))
on_linux = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")


def again(path: Path) -> Image.Image:
    """The same view a moment later: the frame 2 % off, a little brighter."""
    picture = Image.open(path).convert("RGB")
    width, height = picture.size
    moved = picture.crop((width // 50, height // 60, width, height)).resize((width, height))
    return ImageEnhance.Brightness(moved).enhance(1.08)


@pytest.fixture(scope="module")
def building(tmp_path_factory) -> Path:
    """Two floors: rooms of different parts, one tap taken twice in its room and once more in another, bad files."""
    folder = tmp_path_factory.mktemp("survey") / "north"
    for number, path in enumerate(PICTURES):
        room = folder / "ground" / f"room {number % 3}"
        room.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, room)
    for room in (FORMULA_ROOM, "other"):
        (folder / "first" / room).mkdir(parents=True)
        shutil.copy(DEMO / "installed.jpg", folder / "first" / room / "a.jpg")
    again(DEMO / "installed.jpg").save(folder / "first" / FORMULA_ROOM / "b.jpg", quality=70)
    (folder / "first" / "other" / "torn.jpg").write_bytes((DEMO / "installed.jpg").read_bytes()[:5000])
    (folder / "first" / "other" / "words.png").write_text("no picture")
    (folder / "first" / "other" / "notes.txt").write_text("not a photo")
    (folder / "first" / "other" / "._a.jpg").write_text("left by a file manager")
    return folder


PHOTOS, BAD = len(PICTURES) + 5, 2


def command(source: Path, out: Path, *words: str) -> list[str]:
    return [sys.executable, "-m", "identify", "survey", str(source), "--out", str(out), "--workers", "1", *words]


def start(source: Path, out: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        command(source, out, "--workers", "2"),
        cwd=ROOT,
        start_new_session=True,
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),  # a shell's background job ignores it
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def lines(path: Path) -> list[bytes]:
    return path.read_bytes().splitlines() if path.exists() else []


def until(run: subprocess.Popen[bytes], progress: Path, count: int) -> None:
    """Wait for ``count`` photos."""
    stop = time.monotonic() + 60
    while len(lines(progress)) < count:
        assert run.poll() is None, "it ended before it was to be stopped"
        assert time.monotonic() < stop
        time.sleep(0.005)


def members(session: int) -> list[int]:
    """Living processes of a session."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                text = (entry / "stat").read_text()
            except OSError:
                continue
            state, _, _, its_session = text.rsplit(")", 1)[1].split()[:4]
            if int(its_session) == session and state != "Z":
                found.append(int(entry.name))
    return found


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def undisturbed(building, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("undisturbed") / "schedule.csv"
    done = subprocess.run(command(building, out, "--json"), cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stderr
    summary = json.loads(done.stdout)
    assert (summary["rows"], summary["failed"], summary["known_before"]) == (PHOTOS, BAD, 0)
    assert [each["file"] for each in summary["errors"]] == ["first/other/torn.jpg", "first/other/words.png"]
    assert "torn.jpg" in done.stderr
    assert "\r" not in done.stderr  # no progress bar where nobody watches
    return out


def test_a_row_a_photo(building, undisturbed):
    found = rows(undisturbed)
    files = {path.relative_to(building).as_posix() for path in building.rglob("*.*") if path.suffix != ".txt"}
    files = {file for file in files if "/._" not in file}
    assert {row["photo"] for row in found} == files
    assert len(found) == len(files) == PHOTOS


def test_bad_files_are_rows_with_their_reason(undisturbed):
    bad = {row["photo"]: row for row in rows(undisturbed) if row["class"] == "unreadable"}
    assert set(bad) == {"first/other/torn.jpg", "first/other/words.png"}
    assert "damaged" in bad["first/other/torn.jpg"]["advice"]
    assert all(row["tap"] == "" and row["look first"] == "unreadable" for row in bad.values())


def test_unsure_ones_come_first(undisturbed):
    order = [row["look first"] for row in rows(undisturbed)]
    ranks = [("unsure", "unreadable", "several classes", "joined", "").index(word) for word in order]
    assert ranks == sorted(ranks)
    assert ranks[0] == 0


def test_places_come_from_the_folders(undisturbed):
    row = next(row for row in rows(undisturbed) if row["photo"] == "first/other/a.jpg")
    assert (row["building"], row["floor"], row["room"]) == ("north", "first", "other")


def test_two_photos_of_one_tap_are_one_tap_in_one_room_only(undisturbed):
    found = {row["photo"]: row for row in rows(undisturbed)}
    first, second = (found[f"first/{FORMULA_ROOM}/{name}.jpg"] for name in "ab")
    assert second["same tap as"] == first["photo"]
    assert first["tap"] == second["tap"] != found["first/other/a.jpg"]["tap"]
    assert first["same tap as"] == ""
    joined = [row for row in found.values() if row["same tap as"]]
    assert joined == [second]  # the evaluation pictures are all of different parts


def test_counts_equal_rows(undisturbed):
    found = rows(undisturbed)
    counts = rows(undisturbed.with_name("schedule-counts.csv"))
    *lines_, total = counts
    assert sum(int(line["photos"]) for line in lines_) == int(total["photos"]) == PHOTOS
    taps = {row["tap"] for row in found if row["tap"]}
    assert sum(int(line["taps"]) for line in lines_) == int(total["taps"]) == len(taps)
    for line in lines_:
        here = [row for row in found if all(row[key] == line[key] for key in ("floor", "room", "class"))]
        assert len(here) == int(line["photos"])
    parts = rows(undisturbed.with_name("schedule-parts.csv"))
    assert sum(int(line["taps"]) for line in parts) == len(taps)


def test_an_installed_tap_is_to_be_checked_on_site(undisturbed):
    installed = [row for row in rows(undisturbed) if row["view"] == "installed"]
    assert installed
    assert all("can't be known from outside" in row["check on site"] for row in installed)
    assert all("isolate" in row["advice"] and "Shut off the supply" in row["cautions"] for row in installed)


def test_no_cell_is_a_formula(undisturbed):
    assert undisturbed.read_bytes().startswith(b"\xef\xbb\xbf")
    texts = [cell for row in rows(undisturbed) for cell in row.values()]
    assert [cell for cell in texts if cell.startswith(("=", "+", "-", "@", "\t", "\r"))] == []
    assert f"'{FORMULA_ROOM}" in texts


@on_linux
def test_killed_and_gone_on_with_is_the_same_schedule(building, undisturbed, tmp_path):
    out = tmp_path / "schedule.csv"
    run = start(building, out)
    until(run, tmp_path / PROGRESS, 4)
    run.kill()
    run.communicate()
    assert not out.exists()
    kept = lines(tmp_path / PROGRESS)
    assert 4 <= len(kept) < PHOTOS - BAD - 1
    stop = time.monotonic() + 20
    while (left := members(run.pid)) and time.monotonic() < stop:
        time.sleep(0.05)
    assert left == []  # no worker outlives its parent

    with (tmp_path / PROGRESS).open("ab") as file:
        file.write(kept[0][:-7])  # the kill came in the middle of a line
    done = subprocess.run(command(building, out, "--json"), cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stderr
    assert json.loads(done.stdout)["known_before"] >= len(kept)
    for name in SHEETS:
        assert (tmp_path / name).read_bytes() == undisturbed.with_name(name).read_bytes()
    hashes = [json.loads(line)["finding"]["sha256"] for line in lines(tmp_path / PROGRESS)]
    assert len(hashes) == len(set(hashes))
    assert set(hashes) == {json.loads(line)["finding"]["sha256"] for line in lines(undisturbed.with_name(PROGRESS))}


@on_linux
def test_twenty_kills_change_nothing(building, undisturbed, tmp_path):
    out, dice = tmp_path / "schedule.csv", random.Random(20)
    for number in range(20):
        kept = lines(tmp_path / PROGRESS)
        run = start(building, out)
        stop = time.monotonic() + (dice.uniform(0.05, 2.5) if number % 2 else 60)
        while run.poll() is None and time.monotonic() < stop:  # by the clock, or right after another photo is done
            if number % 2 == 0 and len(lines(tmp_path / PROGRESS)) > len(kept):
                break
            time.sleep(0.002)
        run.kill()
        run.communicate()
        stop = time.monotonic() + 20
        while (left := members(run.pid)) and time.monotonic() < stop:
            time.sleep(0.02)
        assert left == []
        whole = max(0, len(kept) - 1)  # but for a torn end, all is kept
        assert lines(tmp_path / PROGRESS)[:whole] == kept[:whole]
    assert len(lines(tmp_path / PROGRESS)) >= 10
    done = subprocess.run(command(building, out), cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stderr
    for name in SHEETS:
        assert (tmp_path / name).read_bytes() == undisturbed.with_name(name).read_bytes()
    hashes = [json.loads(line)["finding"]["sha256"] for line in lines(tmp_path / PROGRESS)]
    assert len(hashes) == len(set(hashes))


@on_linux
def test_a_killed_worker_costs_one_row(building, tmp_path):
    out = tmp_path / "schedule.csv"
    run = start(building, out)
    until(run, tmp_path / PROGRESS, 3)
    worker = next(pid for pid in members(run.pid) if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes())
    os.kill(worker, signal.SIGKILL)
    _, said = run.communicate(timeout=60)
    assert run.returncode == 1, said
    bad = [row for row in rows(out) if "ended the program" in row["advice"]]
    assert len(bad) == 1
    assert len(rows(out)) == PHOTOS


def test_ctrl_c_leaves_a_valid_partial_schedule(building, tmp_path):
    out = tmp_path / "schedule.csv"
    run = start(building, out)
    until(run, tmp_path / PROGRESS, 3)
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does: to parent and workers
    _, said = run.communicate(timeout=60)
    assert run.returncode == 130
    assert b"Traceback" not in said
    assert b"Stopped after" in said
    assert 3 <= len(rows(out)) < PHOTOS
    assert int(rows(tmp_path / "schedule-counts.csv")[-1]["photos"]) == len(rows(out))


def test_a_stop_while_going_on_keeps_the_rows_that_were_known(building, undisturbed, tmp_path):
    progress = shutil.copy(undisturbed.with_name(PROGRESS), tmp_path)

    def stop(done: int, known: int, photos: int) -> None:
        if done == 1:
            raise KeyboardInterrupt

    found = survey.run(building, Path(progress), told=stop)
    assert found.stopped
    whole = [row["photo"] for row in rows(undisturbed) if row["class"] != "unreadable"]
    assert [row.shot.file for row in found.schedule.rows if not row.error] == whole


def test_a_second_survey_into_one_file_is_refused(building, tmp_path, capsys):
    fcntl = pytest.importorskip("fcntl")
    with (tmp_path / PROGRESS).open("ab") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        assert cli.main(["survey", str(building), "--out", str(tmp_path / "schedule.csv")]) == 2
    assert "Another survey" in capsys.readouterr().err


def test_a_file_that_is_no_progress_is_left_alone(building, tmp_path, capsys):
    for content in (b"my diary", b"my diary\n", b'{"recipe":"1","finding":{}}\n'):
        (tmp_path / PROGRESS).write_bytes(content)
        assert cli.main(["survey", str(building), "--out", str(tmp_path / "schedule.csv")]) == 2
        assert (tmp_path / PROGRESS).read_bytes() == content
    assert "line 1" in capsys.readouterr().err


def packed(path: Path, building: Path) -> Path:
    with zipfile.ZipFile(path, "w") as file:
        for name in (f"first/{FORMULA_ROOM}/a.jpg", "first/other/torn.jpg"):
            file.write(building / name, name)
    return path


def test_a_zip_gives_the_rows_of_its_folder(building, undisturbed, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    source = packed(tmp_path / "north.zip", building)
    assert cli.main(["survey", str(source), "--out", "schedule.csv", "--workers", "1"]) == 1
    want = {row["photo"]: row for row in rows(undisturbed)}
    for row in rows(tmp_path / "schedule.csv"):
        assert {**row, "tap": ""} == {**want[row["photo"]], "tap": ""}
    made = {path.name for path in tmp_path.iterdir()}
    assert made == {
        "north.zip",
        PROGRESS,
        "schedule.csv.photos.jsonl",
        *(f"schedule{end}.csv" for end in ("", "-counts", "-parts", "-cautions", "-candidates")),
    }
    capsys.readouterr()


def test_a_zip_with_corrupt_files_is_rows_with_their_reasons(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    whole = Image.open(DEMO / "installed.jpg").resize((400, 300))
    whole.save(tmp_path / "small.jpg")
    good = (tmp_path / "small.jpg").read_bytes()
    (tmp_path / "small.jpg").unlink()
    with zipfile.ZipFile(tmp_path / "north.zip", "w", zipfile.ZIP_STORED) as file:
        for number in range(38):
            file.writestr(f"1/room {number % 4}/{number:02d}.jpg", good + b"%d" % number)
        file.writestr("1/room 1/torn.jpg", good[: len(good) // 2])
        file.writestr("1/room 1/changed.jpg", good[:500] + b"SPOILT" + good[506:])
    packed_ = (tmp_path / "north.zip").read_bytes()
    (tmp_path / "north.zip").write_bytes(packed_.replace(b"SPOILT", b"spoilt"))  # its checksum no longer holds
    assert cli.main(["survey", "north.zip", "--out", "out/schedule.csv", "--workers", "1"]) == 1
    capsys.readouterr()
    found = rows(tmp_path / "out" / "schedule.csv")
    bad = {row["photo"]: row["advice"] for row in found if row["class"] == "unreadable"}
    assert len(found) == 40
    assert "damaged" in bad.pop("1/room 1/torn.jpg")
    assert "damaged in the ZIP" in bad.pop("1/room 1/changed.jpg")
    assert bad == {}
    assert {path.name for path in tmp_path.iterdir()} == {"north.zip", "out"}
    assert all(path.name.startswith("schedule") for path in (tmp_path / "out").iterdir())


def link(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name)
    entry.external_attr = (stat.S_IFLNK | 0o777) << 16
    return entry


@pytest.mark.parametrize(
    ("name", "content", "reason"),
    [
        ("../../out.jpg", b"x", "leads out"),
        ("/etc/out.jpg", b"x", "leads out"),
        ("a\\..\\..\\out.jpg", b"x", "leads out"),
        ("C:/out.jpg", b"x", "leads out"),
        ("room/inner.zip", b"x", "archive within"),
        ("room/bomb.jpg", b"\0" * 5_000_000, "times its size"),
        (link("room/link.jpg"), b"/etc/passwd", "is a link"),
        ("room/good.jpg", b"twice", "two files of one name"),
    ],
)
def test_zips_that_are_refused(building, tmp_path, capsys, name, content, reason):
    inside = tmp_path / "inside"
    inside.mkdir()
    source = inside / "photos.zip"
    with zipfile.ZipFile(source, "w", zipfile.ZIP_DEFLATED) as file:
        file.write(DEMO / "installed.jpg", "room/good.jpg")
        with pytest.warns(UserWarning, match="Duplicate") if "two files" in reason else contextlib.nullcontext():
            file.writestr(name, content)
    assert cli.main(["survey", str(source), "--out", str(inside / "schedule.csv")]) == 2
    assert reason in capsys.readouterr().err
    assert {path.name for path in tmp_path.rglob("*")} == {"inside", "photos.zip"}


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["nowhere", "--out", "s.csv"], "neither a folder nor a ZIP"),
        (["empty", "--out", "s.csv"], "holds no photo"),
        (["empty", "--out", "s.pdf"], ".xlsx"),
        (["empty", "--out", "s.csv", "--thumbnails"], "thumbnails"),
        (["empty", "--out", "s.csv", "--places", "room/room"], "--places"),
        (["empty", "--out", "s.csv", "--scale", "groat"], "groat"),
        (["torn.zip", "--out", "s.csv"], "not a ZIP"),
    ],
)
def test_wrong_words(tmp_path, monkeypatch, capsys, words, reason):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    (tmp_path / "torn.zip").write_bytes(b"PK\x03\x04 and no more")
    assert cli.main(["survey", *words]) == 2
    assert reason in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty", "torn.zip"]


def test_workbook_holds_text_not_formulas(building, tmp_path, capsys):
    pytest.importorskip("xlsxwriter")
    openpyxl = pytest.importorskip("openpyxl")
    out = tmp_path / "schedule.xlsx"
    source = packed(tmp_path / "north.zip", building)
    assert cli.main(["survey", str(source), "--out", str(out), "--workers", "1", "--thumbnails"]) == 1
    capsys.readouterr()
    book = openpyxl.load_workbook(out)
    assert book.sheetnames == ["schedule", "counts", "parts", "cautions", "candidates"]
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n"}
    assert FORMULA_ROOM in [cell.value for cell in cells]
    assert len(book["schedule"]._images) == 1  # none for the torn one
    assert book["schedule"].max_row == 1 + 2


OFFICE = shutil.which("soffice")
ALL_SHEETS = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1"


@pytest.mark.skipif(OFFICE is None, reason="LibreOffice is not installed (Debian: libreoffice-calc)")
def test_libreoffice_reads_the_workbook_and_its_counts_equal_the_rows(building, undisturbed, tmp_path, capsys):
    pytest.importorskip("xlsxwriter")
    out = tmp_path / "schedule.xlsx"
    shutil.copy(undisturbed.with_name(PROGRESS), tmp_path / f"{out.name}.progress.jsonl")
    assert cli.main(["survey", str(building), "--out", str(out), "--workers", "1", "--thumbnails"]) == 1
    capsys.readouterr()
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    words = [OFFICE, profile, "--headless", "--convert-to", ALL_SHEETS, "--outdir", str(tmp_path), str(out)]
    subprocess.run(words, capture_output=True, check=True, timeout=120)
    read = {
        name: rows(tmp_path / f"schedule-{name}.csv")
        for name in ("schedule", "counts", "parts", "cautions", "candidates")
    }
    for name, its_rows in read.items():
        want = rows(undisturbed.with_name("schedule.csv" if name == "schedule" else f"schedule-{name}.csv"))
        assert len(its_rows) == len(want)
        for row, other in zip(its_rows, want, strict=True):
            for head in set(other) - {"probability"}:  # shown as a percentage
                assert row[head] == other[head].removeprefix("'"), (name, head)
    *lines_, total = read["counts"]
    assert sum(int(line["photos"]) for line in lines_) == int(total["photos"]) == len(read["schedule"]) == PHOTOS
    assert int(total["taps"]) == len({row["tap"] for row in read["schedule"] if row["tap"]})


def test_parquet_holds_the_rows_of_the_csv(undisturbed, building, tmp_path, capsys):
    tables = pytest.importorskip("pyarrow.parquet")
    shutil.copy(undisturbed.with_name(PROGRESS), tmp_path / "schedule.parquet.progress.jsonl")
    assert cli.main(["survey", str(building), "--out", str(tmp_path / "schedule.parquet"), "--workers", "1"]) == 1
    capsys.readouterr()
    for name in ("schedule", "schedule-counts", "schedule-parts", "schedule-cautions", "schedule-candidates"):
        table = tables.read_table(tmp_path / f"{name}.parquet").to_pylist()
        as_text = [{head: "" if cell is None else str(cell) for head, cell in row.items()} for row in table]
        in_csv = rows(undisturbed.with_name(f"{name}.csv"))
        assert as_text == [{head: cell.removeprefix("'") for head, cell in row.items()} for row in in_csv]


def test_scale_measures_what_lies_on_a_bench(tmp_path, capsys):
    (tmp_path / "store").mkdir()
    shutil.copy(DEMO / "bench.jpg", tmp_path / "store")
    words = [
        "survey",
        str(tmp_path / "store"),
        "--out",
        str(tmp_path / "s.csv"),
        "--scale",
        "eur-1",
        "--places",
        "room",
    ]
    assert cli.main(words) == 0
    (row,) = rows(tmp_path / "s.csv")
    assert row["room"] == "store"
    assert " ± " in row["measured"]
    assert "not measured" not in row["check on site"]
    capsys.readouterr()
