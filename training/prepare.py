"""Index folders of labelled pictures and split them into training and calibration by the part's seed.

    python -m training.prepare --pictures runs/set1 --out runs/first/index.json

A folder holds manifest.jsonl (one picture a line: file, mask, seed, split, class, view, variety, ...) with its pictures
and masks. Pictures whose split is ``evaluation`` are refused: they may never be trained on. Pictures of one part share
its seed, so no part of the calibration split was seen in training.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

TRAIN, CALIBRATION, EVALUATION, UNKNOWN = "train", "calibration", "evaluation", "unknown"
KEPT = {EVALUATION, UNKNOWN}  # splits that may not be trained on


@dataclass(frozen=True, slots=True)
class Row:
    """One labelled picture. ``variety`` holds only the answers that are known."""

    picture: str
    mask: str | None
    seed: int
    subset: str
    klass: str
    view: str | None
    variety: dict[str, str]


def read_manifest(folder: Path, *, check_files: bool = True) -> list[dict[str, Any]]:
    """The lines of ``folder``/manifest.jsonl; lines whose picture is missing are an error.

    Raises
    ------
    ValueError
        There is no manifest, a line lacks a key, or a picture or mask is missing.
    """
    path = folder / "manifest.jsonl"
    if not path.is_file():
        raise ValueError(f"{path} does not exist; make the pictures first, for example with data_synthetic.generate.")
    lines = _complete_lines(path)
    for number, line in enumerate(lines, 1):
        for key in ("file", "seed", "class"):
            if key not in line:
                raise ValueError(f"{path}, line {number}: the key {key!r} is missing.")
        if check_files:
            for key in ("file", "mask"):
                if line.get(key) and not (folder / line[key]).is_file():
                    raise ValueError(f"{path}, line {number}: {line[key]} is missing.")
    return lines


def _complete_lines(path: Path) -> list[dict[str, Any]]:
    """All lines; the last one is dropped where a stopped generator left it half written."""
    texts = [line for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    lines = []
    for number, text in enumerate(texts, 1):
        try:
            lines.append(json.loads(text))
        except json.JSONDecodeError as why:
            if number < len(texts):
                raise ValueError(f"{path}, line {number}: {why}.") from why
    return lines


def subset_of(seed: int, share: float) -> str:
    """Training or calibration, by a hash of the part's seed: the same part always falls on the same side."""
    digest = hashlib.sha256(f"part {seed}".encode()).digest()
    return CALIBRATION if int.from_bytes(digest[:4], "big") < share * 2**32 else TRAIN


def index(folders: Iterable[Path], *, calibration_share: float) -> dict[str, Any]:
    """Rows of all folders with their subset, and each folder's manifest hash and counts."""
    rows: list[Row] = []
    sources = []
    for folder in folders:
        lines = read_manifest(folder)
        if kept := {line.get("split") for line in lines} & KEPT:
            raise ValueError(f"{folder} holds pictures of the {min(kept)} split; they may not be trained on.")
        for line in lines:
            subset = CALIBRATION if line.get("split") == CALIBRATION else subset_of(line["seed"], calibration_share)
            mask = str(folder / line["mask"]) if line.get("mask") else None
            known = {name: answer for name, answer in (line.get("variety") or {}).items() if answer}
            rows.append(
                Row(str(folder / line["file"]), mask, line["seed"], subset, line["class"], line.get("view"), known)
            )
        digest = hashlib.sha256((folder / "manifest.jsonl").read_bytes()).hexdigest()
        seeds = [line["seed"] for line in lines]
        sources.append(
            {
                "folder": folder.name,
                "manifest_sha256": digest,
                "pictures": len(lines),
                "seeds": [min(seeds), max(seeds)] if seeds else [],
            }
        )
    return {"sources": sources, "rows": [asdict(row) for row in rows]}


def read_rows(path: Path, subset: str) -> list[Row]:
    """The rows of one subset of an index file."""
    rows = json.loads(path.read_text(encoding="utf-8"))["rows"]
    return [Row(**row) for row in rows if row["subset"] == subset]


def main(arguments: list[str] | None = None) -> None:
    """Write the index file and print what is in it."""
    parser = argparse.ArgumentParser(prog="python -m training.prepare", description=__doc__.splitlines()[0])
    parser.add_argument("--pictures", type=Path, nargs="+", required=True, help="folders with a manifest.jsonl")
    parser.add_argument("--out", type=Path, required=True, help="index file to write")
    parser.add_argument("--calibration", type=float, default=0.06, help="share of part seeds kept from training")
    options = parser.parse_args(arguments)
    found = index(options.pictures, calibration_share=options.calibration)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    options.out.write_text(json.dumps(found), encoding="utf-8")
    for subset in (TRAIN, CALIBRATION):
        counts = Counter((row["klass"], row["view"]) for row in found["rows"] if row["subset"] == subset)
        print(f"{subset}: {sum(counts.values())} pictures")
        for (klass, view), count in sorted(counts.items(), key=str):
            print(f"  {klass:26s} {view or '-':10s} {count}")


if __name__ == "__main__":
    main()
