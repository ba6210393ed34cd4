"""Line segments of a small picture, joined to long strokes.

Segments come from EdgeDrawing (Topal and Akinlar, Journal of Visual Communication and Image Representation 23, 2012).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry.lines import principal
from identify.model import Array, Bytes


def grain(plane: Bytes) -> float:
    """Usual gradient of a picture (H, W) uint8, in the unit of ``segments``' threshold."""
    soft = np.asarray(cv2.GaussianBlur(plane, (0, 0), 1.0)[::3, ::3], np.float32)
    return 2.0 * float(np.median(np.abs(np.diff(soft, axis=0))[:, :-1] + np.abs(np.diff(soft, axis=1))[:-1]))


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
    found = drawing.detectLines()
    if found is None:
        return np.zeros((0, 2, 2))
    return np.asarray(found, float).reshape(-1, 2, 2)


def join(pieces_px: Array, *, most: int = 48, angle_deg: float = 2.5, apart_px: float = 2.0) -> Strokes:
    """Join collinear segments (N, 2, 2) whatever the gap between them, and keep the ``most`` longest lines."""
    pieces = np.asarray(pieces_px, float).reshape(-1, 2, 2)
    lengths = np.hypot(*(pieces[:, 1] - pieces[:, 0]).T) if len(pieces) else np.zeros(0)
    order = np.argsort(-lengths)[:400]
    pieces, lengths = pieces[order], lengths[order]
    directions = (pieces[:, 1] - pieces[:, 0]) / np.maximum(lengths, 1e-9)[:, None]
    free = np.ones(len(pieces), bool)
    ends: list[Array] = []
    covered: list[float] = []
    for lead in range(len(pieces)):
        if not free[lead] or len(ends) >= 3 * most:
            continue
        members, span, total = _gather(lead, pieces, lengths, directions, free, angle_deg, apart_px)
        free[members] = False
        ends.append(span)
        covered.append(total)
    keep = np.argsort(-np.array(covered))[:most] if covered else np.zeros(0, int)
    return Strokes(np.array(ends).reshape(-1, 2, 2)[keep], np.array(covered)[keep])


def _gather(
    lead: int, pieces: Array, lengths: Array, directions: Array, free: Array, angle_deg: float, apart_px: float
) -> tuple[NDArray[np.intp], Array, float]:
    """The free segments on the line of segment ``lead``: their indices, the outer ends, the covered length."""
    direction, origin = directions[lead], pieces[lead].mean(axis=0)
    normal = np.array([-direction[1], direction[0]])
    away = np.abs((pieces - origin) @ normal)
    along = (pieces - origin) @ direction
    slack = apart_px + 0.012 * np.abs(along)  # a short lead's direction is uncertain
    turn = np.abs(directions @ normal)
    near = np.abs(along).max(axis=1) < 12 * lengths[lead]
    alike = free & near & (turn < np.sin(np.radians(angle_deg)) + 1.0 / lengths) & np.all(away < slack, axis=1)
    alike[lead] = True
    members = np.flatnonzero(alike)
    weight = lengths[members].repeat(2) ** 0.5
    centre, fitted = principal(pieces[members].reshape(-1, 2), weight)
    reach = (pieces[members].reshape(-1, 2) - centre) @ fitted
    span = centre + np.array([[reach.min()], [reach.max()]]) * fitted
    return members, span, _union(np.sort(reach.reshape(-1, 2), axis=1))


def _union(spans: Array) -> float:
    """Length of the union of intervals (N, 2)."""
    total, right = 0.0, -np.inf
    for start, end in spans[np.argsort(spans[:, 0])]:
        total += max(0.0, end - max(start, right))
        right = max(right, end)
    return total
