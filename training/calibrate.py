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

from identify.classifier import LEAST_NEAR, NAME, PART, Card, Classifier, Look, label_map, load, mean_logits, softmax
from identify.model import Bytes
from identify.weights import SEEN_FROM
from training import card, figures
from training.prepare import CALIBRATION, KEPT, read_manifest, read_rows
from training.sample import Picture, each, pictures, rgb_of, worn

RISKS = tuple(step / 400 for step in range(2, 21))  # of a wrong answer: the smallest is taken that leaves
ANSWERED = 0.85  # of the photos an answer
DELTA, LEVEL = 0.05, 0.95
LEAST_THRESHOLD = 0.5  # an answer less likely than not is never given
ALWAYS_IN_SET = 0.1  # a class this likely is in the set, whatever the quantile says: sets may only be larger
CROP_SHARES = (0.7, 0.4, 0.85, 0.3)  # the most different ones first
FAINT = (SEEN_FROM, 0.3, 0.2, 0.1)  # probabilities from which a trace of a part may be looked at nearer
STRIDE = 32  # [px]: sides that the network takes are multiples of it
WHOLE_WEIGHTS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5)
FIRST_SHARES = (1.0, 0.625, 0.5)  # of the network's input: sides at which the first look of a survey may be taken
SURVEY_NEAR = 3  # near looks of a survey at most
SURVEY_PASSES = 1.25  # a photo: what leaves a survey 0.8 of the rate of decoding and one pass (training.time_survey)
SETTLED = (0.95, 0.98, 0.99, 0.995, 0.999)  # the same of a photo that is measured: blur and noise mislead one look
SURE = (0.8, 0.85, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999)  # where a further look may be spared
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
    rng = np.random.default_rng([picture.line["seed"] % 2**32, 7])
    rgb = rgb_of(picture)
    if rng.random() < 0.5:
        rgb = worn(rgb, rng)
    plain = classifier.with_card(cards[0]).looks(rgb)
    seen, shares = [plain], [_labelled(plain, rgb, classifier.card)]
    for one in cards[1 : len(FAINT)]:
        further = plain if len(plain) > 1 else classifier.with_card(one).looks(rgb, plain)
        shares.append(shares[0] if len(further) == len(plain) else _labelled(further, rgb, classifier.card))
        seen.append(further)
    seen += [classifier.with_card(one).looks(rgb) for one in cards[len(FAINT) :]]
    return [tuple(map(_without_map, looks)) for looks in seen], shares


def _labelled(looks: tuple[Look, ...], rgb: Bytes, card: Card) -> float:
    return float(np.mean(label_map(looks, rgb.shape[:2], 2 * card.input_px) == PART))


def _without_map(look: Look) -> Look:
    """The look as far as a calibration needs it; copies, because a part of an array keeps all of it in memory."""
    return replace(look, mask=look.mask[:, :1, :1].copy(), features=look.features[:1].copy())


