"""From logits to a decision: temperature, threshold of ``unsure`` and prediction set, with the figures they give."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from identify.classifier import softmax
from training import figures

RISK = 0.01  # of a wrong answer at most, as far as that leaves
ANSWERED = 0.85  # of the photos that were not made worse an answer
DELTA, LEVEL = 0.05, 0.95
LEAST_THRESHOLD = 0.5  # an answer less likely than not is never given


def least_sure(
    best: NDArray[np.float64], right: NDArray[np.bool_], untouched: NDArray[np.bool_]
) -> tuple[float, float]:
    """The probability from which answers are given, and the bound of the share of them that is wrong.

    Of pictures whose best class has a probability ``best`` (N,) and is ``right`` (N,) or not. The lowest that keeps to
    :data:`RISK`; where that leaves fewer than :data:`ANSWERED` of the ``untouched`` (N,) pictures an answer, the
    highest that leaves so many.
    """
    threshold, bound = figures.abstention_threshold(best, right, risk=RISK, delta=DELTA)
    of_those = np.sort(best[untouched])[::-1]
    highest = float(of_those[math.ceil(ANSWERED * len(of_those)) - 1])
    if threshold <= highest:
        return threshold, bound
    given = best >= highest
    return highest, figures.upper_bound(int((given & ~right).sum()), int(given.sum()), DELTA)


def fit(
    logits: NDArray[np.float64], truth: NDArray[np.int64], untouched: NDArray[np.bool_] | None = None
) -> dict[str, float]:
    """Temperature, threshold, set limit and the figures that come with them, for logits (N, C).

    ``untouched`` (N,) says which pictures were not made worse; so many of these shall be answered, or of all.
    """
    temperature = figures.fit_temperature(logits, truth)
    p = softmax(logits, temperature, axis=1)
    best, right = p.max(axis=1), p.argmax(axis=1) == truth
    threshold, bound = least_sure(best, right, np.ones_like(right) if untouched is None else untouched)
    threshold = max(threshold, LEAST_THRESHOLD)
    limit = figures.conformal_limit(p[np.arange(len(truth)), truth], LEVEL)
    in_set = (p >= limit) | (np.arange(p.shape[1]) == p.argmax(axis=1)[:, None])
    raw = softmax(logits, 1.0, axis=1)
    accepted = best >= threshold
    return {
        "temperature": temperature,
        "unsure_below": threshold,
        "error_bound": bound,
        "risk": RISK,
        "set_from": limit,
        "top1": float(right.mean()),
        "nll": figures.negative_log_likelihood(logits, truth, temperature),
        "ece_before": figures.expected_calibration_error(raw.max(axis=1), right),
        "ece": figures.expected_calibration_error(best, right),
        "accepted": float(accepted.mean()),
        "wrong_among_accepted": float((~right[accepted]).mean()) if accepted.any() else 0.0,
        "set_coverage": float(in_set[np.arange(len(truth)), truth].mean()),
        "set_size": float(in_set.sum(axis=1).mean()),
        "aurc": figures.area_under_risk_coverage(best, right),
    }
