"""The reference object that gives a photo its scale: a coin, a card, a ruler or the printed sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from identify import tables
from identify.model import Bytes, NotMeasured, Photo, Reference
from identify.reference import blobs, card, coin, ruler, sheet
from identify.reference.coin import find_coins
from identify.tables.rows import ReferenceRow

__all__ = ["find", "find_coins"]

AUTO = "auto"
REFERENCE = 2  # value of a label map
# On rendered pictures. Of a blob's rectangle: its sides, of cards up to 2.0 and of rulers from 2.5 on unless covered;
# and its share of the picture, of sheets from 0.2 on and of most cards to 0.13.
NAMED = 0.05  # share of the face that a label map calls reference; of cards 0.39 and more, of rulers 0.24
LONG, SMALL = 2.4, 0.15


def find(photo: Photo, scale: str, *, on_part: bool = False, labels: Bytes | None = None) -> Reference | NotMeasured:
    """Find the reference object named by ``scale``.

    Parameters
    ----------
    photo : the photo
    scale : auto, the id of a row of the tables, or ``coin:24.26`` for a coin of that diameter in mm
    on_part : the object lies on the part's top, not on the bench
    labels : (h, w) uint8 over the whole photo: 0 background, 1 part, 2 reference; a hint only

    Returns
    -------
    The reference, or NotMeasured with the reason. With auto, sheet, card and ruler are recognised by themselves;
    a coin needs its name, and is asked for where one is seen.

    Raises
    ------
    UsageError
        If the tables have no reference object of that name.
    """
    if scale == AUTO:
        found = _any(photo, labels)
    else:
        row = tables.load().reference(scale)
        if row.kind == "coin":
            return coin.find(photo, row, on_part=on_part, labels=labels)
        found = _flat(photo, row, labels)
    return replace(found, on_part=on_part) if isinstance(found, Reference) else found


def _flat(photo: Photo, row: ReferenceRow, labels: Bytes | None) -> Reference | NotMeasured:
    """A card, ruler or sheet by its row."""
    if row.kind == "ruler":
        return ruler.find(photo, labels=labels)
    if row.kind == "sheet":
        return sheet.find(photo, paper=row.id.partition("-")[2] or "a4", labels=labels)
    assert row.width_mm is not None, "a card's row has its sides"
    assert row.height_mm is not None, "a card's row has its sides"
    size = card.CardSize(
        id=row.id,
        width_mm=row.width_mm,
        height_mm=row.height_mm,
        thickness_mm=row.thickness_mm or card.ID1.thickness_mm,
        u_rel=row.u_mm / row.width_mm,
    )
    return card.find(photo, labels=labels, size=size)


def _any(photo: Photo, labels: Bytes | None) -> Reference | NotMeasured:
    """Whatever is recognised without a name: sheet, then card, then ruler, but the likeliest by the labels first."""
    looks: list[Callable[[], Reference | NotMeasured]] = [
        lambda: sheet.find(photo, labels=labels),
        lambda: _as_named(photo, labels, card.find(photo, labels=labels), kind="card"),
        lambda: _as_named(photo, labels, ruler.find(photo, labels=labels), kind="ruler"),
    ]
    for likelier in _likelier(labels):
        looks.insert(0, looks.pop(likelier))
    for look in looks:
        found = look()
        if isinstance(found, Reference):
            return found
    if coin.in_view(photo, labels):
        return NotMeasured(
            "reference",
            "A coin is in view, but not which coin it is.",
            "Say which coin it is, for example by its name in the list of reference objects or its diameter in mm.",
        )
    return NotMeasured(
        "reference",
        "No reference object was found: no scale sheet, bank card, ruler or coin.",
        "Lay a bank card or a coin flat beside the part and retake.",
    )


def _as_named(
    photo: Photo, labels: Bytes | None, found: Reference | NotMeasured, *, kind: str
) -> Reference | NotMeasured:
    """A card or ruler that nobody has named: not what a label map calls the part, or bench."""
    if labels is None or isinstance(found, NotMeasured):
        return found
    face = np.zeros(labels.shape, np.uint8)
    scale = np.array(labels.shape[1::-1]) / (photo.width_px, photo.height_px)
    cv2.fillPoly(face, [np.round(found.outline_px * scale).astype(np.int32)], 1)
    values = labels[face > 0]
    if len(values) and np.mean(values == REFERENCE) < NAMED:
        return NotMeasured(
            "reference", f"No {kind} was found.", "Lay a bank card or a coin flat beside the part and retake."
        )
    return found


def _likelier(labels: Bytes | None) -> tuple[int, ...]:
    """Which of sheet, card and ruler the largest blob that a label map calls reference may be, to look for it first."""
    if labels is None:
        return ()
    marks, stats = blobs.marked(labels)
    if len(stats) < 2:
        return ()
    largest = (marks == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))).astype(np.uint8)
    border, _ = cv2.findContours(largest, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    _, sides, _ = cv2.minAreaRect(np.concatenate(border).astype(np.float32))
    short, long = min(sides) + 1, max(sides) + 1
    if long > LONG * short:
        return (2,)
    return (1,) if long * short < SMALL * labels.size else ()
