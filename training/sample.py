"""Looks of the exported classifier at a whole picture folder, several pictures at a time, without torch."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.model import Bytes
from identify.photo import load as load_photo

Out = TypeVar("Out")


@dataclass(frozen=True, slots=True)
class Picture:
    """One labelled picture of a folder: its files and its manifest line."""

    file: Path
    mask: Path | None
    line: dict[str, Any]


def pictures(folder: Path, lines: Sequence[dict[str, Any]]) -> list[Picture]:
    """The pictures behind the manifest lines of ``folder``."""
    return [Picture(folder / line["file"], folder / line["mask"] if line.get("mask") else None, line) for line in lines]


def each(work: Callable[[Picture], Out], chosen: Sequence[Picture], *, workers: int) -> list[Out]:
    """``work`` on every picture, in order; the runtime lets go of the interpreter while it computes."""
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, chosen))


def rgb_of(picture: Picture) -> Bytes:
    """The decoded picture, read as the product reads it."""
    return load_photo(picture.file).rgb


def truth_mask(picture: Picture) -> NDArray[np.uint8] | None:
    """Labels (h, w), or None where the picture has no mask."""
    return None if picture.mask is None else cv2.imread(str(picture.mask), cv2.IMREAD_GRAYSCALE)


def worn(rgb: Bytes, rng: np.random.Generator) -> Bytes:
    """The picture as a worse camera would have taken it: defocus, exposure, warmth, noise and JPEG, each at random.

    Strengths are absolute, so a small picture suffers more than a large one, as with a phone held too far away.
    """
    out = rgb.astype(np.float32)
    if rng.random() < 0.5:
        out = cv2.GaussianBlur(out, (0, 0), float(rng.uniform(0.4, 0.004 * max(rgb.shape[:2]) + 0.5)))
    out = out * 2.0 ** rng.uniform(-0.8, 0.5) * (1 + rng.uniform(-0.1, 0.1) * np.array([1, 0, -1]))
    out = out + rng.normal(0, rng.uniform(0, 10), out.shape)
    bgr = np.ascontiguousarray(np.clip(out, 0, 255).astype(np.uint8)[..., ::-1])
    packed = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(35, 90))])[1]
    return np.ascontiguousarray(cv2.imdecode(packed, cv2.IMREAD_COLOR)[..., ::-1])
