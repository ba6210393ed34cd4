"""The figures by which a classifier is judged: calibration, abstention, sets, confusion."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import beta

from identify.classifier import softmax

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def log_losses(logits: Array, truth: Ints, temperature: float = 1.0) -> Array:
    """-ln p (N,) of each true class; logits (N, C), truth (N,)."""
    p = softmax(logits, temperature, axis=1)[np.arange(len(truth)), truth]
    return -np.log(np.maximum(p, 1e-12))


def negative_log_likelihood(logits: Array, truth: Ints, temperature: float = 1.0) -> float:
    """Mean -ln p of the true class; logits (N, C), truth (N,)."""
    return float(np.mean(log_losses(logits, truth, temperature)))


def fit_temperature(logits: Array, truth: Ints) -> float:
    """The scalar that minimises the negative log likelihood [Guo et al. 2017], within 0.2 and 10."""
    found = minimize_scalar(
        lambda log_t: negative_log_likelihood(logits, truth, math.exp(log_t)),
        bounds=(math.log(0.2), math.log(10.0)),
        method="bounded",
    )
    return float(math.exp(found.x))


def reliability(confidence: Array, right: NDArray[np.bool_], bins: int = 15) -> list[tuple[int, float, float]]:
    """Count, mean confidence and accuracy of each equal-width bin of confidence that holds any [Guo et al. 2017]."""
    which = np.minimum((confidence * bins).astype(int), bins - 1)
    inside = [which == number for number in range(bins)]
    return [(int(one.sum()), float(confidence[one].mean()), float(right[one].mean())) for one in inside if one.any()]


def expected_calibration_error(confidence: Array, right: NDArray[np.bool_], bins: int = 15) -> float:
    """Mean gap between confidence and accuracy over the bins of :func:`reliability`, weighted by their counts."""
    found = reliability(confidence, right, bins)
    return float(sum(count * abs(accuracy - sure) for count, sure, accuracy in found) / len(right))


def upper_bound(errors: int, count: int, delta: float) -> float:
    """Upper limit of an error rate from ``errors`` in ``count``, at probability 1 - delta [Clopper & Pearson 1934]."""
    if count == 0 or errors >= count:
        return 1.0
    return float(beta.ppf(1 - delta, errors + 1, count - errors))


COVERAGES = (1.0, 0.99, 0.98, 0.97, 0.95, 0.925, 0.9, 0.85, 0.8, 0.7, 0.6, 0.5)


def abstention_threshold(
    confidence: Array, right: NDArray[np.bool_], *, risk: float, delta: float
) -> tuple[float, float]:
    """The lowest threshold whose accepted answers are wrong at most ``risk`` of the time, and the bound it reaches.

    Selection with guaranteed risk [Geifman & El-Yaniv 2017], over a fixed grid of coverages instead of their binary
    search: each binomial bound is taken at delta over the number of coverages, so that all hold together. Where no
    coverage reaches ``risk`` the one with the least bound is returned: compare the second value with ``risk``.
    """
    order = np.argsort(-confidence, kind="stable")
    wrong = np.cumsum(~right[order])
    least = (1.0, 1.0)
    for coverage in COVERAGES:
        accepted = max(1, math.ceil(coverage * len(order)))
        bound = upper_bound(int(wrong[accepted - 1]), accepted, delta / len(COVERAGES))
        at = float(confidence[order[accepted - 1]])
        if bound <= risk:
            return at, bound
        if bound < least[1]:
            least = (at, bound)
    return least


def conformal_limit(p_true: Array, level: float) -> float:
    """Least probability of a class in the prediction set: split conformal with score 1 - p(true) [Vovk et al. 2005]."""
    count = len(p_true)
    rank = math.ceil((count + 1) * level)
    if rank > count:
        return 0.0
    return float(np.sort(p_true)[::-1][rank - 1])


def _risks(confidence: Array, right: NDArray[np.bool_]) -> Array:
    """Share of wrong answers among the 1, 2, ... N most confident ones."""
    return np.cumsum(~right[np.argsort(-confidence)]) / np.arange(1, len(right) + 1)


def area_under_risk_coverage(confidence: Array, right: NDArray[np.bool_]) -> float:
    """Mean risk over all coverages, the most confident answers accepted first."""
    return float(np.mean(_risks(confidence, right)))


def risk_coverage(confidence: Array, right: NDArray[np.bool_], points: int = 50) -> list[tuple[float, float]]:
    """Coverage and risk at up to ``points`` evenly spaced coverages up to 1 [Geifman & El-Yaniv 2017]."""
    risks = _risks(confidence, right)
    counts = np.unique(np.linspace(1, len(right), min(points, len(right))).round().astype(int))
    return [(float(count / len(right)), float(risks[count - 1])) for count in counts]


def confusion(truth: Ints, said: Ints, classes: int, columns: int) -> Ints:
    """Counts (classes, columns): row the true class, column the answer."""
    table = np.zeros((classes, columns), np.int64)
    np.add.at(table, (truth, said), 1)
    return table


def wilson(right: int, count: int, z: float = 1.96) -> tuple[float, float]:
    """95 % interval of a share [Wilson 1927]."""
    if count == 0:
        return 0.0, 1.0
    p, zz = right / count, z * z / count
    half = z * math.sqrt(p * (1 - p) / count + zz / (4 * count))
    return (p + zz / 2 - half) / (1 + zz), (p + zz / 2 + half) / (1 + zz)