def fit(logits: NDArray[np.float64], truth: NDArray[np.int64]) -> dict[str, float]:
    """Temperature, threshold, set limit and the figures that come with them, for logits (N, C)."""
    temperature = figures.fit_temperature(logits, truth)
    p = softmax(logits, temperature, axis=1)
    best, right = p.max(axis=1), p.argmax(axis=1) == truth
    for risk in RISKS:
        threshold, bound = figures.abstention_threshold(best, right, risk=risk, delta=DELTA)
        if float((best >= threshold).mean()) >= ANSWERED:
            break
    threshold = max(threshold, LEAST_THRESHOLD)
    limit = min(figures.conformal_limit(p[np.arange(len(truth)), truth], LEVEL), ALWAYS_IN_SET)
    in_set = (p >= limit) | (np.arange(p.shape[1]) == p.argmax(axis=1)[:, None])
    raw = softmax(logits, 1.0, axis=1)
    accepted = best >= threshold
    return {
        "temperature": temperature,
        "unsure_below": threshold,
        "error_bound": bound,
        "risk": risk,
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


def near_looks(count: int) -> str:
    """What a number of near looks is called in the card."""
    return "whole photo" if count == 0 else f"{count} near"


def sure_looks(looks: tuple[Look, ...], until: float, whole_weight: float, *, least: int = 0) -> tuple[Look, ...]:
    """The looks that the classifier takes where, after ``least`` near ones, it stops at the probability ``until``."""
    for count in range(1 + least, len(looks)):
        if softmax(mean_logits(looks[:count], whole_weight)).max() >= until:
            return looks[:count]
    return looks


def _logits(all_looks: Sequence[tuple[Look, ...]], whole_weight: float) -> NDArray[np.float64]:
    return np.asarray([mean_logits(looks, whole_weight) for looks in all_looks], np.float64)


def weighed(all_looks: Sequence[tuple[Look, ...]], truth: NDArray[np.int64]) -> dict[str, float]:
    """The fit of these looks with the weight of the whole photo's look that gives the least log loss."""
    fits = [fit(_logits(all_looks, weight), truth) | {"whole_weight": weight} for weight in WHOLE_WEIGHTS]
    return min(fits, key=lambda one: one["nll"])


def faintest(by_least: Sequence[Sequence[tuple[Look, ...]]], truth: NDArray[np.int64]) -> dict[str, Any]:
    """From which probability a trace of a part is looked at nearer where no part is seen; ``ways`` holds all tried.

    The one of least log loss, where that is less than without by more than the standard error of the difference.

    Parameters
    ----------
    by_least : looks at all pictures, for each probability of :data:`FAINT`.
    """
    rows = np.arange(len(truth))
    ways, losses = [], []
    for least, all_looks in zip(FAINT, by_least, strict=True):
        found = weighed(all_looks, truth)
        p = softmax(_logits(all_looks, found["whole_weight"]), found["temperature"], axis=1)
        losses.append(-np.log(p[rows, truth]))
        change = losses[-1] - losses[0]
        further = sum(len(looks) > len(plain) for looks, plain in zip(all_looks, by_least[0], strict=True))
        ways.append({
            **{"faint_from": least, "pictures": further, "top1": found["top1"], "nll": found["nll"]},
            **{"excess": float(change.mean()), "standard_error": float(change.std(ddof=1) / np.sqrt(len(truth)))},
        })  # fmt: skip
    best = min(ways, key=lambda way: way["nll"])
    return {"faint_from": best["faint_from"] if best["excess"] < -best["standard_error"] else SEEN_FROM, "ways": ways}


def survey_looks(
    seen: Sequence[tuple[Card, Sequence[tuple[Look, ...]]]], truth: NDArray[np.int64], chosen: dict[str, float]
) -> dict[str, Any]:
    """How a survey looks at a photo, and when it stops; ``ways`` holds all that were tried.

    Of the ways within :data:`SURVEY_PASSES` a photo the one of least log loss, or the one of the fewest passes where
    none is within. By how much its log loss exceeds that of all plain looks, with the standard error of the difference
    picture by picture, is said with it.

    Parameters
    ----------
    seen : looks at all pictures by each of the manners, the plain one first.
    """
    rows = np.arange(len(truth))

    def losses(logits: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(-np.log(softmax(logits, chosen["temperature"], axis=1)[rows, truth]), np.float64)

    full = losses(_logits(seen[0][1], chosen["whole_weight"]))
    ways = []
    for card_, all_looks in seen:
        for near in range(min(1 + SURVEY_NEAR, max(map(len, all_looks)))):
            nearest = [looks[: near + 1] for looks in all_looks]
            weight = min(WHOLE_WEIGHTS, key=lambda w: float(losses(_logits(nearest, w)).mean()))
            for until in (*SURE, card.NEVER):
                taken = [sure_looks(looks, until, weight) for looks in nearest]
                logits = _logits(taken, weight)
                loss = losses(logits)
                ways.append({
                    **{"first_px": card_.first_px, "turns": card_.turns, "whole_weight": weight},
                    **{"survey_looks": near, "sure_at": until},
                    "passes": float(np.mean([sum(look.passes for look in looks) for looks in taken])),
                    "nll": float(loss.mean()),
                    "excess": float((loss - full).mean()),
                    "standard_error": float((loss - full).std(ddof=1) / np.sqrt(len(truth))),
                    "fit": fit(logits, truth),
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
        return figures.negative_log_likelihood(_logits(taken, weight), truth, heat)

    return min((*SETTLED, card.NEVER), key=loss)


def calibrate(run: Path, sample: list[Picture], *, workers: int) -> dict[str, Any]:
    """What calibration.json holds: each number of near looks is fitted, the one of least log loss is taken."""
    card.write(run, calibrated=False)
    provisional = load(run / NAME)
    cards = manners(provisional)
    classifier = provisional.with_card(cards[0])
    by_manner = each(lambda picture: look(classifier, picture, cards), sample, workers=workers)
    truth = np.array([classifier.card.classes.index(picture.line["class"]) for picture in sample], np.int64)
    faint = faintest([[looks[number] for looks, _ in by_manner] for number in range(len(FAINT))], truth)
    number = FAINT.index(faint["faint_from"])
    seen = [(manner[number], shares[number]) for manner, shares in by_manner]

    def first(count: int, number: int = number) -> list[tuple[Look, ...]]:
        return [looks[number][: count + 1] for looks, _ in by_manner]

    def telling(name: str, count: int) -> NDArray[np.float64]:
        rows = [np.mean([getattr(one, name) for one in looks[1:] or looks], axis=0) for looks in first(count)]
        return np.asarray(rows, np.float64)

    fits = {near_looks(count): weighed(first(count), truth) for count in range(len(CROP_SHARES) + 1)}
    winner = min(fits, key=lambda name: fits[name]["nll"])
    count = list(fits).index(winner)
    shares = [
        share
        for (_, share), picture in zip(seen, sample, strict=True)
        if picture.line["class"] != classifier.card.nothing and share > 0
    ]
    others = [(one, [looks[n] for looks, _ in by_manner]) for n, one in enumerate(cards) if n >= len(FAINT)]
    survey = survey_looks([(cards[0], first(count, 0)), *others], truth, fits[winner])
    weight = fits[winner]["whole_weight"]
    sure_at = settled_at(first(count), truth, fits[winner])
    taken = [sure_looks(looks, sure_at, weight, least=LEAST_NEAR) for looks in first(count)]
    return {
        "pictures": len(sample),
        "looks": winner,
        "crop_shares": list(CROP_SHARES[:count]),
        "passes": {"all": float(np.mean([*map(len, first(count))])), "taken": float(np.mean([*map(len, taken)]))},
        "faint_from": faint["faint_from"],
        "faint": faint["ways"],
        "sure_at": sure_at,
        "survey": survey,
        "fits": fits,
        "chosen": fit(_logits(taken, weight), truth) | {"whole_weight": weight},
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
