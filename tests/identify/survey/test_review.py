"""A finished survey looked through: the queue, decisions that outlive a kill, the schedule drawn up anew."""

from __future__ import annotations

import csv
import json
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from identify import cli
from identify.errors import PhotoError, UsageError
from identify.survey import decisions, finding, inventory, journal, schedule, site
from identify.survey.inventory import beside
from identify.survey.progress import Progress
from identify.survey.review import Review

ROOT = Path(__file__).parents[3]
PLACES = ("building", "floor", "room")
HERE, THERE = ("north", "1", "bath"), ("north", "1", "hall")
RECIPE = "as tested"


def found(number: int, answer: str, likely: str = "", **others: object) -> finding.Finding:
    plain = finding.Finding(
        sha256=f"{number:064x}",
        answer=answer,
        likely=likely or answer,
        probability=0.5 if answer == "unsure" else 0.9,
        prediction_set=(likely or answer,),
        view="installed",
        varieties=(),
        measured=(),
        advice=("Look.",),
        likeness=f"{(1 << 60) // 7 * number % (1 << 63):016x}",
    )
    return replace(plain, **others)


SENSOR = found(1, "sensor")
FINDINGS = {
    "a sure.jpg": SENSOR,
    "b joined.jpg": replace(SENSOR, sha256="b" * 64),
    "c unsure.jpg": found(3, "unsure", "thermostatic", varieties=(("form", "bar-mixer", 0.8),)),
    "d several.jpg": found(4, "sensor", prediction_set=("sensor", "none")),
    "e none.jpg": found(5, "none", view=""),
}
QUEUE = ["c unsure.jpg", "torn.jpg", "d several.jpg", "b joined.jpg"]


@pytest.fixture
def out(tmp_path) -> Path:
    """A survey of five photos and a torn one, as the program leaves it."""
    path = tmp_path / "schedule.csv"
    entries = [
        inventory.Entry(site.Shot(file, f"/gone/{file}", "", HERE), each.sha256) for file, each in FINDINGS.items()
    ]
    entries.append(inventory.Entry(site.Shot("torn.jpg", "/gone/torn.jpg", "", THERE), "", "It is damaged."))
    inventory.write(beside(path, inventory.PHOTOS), inventory.Inventory(RECIPE, PLACES, False, tuple(entries)))
    with Progress(beside(path, inventory.PROGRESS), RECIPE) as kept:
        for each in FINDINGS.values():
            kept.keep(each)
    Review(path).rewrite()
    return path


