"""Scores for unknown objects: the area against a reference library, and which way each score points."""

import numpy as np
import pytest
from scipy.stats import mannwhitneyu

from training.unknown import Seen, roc_area, scores


@pytest.mark.parametrize("seed", range(3))
def test_area_is_the_normalised_rank_sum_statistic(seed: int) -> None:
    rng = np.random.default_rng(seed)
    unknown, known = rng.normal(0.7, 1, 40).round(1), rng.normal(0, 1, 55).round(1)  # rounded: ties occur
    want = mannwhitneyu(unknown, known).statistic / (40 * 55)  # scipy.stats as the oracle
    assert roc_area(unknown, known) == pytest.approx(want, abs=1e-12)


def test_every_score_is_higher_for_what_is_not_known() -> None:
    reference = np.eye(4)[:2]
    fitting = Seen(np.array([8.0, 0.0, 0.0]), np.array([1.0, 0.2, 0.0, 0.0]), "a")
    stranger = Seen(np.array([0.5, 0.4, 3.0]), np.array([0.0, 0.0, 1.0, 1.0]), "nothing")
    found = scores([fitting, stranger], reference, nothing=2)
    assert set(found) == {"probability", "largest logit", "energy", "nearest features"}
    for low, high in found.values():
        assert high > low
