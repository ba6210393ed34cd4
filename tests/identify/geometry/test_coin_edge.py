"""The coin network's file: checked against its card before it is used."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from identify.errors import ModelError
from identify.geometry import coin_edge, rings
from identify.model import Ellipse

MODELS = Path(__file__).parents[3] / "models"


def test_a_spoke_s_odds_sum_to_one_and_no_start_gives_no_odds():
    rgb = np.random.default_rng(0).integers(0, 255, (300, 300, 3), dtype=np.uint8)
    odds = np.exp(coin_edge.log_odds(rgb, [Ellipse(150.0, 140.0, 50.0, 48.0, 0.1)] * 3))
    assert odds.shape == (3, 2, rings.SPOKES, len(rings.SCALES))
    assert odds.sum(axis=3) == pytest.approx(np.ones((3, 2, rings.SPOKES)), abs=1e-4)
    assert coin_edge.log_odds(rgb, []).shape == (0, 2, rings.SPOKES, len(rings.SCALES))


@pytest.mark.parametrize("harm", ["cut", "card"])
def test_a_damaged_network_is_refused(tmp_path, harm):
    for suffix in (".onnx", ".toml"):
        shutil.copy(MODELS / f"coin_edge{suffix}", tmp_path)
    path = tmp_path / "coin_edge.onnx"
    if harm == "cut":
        path.write_bytes(path.read_bytes()[:-1])
    else:
        path.with_suffix(".toml").unlink()
    with pytest.raises(ModelError, match=r"coin_edge\.onnx"):
        coin_edge.load(path)
