"""Our own printed scale sheet: a marker chessboard around a free area for the part.

Its chessboard's corners are found by the markers in the white squares; where none can be read, by the squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import cv2
import numpy as np

from identify.errors import UsageError
from identify.geometry.pyramid import reduced
from identify.model import Array, Bytes, NotMeasured, Photo, Reference
from identify.reference import blobs, board
from identify.reference.page import (
    CHECK_MM,
    DICTIONARY,
    PAPERS,
    SQUARE_MM,
    Index,
    Layout,
    Text,
    board_picture,
    layout,
)

__all__ = ["Layout", "Text", "board_picture", "find", "layout"]

FEWEST_CORNERS = 6
U_LAID_PX = 0.7  # of a corner in the searched picture, by all squares together
LEAST_BLOB = 0.05  # share of the picture that a sheet fills
TOLD = 0.15  # share that hardly anything else fills: then its markers are looked for without a quick look before
AGREED = 0.6  # share of the corners that lie where the squares put them, where no marker is read
LOOK_PX, SEARCH_PX = 1000, 2000  # long sides of the pictures in which any marker, then every marker is looked for
FEWEST_SQUARES = 30  # without a readable marker: a bench has two or three, a sheet eighty
U_PRINT_REL = 0.003  # printer's scale when nobody has measured the check line (from memory)
U_CHECK_REL = 0.0015  # check line read to a quarter of a millimetre, rectangular
PAPER_MM = 0.1


def find(
    photo: Photo, *, paper: str | None = None, check_mm: float | None = None, labels: Bytes | None = None
) -> Reference | NotMeasured:
    """Find the printed sheet and its chessboard corners, to a fraction of a pixel.

    Parameters
    ----------
    photo : the photo
    paper : a4 or letter; None looks for both
    check_mm : length of the check line as measured on the print [mm]; 100 where it was not measured
    labels : (h, w) uint8 over the whole photo, 2 where a network sees a reference object; a hint only

    Returns
    -------
    Reference whose ``outline_px`` runs around the frame and back along the free area, so that a part in the free
    area is outside it; ``points_mm`` have x right and y up on the sheet. NotMeasured under six corners.
    """
    if check_mm is not None and not 50 < check_mm < 150:
        raise UsageError(f"Check line of {check_mm} mm: it is drawn 100 mm long; measure it again in millimetres.")
    told = labels is not None and float(np.mean(labels == blobs.REFERENCE)) > TOLD
    if not told and not _likely(photo.rgb):
        return _not_found(0)
    markers, numbers, squares, grey, factor = _markers(photo.rgb)
    sheets = [layout(name) for name in ([paper] if paper else PAPERS)]
    reference = _by_markers(photo, markers, numbers, grey, factor, sheets, check_mm)
    if isinstance(reference, NotMeasured) and told and not _likely(photo.rgb):
        return _not_found(0)
    if isinstance(reference, NotMeasured) and labels is not None:
        placed = _by_squares(photo, grey, factor, sheets, _borders(squares, sheets, labels, grey), check_mm)
        return reference if placed is None else placed
    return reference


def _by_markers(
    photo: Photo,
    markers: Sequence[np.ndarray],
    numbers: Index,
    grey: Bytes,
    factor: float,
    sheets: list[Layout],
    check_mm: float | None,
) -> Reference | NotMeasured:
    """The sheet by the corners whose numbers its markers tell."""
    sheet = max(sheets, key=lambda each: np.count_nonzero(np.isin(numbers, each.board.getIds())))
    corners, rows = _corners(grey, markers, numbers, sheet)
    if len(rows) < FEWEST_CORNERS:
        return _not_found(len(rows))
    return _reference(photo, sheet, _sharpened(photo.rgb, (corners + 0.5) * factor - 0.5, sheet, rows), rows, check_mm)


def _by_squares(
    photo: Photo, grey: Bytes, factor: float, sheets: list[Layout], borders: list[Array], check_mm: float | None
) -> Reference | None:
    """The sheet by its squares within one of the likely borders (4, 2); None where it is not clearly one."""
    tried = (board.place(grey, corners, [_page(sheet) for sheet in sheets]) for corners in borders)
    placed = next((one for one in tried if one is not None), None)
    if placed is None:
        return None
    sheet, to_px = sheets[placed[0]], placed[1]
    seen = cv2.perspectiveTransform(sheet.corners_mm[None], to_px)[0]
    margin = 2.0
    rows = np.flatnonzero(np.all((seen > margin) & (seen < np.array(grey.shape[1::-1]) - 1 - margin), axis=1))
    laid = (seen[rows] + 0.5) * factor - 0.5
    found = _reference(photo, sheet, _sharpened(photo.rgb, laid, sheet, rows), rows, check_mm)
    if isinstance(found, Reference) and found.points_px is not None and len(found.points_px) > AGREED * len(rows):
        return found
    found = _reference(photo, sheet, laid, rows, check_mm)  # white has bloomed over the corners: all squares together
    if isinstance(found, NotMeasured):
        return None
    return replace(found, u_px=U_LAID_PX * factor * photo.width_px / photo.rgb.shape[1])


def _borders(squares: Sequence[Array], sheets: list[Layout], labels: Bytes, grey: Bytes) -> list[Array]:
    """Where the page's border (4, 2) may be [px]: as a label map shows it, and as the squares that are seen tell."""
    named = blobs.outline(labels, (grey.shape[1], grey.shape[0]), least=LEAST_BLOB)
    found = [] if named is None else [named]
    frame = board.frame(squares, FEWEST_SQUARES)
    if frame is None:
        return found
    left, top, width, height = sheets[0].board_mm
    for turn in (0, 1):
        ring = np.array([[left, top], [left + width, top], [left + width, top + height], [left, top + height]])
        to_px = cv2.getPerspectiveTransform(ring.astype(np.float32), np.roll(frame, turn, axis=0).astype(np.float32))
        page = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * sheets[0].size_mm
        found.append(cv2.perspectiveTransform(page[None], to_px)[0])
    return found


