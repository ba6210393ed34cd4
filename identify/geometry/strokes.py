"""Line segments of a small picture, joined to long strokes.

Segments come from EdgeDrawing (Topal and Akinlar, Journal of Visual Communication and Image Representation 23, 2012).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry.line_fit import principal
from identify.model import Array, Bytes

LEAST_SPREAD = 3.0  # standard deviation of a colour direction that says something [codes]
_DOUBLED = np.clip((np.arange(256) - 128) * 2 + 128, 0, 255).astype(np.uint8)


def grain(plane: Bytes) -> float:
    """Usual gradient of a picture (H, W) uint8, in the unit of ``segments``' threshold."""
    soft = np.asarray(cv2.GaussianBlur(plane, (0, 0), 1.0)[::3, ::3], np.float32)
    return 2.0 * float(np.median(np.abs(np.diff(soft, axis=0))[:, :-1] + np.abs(np.diff(soft, axis=1))[:-1]))


def planes(small: Bytes) -> list[Bytes]:
    """One-channel pictures (H, W) uint8 with what may stand out: lightness, and colour directions that differ."""
    lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), np.uint8)
    colours = [cv2.LUT(cv2.extractChannel(lab, n), _DOUBLED) for n in (1, 2)]
    kept = [colour for colour in colours if cv2.meanStdDev(colour)[1].item() > LEAST_SPREAD]
    return [np.asarray(plane, np.uint8) for plane in (cv2.extractChannel(lab, 0), *kept)]


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """Collinear segments joined to lines.

    Parameters
    ----------
    ends_px : (N, 2, 2) the outer ends of each line [px]
    covered_px : (N,) length of its segments [px]
    """

    ends_px: Array
    covered_px: Array


def segments(plane: Bytes, *, shortest_px: int = 12, gradient: int = 8) -> Array:
    """Line segments (N, 2, 2) of a one-channel picture (H, W) uint8 by EdgeDrawing [px]."""
    drawing = cv2.ximgproc.createEdgeDrawing()
    settings = cv2.ximgproc.EdgeDrawing.Params()
    settings.MinLineLength = shortest_px
    settings.Sigma = 1.0
    settings.GradientThresholdValue = gradient
    settings.AnchorThresholdValue = 2
    settings.LineFitErrorThreshold = 1.0
    drawing.setParams(settings)
    drawing.detectEdges(plane.copy())
    if _winds(drawing, plane.shape):
        wide = plane.shape[1] >= plane.shape[0]
        halves = np.array_split(plane, 2, axis=1 if wide else 0)
        moved = np.array([halves[0].shape[1], 0] if wide else [0, halves[0].shape[0]])
        one, other = (segments(each, shortest_px=shortest_px, gradient=gradient) for each in halves)
        return np.concatenate([one, other + moved])
    found = drawing.detectLines()
    if found is None:
        return np.zeros((0, 2, 2))
    return np.asarray(found, float).reshape(-1, 2, 2)


def _winds(drawing: cv2.ximgproc.EdgeDrawing, shape: tuple[int, ...]) -> bool:
    """Whether one edge winds so far through a picture that OpenCV's ``detectLines`` would write beyond its memory.

    It has room for 8 (W + H) places of an edge; on a cutting mat the printed grid can be one edge that is longer.
    """
    room = 8 * sum(shape)
    if 2 * cv2.countNonZero(drawing.getEdgeImage()) <= room:  # all edges together, none of them counted twice
        return False
    return any(len(edge) > room for edge in drawing.getSegments())


def join(pieces_px: Array, *, most: int = 48, angle_deg: float = 2.5, apart_px: float = 2.0) -> Strokes:
    """Join collinear segments (N, 2, 2) whatever the gap between them, and keep the ``most`` longest lines."""
    pieces = np.asarray(pieces_px, float).reshape(-1, 2, 2)
    lengths = np.hypot(*(pieces[:, 1] - pieces[:, 0]).T) if len(pieces) else np.zeros(0)
    order = np.argsort(-lengths)[:400]
    pieces, lengths = pieces[order], lengths[order]
    alike = _alike(pieces, lengths, angle_deg, apart_px)
    free = np.ones(len(pieces), bool)
    ends: list[Array] = []
    covered: list[float] = []
    for lead in range(len(pieces)):
        if not free[lead] or len(ends) >= 3 * most:
            continue
        members = np.flatnonzero(alike[lead] & free)
        free[members] = False
        if len(members) == 1:
            ends.append(pieces[lead])
            covered.append(float(lengths[lead]))
            continue
        points = pieces[members].reshape(-1, 2)
        centre, fitted = principal(points, lengths[members].repeat(2) ** 0.5)
        reach = (points - centre) @ fitted
        ends.append(centre + np.array([[reach.min()], [reach.max()]]) * fitted)
        covered.append(_union(np.sort(reach.reshape(-1, 2), axis=1)))
    keep = np.argsort(-np.array(covered))[:most] if covered else np.zeros(0, int)
    return Strokes(np.array(ends).reshape(-1, 2, 2)[keep], np.array(covered)[keep])


def _alike(pieces: Array, lengths: Array, angle_deg: float, apart_px: float) -> NDArray[np.bool_]:
    """Which segments lie on the line of which: (N, N), a row for each lead."""
    directions = (pieces[:, 1] - pieces[:, 0]) / np.maximum(lengths, 1e-9)[:, None]
    normals = np.column_stack([-directions[:, 1], directions[:, 0]])
    middles = pieces.mean(axis=1)
    turn = np.abs(normals @ directions.T) < np.sin(np.radians(angle_deg)) + 1.0 / np.maximum(lengths, 1e-9)
    for end in range(2):
        along = np.abs(directions @ pieces[:, end].T - np.sum(directions * middles, axis=1)[:, None])
        away = np.abs(normals @ pieces[:, end].T - np.sum(normals * middles, axis=1)[:, None])
        # a short lead's direction is uncertain
        turn &= (away < apart_px + 0.012 * along) & (along < 12 * lengths[:, None])
    np.fill_diagonal(turn, True)
    return turn


def _union(spans: Array) -> float:
    """Length of the union of intervals (N, 2)."""
    total, right = 0.0, -np.inf
    for start, end in sorted(spans.tolist()):
        total += max(0.0, end - max(start, right))
        right = max(right, end)
    return total
