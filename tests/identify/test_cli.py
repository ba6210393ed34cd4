"""The command as its users meet it: what goes where, and with which exit code."""

from __future__ import annotations

import importlib.util
import json
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image

from identify import __version__, cli, pipeline, report, tables


def _neighbour(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made_cases, bad_inputs = _neighbour("made_cases"), _neighbour("bad_inputs")
SCHEMA = json.loads((Path(report.__file__).with_name("case.schema.json")).read_text(encoding="utf-8"))
ROOT = Path(__file__).parents[2]


@pytest.fixture(autouse=True)
def _recogniser(monkeypatch):
    """The network says: an installed tap, so that no photo is measured here."""

    class Recogniser:
        def recognise(self, photo: object) -> object:
            return replace(made_cases.recognition(next(iter(tables.load().classes)), "installed"), labels=None)

    monkeypatch.setattr(pipeline.recognisers, "load", Recogniser)


@pytest.fixture
def good(tmp_path) -> str:
    """A photo whose file also tells where and by whom it was taken."""
    exif = Image.Exif()
    exif[0x013B] = "Jane Owner"
    exif.get_ifd(0x8769)[0xA405] = 26
    exif.get_ifd(0x8825).update({1: "S", 2: (33.0, 55.0, 31.25), 3: "E", 4: (18.0, 25.0, 26.4)})
    path = tmp_path / "good.jpg"
    bad_inputs.picture().save(path, exif=exif)
    return str(path)


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of the command."""
    try:
        code = cli.main(words)
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 0
    out, err = capsys.readouterr()
    return code, out, err


def cases(out: str) -> list[dict]:
    told = json.loads(out)
    jsonschema.Draft202012Validator(SCHEMA).validate(told)
    return told


@pytest.mark.parametrize("name", bad_inputs.NAMES)
def test_a_bad_photo_is_one_sentence_and_the_others_are_answered(name, good, tmp_path, capsys):
    folder = tmp_path / "bad"
    folder.mkdir()
    bad = str(bad_inputs.make(folder, name))
    code, out, err = run(capsys, "identify", bad, good, "--json")
    assert code == 1
    lines = [line for line in err.splitlines() if name in line]
    assert len(lines) == 1
    assert lines[0].startswith("tapwright: ")
    assert lines[0].endswith(".")
    assert "Traceback" not in err
    failed, answered = cases(out)
    assert failed == {"photos": [{"file": bad}], "error": lines[0].removeprefix("tapwright: ")}
    assert answered["photos"][0]["file"] == good


def test_text_of_a_good_photo(good, capsys):
    code, out, err = run(capsys, "identify", good)
    assert (code, err) == (0, "")
    assert out.startswith(good)
    assert "Take care" in out


def test_a_stock_list_adds_its_parts_and_nothing_else(good, tmp_path, capsys):
    parts = tmp_path / "parts.csv"
    parts.write_text("sku,class,thread,spindle,qty\nA-1,compression-screw,G1/2,exposed,3\n=2,compression-screw,,,\n")
    _, out, _ = run(capsys, "identify", good, "--json")
    code, listed, _ = run(capsys, "identify", good, good, "--same-part", "--stock", str(parts), "--json")
    assert code == 0
    [plain], [told] = cases(out), cases(listed)
    assert not any("stock" in each for each in plain["candidates"])
    assert [set(each) - {"stock"} for each in told["candidates"]] == [set(each) for each in plain["candidates"]]
    assert sum(each["probability"] for each in told["candidates"]) == pytest.approx(1.0, abs=1e-9)
    offers = {each["part_number"]: each for one in told["candidates"] for each in one["stock"]}
    assert (offers["A-1"]["quantity"], offers["=2"]["quantity"]) == (3, None)
    _, text, _ = run(capsys, "identify", good, "--stock", str(parts))
    assert "own stock: A-1, 3 pieces" in text
    assert "own stock: =2, number not stated" in text


def test_a_bad_stock_list_stops_before_any_photo(good, tmp_path, capsys):
    parts = tmp_path / "parts.csv"
    parts.write_text("sku,class\nA,sensr\nB,sensr\n")
    wanted = "tapwright: parts.csv:2:2 (class): 'sensr' is no known class; write sensor. (1 more; tapwright stock check"
    code, out, err = run(capsys, "identify", good, "--stock", str(parts))
    assert (code, out) == (2, "")
    assert err.startswith(wanted)


def test_order_of_the_arguments_is_kept(good, tmp_path, capsys):
    other = tmp_path / "another.png"
    bad_inputs.picture((700, 500)).save(other)
    _, out, _ = run(capsys, "identify", str(other), "missing.jpg", good, "--json")
    assert [told["photos"][0]["file"] for told in cases(out)] == [str(other), "missing.jpg", good]


def test_nothing_personal_leaves(good, tmp_path, capsys):
    drawn = tmp_path / "drawn.jpg"
    told = [run(capsys, "identify", good, *more) for more in (["--json"], ["--budget"], ["--overlay", str(drawn)])]
    for _, out, err in told:
        assert not any(word in out + err for word in ("Jane", "33.9", "55.0", "31.25", "GPS"))
    with Image.open(drawn) as picture:
        assert dict(picture.getexif()) == {}
    assert b"Jane" not in drawn.read_bytes()


def test_same_call_same_bytes(good, capsys):
    assert run(capsys, "identify", good, "--json") == run(capsys, "identify", good, "--json")


def test_same_part_is_one_case(good, tmp_path, capsys):
    other = tmp_path / "b.png"
    bad_inputs.picture().save(other)
    code, out, _ = run(capsys, "identify", good, str(other), "--same-part", "--json")
    assert code == 0
    assert [facts["file"] for facts in cases(out)[0]["photos"]] == [good, str(other)]
    code, out, err = run(capsys, "identify", good, "gone.jpg", "--same-part", "--json")
    assert code == 1
    assert [len(told) > 2 for told in cases(out)] == [False, True]
    assert "gone.jpg" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--scale", "eur1"], "did you mean eur-1"),
        (["--scale", "nonsense"], "tapwright tables show references"),
        (["--scale", "coin:abc"], "diameter in mm"),
        (["--scale", "coin:500"], "no coin has that diameter"),
        (["--height", "tall"], "no height in mm"),
        (["--height", "-3"], "no height in mm"),
        (["--answer", "seat"], "CHECK=VALUE"),
        (["--answer", "seatt=never"], "did you mean seat"),
        (["--answer", "seat=purple"], "purple"),
        (["--scale-on", "moon"], "moon"),
        (["--colour"], "--colour"),
    ],
)
def test_wrong_usage_is_one_sentence_with_the_next_step(words, said, good, capsys):
    code, out, err = run(capsys, "identify", good, *words)
    assert code == 2
    assert out == ""
    assert said in err
    assert "Traceback" not in err


@pytest.mark.parametrize("words", [[], ["identify"], ["paint"], ["tables", "show", "nothing"], ["tables", "show"]])
def test_unfinished_commands(words, capsys):
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert err


def test_patterns_that_the_shell_left(good, tmp_path, capsys):
    code, out, _ = run(capsys, "identify", str(tmp_path / "*.jpg"), "--json")
    assert code == 0
    assert [told["photos"][0]["file"] for told in cases(out)] == [good]
    code, _, err = run(capsys, "identify", str(tmp_path / "*.heic"))
    assert code == 2
    assert "No file matches" in err


def test_overlay_file_and_folder(good, tmp_path, capsys):
    before = Path(good).read_bytes()
    single, folder = tmp_path / "new" / "one.png", tmp_path / "many"
    assert run(capsys, "identify", good, "--overlay", str(single))[0] == 0
    assert run(capsys, "identify", good, good, "--overlay", str(folder))[0] == 0
    assert sorted(path.name for path in folder.iterdir()) == ["good-measured-2.jpg", "good-measured.jpg"]
    for path in (single, *folder.iterdir()):
        with Image.open(path) as picture:
            assert np.asarray(picture).std() > 5
    assert Path(good).read_bytes() == before


@pytest.mark.parametrize(
    ("place", "said"), [("{good}", "overwrite the photo"), ("{good}/inside", "folder"), ("two.jpg", "need a folder")]
)
def test_overlay_places_that_would_do_harm(place, said, good, capsys):
    photos = [good, good] if place == "two.jpg" else [good]
    code, out, err = run(capsys, "identify", *photos, "--overlay", place.format(good=good))
    assert (code, out) == (2, "")
    assert said in err


def test_version_and_help_are_instant():
    command = [sys.executable, "-X", "importtime", "-m", "identify", "--version"]
    begun = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True)
    assert time.perf_counter() - begun < 5
    assert done.stdout == f"tapwright {__version__}\n"
    heavy = [name for name in ("numpy", "cv2", "onnxruntime", "PIL", "scipy") if f" {name}\n" in done.stderr]
    assert heavy == []


@pytest.mark.parametrize("command", ["identify", "sheet", "tables"])
def test_each_help_has_an_example(command, capsys):
    code, out, _ = run(capsys, command, "--help")
    assert code == 0
    assert f"tapwright {command}" in out[out.index("example:") :]


def test_a_reader_that_leaves_early_is_no_error(good):
    script = "import sys; from identify import cli; sys.exit(cli.main(['tables', 'show', 'references']))"
    command = f"'{sys.executable}' -c \"{script}\" | head -n 1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.count("\n") == 1
    assert done.stderr == ""


def test_interrupt_is_quiet(good, capsys, monkeypatch):
    def interrupted(*given: object, **named: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(pipeline, "identify_photo", interrupted)
    assert run(capsys, "identify", good) == (130, "", "tapwright: Stopped.\n")


def test_sheet(tmp_path, capsys):
    out = tmp_path / "scale.pdf"
    code, said, err = run(capsys, "sheet", str(out), "--paper", "letter")
    assert (code, err) == (0, "")
    assert "100 mm" in said
    assert out.read_bytes().startswith(b"%PDF")
    assert run(capsys, "sheet", str(tmp_path / "scale.txt"))[0] == 2


def test_tables(capsys):
    code, out, _ = run(capsys, "tables", "check")
    assert code == 0
    assert tables.version() in out
    counts = json.loads(run(capsys, "tables", "list", "--json")[1])
    assert counts["references"] == len(tables.load().references)
    rows = json.loads(run(capsys, "tables", "show", "references", "--json")[1])
    assert [row["id"] for row in rows] == list(tables.load().references)
    text = run(capsys, "tables", "show", "references")[1]
    assert all(name in text for name in tables.load().references)


def test_a_program_that_calls_the_command_keeps_its_own_signals(capsys):
    before = signal.getsignal(signal.SIGPIPE)
    assert cli.main(["tables", "list"]) == 0
    assert signal.getsignal(signal.SIGPIPE) == before != signal.SIG_DFL


def test_a_reader_that_has_enough_ends_the_command_without_a_word():
    command = [sys.executable, "-m", "identify", "tables", "show", "references"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        running.stdout.close()
        assert running.stderr.read() == b""
