"""What is printed on the scale sheet: a marker chessboard around a free area for the part.

The board is a ChArUco board: a chessboard whose white squares carry 5 x 5 markers, so that every inner corner is
known by its number even where the part or a shadow covers others. Paper sizes: A4 of ISO 216, Letter of ANSI Y14.1.
The same list of shapes draws the picture and the PDF, so they cannot differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.errors import UsageError
from identify.model import Array, Bytes

Index = NDArray[np.intp]
SQUARE_MM = 15.0
MARKER_MM = 11.0
RING = 2  # squares between the board's outer border and the free area
CHECK_MM = 100.0
DICTIONARY = cv2.aruco.DICT_5X5_250


@dataclass(frozen=True, slots=True)
class Text:
    """Words on the sheet: left end of the base line from the page's top left corner [mm], height in points."""

    x_mm: float
    y_mm: float
    size_pt: float
    words: str
    bold: bool = False
    grey: int = 0
    centred: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """All that is on one sheet.

    Lengths from the page's top left corner, x right, y down [mm].

    Parameters
    ----------
    size_mm : width and height of the paper
    board_mm : left, top, width, height of the chessboard
    free_mm : left, top, width, height of the area for the part
    black_mm, white_mm : (N, 4) rectangles left, top, width, height; white ones are drawn after black ones
    corners_mm : (K, 2) the chessboard corners that are whole, and their numbers ``corner_ids`` (K,)
    check_mm : (2, 2) ends of the check line
    """

    id: str
    size_mm: tuple[float, float]
    board: cv2.aruco.CharucoBoard
    board_mm: tuple[float, float, float, float]
    free_mm: tuple[float, float, float, float]
    black_mm: Array
    white_mm: Array
    corners_mm: Array
    corner_ids: Index
    check_mm: Array
    texts: tuple[Text, ...]


PAPERS = {  # name: id, width, height [mm], columns, rows, number of the first marker
    "a4": ("sheet", 210.0, 297.0, 12, 16, 0),
    "letter": ("sheet-letter", 215.9, 279.4, 12, 15, 110),
}


@cache
def layout(paper: str = "a4") -> Layout:
    """The sheet for a paper, ``a4`` or ``letter``.

    Raises
    ------
    UsageError : another paper.
    """
    if paper.lower() not in PAPERS:
        raise UsageError(f"No scale sheet for paper {paper!r}: choose a4 or letter.")
    name, width, height, columns, rows, first = PAPERS[paper.lower()]
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    numbers = np.arange(first, first + columns * rows // 2, dtype=np.int32)
    board = cv2.aruco.CharucoBoard((columns, rows), SQUARE_MM, MARKER_MM, dictionary, numbers)
    left, top = (width - columns * SQUARE_MM) / 2, 30.0
    board_mm = (left, top, columns * SQUARE_MM, rows * SQUARE_MM)
    inner = RING * SQUARE_MM
    free = (left + inner, top + inner, board_mm[2] - 2 * inner, board_mm[3] - 2 * inner)
    squares, holes = _squares(columns, rows, board, dictionary, (left, top))
    corners, ids = _whole_corners(columns, rows, board, (left, top))
    check_y = height - 14.0
    check = np.array([[(width - CHECK_MM) / 2, check_y], [(width + CHECK_MM) / 2, check_y]])
    ticks, numerals = _scales(free)
    black = np.concatenate([squares, ticks, _check_line(check)])
    texts = (*_words(left, top, width, check_y), *numerals)
    return Layout(name, (width, height), board, board_mm, free, black, holes, corners, ids, check, texts)


def _in_ring(column: int, row: int, columns: int, rows: int) -> bool:
    return min(column, columns - 1 - column, row, rows - 1 - row) < RING


def _squares(
    columns: int,
    rows: int,
    board: cv2.aruco.CharucoBoard,
    dictionary: cv2.aruco.Dictionary,
    origin: tuple[float, float],
) -> tuple[Array, Array]:
    """Black squares and markers, and the white modules in the markers, as rectangles."""
    black, white = [], []
    for row in range(rows):
        for column in range(columns):
            if (row + column) % 2 == 0 and _in_ring(column, row, columns, rows):
                black.append([origin[0] + column * SQUARE_MM, origin[1] + row * SQUARE_MM, SQUARE_MM, SQUARE_MM])
    for number, marker in zip(np.asarray(board.getIds()).ravel(), board.getObjPoints(), strict=True):
        x, y = np.asarray(marker).reshape(-1, 3)[:, :2].min(axis=0)
        if not _in_ring(int(x // SQUARE_MM), int(y // SQUARE_MM), columns, rows):
            continue
        left, top = float(x) + origin[0], float(y) + origin[1]
        black.append([left, top, MARKER_MM, MARKER_MM])
        bits = np.asarray(dictionary.generateImageMarker(int(number), 7)) > 127
        white += [[left + a, top + b, w, h] for a, b, w, h in _runs(bits, MARKER_MM / 7)]
    return np.array(black), np.array(white)


def _runs(bits: NDArray[np.bool_], module_mm: float) -> list[tuple[float, float, float, float]]:
    """Rectangles of the set modules: runs along the rows and along the columns, so that no seam is left open."""
    runs = []
    for turned in (False, True):
        for line, cells in enumerate(bits.T if turned else bits):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], cells.astype(np.int8), [0]])))
            for start, end in edges.reshape(-1, 2):
                a, b = start * module_mm, line * module_mm
                length = (end - start) * module_mm
                runs.append((b, a, module_mm, length) if turned else (a, b, length, module_mm))
    return runs


