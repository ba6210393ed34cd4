"""The network of a part's edge: on drawn strips whose edge is known, beside a shadow that is a stronger step."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from identify.errors import ModelError
from identify.geometry import coin_edge, part_edge
from identify.geometry.part_edge import COLUMNS, MIDDLE

MODELS = Path(__file__).parents[3] / "models"
ROWS = 90


def strip(edge, *, seed=0):
    """A grey part on a lighter bench: the light over one row's pixels, the edge blurred by a lens (half a pixel)."""
    place = np.arange(COLUMNS)[None, :] - np.asarray(edge, float)[:, None]
    part = 1 / (1 + np.exp(place / 1.2))
    grey = 0.45 - 0.33 * part
    noise = np.random.default_rng(seed).normal(0, 0.004, (len(place), COLUMNS, 1))
    return np.clip(grey[..., None] * np.array([1.0, 0.97, 0.92]) + noise, 0, 1)


def test_a_row_s_odds_sum_to_one_and_none_lie_beyond_the_reach():
    odds = part_edge.likely([strip(np.full(ROWS, 30.0))] * 2, 10.0)
    assert odds.shape == (2, ROWS, COLUMNS)
    assert odds.sum(axis=2) == pytest.approx(np.ones((2, ROWS)), abs=1e-6)
    assert odds[:, :, np.abs(np.arange(COLUMNS) - MIDDLE) > 1.4 * 10 + 2].max() == 0


@pytest.mark.parametrize("at", [26.3, 32.0, 37.6])
def test_a_clean_edge_is_found_to_a_tenth_of_a_pixel(at):
    one = strip(np.full(ROWS, at))
    odds = part_edge.likely([one], 12.0)[0]
    path = odds.argmax(axis=1)
    where, height = part_edge.sharpened(one, odds, path)
    assert np.median(where) * part_edge.STEP_PX == pytest.approx(at * part_edge.STEP_PX, abs=0.1)
    assert height.min() > 0.05
    assert np.median(part_edge.support(odds, path)) > 0.8


def test_a_closed_strip_has_no_seam():
    edge = MIDDLE + 4 * np.sin(2 * np.pi * np.arange(ROWS) / ROWS)
    one = strip(edge)
    turned = part_edge.likely([np.roll(one, 40, axis=0)], 12.0, closed=True)[0]
    straight = part_edge.likely([one], 12.0, closed=True)[0]
    found = np.roll(turned, -40, axis=0).argmax(axis=1)
    assert np.abs(found - straight.argmax(axis=1)).max() <= 2
    assert np.median(np.abs(found - edge)) < 1.5


def test_doubt_counts_other_edges_only():
    odds = np.zeros((2, COLUMNS))
    odds[0, 30] = 1.0
    odds[1, [30, 40]] = 0.75, 0.25
    path = np.array([31, 30])
    assert part_edge.doubt(odds, path) == pytest.approx([0.0, 5.0])
    assert part_edge.support(odds, path) == pytest.approx([1.0, 0.75])


def test_gain_runs_from_nothing_to_one():
    assert part_edge.gain(np.array([0.0, 1e-3, 1.0])) == pytest.approx([0.0, 0.0, 1.0])


@pytest.mark.parametrize("harm", ["cut", "card"])
def test_a_damaged_network_is_refused(tmp_path, harm):
    for suffix in (".onnx", ".toml"):
        shutil.copy(MODELS / f"part_edge{suffix}", tmp_path)
    path = tmp_path / part_edge.NAME
    if harm == "cut":
        path.write_bytes(path.read_bytes()[:-1])
    else:
        path.with_suffix(".toml").unlink()
    with pytest.raises(ModelError, match=r"part_edge\.onnx"):
        coin_edge.load(path)