@cache
def _page_of(paper: str) -> board.Page:
    sheet = layout(paper)
    grey = board_picture(paper, board.PX_PER_MM)
    scale = board.PX_PER_MM
    ring = np.zeros(grey.shape, np.uint8)
    for (left, top, width, height), inside in ((sheet.board_mm, 1), (sheet.free_mm, 0)):
        ring[
            round(top * scale) : round((top + height) * scale), round(left * scale) : round((left + width) * scale)
        ] = inside
    return board.Page(grey, ring.astype(bool))


def _page(sheet: Layout) -> board.Page:
    return _page_of(next(paper for paper, numbers in PAPERS.items() if numbers[0] == sheet.id))


def _likely(rgb: Bytes) -> bool:
    """Whether a quick look shows a marker, or squares enough for a chessboard; mostly one threshold tells."""
    grey = cv2.cvtColor(reduced(rgb, LOOK_PX)[0], cv2.COLOR_RGB2GRAY)
    first = cv2.aruco.DetectorParameters()
    first.adaptiveThreshWinSizeMin = first.adaptiveThreshWinSizeMax = 23
    looks = (_detector(settings).detectMarkers(grey) for settings in (first, None))
    return any(numbers is not None or len(squares) > FEWEST_SQUARES for _, numbers, squares in looks)


def _markers(rgb: Bytes) -> tuple[Sequence[np.ndarray], Index, list[Array], Bytes, float]:
    """Markers of any sheet (each (1, 4, 2)), their numbers (M,), other squares (each (4, 2)), the picture, its pixels.

    The picture is brought to about SEARCH_PX, up or down; black is widened there, for in a bright photo white blooms.
    """
    small, factor = reduced(rgb, SEARCH_PX)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.uint8)
    if max(grey.shape) < 0.75 * SEARCH_PX:
        grey = np.asarray(cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC), np.uint8)
        factor /= 2
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = 23
    settings.perspectiveRemovePixelPerCell = 8
    markers, numbers, others = _detector(settings).detectMarkers(cv2.erode(grey, np.ones((3, 3), np.uint8)))
    squares: list[Array] = [np.asarray(one, np.float64).reshape(4, 2) for one in others]
    return markers, np.asarray([] if numbers is None else numbers, int).reshape(-1), squares, grey, factor