def rows(path: Path) -> dict[str, dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return {row["photo"]: row for row in csv.DictReader(file)}


def lines(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.reader(file))[1:]


def test_the_doubtful_ones_come_first(out):
    review = Review(out)
    assert [row.shot.file for row in review.schedule.queue] == QUEUE
    assert [row.look_first for row in review.schedule.queue] == ["unsure", "unreadable", "several classes", "joined"]
    assert [row.shot.file for row in review.schedule.rows[len(QUEUE) :]] == ["a sure.jpg", "e none.jpg"]


def test_a_decision_stands_beside_what_the_program_said(out):
    review = Review(out)
    row = review.decide(
        "c unsure.jpg", "compression-screw", varieties={"spindle": "exposed"}, note="=taken apart", by="Ada"
    )
    assert (row.answer, row.said, row.look_first) == ("compression-screw", "unsure", "")
    review.rewrite()
    written = rows(out)["c unsure.jpg"]
    assert (written["class"], written["program said"], written["probability"]) == ("compression-screw", "unsure", "0.5")
    assert written["fitting"] == "Screw-down head"
    assert written["decided by"].startswith("Ada, 20")
    assert written["note"] == "'=taken apart"  # no formula
    assert written["variety"] == "spindle: exposed (decided)"  # a bar mixer is no variety of it
    assert written["could also be"] == "Thermostatic element or mixer"
    assert "class" not in written["check on site"]
    assert "insert" in written["check on site"]  # a decision about the class opens no tap
    assert ["north", "1", "bath", "compression-screw", "1", "1"] in lines(out.with_name("schedule-counts.csv"))
    assert [line[:4] for line in lines(out.with_name("schedule-parts.csv"))] == [
        ["compression-screw", "Screw-down head", "1", "0"],
        ["sensor", "Sensor tap or its solenoid valve", "2", "0"],
    ]


def test_a_decision_holds_for_all_photos_of_the_tap_and_moves_no_number(out):
    before = {row.shot.file: row.tap for row in Review(out).schedule.rows}
    review = Review(out)
    review.decide("b joined.jpg", "thermostatic", by="Ada")
    first = review.row("a sure.jpg")
    assert (first.answer, first.said) == ("thermostatic", "sensor")
    assert {row.shot.file: row.tap for row in review.schedule.rows} == before
    review.rewrite()
    assert rows(out)["a sure.jpg"]["decided by"].endswith("UTC (on b joined.jpg)")
    assert [row.shot.file for row in review.schedule.queue] == QUEUE[:-1]
    with pytest.raises(UsageError, match=r"b joined\.jpg holds for it"):
        review.take_back("a sure.jpg")
    review.decide("b joined.jpg", "none")
    assert review.row("a sure.jpg").tap == 0
    assert review.row("c unsure.jpg").tap == before["c unsure.jpg"]


def test_two_decisions_of_different_classes_are_two_taps(out):
    review = Review(out)
    review.decide("b joined.jpg", "thermostatic")
    review.decide("a sure.jpg", "compression-screw")
    first, second = review.row("a sure.jpg"), review.row("b joined.jpg")
    assert (first.answer, second.answer) == ("compression-screw", "thermostatic")
    assert first.tap != second.tap
    assert second.first == ""


def test_a_photo_can_be_told_apart(out):
    review = Review(out)
    taps = len(review.schedule.taps)
    row = review.decide("b joined.jpg", "sensor", apart=True)
    assert row.first == ""
    assert len(review.schedule.taps) == taps + 1
    assert review.row("a sure.jpg").decision is None


def test_what_only_a_person_saw_is_a_tap_at_the_end(out):
    review = Review(out)
    numbers = {row.tap for row in review.schedule.rows}
    assert review.decide("torn.jpg", "sensor").tap == max(numbers) + 1
    assert review.decide("e none.jpg", "push-non-hold-open").tap == max(numbers) + 1  # e comes before torn
    review.rewrite()
    assert rows(out)["torn.jpg"]["advice"] == "It is damaged."
    assert rows(out)["torn.jpg"]["program said"] == "unreadable"
    counts = lines(out.with_name("schedule-counts.csv"))
    assert counts[-1] == ["", "", "all", "", "6", "5"]


def test_taken_back(out):
    before = out.read_bytes()
    review = Review(out)
    review.decide("c unsure.jpg", "sensor")
    review.rewrite()
    assert out.read_bytes() != before
    review.take_back("c unsure.jpg")
    review.rewrite()
    assert out.read_bytes() == before
    with pytest.raises(UsageError, match=r"no decision about c unsure\.jpg"):
        review.take_back("c unsure.jpg")
    kept = beside(out, inventory.DECISIONS).read_bytes().splitlines()
    assert len(kept) == 2  # nothing is ever changed


def test_another_photo_of_that_name_is_looked_at_anew(out):
    Review(out).decide("c unsure.jpg", "sensor")
    other = found(9, "unsure", "sensor")
    listed = inventory.read(beside(out, inventory.PHOTOS))
    entries = [
        replace(entry, sha256=other.sha256) if entry.shot.file == "c unsure.jpg" else entry for entry in listed.entries
    ]
    inventory.write(beside(out, inventory.PHOTOS), replace(listed, entries=tuple(entries)))
    with Progress(beside(out, inventory.PROGRESS), RECIPE) as kept:
        kept.keep(other)
    assert Review(out).row("c unsure.jpg").answer == "unsure"


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ({"file": "c unsre.jpg", "answer": "sensor"}, "did you mean c unsure.jpg"),
        ({"file": "c unsure.jpg", "answer": "sensors"}, "name one of sensor"),
        ({"file": "c unsure.jpg", "answer": "unsure"}, "no class 'unsure'"),
        ({"file": "c unsure.jpg", "answer": ""}, "Name the class"),
        ({"file": "c unsure.jpg", "answer": "sensor", "varieties": {"spindle": "exposed"}}, "no variety 'spindle'"),
        ({"file": "c unsure.jpg", "answer": "thermostatic", "varieties": {"form": "bar"}}, "bar-mixer"),
        ({"file": "c unsure.jpg", "answer": "sensor", "note": "x" * 1001}, "no more than 1000"),
    ],
)
def test_wrong_decisions_write_nothing(out, words, reason):
    with pytest.raises(UsageError, match=reason):
        Review(out).decide(**words)
    assert not beside(out, inventory.DECISIONS).exists()


@pytest.mark.parametrize("cut", [1, 8, 25, 60])
def test_a_torn_decision_is_trimmed(out, cut):
    path = beside(out, inventory.DECISIONS)
    Review(out).decide("c unsure.jpg", "sensor")
    whole = path.read_bytes()
    Review(out).decide("d several.jpg", "none")
    path.write_bytes(path.read_bytes()[: len(whole) + cut])
    review = Review(out)
    assert [row.shot.file for row in review.schedule.rows if row.decision is not None] == ["c unsure.jpg"]
    review.decide("d several.jpg", "sensor")
    assert path.read_bytes().startswith(whole)
    assert len(path.read_bytes().splitlines()) == 2


