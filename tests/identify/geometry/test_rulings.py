"""The tilt of a bench from its own lines, on exact drawn ones: projection of known planes is the truth."""

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from identify.geometry.rulings import look

_SPEC = importlib.util.spec_from_file_location("scenes", Path(__file__).parents[1] / "scenes.py")
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)

NOWHERE = np.array([[-9.0, -9], [-5, -9], [-5, -5]])
MIRROR = np.array([-1.0, -1.0, 1.0])


def boards(turn_deg):
    """Joints of boards 30 mm wide, and their ends."""
    turn = np.radians(turn_deg)
    matrix = np.array([[np.cos(turn), np.sin(turn), 0], [-np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    along = [([x, -80.0, 0.0], [x, 120.0, 0.0]) for x in range(-120, 121, 30)]
    ends = [([x, y, 0.0], [x + 30.0, y, 0.0]) for x in range(-120, 91, 30) for y in (-40.0 + x % 40, 60.0 - x % 50)]
    return [np.array(each) @ matrix for each in along + ends]


@pytest.mark.parametrize(("tilt_deg", "turn_deg"), [(4, 10), (12, 35), (25, 70)])
def test_boards_tell_the_tilt_from_its_mirror(tilt_deg, turn_deg):
    camera, pose = scenes.camera_over_bench(tilt_deg=tilt_deg)
    (found,) = look(scenes.ruled(boards(turn_deg), camera, pose), [camera], NOWHERE)
    truth = pose.rotation[:, 2]
    near, mirrored = found.likelihood(np.stack([truth, truth * MIRROR]))
    assert near > 50
    assert tilt_deg < 10 or near > 20 * mirrored
    grid = np.array(np.unravel_index(np.argmax(found.log_likelihood), found.log_likelihood.shape)) * 2.0 - 50
    angle = np.degrees(np.arccos(-truth[2])) / max(np.hypot(*truth[:2]), 1e-9) * truth[:2]
    assert np.hypot(*(grid[::-1] - angle)) < 3.5


def test_boards_tell_a_focal_length():
    camera, pose = scenes.camera_over_bench(tilt_deg=25)
    cameras = [replace(camera, focal_px=camera.focal_px * times) for times in (0.6, 1.0, 1.6)]
    found = look(scenes.ruled(boards(30), camera, pose), cameras, NOWHERE)
    assert np.argmax([each.log_likelihood.max() for each in found]) == 1


def test_scattered_lines_say_next_to_nothing():
    camera, pose = scenes.camera_over_bench(tilt_deg=20)
    rng = np.random.default_rng(3)
    middles, turns = rng.uniform(-100, 100, (60, 2)), rng.uniform(0, np.pi, 60)
    arms = 12 * np.column_stack([np.cos(turns), np.sin(turns)])
    lines = [np.column_stack([[m - a, m + a], [0, 0]]) for m, a in zip(middles, arms, strict=True)]
    (found,) = look(scenes.ruled(lines, camera, pose), [camera], NOWHERE)
    assert np.exp(found.log_likelihood).max() < 6


def test_an_empty_bench_says_nothing():
    camera, pose = scenes.camera_over_bench(tilt_deg=20)
    assert look(scenes.ruled([], camera, pose), [camera], NOWHERE) is None
