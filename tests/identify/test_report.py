"""What goes out: the JSON contract for every class, plain text, budgets."""

from __future__ import annotations

import importlib.util
import json
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from identify import report, tables
from identify.model import UNSURE, FailedPhoto, Measurement, NotMeasured, Remark

SCHEMA = json.loads((Path(report.__file__).with_name("case.schema.json")).read_text(encoding="utf-8"))
CLASSES = tuple(tables.load().classes)


def _neighbour(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made_cases = _neighbour("made_cases")


def validate(*objects: object) -> None:
    """Against JSON Schema 2020-12 by the reference validator of that standard's test suite."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.Draft202012Validator(SCHEMA).validate(list(objects))


@pytest.mark.parametrize("view", ["lying", "standing", "installed"])
@pytest.mark.parametrize("answer", [*CLASSES, UNSURE])
def test_every_class_keeps_the_contract(answer, view):
    for measured in (True, False):
        case = made_cases.case(answer, view=view, measured=measured)
        validate(report.as_json(case), report.as_json(case, budget=True))
        assert (report.as_json(case)["reference"] is None) == (not case.measurements)


def test_failed_photo_keeps_the_contract():
    failed = report.failed_json(FailedPhoto("a.jpg", "a.jpg is empty (0 bytes); copy it again."))
    assert set(failed) == {"photos", "error"}
    validate(failed)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda told: told.pop("checks"),
        lambda told: told.update(schema=2),
        lambda told: told.update(error="x"),
        lambda told: told["measurements"][0].pop("u95_mm"),
        lambda told: told["measurements"][0].update(value_mm="21"),
        lambda told: told["class"].update(view="somewhere"),
        lambda told: told["photos"][0].update(gps=[1, 2]),
    ],
)
def test_schema_refuses_what_breaks_the_contract(spoil):
    told = report.as_json(made_cases.case())
    spoil(told)
    with pytest.raises(jsonschema.ValidationError):
        validate(told)


def test_schema_knows_the_classes_and_quantities_of_the_tables():
    assert set(SCHEMA["$defs"]["class"]["enum"]) == set(CLASSES)
    assert set(SCHEMA["$defs"]["quantity"]["enum"]) == set(tables.load().quantities)


def test_keys_in_the_order_of_the_contract():
    told = report.as_json(made_cases.case())
    assert list(told) == [
        *("schema", "photos", "class", "reference", "measurements", "not_measured"),
        *("candidates", "checks", "conversions", "cautions", "model"),
    ]
    assert list(told["class"]) == ["answer", "probabilities", "set", "view", "variety"]


def test_same_case_same_text():
    assert json.dumps(report.as_json(made_cases.case())) == json.dumps(report.as_json(made_cases.case()))


def test_numbers_are_plain_and_rounded():
    told = report.as_json(made_cases.case())
    first = told["measurements"][0]
    assert (first["value_mm"], first["u95_mm"]) == (20.93, 0.213)
    assert told["reference"]["tilt_deg"] == 8.3
    assert told["reference"]["distance_mm"] == 312.4


def test_counts_have_no_unit():
    case = replace(made_cases.case(), measurements=(made_cases.measurement("spline_count", 20, 1, unit="1"),))
    assert set(report.as_json(case)["measurements"][0]) == {"quantity", "value", "u95", "method"}


@pytest.mark.parametrize("answer", CLASSES)
def test_probabilities_are_sorted_and_sum_to_one(answer):
    told = report.as_json(made_cases.case(answer))
    for shares in (list(told["class"]["probabilities"].values()), [row["probability"] for row in told["candidates"]]):
        assert sum(shares) == pytest.approx(1.0, abs=1e-9)
        assert shares == sorted(shares, reverse=True)
    gains = [check["gain_bits"] / check["effort"] for check in told["checks"]]
    assert gains == sorted(gains, reverse=True)


@pytest.mark.parametrize(
    ("shares", "want"),
    [([1 / 3, 1 / 3, 1 / 3], [0.34, 0.33, 0.33]), ([0.005, 0.995], [0.01, 0.99]), ([1.0], [1.0]), ([], [])],
)
def test_rounding_keeps_the_sum(shares, want):
    assert report._shares(shares, 2) == want


def test_a_reference_without_a_plane_gave_no_scale():
    case = replace(made_cases.case(), plane=None)
    assert report.as_json(case)["reference"] is None
    assert "No scale used" in report.as_text(case)


@pytest.mark.parametrize("answer", [*CLASSES, UNSURE])
def test_text_fits_a_terminal_and_gives_no_value_alone(answer):
    remarks = (Remark("blur", "The picture is blurred.", "Rest the phone on something."),)
    case = made_cases.case(answer, remarks=remarks)
    text = report.as_text(case)
    assert max(map(len, text.splitlines())) <= report.WIDTH
    assert "Rest the phone on something." in text
    for found in case.measurements:
        assert str(found) in text
        assert "±" in str(found)
    assert text.endswith("\n")
    assert not text.endswith("\n\n")


def test_text_says_what_it_is_and_what_to_do():
    case = made_cases.case(CLASSES[0])
    text = report.as_text(case)
    assert text.index(tables.load().fitting(CLASSES[0]).name) < text.index("Measured") < text.index("Replacement")
    assert case.verdict.checks[0].question in " ".join(text.split())
    assert " ".join(case.verdict.cautions[0].text.split()) in " ".join(text.split())
    assert f"--answer {case.verdict.checks[0].id}=" in text


def test_unsure_is_said_plainly():
    text = report.as_text(made_cases.case(UNSURE, measured=False))
    assert "Not sure what this is" in text
    assert "It may be:" in text


def test_equal_reasons_are_said_once():
    text = report.as_text(made_cases.case(CLASSES[0], measured=False))
    assert text.count("No coin found.") == 1


@pytest.mark.parametrize(
    ("value", "u95", "unit", "want"),
    [
        (20.9312, 0.2134, "mm", "20.93 ± 0.21 mm"),
        (16.4634, 0.7846, "mm", "16.46 ± 0.79 mm"),  # JSON has 0.785, and a job card drawn from it must say the same
        (20.9312, 1.34, "mm", "20.9 ± 1.3 mm"),
        (1.8143, 0.0213, "mm", "1.814 ± 0.021 mm"),
        (104.6, 23.0, "mm", "105 ± 23 mm"),
        (1.8143, 0.00021, "mm", "1.814 ± 0.000 mm"),
        (20, 1, "1", "20 ± 1"),
        (20, 0, "1", "20 ± 0"),
    ],
)
def test_value_and_uncertainty_in_words(value, u95, unit, want):
    # JCGM 100:2008, 7.2.6: two digits of the uncertainty are enough, and the value is rounded to go with it.
    assert str(Measurement("overall_length", value, u95, unit, "made")) == want


def test_budget_adds_up():
    case = made_cases.case()
    text = report.budget_text(case)
    whole = math.sqrt(sum(line.u**2 for line in case.measurements[0].budget))
    assert f"{whole:8.4f} mm" in text
    assert "64.0%" in text
    assert "36.0%" in text
    assert report.budget_text(made_cases.case(measured=False)).startswith("Nothing was measured")


def test_a_budget_goes_into_the_json_on_demand():
    first = report.as_json(made_cases.case(), budget=True)["measurements"][0]
    assert [line["name"] for line in first["budget"]] == ["edge", "reference size"]


def test_missing_quantities_of_one_reason_share_a_line():
    misses = tuple(NotMeasured(name, "No coin found.", "Lay one down.") for name in ("thread_pitch", "overall_length"))
    text = report.as_text(replace(made_cases.case(), not_measured=misses))
    assert "thread pitch, overall length: No coin found. Lay one down." in text


def test_an_odd_file_name_does_no_harm_to_the_terminal():
    case = made_cases.case()
    odd = replace(case, photos=(replace(case.photos[0], file="red\x1b[31m\n.jpg"),))
    assert "\x1b" not in report.as_text(odd)
    assert report.as_json(odd)["photos"][0]["file"] == "red\x1b[31m\n.jpg"
