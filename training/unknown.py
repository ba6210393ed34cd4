"""How well scores tell objects of kinds that training never showed from fittings, and the limit of one, without torch.

    python -m training.unknown --model RUN/fitting_classifier.onnx --known runs/evaluation --unknown runs/unknown
        --reference runs/calibration --out RUN

The score and the limit from which an answer becomes ``unsure`` are chosen on --reference (fittings never trained on)
and the kinds of --unknown. What is reported of them is fair: each kind is judged by what the other kinds chose, and the
fittings of --known take no part in any choice. Writes unknown.json, and the card of the run anew; for each score it has
the area under the receiver operating characteristic (the chance that an unknown object scores higher than a fitting).
"Nearest features" is measured for comparison; it would need the reference's features to ship.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata

from identify.classifier import NAME, STRANGENESS, Card, Classifier, load, mean_logits, softmax
from training import card as model_card
from training.prepare import read_manifest
from training.sample import Picture, each, pictures, rgb_of

Array = NDArray[np.float64]
NEIGHBOURS = 10
REFUSED = 0.93  # of the unknown objects that choose the limit; above the goal of 0.9, because others will be judged
MOST_LOST = 0.05  # of the fittings that would be answered rightly, at most, whatever is refused


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the network says of one picture: logits (C,) and features (F,) of the telling looks; its class and kind."""

    logits: Array
    features: Array
    klass: str
    kind: str


def see(classifier: Classifier, picture: Picture) -> Seen:
    """One picture through the classifier."""
    looks = classifier.enough(rgb_of(picture))
    features = np.asarray(np.mean([look.features for look in looks[1:] or looks], axis=0), np.float64)
    logits = mean_logits(looks, classifier.card.whole_weight).astype(np.float64)
    return Seen(logits, features, picture.line["class"], picture.line.get("subtype", ""))


def roc_area(unknown: Array, known: Array) -> float:
    """Chance that one of ``unknown`` (N,) exceeds one of ``known`` (M,), ties counting half [Hanley & McNeil 1982].

    Examples
    --------
    >>> roc_area(np.array([2.0, 3.0]), np.array([1.0, 2.0]))
    0.875
    """
    ranks = rankdata(np.concatenate([unknown, known]))
    n, m = len(unknown), len(known)
    return float((ranks[:n].sum() - n * (n + 1) / 2) / (n * m))


def scores(seen: Sequence[Seen], nothing: int) -> dict[str, Array]:
    """Each score (N,) that the classifier can use: the higher, the less like a known fitting."""
    logits = np.array([one.logits for one in seen])
    return {name: np.asarray(score(logits, nothing), float) for name, score in STRANGENESS.items()}


def apart(seen: Sequence[Seen], reference: Sequence[Seen]) -> Array:
    """Minus the mean cosine (N,) to the nearest features of ``reference``."""
    features, known = (np.array([one.features for one in some]) for some in (seen, reference))
    features, known = (rows / np.linalg.norm(rows, axis=1, keepdims=True) for rows in (features, known))
    return np.asarray(-np.sort(features @ known.T, axis=1)[:, -NEIGHBOURS:].mean(axis=1), float)


def answered(seen: Sequence[Seen], card: Card) -> NDArray[np.bool_]:
    """Which (N,) get a fitting for an answer before any score of strangeness is asked."""
    p = softmax(np.array([one.logits for one in seen]), card.temperature, axis=1)
    nothing = card.classes.index(card.nothing)
    return np.asarray((p.argmax(axis=1) != nothing) & (p.max(axis=1) >= card.unsure_below), bool)


def limit_of(strange: Array, open_to_it: NDArray[np.bool_], known: Array) -> float:
    """The highest limit that refuses ``REFUSED`` of unknown objects (N,) and loses ``MOST_LOST`` of known (M,) at most.

    ``open_to_it`` (N,) tells which of them are not refused anyway; infinite where enough are.
    """
    may_stay = math.floor((1 - REFUSED) * len(strange) + 1e-9)
    candidates = np.sort(strange[open_to_it])
    if len(candidates) <= may_stay:
        return math.inf
    wanted = float(candidates[may_stay])
    bearable = float(np.quantile(known, 1 - MOST_LOST, method="higher")) if len(known) else -math.inf
    return max(wanted, np.nextafter(bearable, math.inf))


