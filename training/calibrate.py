"""Fit temperatures, the threshold of ``unsure`` and the prediction set of an exported run on parts never trained on.

    python -m training.calibrate --run runs/first --pictures runs/calibration --index runs/first/index.json

The pictures of --pictures are kept from training altogether; of --index only the calibration split is used. Half of
them, drawn at random, are first made worse (blur, noise, exposure, JPEG), because users' photos are. All renders: no
photo of a real tap is among them, so the guarantees hold for renders alone.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from identify.classifier import LEAST_NEAR, NAME, PART, Card, Classifier, Look, label_map, load
from identify.model import Bytes
from training import card, figures
from training.decision import DELTA, fit
from training.looks import (
    CROP_SHARES,
    FAINT,
    enough_looks,
    logits_of,
    near_looks,
    settled_at,
    sure_looks,
    surely_better,
    survey_looks,
)
from training.prepare import CALIBRATION, KEPT, read_manifest, read_rows
from training.sample import Picture, each, pictures, rgb_of, worn

STRIDE = 32  # [px]: sides that the network takes are multiples of it
FIRST_SHARES = (1.0, 0.625, 0.5)  # of the network's input: sides at which the first look of a survey may be taken
FEWEST = 20  # known answers that a temperature of its own needs


def gather(run: Path, folders: list[Path], index: Path | None) -> list[Picture]:
    """Every calibration picture."""
    found: list[Picture] = []
    for folder in folders:
        lines = read_manifest(folder)
        if kept := {line.get("split") for line in lines} & KEPT:
            raise ValueError(f"{folder} holds pictures of the {min(kept)} split; thresholds may not be fitted on them.")
        found += pictures(folder, lines)
    for row in read_rows(index, CALIBRATION) if index else []:
        line = {"class": row.klass, "view": row.view, "variety": row.variety, "seed": row.seed}
        found.append(Picture(Path(row.picture), Path(row.mask) if row.mask else None, line))
    if not found:
        raise ValueError(f"No calibration picture for {run}: name a folder with --pictures.")
    return found


def without_blanks(sample: list[Picture], *, workers: int) -> list[Picture]:
    """The pictures that show anything at all: a failed render is one even colour."""
    spans = each(lambda picture: int(np.ptp(rgb_of(picture))), sample, workers=workers)
    return [picture for picture, span in zip(sample, spans, strict=True) if span >= 8]


def aims(classifier: Classifier) -> list[Card]:
    """Cards of the ways to aim the near looks at a photo that is measured: by the map of all networks, or of one."""
    plain = replace(classifier.card, crop_shares=CROP_SHARES)
    numbers = range(classifier.networks) if classifier.networks > 1 else ()
    return [plain, *(replace(plain, aimed_by=number) for number in numbers)]


def looks_by(classifier: Classifier, picture: Picture, cards: Sequence[Card]) -> list[tuple[Look, ...]]:
    """The looks of each card at one picture, made worse for half of them."""
    rgb = _shown(picture)
    return [tuple(map(_without_map, classifier.with_card(one).looks(rgb))) for one in cards]


def manners(classifier: Classifier) -> list[Card]:
    """Cards of the ways to look at a photo: those of :data:`FAINT` for one that is measured, then those for surveys.

    Where the file's networks can be asked one by one, they take turns; the first look may be at a smaller picture.
    """
    plain = replace(classifier.card, crop_shares=CROP_SHARES)
    sides = [round(share * plain.input_px) for share in FIRST_SHARES if classifier.any_size or share == 1]
    turns = classifier.networks > 1
    ways = [replace(plain, first_px=side, turns=turns) for side in sides if side % STRIDE == 0]
    return [*(replace(plain, faint_from=least) for least in FAINT), *(way for way in ways if way.hasty)]


def look(classifier: Classifier, picture: Picture, cards: Sequence[Card]) -> tuple[list[tuple[Look, ...]], list[float]]:
    """The looks of each manner at one picture, made worse for half of them, and the shares labelled as part.

    Shares are of the manners of :data:`FAINT`, which differ only where the first look sees no part.
    """
    rgb = _shown(picture)
    plain = classifier.with_card(cards[0]).looks(rgb)
    seen, shares = [plain], [_labelled(plain, rgb, classifier.card)]
    for one in cards[1 : len(FAINT)]:
        further = plain if len(plain) > 1 else classifier.with_card(one).looks(rgb, plain)
        shares.append(shares[0] if len(further) == len(plain) else _labelled(further, rgb, classifier.card))
        seen.append(further)
    seen += [classifier.with_card(one).looks(rgb) for one in cards[len(FAINT) :]]
    return [tuple(map(_without_map, looks)) for looks in seen], shares


def _drawn(picture: Picture) -> tuple[np.random.Generator, bool]:
    """The generator that draws how a picture is made worse, and whether the picture stays as it is."""
    rng = np.random.default_rng([picture.line["seed"] % 2**32, 7])
    return rng, bool(rng.random() >= 0.5)


def _shown(picture: Picture) -> Bytes:
    """The picture (H, W, 3) as it is calibrated on: half of them are made worse."""
    rng, untouched = _drawn(picture)
    return rgb_of(picture) if untouched else worn(rgb_of(picture), rng)


def _labelled(looks: tuple[Look, ...], rgb: Bytes, card: Card) -> float:
    return float(np.mean(label_map(looks, rgb.shape[:2], 2 * card.input_px) == PART))


def _without_map(look: Look) -> Look:
    """The look as far as a calibration needs it; copies, because a part of an array keeps all of it in memory."""
    return replace(look, mask=look.mask[:, :1, :1].copy(), features=look.features[:1].copy(), aim=None)


def _heads(classifier: Classifier, sample: list[Picture], views: NDArray, varieties: NDArray) -> dict[str, Any]:
    """How often the view is right, and temperatures of the varieties, from the pictures whose answer is known."""
    names = classifier.card.views
    known = [n for n, picture in enumerate(sample) if _asked_view(classifier, picture) in names]
    truth = np.array([names.index(sample[n].line["view"]) for n in known], np.int64)
    found: dict[str, Any] = {"varieties": {}}
    if len(known) >= FEWEST:
        found["view_right"] = float(np.mean(views[known].argmax(axis=1) == truth))
    start = 0
    for head in classifier.card.varieties:
        own = slice(start, start + len(head.answers))
        start = own.stop
        answers = [(picture.line.get("variety") or {}).get(head.name) for picture in sample]
        rows = [
            n for n, answer in enumerate(answers) if answer in head.answers and sample[n].line["class"] in head.classes
        ]
        if len(rows) < FEWEST:
            continue
        truth = np.array([head.answers.index(answers[n]) for n in rows], np.int64)
        logits = varieties[rows][:, own]
        found["varieties"][head.name] = {
            "temperature": max(1.0, figures.fit_temperature(logits, truth)),
            "right": float(np.mean(logits.argmax(axis=1) == truth)),
            "pictures": len(rows),
        }
    return found


def _asked_view(classifier: Classifier, picture: Picture) -> str | None:
    return None if picture.line["class"] == classifier.card.nothing else picture.line.get("view")


def calibrate(run: Path, sample: list[Picture], *, workers: int) -> dict[str, Any]:
    """What calibration.json holds: how a photo is looked at, when, and what is then answered."""
    card.write(run, calibrated=False)
    provisional = load(run / NAME)
    truth = np.array([provisional.card.classes.index(picture.line["class"]) for picture in sample], np.int64)
    tried = aims(provisional)
    by_aim = each(lambda picture: looks_by(provisional, picture, tried), sample, workers=workers)
    aim = surely_better([[looks[number] for looks in by_aim] for number in range(len(tried))], truth)
    cards = manners(provisional.with_card(tried[aim["number"]]))
    classifier = provisional.with_card(cards[0])
    by_manner = each(lambda picture: look(classifier, picture, cards), sample, workers=workers)
    faint = surely_better([[looks[number] for looks, _ in by_manner] for number in range(len(FAINT))], truth)
    number = faint["number"]
    seen = [(manner[number], shares[number]) for manner, shares in by_manner]

    def first(count: int, number: int = number) -> list[tuple[Look, ...]]:
        return [looks[number][: count + 1] for looks, _ in by_manner]

    def telling(name: str, count: int) -> NDArray[np.float64]:
        rows = [np.mean([getattr(one, name) for one in looks[1:] or looks], axis=0) for looks in first(count)]
        return np.asarray(rows, np.float64)

    fits, count = enough_looks([looks for looks, _ in seen], truth)
    winner = near_looks(count)
    shares = [
        share
        for (_, share), picture in zip(seen, sample, strict=True)
        if picture.line["class"] != classifier.card.nothing and share > 0
    ]
    others = [(one, [looks[n] for looks, _ in by_manner]) for n, one in enumerate(cards) if n >= len(FAINT)]
    untouched = np.array([_drawn(picture)[1] for picture in sample])
    survey = survey_looks([(cards[0], first(count, 0)), *others], truth, fits[winner], untouched)
    weight = fits[winner]["whole_weight"]
    sure_at = settled_at(first(count), truth, fits[winner])
    taken = [sure_looks(looks, sure_at, weight, least=LEAST_NEAR) for looks in first(count)]
    return {
        "pictures": len(sample),
        "looks": winner,
        "crop_shares": list(CROP_SHARES[:count]),
        "passes": {"all": float(np.mean([*map(len, first(count))])), "taken": float(np.mean([*map(len, taken)]))},
        "aimed_by": cards[0].aimed_by,
        "aims": [{"aimed_by": one.aimed_by} | way for one, way in zip(tried, aim["ways"], strict=True)],
        "faint_from": FAINT[number],
        "faint": [{"faint_from": least} | way for least, way in zip(FAINT, faint["ways"], strict=True)],
        "sure_at": sure_at,
        "survey": survey,
        "fits": fits,
        "chosen": fit(logits_of(taken, weight), truth, untouched) | {"whole_weight": weight},
        "least_part_share": float(0.3 * np.quantile(shares, 0.01)) if shares else 0.0,
        "heads": _heads(classifier, sample, telling("view", count), telling("varieties", count)),
        "delta": DELTA,
    }


def main(arguments: list[str] | None = None) -> None:
    """Calibrate one run and write its card."""
    parser = argparse.ArgumentParser(prog="python -m training.calibrate", description=__doc__.splitlines()[0])
    parser.add_argument("--run", type=Path, required=True)
    parser.add_argument("--pictures", type=Path, nargs="*", default=[], help="folders kept from training")
    parser.add_argument("--index", type=Path, help="use the calibration split of this index as well")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args(arguments)
    sample = without_blanks(gather(options.run, options.pictures, options.index), workers=options.workers)
    found = calibrate(options.run, sample, workers=options.workers)
    card.write_json(options.run / "calibration.json", found)
    card.write(options.run)
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
