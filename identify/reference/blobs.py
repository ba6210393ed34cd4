"""The blobs that a label map shows: where a card, a sheet or a coin lies, to a few pixels."""

from __future__ import annotations

import weakref
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.model import Array, Bytes

REFERENCE = 2  # value of a label map
LEAST_BLOB = 60.0  # pixels of the label map
FILLED = 0.8  # share of the quadrilateral that the blob fills
Box = tuple[int, int, int, int]  # left, top, right, bottom [px]
Marks = tuple[NDArray[np.int32], NDArray[np.int32]]
_kept: dict[int, tuple[weakref.ref[Bytes], Marks]] = {}  # by the label map's identity


def marked(labels: Bytes) -> Marks:
    """The number of each pixel's blob (h, w) in what a label map calls reference, and OpenCV's figures of each (N, 5).

    Blob 0 is the rest. Several steps ask for them, so they are kept as long as the label map: write into none.
    """
    name = id(labels)
    known = _kept.get(name)
    if known is None or known[0]() is not labels:
        _, marks, stats, _ = cv2.connectedComponentsWithStats((labels == REFERENCE).astype(np.uint8))
        found = np.asarray(marks, np.int32), np.asarray(stats, np.int32)
        known = _kept[name] = weakref.ref(labels, lambda _: _kept.pop(name, None)), found
    return known[1]


def outline(labels: Bytes, size_px: tuple[int, int], *, least: float = 0.0) -> Array | None:
    """What a label map calls reference, if its largest blob is a quadrilateral.

    Parameters
    ----------
    labels : (h, w) uint8 over the whole photo
    size_px : width and height of a picture of the photo [px]
    least : share of the label map that the blob must fill

    Returns
    -------
    Its corners (4, 2), clockwise as seen [px], as coarse as the label map.
    """
    blobs, stats = marked(labels)
    if len(stats) < 2:
        return None
    blob = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    area = float(stats[blob, cv2.CC_STAT_AREA])
    if area < max(least * labels.size, LEAST_BLOB):
        return None
    edges, _ = cv2.findContours((blobs == blob).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(edges, key=len))
    length = cv2.arcLength(hull, True)
    for share in np.linspace(0.01, 0.12, 23):
        quad = cv2.approxPolyDP(hull, share * length, True).reshape(-1, 2)
        if len(quad) == 4 and area > FILLED * cv2.contourArea(quad):
            scale = np.array(size_px) / labels.shape[1::-1]
            corners: Array = (quad + 0.5) * scale - 0.5
            return corners if cv2.contourArea(corners.astype(np.float32), True) > 0 else corners[::-1]
        if len(quad) < 4:
            break
    return None


def beside(labels: Bytes, pieces: Array, size_px: tuple[float, ...]) -> NDArray[np.bool_]:
    """Which of the segments (N, 2, 2) of a picture of that width and height lie on what a label map calls reference.

    A little beyond it counts: there its own sides may be.
    """
    near = cv2.dilate((labels == REFERENCE).astype(np.uint8), np.ones((5, 5), np.uint8))
    shape = np.array(labels.shape[1::-1])
    column, row = np.clip((pieces.mean(axis=1) + 0.5) / np.array(size_px) * shape, 0, shape - 1).astype(int).T
    return np.asarray(near[row, column] > 0)


def covered(labels: Bytes, quad: Array, size_px: tuple[int, ...]) -> float:
    """How well a quadrilateral (4, 2) [px] and what a label map calls reference cover each other, 0 to 1.

    The area in common over that of both together.
    """
    face = np.zeros(labels.shape, np.uint8)
    corners = (quad + 0.5) / np.array(size_px) * labels.shape[1::-1] - 0.5
    cv2.fillPoly(face, [np.round(corners).astype(np.int32)], 1)
    named = labels == REFERENCE
    return float(np.sum(named & (face > 0)) / max(np.sum(named | (face > 0)), 1))


def box(labels: Bytes, size_px: tuple[int, int], *, grown: float) -> Box | None:
    """The box about the largest blob that a label map calls reference, ``grown`` by a share of its sides all round.

    In pixels of a picture of the photo of ``size_px``, width and height; parameters as ``outline``.
    """
    _, stats = marked(labels)
    if len(stats) < 2:
        return None
    left, top, wide, high, area = stats[1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))].tolist()
    if area < LEAST_BLOB:
        return None
    more = grown * max(wide, high)
    scale = np.array(size_px) / labels.shape[1::-1]
    low = np.maximum(np.floor((np.array([left, top]) - more) * scale), 0).astype(int)
    high_end = np.minimum(np.ceil((np.array([left + wide, top + high]) + more) * scale), size_px).astype(int)
    return int(low[0]), int(low[1]), int(high_end[0]), int(high_end[1])


class Blobs:
    """The blobs of one value in a label map over the whole photo.

    Parameters
    ----------
    labels : (h, w) uint8
    size_px : width and height of the photo [px]
    """

    def __init__(self, labels: Bytes, value: int, size_px: tuple[int, int]) -> None:
        _, self._blobs, stats, _ = cv2.connectedComponentsWithStats((labels == value).astype(np.uint8))
        self._areas = np.append(0, stats[1:, cv2.CC_STAT_AREA])
        self._scale = np.array(labels.shape[1::-1]) / size_px

    def cover(self, outline_px: Array) -> float:
        """How well a closed curve (N, 2) [px] and the blob within it cover each other.

        The area in common over that of both together, 0 to 1; the blob is the one with most in common.
        """
        places = np.round((outline_px + 0.5) * self._scale - 0.5).astype(np.int32)
        face = np.zeros(self._blobs.shape, np.uint8)
        cv2.fillPoly(face, [places], 1)
        common = np.bincount(self._blobs[face > 0], minlength=len(self._areas))
        common[0] = 0
        blob = int(np.argmax(common))
        if common[blob] == 0:
            return 0.0
        both = np.count_nonzero(face) + self._areas[blob] - common[blob]
        return float(common[blob] / both)

    def uncovered(self, outlines_px: Sequence[Array], *, least: int) -> bool:
        """Whether some blob of at least ``least`` pixels of the label map lies for its larger part outside of all."""
        faces = np.zeros(self._blobs.shape, np.uint8)
        for outline_px in outlines_px:
            cv2.fillPoly(faces, [np.round((outline_px + 0.5) * self._scale - 0.5).astype(np.int32)], 1)
        within = np.bincount(self._blobs[faces > 0], minlength=len(self._areas))
        return bool(np.any((self._areas >= least) & (within < 0.5 * self._areas)))
