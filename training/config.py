"""The settings of a training run: a TOML file whose every key is known; the resolved copy lies in the run folder.

A file may name a ``base`` beside it and hold only the keys in which it differs.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from training.augment import Settings
from training.dataset import Labels


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights of the losses."""

    klass: float
    view: float
    varieties: float
    mask: float


@dataclass(frozen=True, slots=True)
class Config:
    """One training run. ``steps`` = 0 takes as many steps as the time budget allows."""

    seed: int
    backbone: str
    side_px: int
    stored_px: int
    small_px: tuple[int, ...]
    small_share: float
    mean: float
    std: float
    batch: int
    steps: int
    head_share: float
    head_rate: float
    rate: float
    backbone_rate: float
    weight_decay: float
    smoothing: float
    dropout: float
    ema: float
    reports: int
    weights: Weights
    augment: Settings
    labels: Labels


def _known(block: dict[str, Any], kind: type, where: str) -> dict[str, Any]:
    names = {field.name for field in fields(kind)}
    if unknown := sorted(set(block) - names):
        raise ValueError(f"{where}: unknown key {unknown[0]!r}; known are {', '.join(sorted(names))}.")
    if missing := sorted(names - set(block)):
        raise ValueError(f"{where}: the key {missing[0]!r} is missing.")
    return block


def _text(path: Path) -> dict[str, Any]:
    """The tables of a file, laid over those of its base."""
    text = tomllib.loads(path.read_text(encoding="utf-8"))
    if "base" not in text:
        return text
    under = _text(path.parent / text.pop("base"))
    for key, value in text.items():
        under[key] = under.get(key, {}) | value if isinstance(value, dict) else value
    return under


def read(path: Path) -> Config:
    """Read and check a configuration file.

    Raises
    ------
    ValueError
        A key is unknown or missing, or a size is not a multiple of 32.
    """
    text = _text(path)
    weights = dict(text["weights"])
    weights["klass"] = weights.pop("class", None)
    labels = dict(text["labels"])
    labels["classes"], labels["views"] = tuple(labels["classes"]), tuple(labels["views"])
    labels["varieties"] = tuple((name, tuple(answers)) for name, answers in labels["varieties"].items())
    text["small_px"] = tuple(text["small_px"])
    text["weights"] = Weights(**_known(weights, Weights, f"{path} [weights]"))
    text["augment"] = Settings(**_known(dict(text["augment"]), Settings, f"{path} [augment]"))
    text["labels"] = Labels(**_known(labels, Labels, f"{path} [labels]"))
    config = Config(**_known(text, Config, str(path)))
    sides = [("side_px", config.side_px), ("stored_px", config.stored_px), *(("small_px", s) for s in config.small_px)]
    for name, side in sides:
        if side % 32:
            raise ValueError(f"{path}: {name} is {side}; it must be a multiple of 32.")
    return config


def write(config: Config, path: Path) -> None:
    """Write the resolved settings as JSON."""
    path.write_text(json.dumps(asdict(config), indent=1), encoding="utf-8")


def read_resolved(path: Path) -> Config:
    """Read back what :func:`write` wrote."""
    text = {"small_px": (), "small_share": 0.0} | json.loads(path.read_text(encoding="utf-8"))  # older runs had none
    labels = text["labels"]
    varieties = tuple((name, tuple(answers)) for name, answers in labels["varieties"])
    text["labels"] = Labels(tuple(labels["classes"]), labels["nothing"], tuple(labels["views"]), varieties)
    text["small_px"] = tuple(text["small_px"])
    text["weights"] = Weights(**text["weights"])
    text["augment"] = Settings(**text["augment"])
    return Config(**text)
