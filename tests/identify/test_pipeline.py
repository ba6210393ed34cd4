"""The road of one photo, its steps replaced by ones that say what they were asked."""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from identify import pipeline, report, tables
from identify.errors import ModelError, PhotoError, UsageError
from identify.model import UNSURE, NotMeasured, Recognition


def _neighbour(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made_cases, bad_inputs = _neighbour("made_cases"), _neighbour("bad_inputs")
PARTS = [name for name, row in tables.load().classes.items() if row.part]
NOTHING = next(name for name, row in tables.load().classes.items() if not row.part)


class Recogniser:
    """Says what it was made to say."""

    def __init__(self, recognition: Recognition) -> None:
        self.recognition = recognition

    def recognise(self, photo: object) -> Recognition:
        return self.recognition


class Road:
    """Fake steps that note the order in which they were walked."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, **failing: NotMeasured) -> None:
        self.steps: list[str] = []
        self.asked: dict[str, object] = {}
        case = made_cases.case(PARTS[0])
        results = {
            "reference": ("find", case.reference),
            "plane": ("see", case.plane),
            "outline": ("trace", case.outline),
            "dimensions": ("measure", (case.measurements, case.not_measured)),
            "quality": ("assess", ()),
        }
        for name, (function, result) in results.items():
            step = self._step(name, failing.get(name, result))
            monkeypatch.setattr(getattr(pipeline, name), function, step)

    def _step(self, name: str, result: object):
        def step(*given: object, **named: object) -> object:
            self.steps.append(name)
            self.asked |= {f"{name}.{key}": value for key, value in named.items()}
            return result

        return step


def bench(answer: str = PARTS[0], view: str = "lying", labels: bool = True) -> Recogniser:
    map_ = np.zeros((60, 80), np.uint8)
    map_[20:40, 20:50] = 1
    return Recogniser(replace(made_cases.recognition(answer, view), labels=map_ if labels else None))


def photo_bytes() -> bytes:
    return bad_inputs.encoded(bad_inputs.picture())


def test_steps_in_order(monkeypatch):
    road = Road(monkeypatch)
    case, photo = pipeline.identify_photo(photo_bytes(), name="a.jpg", height_mm=38.0, classifier=bench())
    assert road.steps == ["reference", "plane", "outline", "dimensions", "quality"]
    assert photo.file == "a.jpg"
    assert case.photos[0].sha256 == photo.sha256
    assert case.measurements
    assert road.asked["dimensions.height_mm"] == 38.0
    assert road.asked["dimensions.wanted"] == tables.load().fitting(PARTS[0]).quantities
    assert road.asked["quality.part_mask"].sum() == 600
    assert case.tables_version == tables.version()


def test_scale_and_place_reach_the_reference(monkeypatch):
    asked = {}
    monkeypatch.setattr(
        pipeline.reference,
        "find",
        lambda shot, scale, **named: asked.update(named, scale=scale) or NotMeasured("scale", "None.", "Try again."),
    )
    pipeline.identify_photo(photo_bytes(), scale="coin:24.26", on_part=True, classifier=bench())
    assert (asked["scale"], asked["on_part"]) == ("coin:24.26", True)
    assert asked["labels"].shape == (60, 80)


@pytest.mark.parametrize(
    ("failing", "walked"),
    [
        ("reference", ["reference", "quality"]),
        ("plane", ["reference", "plane", "quality"]),
        ("outline", ["reference", "plane", "outline", "quality"]),
    ],
)
def test_a_failed_step_is_a_reason_and_the_road_goes_on(monkeypatch, failing, walked):
    why = NotMeasured("scale", f"No {failing}.", "Retake.")
    road = Road(monkeypatch, **{failing: why})
    case, _ = pipeline.identify_photo(photo_bytes(), classifier=bench())
    assert road.steps == walked
    assert case.measurements == ()
    assert {miss.reason for miss in case.not_measured} == {f"No {failing}."}
    assert tuple(miss.quantity for miss in case.not_measured) == tables.load().fitting(PARTS[0]).quantities
    assert case.verdict.candidates
    assert case.verdict.cautions


@pytest.mark.parametrize(("answer", "view"), [(PARTS[0], "installed"), (NOTHING, "lying"), (UNSURE, "installed")])
def test_nothing_is_measured_where_no_loose_part_is_seen(monkeypatch, answer, view):
    road = Road(monkeypatch)
    case, _ = pipeline.identify_photo(photo_bytes(), classifier=bench(answer, view))
    assert road.steps == ["quality"]
    assert case.reference is None
    assert all("installed" in miss.reason or "No fitting" in miss.reason for miss in case.not_measured)
    assert bool(case.not_measured) == (answer != NOTHING)
    report.as_json(case)


def test_a_named_scale_is_looked_for_even_where_nothing_is_measured(monkeypatch):
    road = Road(monkeypatch)
    named = next(name for name, row in tables.load().references.items() if row.kind == "coin")
    case, _ = pipeline.identify_photo(photo_bytes(), scale=named, classifier=bench(view="installed"))
    assert road.steps == ["reference", "plane", "quality"]
    assert case.reference is not None
    assert all("installed" in miss.reason for miss in case.not_measured)
    assert case.not_measured


def test_unsure_measures_what_any_likely_class_wants(monkeypatch):
    road = Road(monkeypatch)
    seen = made_cases.recognition(UNSURE)
    pipeline.identify_photo(photo_bytes(), classifier=Recogniser(seen))
    wanted = road.asked["dimensions.wanted"]
    for name in seen.prediction_set:
        assert set(tables.load().fitting(name).quantities) <= set(wanted)
    assert len(wanted) == len(set(wanted))


@pytest.mark.parametrize("held", [("sensor",), ("sensor", "thermostatic")])
def test_unsure_with_one_class_in_the_set_is_measured_as_that(monkeypatch, held):
    road = Road(monkeypatch)
    seen = replace(made_cases.recognition(UNSURE), prediction_set=held)
    pipeline.identify_photo(photo_bytes(), classifier=Recogniser(seen))
    assert road.asked["dimensions.answer"] == (held[0] if len(held) == 1 else UNSURE)


def test_no_map_no_mask(monkeypatch):
    road = Road(monkeypatch)
    pipeline.identify_photo(photo_bytes(), classifier=bench(labels=False))
    assert road.asked["quality.part_mask"] is None


def test_remarks_about_the_file_come_first(monkeypatch):
    Road(monkeypatch)
    first, second = bad_inputs.picture(), bad_inputs.picture()
    data = bad_inputs.encoded(first, "GIF", save_all=True, append_images=[second.rotate(180)])
    case, _ = pipeline.identify_photo(data, classifier=bench())
    assert case.remarks[0].kind == "file"


def test_errors_are_the_callers():
    with pytest.raises(PhotoError):
        pipeline.identify_photo(b"nothing", classifier=bench())
    with pytest.raises(UsageError, match="eur-9"):
        pipeline.identify_photo(photo_bytes(), scale="eur-9", classifier=bench())
    with pytest.raises(UsageError):
        pipeline.identify_photo(photo_bytes(), answers={"colour": "red"}, classifier=bench(view="installed"))


def test_an_answer_changes_the_candidates(monkeypatch):
    Road(monkeypatch)
    plain, _ = pipeline.identify_photo(photo_bytes(), classifier=bench())
    check = next(check for check in plain.verdict.checks if check.answers)
    told, _ = pipeline.identify_photo(photo_bytes(), answers={check.id: check.answers[0]}, classifier=bench())
    assert check.id not in [each.id for each in told.verdict.checks]
    assert [row.probability for row in told.verdict.candidates] != [row.probability for row in plain.verdict.candidates]


def test_same_photo_same_answer(monkeypatch):
    Road(monkeypatch)
    told = [report.as_json(pipeline.identify_photo(photo_bytes(), classifier=bench())[0]) for _ in range(2)]
    assert json.dumps(told[0]) == json.dumps(told[1])


def test_several_photos_of_one_part(monkeypatch):
    Road(monkeypatch)
    cases = [pipeline.identify_photo(photo_bytes(), name=name, classifier=bench())[0] for name in ("a.jpg", "b.jpg")]
    joint = pipeline.identify_part(cases)
    assert [facts.file for facts in joint.photos] == ["a.jpg", "b.jpg"]
    assert joint.measurements[0].value == pytest.approx(cases[0].measurements[0].value)
    assert joint.measurements[0].u95 < cases[0].measurements[0].u95
    assert max(joint.recognition.probabilities.values()) > max(cases[0].recognition.probabilities.values())


def test_the_shipped_network_and_all_real_steps():
    try:
        recogniser = pipeline.recognisers.load()
    except ModelError as why:
        pytest.skip(str(why))
    schema = json.loads(Path(report.__file__).with_name("case.schema.json").read_text(encoding="utf-8"))
    told = [report.as_json(pipeline.identify_photo(photo_bytes(), classifier=recogniser)[0]) for _ in range(2)]
    jsonschema.Draft202012Validator(schema).validate(told)
    assert told[0] == told[1]
