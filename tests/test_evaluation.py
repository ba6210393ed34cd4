"""The whole road on rendered pictures of parts, benches and lights that training never saw.

The pictures are 48 of the evaluation split (``tests/evaluation``), made by ``data_synthetic`` with true sizes.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from identify import classifier, photo, pipeline, report, tables

FOLDER = Path(__file__).parent / "evaluation"
LINES = [json.loads(line) for line in (FOLDER / "manifest.jsonl").read_text(encoding="utf-8").splitlines()]
MAIN = ("thread_major_diameter", "body_diameter")


@dataclass(frozen=True)
class Scored:
    """One true value beside the measured one."""

    quantity: str
    true: float
    value: float
    u95: float


@pytest.fixture(scope="module")
def answers() -> list[tuple[str, str]]:
    """(true class, most probable class) of every picture."""
    network = classifier.load()
    found = []
    for line in LINES:
        probabilities = network.recognise(photo.load(FOLDER / line["file"])).probabilities
        found.append((line["class"], max(probabilities, key=lambda name: probabilities[name])))
    return found


@pytest.fixture(scope="module")
def cases() -> list[tuple[dict, dict]]:
    """(truth, case as JSON) of the lying parts with a reference object."""
    lying = [line for line in LINES if line["view"] == "lying" and line["reference"] and line["dimensions_mm"]]
    return [
        (line, report.as_json(pipeline.identify_photo(FOLDER / line["file"], scale=scale(line))[0])) for line in lying
    ]


def scale(line: dict) -> str:
    """What the user would name: the coin; everything else is found by itself."""
    return line["reference"]["id"] if line["reference"]["kind"] == "coin" else "auto"


def scored(cases: list[tuple[dict, dict]], names: tuple[str, ...]) -> list[Scored]:
    return [
        Scored(found["quantity"], line["dimensions_mm"][found["quantity"]], found["value_mm"], found["u95_mm"])
        for line, case in cases
        for found in case["measurements"]
        if found["quantity"] in names and found["quantity"] in line["dimensions_mm"]
    ]


def share_right(answers: list[tuple[str, str]]) -> float:
    return float(np.mean([said == true for true, said in answers]))


def test_the_class_is_right(answers):
    assert share_right(answers) >= 0.90


def test_every_case_keeps_the_contract(cases):
    schema = json.loads((Path(pipeline.__file__).parent / "case.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate([case for _, case in cases], schema)


def goods(cases: list[tuple[dict, dict]]) -> list[bool]:
    """Of the photos that a person would call good, whether the main diameter was given."""
    return [
        any(found["quantity"] == name for found in case["measurements"])
        for line, case in cases
        for name in [tables.load().fitting(line["class"]).main_quantity]
        if name in line["dimensions_mm"] and line["camera"]["tilt_deg"] < 35 and not line["reference"]["on_part"]
    ]


def off_percent(cases: list[tuple[dict, dict]]) -> float:
    return 100 * float(np.median([abs(one.value / one.true - 1) for one in scored(cases, MAIN)]))


def test_the_main_diameter_is_given(cases):
    assert np.mean(goods(cases)) >= 0.70


def test_the_main_diameter_is_right(cases):
    assert off_percent(cases) <= 1.5


def test_the_true_diameter_lies_within_u95(cases):
    values = scored(cases, MAIN)
    assert len(values) >= 5
    assert np.mean([abs(one.value - one.true) <= one.u95 for one in values]) >= 0.9
