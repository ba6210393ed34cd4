"""The card beside a small network that finds edges: its SHA-256, how it was trained, its error on what it never saw."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path


def kept(model: Path) -> dict[str, int]:
    """What the card beside ``model`` says of its training."""
    found: dict[str, int] = tomllib.loads(model.with_suffix(".toml").read_text(encoding="utf-8"))["training"]
    return found


def steps(model: Path) -> int:
    """All steps by which the network of ``model``, a file with its card beside it, was trained."""
    training = kept(model)
    return training["steps"] + training.get("steps_before", 0)


def write(model: Path, by: str, training: dict[str, int], check: dict[str, float] | None = None) -> None:
    """Write the card of the file ``model``, made by the command ``by``."""
    digest = hashlib.sha256(model.read_bytes()).hexdigest()
    lines = [f"# Written by {by}; do not edit.", f'version = "{digest[:12]}"', f'sha256 = "{digest}"']
    for name, block in (("training", training), ("check", check or {})):
        lines += ["", f"[{name}]", *(f"{key} = {value}" for key, value in block.items())] if block else []
    model.with_suffix(".toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
