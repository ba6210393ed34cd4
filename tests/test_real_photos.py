"""Acceptance on openly licensed real photos: coins found and measured by coins, chessboards, a leaning card.

The folder is evaluation only: nothing is trained on it. Truth of the coins: labelled by eye on a 100 px grid
(tests/data/coin_truth.csv); sizes of euro coins: Council Regulation (EC) No 975/98; chessboards: 25.0 mm squares
(OpenCV samples).
"""

import os
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from identify import photo as photos
from identify.reference.rims import find_rims
from training import real_photos

ROOT = Path(__file__).parents[1]
FOLDER = Path(os.environ.get("TAPWRIGHT_PHOTOS", ROOT.parent / "shared" / "photos"))
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason=f"no folder of real photos at {FOLDER.name}")

SCENES = [
    f"coins_scenes/{name}.jpg"
    for name in ("10c_IMG_4192", "1e_IMG_4197", "2e_IMG_4195", "mixed_test_1", "mixed_test_15", "mixed_train_29")
]


@cache
def seen(file: str):
    photo = photos.load(FOLDER / file)
    return photo, find_rims(photo)


def test_isolated_coins_are_found_and_hardly_anything_else():
    truths = real_photos.truths()
    findings = [
        real_photos.score_findings(file, seen(file)[0], truths[file], [rim.ellipse for rim in seen(file)[1]])
        for file in SCENES
    ]
    isolated, found = sum(each.isolated for each in findings), sum(each.found for each in findings)
    assert isolated >= 40
    assert found >= 0.95 * isolated
    assert sum(each.false for each in findings) <= 0.03 * sum(each.findings for each in findings)


def test_every_kind_of_ground_is_labelled():
    truths = real_photos.truths()
    assert len(truths) >= 12
    assert sum(len(coins) for coins in truths.values()) > 400


@cache
def sizes():
    """Every scene of one denomination, up to five coins of it the reference in turn: what one coin gives is chance."""
    results = []
    for path in sorted((FOLDER / "coins_scenes").glob("*_IMG_*.jpg")):
        row = real_photos.denomination(path.name)
        photo, rims = seen(f"coins_scenes/{path.name}")
        results += real_photos.coins_by_coin(path.name, photo, rims, row, references=5)
    return results


def test_coins_measured_by_a_coin_lie_within_what_is_claimed():
    errors = np.array([each.error_percent for each in sizes()])
    claims = np.array([each.u_percent for each in sizes()])
    assert len(errors) >= 300
    assert np.mean(np.abs(errors) <= 2 * claims) >= 0.93


def test_goal_coins_measured_by_a_coin():
    errors = np.abs([each.error_percent for each in sizes()])
    assert np.median(errors) <= 0.8
    assert np.percentile(errors, 95) <= 2.5


def test_chessboard_lengths_inside_a_card_sized_patch():
    boards = real_photos.boards(sorted((FOLDER / "chessboard").glob("left*.jpg")))
    assert len(boards) >= 5
    assert np.median([board.inside_percent for board in boards]) <= 0.5
    assert max(board.inside_percent for board in boards) <= 0.5
    assert np.median([board.beyond_percent for board in boards]) <= 0.5


def test_a_leaning_card_raises_the_warning():
    for path in (FOLDER / "planar").glob("id1_card*.jpg"):
        assert real_photos.leaning(path)
