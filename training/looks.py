"""How a photo is looked at: how many near looks it gets, at how faint a trace of a part, and when there are enough."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from identify.classifier import LEAST_NEAR, Card, Look, mean_logits, softmax
from identify.weights import SEEN_FROM
from training import card, figures
from training.decision import fit

CROP_SHARES = (0.7, 0.4, 0.85, 0.3)  # the most different ones first
FAINT = (SEEN_FROM, 0.3, 0.2, 0.1)  # probabilities from which a trace of a part may be looked at nearer
WHOLE_WEIGHTS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5)
SURVEY_NEAR = 3  # near looks of a survey at most
SURVEY_PASSES = 1.25  # a photo: what leaves a survey 0.8 of the rate of decoding and one pass (training.time_survey)
SETTLED = (0.95, 0.98, 0.99, 0.995, 0.999)  # the same of a photo that is measured: blur and noise mislead one look
SURE = (0.8, 0.85, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999)  # where a further look may be spared


def near_looks(count: int) -> str:
    """What a number of near looks is called in the card."""
    return "whole photo" if count == 0 else f"{count} near"


def sure_looks(looks: tuple[Look, ...], until: float, whole_weight: float, *, least: int = 0) -> tuple[Look, ...]:
    """The looks that the classifier takes where, after ``least`` near ones, it stops at the probability ``until``."""
    for count in range(1 + least, len(looks)):
        if softmax(mean_logits(looks[:count], whole_weight)).max() >= until:
            return looks[:count]
    return looks


def logits_of(all_looks: Sequence[tuple[Look, ...]], whole_weight: float) -> NDArray[np.float64]:
    """Mean logits (N, C) of the looks at N pictures."""
    return np.asarray([mean_logits(looks, whole_weight) for looks in all_looks], np.float64)


def beyond(losses: NDArray[np.float64], others: NDArray[np.float64]) -> tuple[float, float]:
    """By how much log losses (N,) exceed others of the same pictures in the mean, and that mean's standard error."""
    change = losses - others
    return float(change.mean()), float(change.std(ddof=1) / np.sqrt(len(change)))


def weighed(all_looks: Sequence[tuple[Look, ...]], truth: NDArray[np.int64]) -> dict[str, float]:
    """The fit of these looks with the weight of the whole photo's look that gives the least log loss."""
    fits = [fit(logits_of(all_looks, weight), truth) | {"whole_weight": weight} for weight in WHOLE_WEIGHTS]
    return min(fits, key=lambda one: one["nll"])


def surely_better(by_way: Sequence[Sequence[tuple[Look, ...]]], truth: NDArray[np.int64]) -> dict[str, Any]:
    """Which of several ways to look is taken, and how all do: ``number`` and ``ways``.

    It is the one of least log loss, where that is less than the first's by more than the standard error of the
    difference, and else the first.

    Parameters
    ----------
    by_way : looks at all pictures, for each way.
    """
    ways, losses = [], []
    for all_looks in by_way:
        found = weighed(all_looks, truth)
        losses.append(figures.log_losses(logits_of(all_looks, found["whole_weight"]), truth, found["temperature"]))
        excess, error = beyond(losses[-1], losses[0])
        others = sum(elsewhere(looks, plain) for looks, plain in zip(all_looks, by_way[0], strict=True))
        ways.append({
            **{"pictures": others, "top1": found["top1"], "nll": found["nll"]},
            **{"excess": excess, "standard_error": error},
        })  # fmt: skip
    best = min(range(len(ways)), key=lambda number: ways[number]["nll"])
    sure = ways[best]["excess"] < -ways[best]["standard_error"]
    return {"number": best if sure else 0, "ways": ways}


def elsewhere(looks: Sequence[Look], others: Sequence[Look]) -> bool:
    """Whether the first near looks, or that there is none, are another: they share less than half of what they show."""
    if min(len(looks), len(others)) < 2:
        return len(looks) != len(others)
    one, two = looks[1].square, others[1].square
    low = np.maximum((one.left_px, one.top_px), (two.left_px, two.top_px))
    high = np.minimum((one.left_px + one.side_px, one.top_px + one.side_px),
                      (two.left_px + two.side_px, two.top_px + two.side_px))  # fmt: skip
    shared = float(np.prod(np.maximum(high - low, 0)))
    return shared < 0.5 * (one.side_px**2 + two.side_px**2 - shared)


