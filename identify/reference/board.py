"""The scale sheet's chessboard laid over a picture in which its markers can't be read.

Out of focus, tilted or overexposed, the squares are seen long after the markers are not. The page's outline, as a
label map has it, gives a first position; the printed page, blurred, is then moved over the picture until both agree
best (the enhanced correlation coefficient of Evangelidis and Psarakis, IEEE PAMI 30, 2008, as OpenCV has it). Which
end is up does not matter for the scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.model import Array, Bytes

PX_PER_MM = 0.8
MOST_STARTS, MOST_STEPS = 3, 40
ROUGH_MM, FINE_MM = 3.5, 1.2  # blurs of the page
SLACK = 0.3  # of a square's side, by which squares in a row may be out of line
ALIKE = 0.85  # correlation of page and picture over the ring of squares


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """A page as printed: grey (H, W) uint8 at PX_PER_MM, and where its squares are (H, W) bool."""

    grey: Bytes
    ring: NDArray[np.bool_]


def place(grey: Bytes, corners_px: Array, pages: Sequence[Page]) -> tuple[int, Array] | None:
    """Lay one of several pages over the picture, beginning with its outline.

    Parameters
    ----------
    grey : (H, W) uint8
    corners_px : (4, 2) of the page's outline, clockwise as seen [px]

    Returns
    -------
    Which of the pages it is, and the homography (3, 3) from millimetres on it, y down, to pixels; None where none is
    alike.
    """
    starts = []
    for number, page in enumerate(pages):
        width, height = page.grey.shape[1::-1]
        flat = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32) - np.float32(0.5)
        for turn in range(4):
            quad = np.roll(corners_px, turn, axis=0).astype(np.float32)
            start = np.asarray(cv2.getPerspectiveTransform(flat, quad), np.float64)
            starts.append((_alike(grey, start, page, ROUGH_MM), number, start))
    for _, number, start in sorted(starts, key=lambda each: -each[0])[:MOST_STARTS]:
        to_px = _moved(grey, start, pages[number])
        if to_px is not None and _alike(grey, to_px, pages[number], FINE_MM) > ALIKE:
            half = np.array([[PX_PER_MM, 0, -0.5], [0, PX_PER_MM, -0.5], [0, 0, 1.0]])
            return number, to_px @ half
    return None


def frame(squares: Sequence[Array], fewest: int) -> Array | None:
    """Corners (4, 2), clockwise as seen, of what squares (each (4, 2) [px]) of about one size enclose; None if too few.

    Things that are much larger or smaller than most of them, or not square, are left out.
    """
    if len(squares) < fewest:
        return None
    quads = np.stack(squares).astype(np.float32)
    sides = np.linalg.norm(quads - np.roll(quads, -1, axis=1), axis=2)
    usual = float(np.median(sides))
    own = quads[(sides.min(axis=1) > usual / 1.5) & (sides.max(axis=1) < usual * 1.5)]
    if len(own) < fewest:
        return None
    hull = cv2.approxPolyDP(cv2.convexHull(own.reshape(-1, 2)), SLACK * usual, True).reshape(-1, 2).astype(float)
    after = np.roll(hull, -1, axis=0)
    four = np.sort(np.argsort(-np.linalg.norm(after - hull, axis=1))[:4])  # others cut off where a corner is white
    if len(four) < 4:
        return None
    begin, end = (np.column_stack([points[four], np.ones(4)]) for points in (hull, after))
    lines = np.cross(begin, end)
    meet = np.cross(np.roll(lines, 1, axis=0), lines)
    if np.any(np.abs(meet[:, 2]) < 1e-9):
        return None
    found = meet[:, :2] / meet[:, 2:]
    return found if cv2.contourArea(found.astype(np.float32), True) > 0 else found[::-1]


def _moved(grey: Bytes, to_px: Array, page: Page) -> Array | None:
    """The homography from a page's pixels to the picture's, moved from a start; None where it runs away."""
    for blur_mm in (ROUGH_MM, FINE_MM):
        wanted, seen = _both(grey, to_px, page, blur_mm)
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, MOST_STEPS, 1e-4)
        try:
            _, move = cv2.findTransformECC(
                wanted, seen, np.eye(3, dtype=np.float32), cv2.MOTION_HOMOGRAPHY, stop, page.ring.astype(np.uint8), 1
            )
        except cv2.error:  # nothing alike
            return None
        to_px = to_px @ np.asarray(move, np.float64)
    return np.asarray(to_px / to_px[2, 2])


def _alike(grey: Bytes, to_px: Array, page: Page, blur_mm: float) -> float:
    """Correlation of page and picture over the squares."""
    pair = (each[page.ring].astype(float) for each in _both(grey, to_px, page, blur_mm))
    first, second = (each - each.mean() for each in pair)
    return float(first @ second / max(float(np.linalg.norm(first) * np.linalg.norm(second)), 1e-9))


def _both(grey: Bytes, to_px: Array, page: Page, blur_mm: float) -> tuple[Bytes, Bytes]:
    """The page and what the picture has in its place, blurred alike: two (H, W) uint8."""
    size = page.grey.shape[1], page.grey.shape[0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpPerspective(grey, to_px, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    one, other = (cv2.GaussianBlur(each, (0, 0), blur_mm * PX_PER_MM) for each in (page.grey, seen))
    return np.asarray(one, np.uint8), np.asarray(other, np.uint8)
