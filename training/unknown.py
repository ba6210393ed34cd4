"""How well scores tell objects of kinds that training never showed from fittings, without torch.

    python -m training.unknown --known runs/evaluation --unknown runs/unknown --reference runs/calibration --out RUN

``--reference`` holds pictures whose features stand for what the network knows. Writes unknown.json: for each score the
area under the receiver operating characteristic (the chance that an unknown object scores higher than a fitting), and
the share of unknown objects that are answered ``none`` or ``unsure``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp
from scipy.stats import rankdata

from identify.classifier import Classifier, load
from identify.model import UNSURE
from training.prepare import read_manifest
from training.sample import Picture, each, pictures, rgb_of

Array = NDArray[np.float64]
NEIGHBOURS = 10


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the network says of one picture: logits (C,) and features (F,) of the telling looks, and the answer."""

    logits: Array
    features: Array
    answer: str


def see(classifier: Classifier, picture: Picture) -> Seen:
    """One picture through the classifier."""
    rgb = rgb_of(picture)
    looks = classifier.looks(rgb)
    telling = looks[1:] or looks
    return Seen(
        np.mean([look.logits for look in telling], axis=0, dtype=np.float64),
        np.mean([look.features for look in telling], axis=0, dtype=np.float64),
        classifier.settle(looks, rgb.shape[:2]).answer,
    )


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


def scores(seen: Sequence[Seen], reference: Array, nothing: int) -> dict[str, Array]:
    """Each score (N,): the higher, the less like a known fitting. ``reference`` (K, F) are unit features."""
    logits = np.array([one.logits for one in seen])
    fittings = np.delete(logits, nothing, axis=1)
    features = np.array([one.features for one in seen])
    features = features / np.linalg.norm(features, axis=1, keepdims=True)
    near = np.sort(features @ reference.T, axis=1)[:, -NEIGHBOURS:]
    return {
        "probability": -np.exp(fittings.max(axis=1) - logsumexp(logits, axis=1)),
        "largest logit": -fittings.max(axis=1),
        "energy": -logsumexp(fittings, axis=1),
        "nearest features": -near.mean(axis=1),
    }


def main(arguments: list[str] | None = None) -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(prog="python -m training.unknown", description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path, help="model file; without: the one that ships")
    parser.add_argument("--known", type=Path, required=True, help="folder with fittings")
    parser.add_argument("--unknown", type=Path, required=True, help="folder with objects of kinds never trained on")
    parser.add_argument("--reference", type=Path, required=True, help="folder with fittings, kept from --known")
    parser.add_argument("--out", type=Path, help="folder for unknown.json")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args(arguments)
    classifier = load(options.model)
    nothing = classifier.card.classes.index(classifier.card.nothing)

    def through(folder: Path, *, fittings: bool) -> list[Seen]:
        lines = [row for row in read_manifest(folder) if (row["class"] != classifier.card.nothing) == fittings]
        return each(lambda picture: see(classifier, picture), pictures(folder, lines), workers=options.workers)

    known, unknown = through(options.known, fittings=True), through(options.unknown, fittings=False)
    features = np.array([one.features for one in through(options.reference, fittings=True)])
    features /= np.linalg.norm(features, axis=1, keepdims=True)
    high, low = (scores(seen, features, nothing) for seen in (unknown, known))
    refused = [one.answer in (classifier.card.nothing, UNSURE) for one in unknown]
    found = {
        "known": len(known),
        "unknown": len(unknown),
        "roc_area": {name: roc_area(high[name], low[name]) for name in high},
        "refused": float(np.mean(refused)),
        "model": classifier.card.sha256,
    }
    print(json.dumps(found, indent=1))
    if options.out:
        (options.out / "unknown.json").write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
