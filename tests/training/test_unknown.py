"""Scores for unknown objects: the area against a reference library, what is chosen, and that no kind judges itself."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import mannwhitneyu

from identify import classifier
from training.unknown import Choice, Seen, apart, choose, judged, limit_of, refused, report, roc_area, scores

CARD = replace(
    classifier.shipped_card(), classes=("a", "b", "nothing"), nothing="nothing", temperature=1.0, unsure_below=0.5
)


def seen(logits: tuple[float, ...], klass: str = "a", kind: str = "") -> Seen:
    return Seen(np.array(logits, float), np.array([1.0, *logits[:2]]), klass, kind)


def sample(seed: int, shift: float, klass: str, count: int = 60) -> list[Seen]:
    rng = np.random.default_rng(seed)
    return [seen((6 + rng.normal(), rng.normal(), shift + rng.normal()), klass, f"kind {k % 3}") for k in range(count)]


@pytest.mark.parametrize("seed", range(3))
def test_area_is_the_normalised_rank_sum_statistic(seed: int) -> None:
    rng = np.random.default_rng(seed)
    unknown, known = rng.normal(0.7, 1, 40).round(1), rng.normal(0, 1, 55).round(1)  # rounded: ties occur
    want = mannwhitneyu(unknown, known).statistic / (40 * 55)  # scipy.stats as the oracle
    assert roc_area(unknown, known) == pytest.approx(want, abs=1e-12)


def test_every_score_is_higher_for_what_is_not_known() -> None:
    reference = [seen((8.0, 0.0, 0.0)), seen((0.0, 8.0, 0.0))]
    fitting, stranger = seen((8.0, 0.2, 0.0)), seen((-0.5, -0.4, 3.0))
    found = scores([fitting, stranger], nothing=2)
    assert set(found) == set(classifier.STRANGENESS)
    for low, high in (*found.values(), apart([fitting, stranger], reference)):
        assert high > low


def test_the_limit_by_hand() -> None:
    strange = np.arange(100.0)
    assert limit_of(strange, np.ones(100, bool), np.array([-1.0])) == 7.0  # 7 of 100 may stay
    assert limit_of(strange, strange >= 93, np.array([-1.0])) == math.inf  # the rest is refused without
    assert limit_of(strange, np.ones(100, bool), np.full(20, 50.0)) > 50.0  # fittings count more


def test_the_telling_score_is_chosen_and_refuses_what_it_should() -> None:
    unknown, known = sample(1, 5.0, "nothing"), sample(2, -4.0, "a")
    choice = choose(unknown, sample(3, -4.0, "a"), CARD)
    assert choice.by == "nothing"  # the other scores hardly differ between the two
    assert refused(unknown, choice, CARD).mean() >= 0.9
    assert refused(known, choice, CARD).mean() <= 0.1
    assert refused(unknown, Choice("nothing", math.inf), CARD).mean() < 0.5


def test_a_kind_is_judged_by_the_choice_of_the_others() -> None:
    """One kind is told by the odds of nothing, the other two are not: its own choice would have been better."""
    reference, known = sample(3, -4.0, "a"), sample(2, -4.0, "a")
    odd = [replace(one, kind="odd") for one in sample(4, 3.0, "nothing", 20)]
    common = [replace(one, kind=f"common {k % 2}") for k, one in enumerate(sample(5, -4.0, "nothing", 40))]
    found = judged([*odd, *common], known, reference, CARD)
    assert found["kinds"] == 3
    alone = judged(odd, known, reference, CARD)
    assert alone["refused"] > 0.9
    assert found["refused"] < 0.5


def test_the_report_names_the_model_and_an_endless_limit_as_none() -> None:
    known, reference = sample(2, -4.0, "a"), sample(3, -4.0, "a")
    sure = [replace(one, logits=np.array([0.0, 0.0, 9.0])) for one in sample(1, 5.0, "nothing")]
    found = report(sure, known, reference, CARD)
    assert found["model"] == CARD.sha256
    assert found["chosen"]["strange_from"] is None
    assert found["judged"]["refused"] == 1.0
    assert set(found["roc_area"]) == {*classifier.STRANGENESS, "nearest features"}
