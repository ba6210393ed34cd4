"""Cut the page's example pictures out of our own rendered evaluation pictures, as ``pictures.toml`` lists them.

    python -m training.example_pictures

Each block of the list names class, view, file and the number of the picture in ``tests/evaluation``; the square is cut
around what the picture's own mask labels as the part.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[1]
PICTURES = ROOT / "identify" / "web" / "pictures"
EVALUATION = ROOT / "tests" / "evaluation"
PART, SIDE_PX, ROOM, QUALITY = 1, 256, 1.22, 84


def main() -> int:
    """Write every picture of the list."""
    rows = [json.loads(line) for line in (EVALUATION / "manifest.jsonl").read_text("utf-8").splitlines()]
    listed = tomllib.loads((PICTURES / "pictures.toml").read_text("utf-8"))["picture"]
    for each in listed:
        row = rows[each["from"]]
        if row["class"] != each["class"] or row["view"] != each["view"]:
            raise SystemExit(f"{each['file']}: picture {each['from']} is a {row['class']}, {row['view']}.")
        cut(EVALUATION / row["file"], EVALUATION / row["mask"]).save(PICTURES / each["file"], quality=QUALITY)
        print(f"{each['file']}: {(PICTURES / each['file']).stat().st_size} bytes")
    return 0


def cut(photo: Path, mask: Path) -> Image.Image:
    """The square around the part."""
    with Image.open(photo) as image, Image.open(mask) as labels:
        part = np.asarray(labels) == PART
        ys, xs = np.nonzero(part)
        scale = image.width / part.shape[1]
        middle = scale * np.array([xs.min() + xs.max(), ys.min() + ys.max()]) / 2
        half = scale * max(np.ptp(xs), np.ptp(ys)) / 2 * ROOM
        half = min(half, image.width / 2, image.height / 2)
        middle = np.clip(middle, half, np.array(image.size) - half)
        box = (*(middle - half), *(middle + half))
        return image.convert("RGB").resize((SIDE_PX, SIDE_PX), Image.Resampling.LANCZOS, box=box)


if __name__ == "__main__":
    raise SystemExit(main())
