"""``tapwright records``, ``--keep`` and ``--card`` as their users meet them."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import jsonschema
import pypdf
import pytest

from identify import cli, pipeline, report


def _neighbour(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made_cases, bad_inputs = _neighbour("made_cases"), _neighbour("bad_inputs")
SCHEMA = json.loads((Path(report.__file__).with_name("case.schema.json")).read_text(encoding="utf-8"))


@pytest.fixture(autouse=True)
def _quick(monkeypatch, tmp_path):
    """The road is not run: each photo is read, and answered by a case made by hand."""

    def answered(source, **_):
        shot = pipeline.photo.load(source)
        return made_cases.case(measured=False, shot=shot), shot

    monkeypatch.setattr(pipeline, "identify_photo", answered)
    monkeypatch.setenv("TAPWRIGHT_RECORDS", str(tmp_path / "records.sqlite"))
    monkeypatch.delenv("TAPWRIGHT_KEEP_PHOTOS", raising=False)
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def photo(tmp_path) -> str:
    bad_inputs.picture().save(tmp_path / "good.jpg")
    return "good.jpg"


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    try:
        code = cli.main(words)
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 0
    out, err = capsys.readouterr()
    return code, out, err


def kept_ids(capsys) -> list[str]:
    return [case["id"] for case in json.loads(run(capsys, "records", "list", "--json")[1])["cases"]]


def test_keep_confirm_and_count(photo, capsys):
    assert run(capsys, "records", "list") == (
        0,
        "No case is kept yet; tapwright identify PHOTO --keep keeps one.\n",
        "",
    )
    code, out, _ = run(capsys, "identify", photo, "--keep", "--answer", "spindle-reach=no")
    [name] = kept_ids(capsys)
    assert (code, f"Kept as {name}" in out) == (0, True)
    assert run(capsys, "identify", photo, "--keep")[0] == 0
    assert kept_ids(capsys) == [name]
    code, out, _ = run(capsys, "records", "figures")
    assert out == "1 case kept, none confirmed yet; tapwright records confirm ID says what was handed out.\n"
    words = ["--handed-out", "EX-101", "--class", "compression-screw", "--callipers", "overall-length=61,5"]
    assert run(capsys, "records", "confirm", name.lower(), *words, "--returned", "--note", "too long")[:2] == (
        0, f"{name} is confirmed.\n",
    )  # fmt: skip
    code, out, _ = run(capsys, "records", "show", name)
    assert [word in out for word in ("handed out EX-101; came back", "overall length 61.5", "too long")] == [True] * 3
    told = json.loads(run(capsys, "records", "show", name, "--json")[1])
    jsonschema.Draft202012Validator(SCHEMA).validate([told["case"]])
    assert told["confirmation"]["callipers_mm"] == {"overall_length": 61.5}
    code, out, _ = run(capsys, "records", "figures")
    assert "1 case kept, 1 confirmed" in out
    assert "Wrong orders, where it is known                   1 of 1    100 %  (21 to 100 %)" in out
    assert json.loads(run(capsys, "records", "figures", "--json")[1])["confirmed"] == 1


def test_lists_are_narrowed(photo, capsys):
    run(capsys, "identify", photo, "--keep")
    [name] = kept_ids(capsys)
    assert name in run(capsys, "records", "list", "GOOD", "--open", "--class", "compression-screw")[1]
    assert run(capsys, "records", "list", "--confirmed")[1] == "No kept case fits.\n"
    assert run(capsys, "records", "list", "--class", "kettle")[0] == 2
    assert json.loads(run(capsys, "records", "list", "--offset", "1", "--json")[1]) == {"count": 1, "cases": []}


def test_json_keeps_to_its_contract_and_the_id_is_a_remark(photo, capsys):
    code, out, err = run(capsys, "identify", photo, "--keep", "--json")
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(out))
    [name] = kept_ids(capsys)
    assert (code, err) == (0, f"tapwright: good.jpg: kept as {name}.\n")


def test_cards(photo, capsys, tmp_path):
    bad_inputs.picture().resize((800, 600)).save("other.jpg")
    assert run(capsys, "identify", photo, "other.jpg", "--card", "cards")[0] == 0
    assert sorted(path.name for path in Path("cards").iterdir()) == ["good-card.pdf", "other-card.pdf"]
    assert not Path("records.sqlite").exists()
    assert run(capsys, "identify", photo, "other.jpg", "--same-part", "--keep", "--card", "one.html")[0] == 0
    [name] = kept_ids(capsys)
    assert name in Path("one.html").read_text(encoding="utf-8")
    assert run(capsys, "records", "card", name, "new/card.pdf")[:2] == (0, "new/card.pdf: one A4 page.\n")
    assert name in pypdf.PdfReader("new/card.pdf").pages[0].extract_text()
    assert run(capsys, "records", "show", name, "--picture", "drawn.jpg")[0] == 0
    assert Path("drawn.jpg").read_bytes()[:2] == b"\xff\xd8"


def test_no_photos_where_they_are_not_wanted(photo, capsys, monkeypatch):
    for words, variable in ((["--no-photos"], ""), ([], "no")):
        monkeypatch.setenv("TAPWRIGHT_KEEP_PHOTOS", variable)
        run(capsys, "identify", photo, "--keep", *words)
        [name] = kept_ids(capsys)
        assert json.loads(run(capsys, "records", "show", name, "--json")[1])["photos_kept"] == []
        assert run(capsys, "records", "show", name, "--picture", "x.jpg")[0] == 2
        assert run(capsys, "records", "forget", name, "--yes")[1] == f"{name} is forgotten.\n"


def test_export(photo, capsys):
    run(capsys, "identify", photo, "--keep")
    [name] = kept_ids(capsys)
    run(capsys, "records", "confirm", name, "--handed-out", "x")
    assert run(capsys, "records", "export", "one")[1] == (
        "one: photos 0, confirmed cases 0; 1 left out without a right class.\n"
    )
    run(capsys, "records", "confirm", name, "--handed-out", "x", "--class", "sensor", "--fitted")
    assert run(capsys, "records", "export", "two")[1] == "two: photos 1, confirmed cases 1.\n"
    assert json.loads(Path("two/manifest.jsonl").read_text())["class"] == "sensor"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["identify", "good.jpg", "--no-photos"], "add --keep"),
        (["identify", "good.jpg", "--records", "x.sqlite"], "add --keep"),
        (["identify", "good.jpg", "--card", "card.doc"], "ends neither in .pdf nor in .html"),
        (["identify", "good.jpg", "good.jpg", "--card", "card.pdf"], "2 cases need a folder"),
        (["identify", "good.jpg", "--keep", "--records", "mysql://h/d"], "mysql holds no records here"),
        (["records", "show", "NONE"], "There is no case 'NONE'"),
        (["records", "forget", "NONE"], "add --yes if it is meant"),
        (["records", "confirm", "NONE", "--handed-out", "x", "--callipers", "61.5"], "write it as QUANTITY=MM"),
        (["records", "card", "NONE", "card.txt"], "ends neither in .pdf nor in .html"),
    ],
)
def test_wrong_usage_is_one_sentence(photo, capsys, words, said):
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert err.startswith("tapwright: ")
    assert said in err
    assert err.count("\n") == 1


def test_without_its_libraries_keeping_says_what_to_install(photo, capsys, monkeypatch):
    from identify.records import place

    monkeypatch.setattr(place.importlib.util, "find_spec", lambda name: None)
    code, out, err = run(capsys, "identify", photo, "--keep")
    assert (code, out) == (2, "")
    assert "run pip install 'tapwright[records]'" in err


@pytest.mark.parametrize("what", ["list", "show", "confirm", "figures", "export", "forget", "card"])
def test_each_help_has_an_example_and_json(what, capsys):
    code, out, _ = run(capsys, "records", what, "--help")
    assert (code, f"tapwright records {what}" in out, "--json" in out, "--records URL" in out) == (0, True, True, True)
