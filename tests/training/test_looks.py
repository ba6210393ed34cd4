"""How many looks are taken, and where the threshold of ``unsure`` falls, on logits with a known truth."""

import numpy as np
import pytest

from identify import classifier
from training import decision, looks


def said(klass: int, logit: float) -> classifier.Look:
    """A look that gives one of two classes so much more."""
    empty = np.zeros(1, np.float32)
    logits = logit * np.eye(2, dtype=np.float32)[klass]
    return classifier.Look(
        classifier.whole_square((64, 64)), logits, empty, empty, np.zeros((3, 1, 1), np.float32), empty
    )


@pytest.mark.parametrize(("wrong", "taken"), [(0, 4), (40, 2)])
def test_as_many_looks_as_cost_nothing_are_taken(wrong: int, taken: int) -> None:
    """Two near looks tell all but one of 200 pictures; two more say the same, or of some the contrary."""
    truth = np.arange(200) % 2
    plain = [(said(k, 0.0), said(k, 1.0), said(k, 3.0)) for k in truth]
    plain[0] = (said(0, 0.0), said(1, 1.0), said(1, 3.0))  # so that no temperature is endless
    more = [said(1 - k, 6.0) if n < wrong else seen[-1] for n, (k, seen) in enumerate(zip(truth, plain, strict=True))]
    fits, count = looks.enough_looks([(*seen, one, one) for seen, one in zip(plain, more, strict=True)], truth)
    assert list(fits) == ["whole photo", "1 near", "2 near", "3 near", "4 near"]
    assert count == taken


def test_the_threshold_is_the_highest_that_leaves_so_many_an_answer() -> None:
    """Half of the pictures are told, of the other half some wrongly; of the first so many shall be answered."""
    rng = np.random.default_rng(0)
    count = 4000
    untouched = np.arange(count) < count // 2
    truth = rng.integers(0, 2, count)
    lead = np.where(untouched, rng.uniform(0.2, 6, count), rng.uniform(-1.5, 2.5, count))
    logits = np.stack([np.where(truth == k, lead, 0.0) for k in (0, 1)], axis=1)
    found = decision.fit(logits, truth, untouched)
    best = classifier.softmax(logits, found["temperature"], axis=1).max(axis=1)
    assert (best >= found["unsure_below"])[untouched].mean() == pytest.approx(decision.ANSWERED, abs=1e-3)
    assert found["error_bound"] > decision.RISK
    assert found["accepted"] < decision.ANSWERED


def test_where_few_are_wrong_more_are_answered() -> None:
    """All but four of 4,000 are right, and these four are the least sure: the risk is kept with nearly all answered."""
    truth = np.arange(4000) % 2
    lead = np.linspace(0.5, 6, 4000)
    lead[:4] = -0.5
    logits = np.stack([np.where(truth == k, lead, 0.0) for k in (0, 1)], axis=1)
    found = decision.fit(logits, truth)
    assert found["error_bound"] <= decision.RISK
    assert found["accepted"] > 0.99