def survey_looks(
    seen: Sequence[tuple[Card, Sequence[tuple[Look, ...]]]],
    truth: NDArray[np.int64],
    chosen: dict[str, float],
    untouched: NDArray[np.bool_],
) -> dict[str, Any]:
    """How a survey looks at a photo, and when it stops; ``ways`` holds all that were tried.

    Of the ways within :data:`SURVEY_PASSES` a photo the one of least log loss, or the one of the fewest passes where
    none is within. By how much its log loss exceeds that of all plain looks, with the standard error of the difference
    picture by picture, is said with it.

    Parameters
    ----------
    seen : looks at all pictures by each of the manners, the plain one first.
    """
    heat = chosen["temperature"]
    full = figures.log_losses(logits_of(seen[0][1], chosen["whole_weight"]), truth, heat)
    ways = []
    for card_, all_looks in seen:
        for near in range(min(1 + SURVEY_NEAR, max(map(len, all_looks)))):
            nearest = [looks[: near + 1] for looks in all_looks]
            weight = min(
                WHOLE_WEIGHTS, key=lambda w: figures.negative_log_likelihood(logits_of(nearest, w), truth, heat)
            )
            for until in (*SURE, card.NEVER):
                taken = [sure_looks(looks, until, weight) for looks in nearest]
                logits = logits_of(taken, weight)
                loss = figures.log_losses(logits, truth, heat)
                excess, error = beyond(loss, full)
                ways.append({
                    **{"first_px": card_.first_px, "turns": card_.turns, "whole_weight": weight},
                    **{"survey_looks": near, "sure_at": until},
                    "passes": float(np.mean([sum(look.passes for look in looks) for looks in taken])),
                    "nll": float(loss.mean()),
                    **{"excess": excess, "standard_error": error},
                    "fit": fit(logits, truth, untouched),
                })  # fmt: skip
    return {**swift_enough(ways), "most_passes": SURVEY_PASSES, "ways": ways}


def swift_enough(ways: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """The way of least log loss within :data:`SURVEY_PASSES`, or the one of the fewest passes."""
    swift = [way for way in ways if way["passes"] <= SURVEY_PASSES]
    return min(swift or ways, key=lambda way: way["nll"] if swift else way["passes"])


def settled_at(all_looks: Sequence[tuple[Look, ...]], truth: NDArray[np.int64], chosen: dict[str, float]) -> float:
    """When a photo that is measured gets no further near look: of all ways the one of least log loss.

    Clean pictures would stop at less than the least of :data:`SETTLED`. Of 267 calibration pictures under motion blur
    16.5 % were answered wrongly with 0.8, and 13.1 % with 0.95; under Gaussian noise 0.4 % and none.
    """
    weight, heat = chosen["whole_weight"], chosen["temperature"]

    def loss(until: float) -> float:
        taken = [sure_looks(looks, until, weight, least=LEAST_NEAR) for looks in all_looks]
        return figures.negative_log_likelihood(logits_of(taken, weight), truth, heat)

    return min((*SETTLED, card.NEVER), key=loss)


def enough_looks(all_looks: Sequence[tuple[Look, ...]], truth: NDArray[np.int64]) -> tuple[dict[str, Any], int]:
    """The fit of each number of near looks by its name, and the number that is taken.

    It is the most whose log loss is no more than a standard error of the difference, picture by picture, above the
    least: each look makes the map of part and reference finer.
    """
    fits, losses = {}, []
    for count in range(len(CROP_SHARES) + 1):
        nearest = [looks[: count + 1] for looks in all_looks]
        fits[near_looks(count)] = found = weighed(nearest, truth)
        losses.append(figures.log_losses(logits_of(nearest, found["whole_weight"]), truth, found["temperature"]))
    best = min(losses, key=lambda loss: float(loss.mean()))
    excesses = [beyond(loss, best) for loss in losses]
    return fits, max(count for count, (excess, error) in enumerate(excesses) if excess <= error)
