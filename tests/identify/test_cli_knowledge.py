"""The commands that need no photo: faults, conversions, calculators, and the tables behind them."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image

from identify import cli, pipeline, tables
from identify.model import Recognition, Variety

T = tables.load()
PARTS = [name for name, row in T.classes.items() if row.part]


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of the command."""
    try:
        code = cli.main(words)
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 0
    out, err = capsys.readouterr()
    return code, out, err


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("class_id", PARTS)
def test_a_class_alone_lists_its_symptoms_and_cautions(class_id, capsys):
    code, out, err = run(capsys, "fault", "--class", class_id)
    assert (code, err) == (0, "")
    for row in T.faults.values():
        if class_id in row.classes or row.classes == ("*",):
            assert row.symptom in flat(out)
    for name in T.classes[class_id].cautions:
        assert T.cautions[name].text in flat(out)


def test_a_symptom_gives_ranked_causes_as_text_and_json(capsys):
    code, out, _ = run(capsys, "fault", "thermostatic", "not hot")
    assert code == 0
    told = json.loads(run(capsys, "fault", "thermostatic", "not hot", "--json")[1])
    causes = told["faults"][0]["causes"]
    assert [cause["rank"] for cause in causes] == list(range(1, len(causes) + 1))
    assert "10 °C" in causes[0]["cause"]
    for cause in causes:
        assert {"check", "remedy", "parts", "evidence", "source", "confidence"} <= set(cause)
        assert all(cause[name] in flat(out) for name in ("cause", "check", "remedy"))
    assert {caution["text"] for caution in told["cautions"]} >= {T.cautions["scald"].text, T.cautions["isolate"].text}
    assert all(caution["text"] in flat(out) for caution in told["cautions"])


@pytest.mark.parametrize(
    "words",
    [
        ["thermostatic", "not", "hot"],
        ["--class", "thermostatic", "not hot"],
        ["Thermostatic element or mixer", "not hot"],
    ],
)
def test_ways_to_name_the_class(words, capsys):
    assert run(capsys, "fault", *words, "--json")[1] == run(capsys, "fault", "thermostatic", "not hot", "--json")[1]


def test_nothing_fits_is_said_and_the_symptoms_are_listed(capsys):
    code, out, err = run(capsys, "fault", "sensor", "purple", "elephant")
    assert code == 2
    assert "'purple elephant'" in err
    assert err.count("\n") == 1
    assert "steady flashing and no water" in flat(out)
    assert T.cautions["electric"].text in flat(out)
    told = json.loads(run(capsys, "fault", "sensor", "purple", "--json")[1])
    assert told["faults"] == []
    assert len(told["symptoms"]) > 10


def test_an_answer_moves_its_cause_to_the_top(capsys):
    words = ("fault", "compression-screw", "leak at spindle", "--json", "--answer")
    for answer, cause in (("a nut to nip up", "gland"), ("nothing to adjust", "O-ring")):
        told = json.loads(run(capsys, *words, f"packing={answer}")[1])["faults"][0]
        assert cause in told["causes"][0]["cause"]
        assert len(told["causes"]) == 3


@pytest.fixture
def photo(tmp_path) -> str:
    path = tmp_path / "part.jpg"
    Image.fromarray(np.full((480, 640, 3), 120, np.uint8)).save(path)
    return str(path)


def _recogniser(answer: str, possible: tuple[str, ...], **varieties: Variety) -> type:
    class Recogniser:
        def recognise(self, photo: object) -> Recognition:
            p = {name: (name in possible) / len(possible) for name in T.classes}
            return Recognition(answer, p, possible, "installed", varieties, None, "0" * 64)

    return Recogniser


def test_the_class_and_variety_come_from_the_photo(photo, capsys, monkeypatch):
    seen = _recogniser("sensor", ("sensor",), supply=Variety("mains", 0.99))
    monkeypatch.setattr(pipeline.recognisers, "load", seen)
    told = json.loads(run(capsys, "fault", "--photo", photo, "does not react", "--json")[1])
    assert told["classes"] == ["sensor"]
    assert "power unit" in told["faults"][0]["causes"][0]["cause"]
    assert "unlikely with supply: mains" in [cause["standing"] for cause in told["faults"][0]["causes"]]


def test_an_unsure_photo_gives_all_that_it_leaves_possible(photo, capsys, monkeypatch):
    monkeypatch.setattr(pipeline.recognisers, "load", _recogniser("unsure", tuple(PARTS[:2])))
    told = json.loads(run(capsys, "fault", "--photo", photo, "drips", "--json")[1])
    assert told["classes"] == PARTS[:2]
    assert {name for one in told["faults"] for name in one["classes"]} == set(PARTS[:2])


def test_a_photo_without_a_fitting_is_told(photo, capsys, monkeypatch):
    monkeypatch.setattr(pipeline.recognisers, "load", _recogniser("none", ("none",)))
    code, out, err = run(capsys, "fault", "--photo", photo, "drips")
    assert (code, out) == (2, "")
    assert "no fitting" in err