def _detector(settings: cv2.aruco.DetectorParameters | None = None) -> cv2.aruco.ArucoDetector:
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    return cv2.aruco.ArucoDetector(dictionary, settings or cv2.aruco.DetectorParameters())


def _corners(grey: Bytes, markers: Sequence[np.ndarray], numbers: Index, sheet: Layout) -> tuple[Array, Index]:
    """Whole corners that are seen (K, 2) [px] and their row in ``sheet.corners_mm`` (K,)."""
    nothing = np.zeros((0, 2)), np.zeros(0, int)
    if not np.isin(numbers, sheet.board.getIds()).any():
        return nothing
    settings = cv2.aruco.CharucoParameters()
    settings.minMarkers = 1  # beside a corner
    detector = cv2.aruco.CharucoDetector(sheet.board, settings)
    corners, ids, _, _ = detector.detectBoard(
        grey, markerCorners=markers, markerIds=numbers.astype(np.int32).reshape(-1, 1)
    )
    if corners is None or ids is None:
        return nothing
    places: Array = np.asarray(corners, np.float64).reshape(-1, 2)
    ids = np.asarray(ids).reshape(-1)
    known = np.isin(ids, sheet.corner_ids)
    return places[known], np.searchsorted(sheet.corner_ids, ids[known])


def _sharpened(rgb: Bytes, corners: Array, sheet: Layout, rows: Index) -> Array:
    """Corners (K, 2) refined in the full picture; the window stays inside the four squares."""
    if len(rows) < 4:
        return corners
    mm = sheet.corners_mm[rows]
    span = float(np.ptp(corners, axis=0).max()) / max(float(np.ptp(mm, axis=0).max()), 1.0)
    half = int(np.clip(0.16 * SQUARE_MM * span, 2, 14))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 0.002)
    start = corners.astype(np.float32).reshape(-1, 1, 2)
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    return np.asarray(cv2.cornerSubPix(grey, start, (half, half), (-1, -1), stop), float).reshape(-1, 2)


def _not_found(count: int) -> NotMeasured:
    reason = "No printed scale sheet was found." if count == 0 else f"Only {count} corners of the scale sheet are seen."
    advice = "Lay the sheet flat with its whole frame in the picture, evenly lit, and retake."
    return NotMeasured("reference", reason, advice)


def _reference(
    photo: Photo, sheet: Layout, points: Array, rows: Index, check_mm: float | None
) -> Reference | NotMeasured:
    mm = sheet.corners_mm[rows]
    homography, kept = cv2.findHomography(mm, points, cv2.RANSAC, max(1.5, 0.002 * max(photo.rgb.shape)))
    if homography is None:
        return _not_found(len(rows))
    good = np.asarray(kept).ravel().astype(bool)
    if np.count_nonzero(good) < FEWEST_CORNERS:
        return _not_found(int(np.count_nonzero(good)))
    away = points[good] - cv2.perspectiveTransform(mm[good][None], homography)[0]
    freedom = max(2 * len(away) - 8, 2)
    full = photo.width_px / photo.rgb.shape[1]
    outline = cv2.perspectiveTransform(_ring(sheet)[None], homography)[0]
    scale = (check_mm or CHECK_MM) / CHECK_MM
    return Reference(
        kind="sheet",
        id=sheet.id,
        outline_px=(outline + 0.5) * full - 0.5,
        u_px=full * float(max(0.03, np.sqrt(np.sum(away**2) / freedom))),
        points_px=(points[good] + 0.5) * full - 0.5,
        points_mm=(mm[good] * (1.0, -1.0) + (0.0, sheet.size_mm[1])) * scale,
        thickness_mm=PAPER_MM,
        u_size_rel=U_PRINT_REL if check_mm is None else U_CHECK_REL,
    )


def _ring(sheet: Layout) -> Array:
    """Around the board and back along the inner edge of the scales (10, 2) [mm]: a frame as one polygon."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]], float)
    left, top, width, height = sheet.free_mm
    inner = np.array([left + 8, top + 8]) + square[::-1] * (width - 8, height - 8)
    return np.concatenate([square * sheet.board_mm[2:] + sheet.board_mm[:2], inner])
