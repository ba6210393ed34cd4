"""The next photo: one reason, one action, and a drawing that there is."""

import importlib.util
import re
from dataclasses import replace
from pathlib import Path

import pytest

from identify import retake, tables
from identify.model import UNSURE, NotMeasured, Remark


def _neighbour(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made_cases = _neighbour("made_cases")
DRAWINGS = Path(__file__).parents[2] / "identify/web/templates/drawings.html"
PART = next(name for name, row in tables.load().classes.items() if row.part)
NOTHING = next(name for name, row in tables.load().classes.items() if not row.part)
GLARE = Remark("glare", "Glare covers 40% of the part.", "Turn the flash off.")
TILT = Remark("tilt", "The camera was tilted.", "Straight down.")


def sure(**changes):
    return replace(made_cases.case(PART), not_measured=(), **changes)


def missing(quantity, reason="It is hidden.", advice="Turn it and retake."):
    return (NotMeasured(quantity, reason, advice),)


def test_no_photo_is_asked_for_where_all_is_known():
    assert retake.next_photo(sure()) is None


def test_an_installed_tap_comes_out_first():
    found = retake.next_photo(made_cases.case(PART, view="installed", measured=False, remarks=(GLARE,)))
    assert found.drawing == retake.TAKE_OUT
    assert "Shut the water off" in found.action


def test_nothing_in_view():
    assert retake.next_photo(made_cases.case(NOTHING)).drawing == retake.LYING


def test_without_a_scale_the_scale_is_the_one_reason():
    found = retake.next_photo(made_cases.case(PART, measured=False, remarks=(GLARE,)))
    assert (found.reason, found.action) == ("No coin found.", "Lay one flat beside the part and retake.")
    assert found.drawing == retake.REFERENCE


@pytest.mark.parametrize(("remark", "drawing"), [(GLARE, retake.LIGHT), (TILT, retake.STRAIGHT)])
def test_what_spoils_the_picture(remark, drawing):
    case = replace(sure(remarks=(remark,)), not_measured=missing("overall_length"))
    found = retake.next_photo(case)
    assert (found.reason, found.action, found.drawing) == (remark.text, remark.advice, drawing)


def test_a_remark_alone_asks_for_nothing():
    assert retake.next_photo(sure(remarks=(GLARE,))) is None


def test_the_size_that_the_class_is_known_by_comes_before_others():
    main = tables.load().fitting(PART).main_quantity
    both = (*missing("overall_length", "A rim hides it."), *missing(main, "No edge was found."))
    assert retake.next_photo(replace(sure(), not_measured=both)).reason == "No edge was found."


def test_splines_want_the_end():
    assert retake.next_photo(replace(sure(), not_measured=missing("spline_count"))).drawing == retake.END_ON


def test_a_square_is_measured_by_callipers_not_by_a_photo():
    assert retake.next_photo(replace(sure(), not_measured=missing("stem_square"))) is None


def test_an_open_class_wants_the_other_side():
    seen = replace(made_cases.recognition(PART), answer=UNSURE)
    assert retake.next_photo(sure(recognition=seen)).drawing == retake.END_ON


def test_every_drawing_is_drawn():
    drawn = set(re.findall(r'name == "([a-z-]+)"', DRAWINGS.read_text("utf-8"))) | {retake.REFERENCE}
    asked = {*retake.OF_REMARKS.values(), retake.LYING, retake.END_ON, retake.TAKE_OUT, retake.REFERENCE}
    assert asked == drawn