@dataclass(frozen=True, slots=True)
class Choice:
    """A score by its name and the limit from which an object is strange."""

    by: str
    limit: float


def choose(unknown: Sequence[Seen], reference: Sequence[Seen], card: Card) -> Choice:
    """The score with the largest area, and its limit for the fittings that are answered rightly."""
    nothing = card.classes.index(card.nothing)
    high, low = scores(unknown, nothing), scores(reference, nothing)
    by = max(high, key=lambda name: roc_area(high[name], low[name]))
    said = np.array([one.logits.argmax() for one in reference])
    right = said == [card.classes.index(one.klass) for one in reference]
    return Choice(by, limit_of(high[by], answered(unknown, card), low[by][right & answered(reference, card)]))


def refused(seen: Sequence[Seen], choice: Choice, card: Card) -> NDArray[np.bool_]:
    """Which (N,) are answered ``nothing`` or ``unsure``."""
    return ~answered(seen, card) | (scores(seen, card.classes.index(card.nothing))[choice.by] >= choice.limit)


def judged(
    unknown: Sequence[Seen], known: Sequence[Seen], reference: Sequence[Seen], card: Card
) -> dict[str, float | int]:
    """Area and share refused, each kind by the choice of the other kinds; shares of ``known`` by the choice of all."""
    nothing = card.classes.index(card.nothing)
    kinds = sorted({one.kind for one in unknown})
    areas, said, counts = [], 0, []
    low = scores(known, nothing)
    for kind in kinds:
        own, others = ([one for one in unknown if (one.kind == kind) == mine] for mine in (True, False))
        choice = choose(others or own, reference, card)
        areas.append(roc_area(scores(own, nothing)[choice.by], low[choice.by]))
        said += int(refused(own, choice, card).sum())
        counts.append(len(own))
    choice = choose(unknown, reference, card)
    none = Choice(choice.by, math.inf)
    return {
        "kinds": len(kinds),
        "roc_area": float(np.average(areas, weights=counts)),
        "refused": said / len(unknown),
        "refused_without": float(refused(unknown, none, card).mean()),
        "known_answered": float((~refused(known, choice, card)).mean()),
        "known_answered_without": float((~refused(known, none, card)).mean()),
    }


def report(unknown: Sequence[Seen], known: Sequence[Seen], reference: Sequence[Seen], card: Card) -> dict[str, Any]:
    """What unknown.json holds."""
    nothing = card.classes.index(card.nothing)
    high, low = scores(unknown, nothing), scores(known, nothing)
    areas = {name: roc_area(high[name], low[name]) for name in high}
    choice = choose(unknown, reference, card)
    return {
        "known": len(known),
        "unknown": len(unknown),
        "roc_area": areas | {"nearest features": roc_area(apart(unknown, reference), apart(known, reference))},
        "chosen": {"strange_by": choice.by, "strange_from": choice.limit if math.isfinite(choice.limit) else None},
        "judged": judged(unknown, known, reference, card),
        "model": card.sha256,
    }


def main(arguments: list[str] | None = None) -> None:
    """Score, choose and print."""
    parser = argparse.ArgumentParser(prog="python -m training.unknown", description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path, help="model file; without: the one that ships")
    parser.add_argument("--known", type=Path, nargs="+", required=True, help="folders with fittings, for the report")
    parser.add_argument("--unknown", type=Path, required=True, help="folder with objects of kinds never trained on")
    parser.add_argument("--reference", type=Path, required=True, help="folder with fittings, for the choice")
    parser.add_argument("--out", type=Path, help="folder for unknown.json; a run's card is written anew")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args(arguments)
    classifier = load(options.model)

    def through(folder: Path, *, fittings: bool) -> list[Seen]:
        lines = [row for row in read_manifest(folder) if (row["class"] != classifier.card.nothing) == fittings]
        return each(lambda picture: see(classifier, picture), pictures(folder, lines), workers=options.workers)

    known = [one for folder in options.known for one in through(folder, fittings=True)]
    unknown = through(options.unknown, fittings=False)
    found = report(unknown, known, through(options.reference, fittings=True), classifier.card)
    print(json.dumps(found, indent=1))
    if options.out:
        model_card.write_json(options.out / "unknown.json", found)
        if (options.out / NAME).is_file() and (options.out / "calibration.json").is_file():
            model_card.write(options.out)


if __name__ == "__main__":
    main()
