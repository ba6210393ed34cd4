"""Write the model's card from a run, and install the model: no figure is ever typed by hand.

    python -m training.card --run runs/first --install models

The run folder must hold what train, export, calibrate and evaluate left there. What the card is written from is kept
beside the model, in ``models/run``: with the model file in it, that folder is the run again.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from identify import tables
from identify.classifier import NAME
from identify.weights import SEEN_FROM
from training import curves, describe

CARD = Path(NAME).with_suffix(".toml").name
RUN = "run"  # folder beside an installed model
FILES = ("config", "metrics", "export", "calibration", "unknown", "corruptions")  # of a run, besides its evaluations
NEVER = 2.0  # no probability reaches it
UNCALIBRATED = {"temperature": 1.0, "unsure_below": 0.0, "set_from": 0.1}


def read_json(path: Path) -> dict[str, Any]:
    """The object in a JSON file, empty where there is none."""
    return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}


def write_json(path: Path, found: Mapping[str, Any]) -> None:
    """Write an object to a JSON file; its folder is made where it is lacking, so that no long work is lost."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(found, indent=1), encoding="utf-8")


def _text(value: object) -> str:
    """One TOML value."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.6g}" if "." in f"{value:.6g}" or "e" in f"{value:.6g}" else f"{value:.1f}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_text(one) for one in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def toml(block: dict[str, Any]) -> str:
    """A TOML document of plain keys, then tables, then arrays of tables."""
    plain = [f"{key} = {_text(value)}" for key, value in block.items() if not _nested(value)]
    parts = ["\n".join(plain)]
    for key, value in block.items():
        for one in value if _nested(value) and isinstance(value, list) else [value] if isinstance(value, dict) else []:
            head = f"[[{key}]]" if isinstance(value, list) else f"[{key}]"
            parts.append("\n".join([head, *(f"{name} = {_text(entry)}" for name, entry in one.items())]))
    return "\n\n".join(parts) + "\n"


def _nested(value: object) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def content(run: Path, *, calibrated: bool = True) -> dict[str, Any]:
    """The card of a run as one object."""
    config = read_json(run / "config.json")
    metrics, exported = read_json(run / "metrics.json"), read_json(run / "export.json")
    start = metrics.get("start") or {}
    found = read_json(run / "calibration.json") if calibrated else {}
    chosen, heads, survey = found.get("chosen", UNCALIBRATED), found.get("heads", {}), found.get("survey", {})
    digest = hashlib.sha256((run / NAME).read_bytes()).hexdigest()
    labels = config["labels"]
    return {
        "version": digest[:12] if found else "uncalibrated",
        "sha256": digest,
        "classes": list(labels["classes"]),
        "nothing": labels["nothing"],
        "views": list(labels["views"]),
        "input": {
            "side_px": config["side_px"],
            "mean": config["mean"],
            "std": config["std"],
            "crop_shares": found.get("crop_shares", []),
            "whole_weight": chosen.get("whole_weight", 0.0),
            "faint_from": found.get("faint_from", SEEN_FROM),
            **({} if found.get("aimed_by") is None else {"aimed_by": found["aimed_by"]}),
            "sure_at": found.get("sure_at", NEVER),
        },
        "survey": {
            "looks": survey.get("survey_looks", 0),
            "sure_at": survey.get("sure_at", NEVER),
            "whole_weight": survey.get("whole_weight", 0.0),
            "first_px": survey.get("first_px", config["side_px"]),
            "turns": survey.get("turns", False),
            **{key: survey.get("fit", UNCALIBRATED)[key] for key in UNCALIBRATED},
        },
        "decision": {
            **{key: chosen[key] for key in UNCALIBRATED},
            "least_part_share": found.get("least_part_share", 0.0),
            **_strange(read_json(run / "unknown.json") if found else {}, digest),
        },
        "training": {
            "seed": config["seed"],
            "pictures": metrics.get("pictures", {}).get("train", 0),
            "manifests": [source["manifest_sha256"] for source in metrics.get("sources", [])],
            "backbone": metrics.get("backbone") or start.get("backbone", "random weights"),
            "start": start.get("sha256", ""),
            "weights": exported.get("shipped", ""),
            "opset": exported.get("opset", 0),
        },
        "varieties": _varieties(labels, metrics.get("asked", {}), heads.get("varieties", {})),
    }


def _strange(found: dict[str, Any], digest: str) -> dict[str, Any]:
    """The score of unknown objects and its limit, where they were chosen for this model file."""
    if found.get("model") != digest:
        return {}
    chosen = found["chosen"]
    limit = chosen["strange_from"]
    return {"strange_by": chosen["strange_by"], "strange_from": math.inf if limit is None else limit}


def _varieties(labels: dict[str, Any], asked: dict[str, Any], heads: dict[str, Any]) -> list[dict[str, Any]]:
    """One block a variety; it is asked of the classes whose training pictures know it and whose table names it."""
    blocks = tables.load().classes
    return [
        {
            "name": name,
            "answers": list(answers),
            "classes": [k for k in asked.get(name, ()) if name in blocks[k].varieties],
            "temperature": heads.get(name, {}).get("temperature", 1.0),
        }
        for name, answers in labels["varieties"]
    ]


def write(run: Path, *, calibrated: bool = True) -> None:
    """Write the card beside the run's model file."""
    said = "# Written by training.card from a run; do not edit.\n"
    (run / CARD).write_text(said + toml(content(run, calibrated=calibrated)), encoding="utf-8")


def install(run: Path, folder: Path) -> None:
    """Copy model and card of a run to ``folder``, what they come from to a folder in it, and write MODEL_CARD.md.

    Raises
    ------
    ValueError
        The run is not calibrated.
    """
    if not (run / "calibration.json").is_file():
        raise ValueError(f"{run} is not calibrated; run python -m training.calibrate --run {run} first.")
    write(run)
    folder.mkdir(parents=True, exist_ok=True)
    for name in (NAME, CARD):
        shutil.copyfile(run / name, folder / name)
    told = {name: read_json(run / f"{name}.json") for name in FILES}
    evaluations = {path.stem: read_json(path) for path in sorted(run.glob("evaluation-*.json"))}
    by_set = {name.removeprefix("evaluation-"): found for name, found in evaluations.items()}
    page = describe.page(card=content(run), evaluations=by_set, **told)
    (folder / "MODEL_CARD.md").write_text(page, encoding="utf-8")
    if by_set:
        (folder / describe.CURVES).write_text(curves.drawn(by_set), encoding="utf-8")
    for old in (folder / RUN).glob("*.json"):
        old.unlink()
    for name, found in (told | evaluations).items():
        if found:
            write_json(folder / RUN / f"{name}.json", found)


def main(arguments: list[str] | None = None) -> None:
    """Write the card, and install on request."""
    parser = argparse.ArgumentParser(prog="python -m training.card", description=__doc__.splitlines()[0])
    parser.add_argument("--run", type=Path, required=True)
    parser.add_argument("--install", type=Path, metavar="FOLDER", help="copy model, card and MODEL_CARD.md to FOLDER")
    options = parser.parse_args(arguments)
    if options.install:
        install(options.run, options.install)
        print(f"Installed {content(options.run)['version']} in {options.install}.")
    else:
        write(options.run)


if __name__ == "__main__":
    main()
