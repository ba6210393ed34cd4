"""Segments of a picture: an edge that winds through all of it is longer than OpenCV has room for."""

from __future__ import annotations

import cv2
import numpy as np

from identify.geometry.strokes import segments


def _winding(width: int = 700, height: int = 520, pitch: int = 12) -> np.ndarray:
    """One line that winds inward, as a printed grid of a cutting mat may."""
    picture = np.full((height, width), 90, np.uint8)
    left, top, right, bottom = 10, 10, width - 10, height - 10
    places = [(left, top)]
    while right - left > 2 * pitch and bottom - top > 2 * pitch:
        places += [(right, top), (right, bottom), (left, bottom), (left, top + pitch), (left + pitch, top + pitch)]
        left, top, right, bottom = left + pitch, top + pitch, right - pitch, bottom - pitch
    cv2.polylines(picture, [np.array(places, np.int32)], False, 180, 4)
    return picture


def test_an_edge_that_winds_through_the_whole_picture_is_looked_at_in_halves() -> None:
    picture = _winding()
    drawing = cv2.ximgproc.createEdgeDrawing()
    drawing.detectEdges(picture.copy())
    assert max(map(len, drawing.getSegments())) > 8 * sum(picture.shape), "more places than detectLines has room for"
    ends = segments(picture)
    height, width = picture.shape
    assert ends.min() > -1
    assert (ends[..., 0].max() < width) & (ends[..., 1].max() < height)
    middles = ends.mean(axis=1)
    for right in (False, True):
        for low in (False, True):
            quarter = ((middles[:, 0] > width / 2) == right) & ((middles[:, 1] > height / 2) == low)
            assert np.count_nonzero(quarter) > 25
    long = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    along = np.abs((ends[:, 1] - ends[:, 0]) / long[:, None]).max(axis=1)
    assert (along[long > 40] > 0.999).all(), "the lines run along the rows and columns"


def test_a_plain_line_is_one_segment_a_side() -> None:
    picture = np.full((200, 300), 60, np.uint8)
    cv2.line(picture, (40, 100), (260, 100), 200, 9)
    ends = segments(picture)
    lengths = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    assert np.count_nonzero(lengths > 200) == 2
