"""Second shots: what the shipped network makes of them, by the pictures of the evaluation."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from identify import classifier
from identify.survey import likeness
from training import second_shots
from training.prepare import read_manifest
from training.sample import pictures

FOLDER = Path(__file__).resolve().parents[1] / "evaluation"


def test_a_shot_that_turns_nothing_is_the_middle_of_the_picture():
    rgb = cv2.GaussianBlur(np.random.default_rng(2).integers(0, 256, (300, 400, 3), np.uint8), (0, 0), 9)
    same = second_shots.shot(rgb, np.random.default_rng(1), 0.0)
    half_h, half_w = 150 / second_shots.ROOM, 200 / second_shots.ROOM
    cut = rgb[round(150 - half_h) : round(150 + half_h), round(200 - half_w) : round(200 + half_w)]
    assert np.abs(same.astype(int) - cv2.resize(cut, (400, 300)).astype(int)).max() < 6
    turned = second_shots.shot(rgb, np.random.default_rng(1), 1.0)
    assert np.abs(turned.astype(int) - same.astype(int)).max() > 6


def test_the_rule_joins_second_shots_of_installed_taps_and_no_others():
    """The print alone joins one in twenty of them, the network's features most (see DEVELOPERS.md)."""
    network = classifier.load()
    lines = [line for line in read_manifest(FOLDER) if line["view"] == "installed"]
    seen = [second_shots.marks(network, one) for one in pictures(FOLDER, lines)]
    assert len(seen) >= 8
    joined = [likeness.alike(row[0], other) for row in seen for other in row[1:3]]
    assert np.mean(joined) >= 0.6
    wrongly = [likeness.alike(a[0], b[2]) for a in seen for b in seen if a is not b]
    assert np.mean(wrongly) <= 0.01


def test_table_counts_every_pair():
    rng = np.random.default_rng(3)
    marks = [[(rng.bytes(8).hex(), rng.bytes(32).hex())] * 4 for _ in range(5)]
    lines = [{"class": name, "view": "installed"} for name in "aabbb"]
    rows = second_shots.table(marks, lines)
    assert [int(row[36:43]) for row in rows[1:]] == [5, 5, 5, 20, 8]
    assert [row.split()[-1] for row in rows[1:]] == ["100.00%"] * 3 + ["0.00%"] * 2
