"""Score an exported model through identify.classifier on labelled picture folders: what is scored is what ships.

    python -m training.evaluate --model runs/first/fitting_classifier.onnx --pictures runs/evaluation --out runs/first

Needs no torch. Writes evaluation-NAME.json, NAME being the picture folder's.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.classifier import Classifier, load
from identify.model import UNSURE, Bytes, Recognition
from identify.photo import load as load_photo
from training import figures
from training.card import write_json
from training.prepare import read_manifest
from training.sample import Picture, each, pictures, truth_mask, worn

UNDERNEATH = ("base",)  # varieties that are told by the foot of a part


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """One picture's answer and its mask's overlap: (intersection, union) for part and for reference [px of the map]."""

    recognition: Recognition
    overlap: dict[int, tuple[int, int]]
    seconds: float


def overlaps(labels: Bytes, truth: np.ndarray) -> dict[int, tuple[int, int]]:
    """Intersection and union of labels 1 and 2; ``truth`` is brought to the size of ``labels``."""
    h, w = labels.shape
    true = cv2.resize(truth, (w, h), interpolation=cv2.INTER_NEAREST)
    return {
        label: (int(((labels == label) & (true == label)).sum()), int(((labels == label) | (true == label)).sum()))
        for label in (1, 2)
    }


def score_one(classifier: Classifier, picture: Picture, *, worse: bool = False) -> Scored:
    """Recognise one picture, or what a worse camera would have made of it; the time is that of the classifier alone."""
    photo = load_photo(picture.file)
    if worse:
        photo = replace(photo, rgb=worn(photo.rgb, np.random.default_rng([picture.line["seed"] % 2**32, 11])))
    start = time.perf_counter()
    said = classifier.recognise(photo)
    seconds = time.perf_counter() - start
    truth = truth_mask(picture)
    overlap = {} if truth is None or said.labels is None else overlaps(said.labels, truth)
    return Scored(said, overlap, seconds)


def summary(classifier: Classifier, sample: list[Picture], scored: list[Scored]) -> dict[str, Any]:
    """Every figure of a set of pictures."""
    classes = classifier.card.classes
    truth = np.array([classes.index(picture.line["class"]) for picture in sample], np.int64)
    p = np.array([[one.recognition.probabilities[name] for name in classes] for one in scored])
    columns = (*classes, UNSURE)
    said = np.array([columns.index(one.recognition.answer) for one in scored], np.int64)
    best, right = p.max(axis=1), p.argmax(axis=1) == truth
    answered = said != len(classes)
    in_set = [
        picture.line["class"] in one.recognition.prediction_set for picture, one in zip(sample, scored, strict=True)
    ]
    return {
        "pictures": len(sample),
        "top1": float(right.mean()),
        "top1_interval": figures.wilson(int(right.sum()), len(right)),
        "balanced_top1": float(np.mean([right[truth == k].mean() for k in np.unique(truth)])),
        "per_class": {
            name: {"pictures": int((truth == k).sum()), "top1": _mean(right[truth == k])}
            for k, name in enumerate(classes)
        },
        "unsure": float((~answered).mean()),
        "wrong_among_answered": _mean(said[answered] != truth[answered]),
        "ece": figures.expected_calibration_error(best, right),
        "nll": float(-np.mean(np.log(np.maximum(p[np.arange(len(truth)), truth], 1e-12)))),
        "set_coverage": float(np.mean(in_set)),
        "set_size": float(np.mean([len(one.recognition.prediction_set) for one in scored])),
        "aurc": figures.area_under_risk_coverage(best, right),
        "reliability": figures.reliability(best, right),
        "risk_coverage": figures.risk_coverage(best, right),
        "confusion": {"columns": columns, "rows": figures.confusion(truth, said, len(classes), len(columns)).tolist()},
        "view": _views(classifier, sample, scored),
        "by_view": _by_view(sample, right, answered),
        "varieties": _varieties(classifier, sample, scored),
        "part_iou": _iou(scored, 1),
        "reference_iou": _iou(scored, 2),
        "ms_a_photo": 1000 * float(np.median([one.seconds for one in scored])),
    }


def _mean(values: np.ndarray) -> float | None:
    return float(np.mean(values)) if len(values) else None


def _views(classifier: Classifier, sample: list[Picture], scored: list[Scored]) -> dict[str, Any]:
    """Share of right views over all pictures of a fitting, and the confusions."""
    pairs = [
        (picture.line["view"], one.recognition.view)
        for picture, one in zip(sample, scored, strict=True)
        if picture.line["class"] != classifier.card.nothing and picture.line.get("view")
    ]
    wrong = Counter(f"{a} seen as {b}" for a, b in pairs if a != b)
    return {"pictures": len(pairs), "right": _mean(np.array([a == b for a, b in pairs])), "wrong": dict(wrong)}


def _by_view(sample: list[Picture], right: NDArray[np.bool_], answered: NDArray[np.bool_]) -> dict[str, Any]:
    """For each way in which a fitting is seen: pictures, share of right classes, of answers, of wrong ones of these."""
    seen = np.array([picture.line.get("view") or "" for picture in sample])
    return {
        view: {
            "pictures": int((seen == view).sum()),
            "top1": _mean(right[seen == view]),
            "answered": _mean(answered[seen == view]),
            "wrong_among_answered": _mean(~right[(seen == view) & answered]),
        }
        for view in sorted(set(seen) - {""})
    }


def stood_on(line: dict[str, Any], variety: str) -> bool:
    """Whether the part of a manifest line stands on what tells a variety, so that no photo shows it."""
    axis = (line.get("pose") or {}).get("axis_mm")
    upright = line.get("view") == "standing" and axis is not None and axis[1][2] > axis[0][2]
    return upright and variety in UNDERNEATH


def _varieties(classifier: Classifier, sample: list[Picture], scored: list[Scored]) -> dict[str, Any]:
    """Share of right second answers where the class was right and the answer is known and can be seen."""
    found: dict[str, list[bool]] = {}
    for picture, one in zip(sample, scored, strict=True):
        for name, variety in one.recognition.varieties.items():
            known = (picture.line.get("variety") or {}).get(name)
            if known and picture.line["class"] == one.recognition.answer and not stood_on(picture.line, name):
                found.setdefault(name, []).append(known == variety.answer)
    return {name: {"pictures": len(values), "right": float(np.mean(values))} for name, values in found.items()}


def _iou(scored: list[Scored], label: int) -> dict[str, float] | None:
    """Intersection over union: of all pixels together, and the median of the pictures."""
    pairs = [one.overlap[label] for one in scored if one.overlap and one.overlap[label][1] > 0]
    if not pairs:
        return None
    both, either = np.array(pairs).T
    return {"all": float(both.sum() / either.sum()), "median": float(np.median(both / either)), "pictures": len(pairs)}


def main(arguments: list[str] | None = None) -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(prog="python -m training.evaluate", description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path, help="model file; without: the one that ships")
    parser.add_argument("--pictures", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, help="folder for evaluation-NAME.json")
    parser.add_argument("--worn", action="store_true", help="make every picture worse first: blur, noise, light, JPEG")
    parser.add_argument("--together", action="store_true", help="as one set, which is called like the first folder")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args(arguments)
    classifier = load(options.model)
    sets = [(folder.name, pictures(folder, read_manifest(folder))) for folder in options.pictures]
    for name, sample in [(sets[0][0], [one for _, own in sets for one in own])] if options.together else sets:
        scored = each(partial(score_one, classifier, worse=options.worn), sample, workers=options.workers)
        name = f"{name}-worn" if options.worn else name
        found = summary(classifier, sample, scored) | {"folder": name, "model": classifier.card.sha256}
        print(json.dumps(found, indent=1))
        if options.out:
            write_json(options.out / f"evaluation-{name}.json", found)


if __name__ == "__main__":
    main()