def _whole_corners(
    columns: int, rows: int, board: cv2.aruco.CharucoBoard, origin: tuple[float, float]
) -> tuple[Array, Index]:
    """Corners with all four squares printed, and their numbers."""
    all_corners = np.asarray(board.getChessboardCorners()).reshape(-1, 3)[:, :2].astype(float)
    cells = np.round(all_corners / SQUARE_MM).astype(int)
    whole = [all(_in_ring(x - a, y - b, columns, rows) for a in (0, 1) for b in (0, 1)) for x, y in cells]
    ids = np.flatnonzero(whole)
    return all_corners[ids] + origin, ids


def _scales(free: tuple[float, float, float, float]) -> tuple[Array, tuple[Text, ...]]:
    """Millimetre ticks and numerals along the top and left of the free area."""
    left, top, width, height = free
    ticks, numerals = [], []
    for upright, length in ((False, width), (True, height)):
        for mm in range(5, int(length) + 1):  # the two scales would cross in the corner
            long = 4.0 if mm % 10 == 0 else 2.8 if mm % 5 == 0 else 1.8
            thick = 0.2
            if upright:
                ticks.append([left, top + mm - thick / 2, long, thick])
            else:
                ticks.append([left + mm - thick / 2, top, thick, long])
            if mm % 10 == 0 and mm < length:
                place = (left + 4.6, top + mm + 0.8) if upright else (left + mm, top + 6.6)
                numerals.append(Text(*place, 6.0, str(mm), centred=not upright))
    return np.array(ticks), tuple(numerals)


def _check_line(check: Array) -> Array:
    """The check line with its end strokes, whose outer edges are 100 mm apart."""
    (x0, y), (x1, _) = check
    bars = [[x0, y - 0.15, x1 - x0, 0.3], [x0, y - 2.5, 0.3, 5.0], [x1 - 0.3, y - 2.5, 0.3, 5.0]]
    bars += [[x0 + mm - 0.1, y - 1.2, 0.2, 2.4] for mm in range(10, 100, 10)]
    return np.array(bars)


def _words(left: float, top: float, width: float, check_y: float) -> tuple[Text, ...]:
    steps = (
        '1   Print at 100 % (actual size), never "fit to page". The line at the foot must measure 100 mm.',
        "2   Lay the sheet flat and the part inside the frame, on its side if it can lie. Leave the frame free.",
        "3   Take the photo straight from above, 30 to 40 cm away, no flash, with the whole frame in the picture.",
    )
    lines = [Text(left, top - 19.5, 15.0, "Scale sheet", bold=True)]
    lines += [Text(left, top - 13.6 + 4.2 * n, 8.5, step, grey=40) for n, step in enumerate(steps)]
    note = "100 mm from outer edge to outer edge. If it measures otherwise, print again or give the length you measure."
    lines.append(Text(width / 2, check_y + 6.6, 8.0, note, grey=40, centred=True))
    return tuple(lines)


def board_picture(paper: str = "a4", px_per_mm: float = 8.0) -> Bytes:
    """The page as a picture (H, W) uint8, white 255; pixel (0, 0) covers the page's top left corner.

    The words are left out; shapes are area-sampled four times finer than the pixels.
    """
    sheet = layout(paper)
    fine = px_per_mm * 4
    width, height = (round(side * px_per_mm) for side in sheet.size_mm)
    page = np.full((height * 4, width * 4), 255, np.uint8)
    for rectangles, ink in ((sheet.black_mm, 0), (sheet.white_mm, 255)):
        for x0, y0, x1, y1 in np.round(
            np.column_stack([rectangles[:, :2], rectangles[:, :2] + rectangles[:, 2:]]) * fine
        ):
            page[int(y0) : int(y1), int(x0) : int(x1)] = ink
    return np.asarray(cv2.resize(page, (width, height), interpolation=cv2.INTER_AREA))
