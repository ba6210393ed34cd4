"""The drawn picture: size, what is on it, and labels that keep clear of each other and of the edge."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from identify import overlay, tables
from identify.geometry.placing import Ground, place_dimension
from identify.model import UNSURE


def _neighbour(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made_cases = _neighbour("made_cases")


@pytest.mark.parametrize(
    "size", [(4000, 3000), (3000, 4000), (1600, 1200), (1000, 750), (640, 480), (260, 200), (800, 200)]
)
def test_size_and_type(size):
    shot = made_cases.photo(size)
    drawn = overlay.draw(shot, made_cases.case(shot=shot))
    assert drawn.dtype == np.uint8
    assert drawn.shape[2] == 3
    assert overlay.LEAST_SIDE_PX * 0.6 <= max(drawn.shape) <= overlay.LONG_SIDE_PX


def test_reduced_photo_is_drawn_in_the_same_places():
    shot = made_cases.photo()
    case = made_cases.case(shot=shot)
    half = replace(shot, rgb=shot.rgb[::2, ::2].copy(), reduced=2)
    full, less = overlay.draw(shot, case), overlay.draw(half, case)
    yellow = [np.all(np.abs(drawn.astype(int) - overlay.PART_RGB) < 60, axis=2) for drawn in (full, less)]
    centres = [np.argwhere(mask).mean(axis=0) / mask.shape for mask in yellow]
    assert centres[0] == pytest.approx(centres[1], abs=0.02)


def test_outline_and_reference_are_where_they_were_found():
    shot = made_cases.photo()
    drawn = overlay.draw(shot, made_cases.case(shot=shot)).astype(int)
    factor = drawn.shape[1] / shot.width_px
    for rgb, centre, half in ((overlay.PART_RGB, (500, 600), 240), (overlay.REFERENCE_RGB, (1200, 800), 90)):
        ys, xs = np.nonzero(np.all(np.abs(drawn[130:] - rgb) < 40, axis=2))
        assert (xs.min() + xs.max()) / 2 == pytest.approx(centre[0] * factor, abs=4)
        assert (xs.max() - xs.min()) / 2 == pytest.approx(half * factor, abs=6)
        assert len(ys) > 300


@pytest.mark.parametrize("answer", [*tables.load().classes, UNSURE])
def test_every_class_can_be_drawn_with_and_without_sizes(answer):
    for measured in (True, False):
        drawn = overlay.draw(made_cases.photo(), made_cases.case(answer, measured=measured))
        assert drawn[:100].std() > 10  # the title is written
        assert drawn[-40:].std() > 10  # and so is the strip below


def test_same_case_same_picture():
    shot, case = made_cases.photo(), made_cases.case()
    assert np.array_equal(overlay.draw(shot, case), overlay.draw(shot, case))


def ground(size: tuple[int, int] = (1600, 1000)) -> Ground:
    return Ground(*size, 1.0, made_cases.ring((700.0, 500.0), (260.0, 160.0)))


@pytest.mark.parametrize("seed", range(12))
def test_labels_keep_clear_of_each_other_and_of_the_edge(seed):
    rng = np.random.default_rng(seed)
    here = ground()
    here.taken.append((1100.0, 300.0, 1300.0, 500.0))
    boxes = []
    for _ in range(5):
        ends = np.array([700.0, 500.0]) + rng.uniform(-250, 250, (2, 2))
        place = place_dimension(here, ends, (360.0, 110.0))
        assert place is not None
        boxes.append(place.box)
        here.taken.append(place.box)
        here.take_line(place.line[0], place.line[1], 10)
    boxes.append((1100.0, 300.0, 1300.0, 500.0))
    for at, (left, top, right, bottom) in enumerate(boxes):
        assert left >= 0
        assert top >= 0
        assert right <= 1600
        assert bottom <= 1000
        for other in boxes[:at]:
            assert left >= other[2] or right <= other[0] or top >= other[3] or bottom <= other[1]


def test_a_dimension_keeps_its_length_and_direction():
    ends = np.array([[560.0, 420.0], [840.0, 560.0]])
    place = place_dimension(ground(), ends, (300.0, 100.0))
    assert place.line[1] - place.line[0] == pytest.approx(ends[1] - ends[0])
    shift = place.line[0] - ends[0]
    assert shift @ (ends[1] - ends[0]) == pytest.approx(0.0, abs=1e-6)


def test_a_label_stays_off_the_part_where_there_is_room():
    here = ground()
    place = place_dimension(here, np.array([[700.0, 340.0], [700.0, 660.0]]), (300.0, 100.0))
    assert here.shape_share(np.array([place.box]))[0] < 0.02


def test_without_room_there_is_no_label():
    assert place_dimension(ground((200, 100)), np.array([[20.0, 50.0], [180.0, 50.0]]), (300.0, 120.0)) is None


def test_values_without_room_are_written_below():
    shot = made_cases.photo((800, 200))
    case = made_cases.case(shot=shot)
    assert overlay._foot_words(case, ["thread pitch 1.81 ± 0.02 mm"]).startswith("thread pitch 1.81 ± 0.02 mm")


@pytest.mark.parametrize(
    ("said", "written"), [("±0.2 mm", "±0.2 mm"), ("½ × Ø", "1/2 x "), ("Łódź é", "odz e"), ("£1", "GBP 1")]
)
def test_only_letters_that_the_font_has(said, written):
    assert overlay._plain(said) == written


def test_a_small_part_is_shown_large_with_its_reference():
    shot = made_cases.photo((4000, 3000))
    case = made_cases.case(shot=shot)
    left, top, right, bottom = overlay._view(shot, case)
    assert left == 0
    assert top <= 420 - 150
    assert right >= 1290 + 150
    assert bottom >= 890 + 150
    assert (right - left) * (bottom - top) < 0.5 * 4000 * 3000
    drawn = overlay.draw(shot, case).astype(int)
    factor = drawn.shape[1] / (right - left)
    _, xs = np.nonzero(np.all(np.abs(drawn[130:] - overlay.PART_RGB) < 40, axis=2))
    assert (xs.min() + xs.max()) / 2 == pytest.approx((500 - left) * factor, abs=4)


def test_a_part_that_fills_the_photo_is_shown_whole():
    shot = made_cases.photo()
    assert overlay._view(shot, made_cases.case(shot=shot)) == (0, 0, 1600, 1200)
    assert overlay._view(shot, made_cases.case(measured=False)) == (0, 0, 1600, 1200)