def test_convert_as_text_and_json(capsys):
    words = ["convert", "--to", "quarter-turn-ceramic", "--answer", "size-pattern=15 mm heavy"]
    code, out, _ = run(capsys, *words)
    told = json.loads(run(capsys, *words, "--json")[1])
    assert code == 0
    assert told["verdict"] == "check first"
    assert told["verdict"] in out.splitlines()[0]
    assert {check["id"] for check in told["checks"]} == {"seat", "spindle-direction", "spindle-reach"}
    assert all(f"--answer {check['id']}=" in flat(out) for check in told["checks"])
    assert all(reason in flat(out) for reason in told["reasons"])
    assert all(caution["text"] in flat(out) for caution in told["cautions"])
    rest = ["--answer", "spindle-direction=upright", "--answer", "spindle-reach=no", "--json"]
    depth = ["--seat-depth", "31,2", "--head-depth", "31.0"]
    assert json.loads(run(capsys, *words, *rest, *depth)[1])["verdict"] == "fits"


@pytest.mark.parametrize(
    "words",
    [
        ["mixed", "--hot", "60", "--cold", "15", "--set", "41"],
        ["mixed", "--hot", "60", "--cold", "15", "--hot-flow", "0,1", "--cold-flow", "0.05"],
        ["scald", "--hot", "60", "--set", "41"],
        ["surge", "--pipe", "copper-15", "--flow", "0.2", "--length", "10"],
        [
            "surge",
            "--bore",
            "12",
            "--wall",
            "2",
            "--modulus",
            "0.8",
            "--outlet",
            "sink",
            "--length",
            "5",
            "--static",
            "3",
        ],
        ["surge", "--wave-speed", "1191.4", "--velocity", "2", "--length", "1000", "--closing", "5"],
        ["velocity", "--pipe", "copper-15", "--outlet", "bath"],
        ["velocity", "--bore", "13.6", "--flow", "0.2"],
        ["lead", "8"],
    ],
)
def test_water_as_text_and_json(words, capsys):
    code, out, err = run(capsys, "water", *words)
    assert (code, err) == (0, "")
    told = json.loads(run(capsys, "water", *words, "--json")[1])
    assert told["verdict"] in flat(out)
    for name in ("formula", "source", "leaves_out"):
        assert told[name] in flat(out)
    assert told["inputs"]
    assert all(caution["text"] in flat(out) for caution in told["cautions"])
    assert T.cautions["local-code"].text in flat(out)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["fault", "--class", "sensr"], "did you mean sensor"),
        (["fault", "--class", "none"], "no class has that name"),
        (["fault", "sensor", "drips", "--answer", "packing"], "CHECK=VALUE"),
        (["fault", "sensor", "drips", "--answer", "packing=purple"], "purple"),
        (["fault", "sensor", "drips", "--photo", "gone.jpg"], "give one of them"),
        (["fault", "drips", "--photo", "gone.jpg"], "gone.jpg"),
        (["convert"], "--to"),
        (["convert", "--to", "purple"], "purple"),
        (["convert", "--to", "compression-screw"], "--from quarter-turn-ceramic"),
        (["convert", "--from", "sensor", "--to", "push-non-hold-open"], "No conversion from sensor"),
        (["convert", "--to", "push-non-hold-open", "--seat-depth", "31"], "--head-depth"),
        (["convert", "--to", "push-non-hold-open", "--seat-depth", "deep"], "no length"),
        (["convert", "--to", "push-non-hold-open", "--seat-depth", "1.2", "--head-depth", "1.2"], "1.2 mm"),
        (["water"], "WHAT"),
        (["water", "mixed", "--hot", "60"], "--cold"),
        (["water", "mixed", "--hot", "warm", "--cold", "15"], "warm"),
        (["water", "mixed", "--hot", "140", "--cold", "50", "--set", "105"], "140 °C"),
        (["water", "scald", "--hot", "nan"], "nan °C"),
        (["water", "surge", "--length", "10"], "wave speed"),
        (["water", "surge", "--length", "10", "--pipe", "x", "--flow", "1"], "copper-15"),
        (["water", "surge", "--length", "10", "--pipe", "pex-16", "--bore", "3", "--flow", "1"], "its own sizes"),
        (["water", "surge", "--length", "10", "--bore", "12", "--flow", "1"], "--modulus"),
        (["water", "velocity", "--flow", "0.2"], "--pipe NAME"),
        (["water", "velocity", "--pipe", "pex-16", "--bore", "12", "--flow", "0.2"], "--pipe NAME"),
        (["water", "velocity", "--pipe", "pex-16"], "--flow"),
        (["water", "velocity", "--pipe", "pex-16", "--outlet", "sea"], "basin"),
        (["water", "velocity", "--pipe", "pex-16", "--outlet", "basin", "--flow", "1"], "its own flow"),
        (["water", "lead", "-3"], "-3"),
        (["water", "lead", "8000"], "millimetres"),
    ],
)
def test_wrong_use_exits_2_with_one_sentence(words, said, capsys):
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


@pytest.mark.parametrize("command", ["fault", "convert", "water"])
def test_each_help_has_an_example(command, capsys):
    code, out, _ = run(capsys, command, "--help")
    assert code == 0
    assert f"tapwright {command}" in out[out.index("example:") :]


@pytest.mark.parametrize("kind", ["mixed", "scald", "surge", "velocity", "lead"])
def test_each_calculator_s_help_has_an_example(kind, capsys):
    out = run(capsys, "water", kind, "--help")[1]
    assert f"tapwright water {kind}" in out[out.index("example:") :]


def test_a_photo_that_is_no_photo_is_one_sentence(tmp_path, capsys):
    path = tmp_path / "notes.jpg"
    path.write_text("no picture")
    code, out, err = run(capsys, "fault", "--photo", str(path), "drips")
    assert (code, out) == (2, "")
    assert "notes.jpg" in err
