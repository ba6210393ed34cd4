"""The floor plan: imports point down only, never sideways; modules stay short; tables hold the words of the trade."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
IDENTIFY = ROOT / "identify"
FLOORS = {
    7: {"cli", "web", "__main__"},
    6: {"survey", "job"},
    5: {"pipeline", "glance"},
    4: {
        *("photo", "quality", "reference", "plane", "outline", "classifier", "dimensions", "fusion", "rules", "water"),
        *("overlay", "report", "job_card", "records", "retake"),
    },
    3: {"tables", "geometry", "uncertainty", "heic", "weights", "child"},
    2: {"model", "verdict"},
    1: {"errors"},
}
FLOOR = {name: floor for floor, names in FLOORS.items() for name in names}
HOUSES = {2, 3, 7}  # floors whose own modules may know each other: a case holds a verdict, __main__ starts cli
RUNTIME = {"numpy", "scipy", "cv2", "onnxruntime", "PIL", "pi_heif", "fpdf", "openpyxl", "xlsxwriter", "identify"}
RUNTIME |= {"sqlalchemy", "segno", "fontTools"}
RUNTIME |= {"pyarrow", "fsspec"}  # of extras
OF_THE_PAGE = {"gradio", "fastapi", "starlette", "uvicorn", "jinja2"}  # nowhere below it
ALLOWED = {"identify/survey/cluster.py": {"ray"}}  # in this file only
MAX_LINES, MAX_FUNCTION_LINES = 350, 60

FILES = sorted(IDENTIFY.rglob("*.py"))
ALL_FILES = sorted(
    file for folder in ("identify", "training", "data_synthetic") for file in (ROOT / folder).rglob("*.py")
)


def named(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


def unit_of(file: Path) -> str:
    """The module or package right under identify/; empty for the package's own __init__."""
    first = file.relative_to(IDENTIFY).parts[0]
    return "" if first == "__init__.py" else first.removesuffix(".py")


def imports(file: Path) -> list[str]:
    """Full names of everything imported anywhere in the file, also inside functions and under TYPE_CHECKING."""
    found = []
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{named(file)}: relative import"
            found += [f"{node.module}.{alias.name}" for alias in node.names]
    return found


def breaches(unit: str, wanted: list[str]) -> list[str]:
    """The imports of identify's own modules that point up or sideways."""
    found = []
    for name in wanted:
        parts = name.split(".")
        if parts[0] != "identify" or len(parts) < 2 or parts[1] in (unit, "__version__"):
            continue
        there, here = FLOOR[parts[1]], FLOOR.get(unit, 0)
        if there > here or (there == here and here not in HOUSES):
            found.append(name)
    return found


@pytest.mark.parametrize("file", FILES, ids=named)
def test_imports_point_down(file):
    unit = unit_of(file)
    assert unit == "" or unit in FLOOR, f"{unit} has no floor: give it one here and in the floor plan"
    assert breaches(unit, imports(file)) == []


@pytest.mark.parametrize(
    ("unit", "wanted"),
    [
        ("photo", "identify.quality.assess"),
        ("report", "identify.classifier"),
        ("tables", "identify.rules.judge"),
        ("geometry", "identify.pipeline"),
        ("", "identify.model"),
        ("pipeline", "identify.cli.main"),
    ],
)
def test_a_breach_is_seen(unit, wanted):
    assert breaches(unit, [wanted]) == [wanted]


@pytest.mark.parametrize("file", FILES, ids=named)
def test_third_parties(file):
    import sys

    tops = {name.split(".")[0] for name in imports(file)}
    known = RUNTIME | OF_THE_PAGE if unit_of(file) == "web" else RUNTIME
    assert tops - known - ALLOWED.get(named(file), set()) - set(sys.stdlib_module_names) == set()


def test_hidden_imports_are_seen(tmp_path):
    hidden = tmp_path / "hidden.py"
    hidden.write_text("def f():\n    import torch\n    from ray import data\n")
    assert imports(hidden) == ["torch", "ray.data"]


@pytest.mark.parametrize("file", ALL_FILES, ids=named)
def test_length(file):
    text = file.read_text(encoding="utf-8")
    assert text.count("\n") <= MAX_LINES
    long = [
        f"{node.name}: {node.end_lineno - node.lineno + 1} lines"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno - node.lineno + 1 > MAX_FUNCTION_LINES
    ]
    assert long == []


def test_no_drawers_for_anything():
    assert [named(file) for file in ALL_FILES if re.search(r"util|helper|misc|common", file.stem)] == []


def test_training_and_pictures_are_not_imported_by_the_product():
    tops = {name.split(".")[0] for file in FILES for name in imports(file)}
    assert tops & {"training", "data_synthetic", "torch"} == set()


def words_of_the_tables() -> set[str]:
    """Class ids, coins and rows: what may stand in tables only."""
    from identify import tables

    known = tables.load()
    ids = {name for name, row in known.classes.items() if row.part} - {"sensor", "thermostatic"}
    ids |= {name for name, row in known.references.items() if row.kind == "coin"}
    return ids | set(known.candidates) | set(known.faults)


def spoken(file: Path) -> list[str]:
    """String literals of the code, without docstrings."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    bare = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in bare
    ]


@pytest.mark.parametrize("file", [file for file in FILES if unit_of(file) not in ("cli",)], ids=named)
def test_engine_knows_no_row_of_the_tables(file):
    rows = words_of_the_tables()
    assert [text for text in spoken(file) if text in rows or text in ("sensor", "thermostatic")] == []


def test_every_file_of_the_tables_folder_is_data_or_its_reader():
    assert {file.suffix for file in (IDENTIFY / "tables").iterdir() if file.is_file()} == {".py", ".csv", ".toml"}
