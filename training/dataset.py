"""All pictures of an index in memory as uint8 tensors: decoding happens once, everything else on the device."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
import torch
from torch import Tensor

from identify.classifier import cut_square, whole_square
from training.prepare import Row

FIELDS = ("pixels", "mask", "klass", "view", "varieties", "box")
UNKNOWN = -100  # torch's own index for a target that is not scored


@dataclass(frozen=True, slots=True)
class Labels:
    """The names behind the numbers, in the order of the network's outputs."""

    classes: tuple[str, ...]
    nothing: str
    views: tuple[str, ...]
    varieties: tuple[tuple[str, tuple[str, ...]], ...]

    @property
    def answers(self) -> int:
        """The number of all answers of all varieties."""
        return sum(len(answers) for _, answers in self.varieties)

    def asked(self, rows: Sequence[Row]) -> dict[str, tuple[str, ...]]:
        """For each variety the classes for which the rows know an answer."""
        return {
            name: tuple(k for k in self.classes if any(row.klass == k and name in row.variety for row in rows))
            for name, _ in self.varieties
        }


@dataclass(slots=True, eq=False)
class Pictures:
    """N pictures: pixels (N, 3, S, S) and mask (N, S, S) uint8; klass, view (N,) and varieties (N, K) int64.

    ``box`` (N, 4) is the part's box (left, top, right, bottom) [px], all zero where no part is seen.
    """

    pixels: Tensor
    mask: Tensor
    klass: Tensor
    view: Tensor
    varieties: Tensor
    box: Tensor

    def __len__(self) -> int:
        return len(self.klass)

    def to(self, device: torch.device) -> Pictures:
        """A copy on another device."""
        return Pictures(*(getattr(self, name).to(device) for name in FIELDS))

    def showing(self) -> Pictures:
        """The pictures that show anything at all: a failed render is one even colour."""
        flat = self.pixels.flatten(1)
        good = (flat.amax(dim=1) - flat.amin(dim=1)) >= 8
        return self if bool(good.all()) else Pictures(*(getattr(self, name)[good] for name in FIELDS))


def read_picture(row: Row, side_px: int) -> tuple[np.ndarray, np.ndarray]:
    """Pixels (S, S, 3) and mask (S, S) of one row, letter-boxed as the classifier does it.

    Raises
    ------
    ValueError
        The picture or its mask can't be decoded.
    """
    bgr = cv2.imread(row.picture, cv2.IMREAD_COLOR)
    if bgr is None:
        raise ValueError(f"{row.picture} can't be decoded.")
    square = whole_square(bgr.shape[:2])
    rgb = cut_square(np.ascontiguousarray(bgr[..., ::-1]), square, side_px)
    mask = np.zeros((side_px, side_px), np.uint8)
    if row.mask is not None:
        labels = cv2.imread(row.mask, cv2.IMREAD_GRAYSCALE)
        if labels is None:
            raise ValueError(f"{row.mask} can't be decoded.")
        h, w = (max(1, round(n * side_px / max(labels.shape))) for n in labels.shape)
        top, left = (side_px - h) // 2, (side_px - w) // 2
        mask[top : top + h, left : left + w] = cv2.resize(labels, (w, h), interpolation=cv2.INTER_NEAREST)
    return rgb, mask


def part_box(mask: np.ndarray) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of label 1, or zeros."""
    left, top, width, height = cv2.boundingRect((mask == 1).view(np.uint8))
    return left, top, left + width, top + height


def _view(row: Row, labels: Labels) -> int:
    """The view's number; a picture without a fitting has none."""
    return UNKNOWN if row.klass == labels.nothing or row.view not in labels.views else labels.views.index(row.view)


def load(rows: Sequence[Row], labels: Labels, *, side_px: int, workers: int = 16) -> Pictures:
    """Decode all rows into memory."""
    count = len(rows)
    pixels = np.empty((count, side_px, side_px, 3), np.uint8)
    mask = np.empty((count, side_px, side_px), np.uint8)
    box = np.zeros((count, 4), np.int64)

    def put(number: int) -> None:
        pixels[number], mask[number] = read_picture(rows[number], side_px)
        box[number] = part_box(mask[number])

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(put, range(count)))
    known = [
        [
            answers.index(row.variety[name]) if row.variety.get(name) in answers else UNKNOWN
            for name, answers in labels.varieties
        ]
        for row in rows
    ]
    return Pictures(
        pixels=torch.from_numpy(pixels).permute(0, 3, 1, 2).contiguous(),
        mask=torch.from_numpy(mask),
        klass=torch.tensor([labels.classes.index(row.klass) for row in rows], dtype=torch.int64),
        view=torch.tensor([_view(row, labels) for row in rows], dtype=torch.int64),
        varieties=torch.tensor(known, dtype=torch.int64).reshape(count, len(labels.varieties)),
        box=torch.from_numpy(box),
    )
