"""Confirmed cases as training pictures: images/ and manifest.jsonl, in the keys that training reads.

Every line says ``real`` and ``source: shop``; all photos of one part share a seed, so that they never fall on both
sides of a split. Of the varieties only those are told that the user's answers decided; what the network said is not
taken for truth. The view is not confirmed, so it is left out.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image

from identify.errors import UsageError
from identify.records import truth
from identify.records.kept import KeptCase

MANIFEST, PICTURES = "manifest.jsonl", "images"
FIRST_SEED, SEEDS = 9 * 10**14, 10**14  # below those of rendered pictures


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written, and how many confirmed cases were left out, and why."""

    cases: int
    photos: int
    without_class: int
    without_photo: int


def write(folder: Path, confirmed: Iterable[KeptCase], jpeg: Callable[[str], bytes | None]) -> Exported:
    """Write the folder; the manifest comes last and as a whole.

    Parameters
    ----------
    jpeg : gives the kept picture of a photo by the hash of its original.

    Raises
    ------
    UsageError
        The folder is not empty, or can't be written.
    """
    lines: list[str] = []
    cases = without_class = without_photo = 0
    try:
        if folder.exists() and any(folder.iterdir()):
            raise UsageError(f"{folder} is not empty; name a new folder, so that nothing is mixed or lost.")
        (folder / PICTURES).mkdir(parents=True, exist_ok=True)
        for kept in confirmed:
            if kept.confirmation is None or kept.confirmation.right_class is None:
                without_class += 1
                continue
            written = [_line(folder, kept, digest, data) for digest in kept.photos if (data := jpeg(digest))]
            cases += bool(written)
            without_photo += not written
            lines += [json.dumps(each) for each in written]
        unfinished = folder / f"{MANIFEST}.part"
        unfinished.write_text("".join(f"{each}\n" for each in lines), encoding="utf-8")
        unfinished.replace(folder / MANIFEST)
    except OSError as why:
        raise UsageError(f"Can't write into {folder} ({why.strerror or why}); choose another folder.") from why
    return Exported(cases, len(lines), without_class, without_photo)


def seed(case_id: str) -> int:
    """One number a part, by its case's id."""
    digest = hashlib.sha256(case_id.encode("utf-8")).digest()
    return FIRST_SEED + int.from_bytes(digest[:8], "big") % SEEDS


def _line(folder: Path, kept: KeptCase, digest: str, data: bytes) -> dict[str, Any]:
    assert kept.confirmation is not None
    assert kept.confirmation.right_class is not None
    file = f"{PICTURES}/{digest}.jpg"
    (folder / file).write_bytes(data)
    with Image.open(io.BytesIO(data)) as image:
        turned = image.getexif().get(0x0112, 1) >= 5  # Exif orientation
        width_px, height_px = image.size[::-1] if turned else image.size
    reference = kept.case["reference"]
    facts: dict[str, Any] = next((each for each in kept.case["photos"] if each["sha256"] == digest), {})
    return {
        "file": file,
        "mask": None,
        "seed": seed(kept.id),
        "split": "train",
        "width_px": width_px,
        "height_px": height_px,
        "class": kept.confirmation.right_class,
        "subtype": "",
        "variety": truth.varieties(kept.confirmation.right_class, kept.answers),
        "view": None,
        "dimensions_mm": kept.confirmation.callipers_mm,
        "reference": None if reference is None else {"kind": reference["kind"], "id": reference["id"]},
        "exif_focal35_mm": facts.get("focal35_mm"),
        "real": True,
        "source": "shop",
        "case": kept.id,
    }