DECIDE = """
import sys
from pathlib import Path
from identify.survey.review import Review
review = Review(Path(sys.argv[1]))
for answer in ["sensor", "thermostatic"] * 10000:
    review.decide("c unsure.jpg", answer)
    print(answer, flush=True)
"""


def test_a_kill_loses_no_decision_that_was_told(out):
    run = subprocess.Popen([sys.executable, "-c", DECIDE, str(out)], cwd=ROOT, stdout=subprocess.PIPE)
    told = [run.stdout.readline() for _ in range(7)]
    run.send_signal(signal.SIGKILL)
    rest, _ = run.communicate()
    told += rest.splitlines()
    kept = journal.read(beside(out, inventory.DECISIONS), decisions.BEGIN, dict)
    assert len(told) <= len(kept) <= len(told) + 1
    Review(out).decide("c unsure.jpg", "none")
    assert Review(out).row("c unsure.jpg").answer == "none"


def test_two_people_at_once_lose_nothing(out):
    script = DECIDE.replace("10000", "10")
    runs = [
        subprocess.Popen([sys.executable, "-c", script, str(out)], cwd=ROOT, stdout=subprocess.DEVNULL) for _ in "ab"
    ]
    assert [run.wait(60) for run in runs] == [0, 0]
    assert len(journal.read(beside(out, inventory.DECISIONS), decisions.BEGIN, dict)) == 40


def test_a_new_run_of_the_survey_keeps_decisions(tmp_path, capsys):
    folder = tmp_path / "bath"
    folder.mkdir()
    with Image.open(ROOT / "data_synthetic" / "demo" / "installed.jpg") as image:
        image.save(folder / "a.jpg", comment="with words")
    words = ["survey", str(folder), "--out", str(tmp_path / "s.csv"), "--workers", "1"]
    assert cli.main(words) == 0
    assert cli.main(["review", str(tmp_path / "s.csv"), "--decide", "a.jpg=compression-screw", "--by", "Ada"]) == 0
    decided = (tmp_path / "s.csv").read_bytes()
    assert b"Ada" in decided
    assert cli.main(words) == 0
    assert (tmp_path / "s.csv").read_bytes() == decided
    small = Review(tmp_path / "s.csv").picture("a.jpg", 300)
    assert b"with words" not in small
    (folder / "a.jpg").unlink()
    with pytest.raises(PhotoError, match="no longer there"):
        Review(tmp_path / "s.csv").picture("a.jpg")
    capsys.readouterr()


def test_command(out, capsys):
    assert cli.main(["review", str(out)]) == 0
    *listed, summary = capsys.readouterr().out.splitlines()
    assert [file in line for file, line in zip(QUEUE, listed, strict=True)] == [True] * len(QUEUE)
    assert summary == "4 of 6 photos to look at, 0 decided."
    words = [
        "--decide",
        "c unsure.jpg=compression-screw",
        "--variety",
        "spindle=exposed",
        "--note",
        "seen",
        "--by",
        "Bo",
    ]
    assert cli.main(["review", str(out), *words, "--json", "--all"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["photos"], told["to_look_at"]) == (6, 3)
    (row,) = (row for row in told["listed"] if row["photo"] == "c unsure.jpg")
    assert (row["class"], row["program said"], row["note"]) == ("compression-screw", "unsure", "seen")
    assert rows(out)["c unsure.jpg"]["variety"] == row["variety"]
    assert cli.main(["review", str(out), "--take-back", "c unsure.jpg"]) == 0
    assert rows(out)["c unsure.jpg"]["class"] == "unsure"


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["--decide", "c unsure.jpg"], "PHOTO=CLASS"),
        (["--note", "x"], "add --decide"),
        (["--decide", "c unsure.jpg=sensor", "--decide", "d several.jpg=x"], "no class 'x'"),
        (["--take-back", "c unsure.jpg"], "no decision"),
    ],
)
def test_wrong_words(out, capsys, words, reason):
    assert cli.main(["review", str(out), *words]) == 2
    assert reason in capsys.readouterr().err
    assert not beside(out, inventory.DECISIONS).exists()


def test_no_survey_is_there(tmp_path, out, capsys):
    assert cli.main(["review", str(tmp_path / "other.csv")]) == 2
    assert "run the survey again" in capsys.readouterr().err
    beside(out, inventory.PROGRESS).unlink()
    assert cli.main(["review", str(out)]) == 2
    assert "lacks photos" in capsys.readouterr().err
    beside(out, inventory.PHOTOS).write_text("[1]\n")
    assert cli.main(["review", str(out)]) == 2
    assert "line 1" in capsys.readouterr().err


def test_every_reason_to_look_has_its_rank():
    assert schedule.LOOKS[-1] == ""
    assert len(set(schedule.LOOKS)) == len(schedule.LOOKS)
