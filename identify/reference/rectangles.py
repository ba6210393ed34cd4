"""Rectangles of a known side ratio in a small picture: quadrilaterals of lines that an edge bears out."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry.quads import distinct, from_lines, misfit
from identify.geometry.strokes import grain, join, planes, segments
from identify.model import Array, Bytes
from identify.reference import blobs
from identify.reference.blobs import Box

FAINT = 8  # gradient [codes, over three pixels] of the faintest lines
ROUGH_PX = 4.0  # by which a side may be off before it is fitted
REFERENCE = 2  # value of a label map
BESIDE = 4  # pixels of a label map by which it may end too early
APART_PX = 3.0  # nearer quadrilaterals are one


def _planes(small: Bytes) -> list[tuple[Bytes, float]]:
    """Lightness and colour with their grain.

    First comes the plane that varies most for its grain: there a rectangle is one of few strong lines.
    """
    found = [(plane, grain(plane)) for plane in planes(small)]
    return sorted(found, key=lambda each: -cv2.meanStdDev(each[0])[1].item() / (each[1] + 1))


def candidates(
    small: Bytes, focals: Array, ratio: float, labels: Bytes | None, *, window: Box | None = None
) -> Iterator[Array]:
    """Quadrilaterals (N, 4, 2) of the small picture that may be a rectangle of that side ratio, best first.

    Each begins with its long side. They come from the lines beside what labels call reference; then plane by plane from
    the lines that stand out from its grain, then from faint ones, then from all planes'. Where there are labels, those
    of faint lines must hold some of the reference.
    With a ``window`` of the picture only its lines are looked at, in the first plane.
    """
    tried = np.zeros((0, 4, 2))
    left, top, right, bottom = window or (0, 0, small.shape[1], small.shape[0])
    corner = np.array([left, top])
    sorts = _planes(small[top:bottom, left:right])[: 1 if window else None]
    faintly = window is None and (labels is None or bool((labels == REFERENCE).any()))
    named = window is None and labels is not None and faintly
    beside = [_beside(sorts, labels)] if labels is not None and named else []
    for looked_at, pools, faint in chain(beside, _pools(sorts, faintly=faintly)):
        found = _ranked(small, looked_at, [pool + corner for pool in pools], focals, ratio, labels, corner)
        if faint and labels is not None:
            found = found[_marked(labels, found, small.shape[1::-1])]
        quads = np.concatenate([tried, found])
        new = [n for n in distinct(quads, apart_px=APART_PX, most=len(quads)) if n >= len(tried)]
        tried = np.concatenate([tried, quads[new]])
        yield quads[new]


def _beside(sorts: list[tuple[Bytes, float]], labels: Bytes) -> tuple[list[Bytes], list[Array], bool]:
    """All planes, and even faint segments that lie on what labels call reference: elsewhere there may be many more."""
    height, width = sorts[0][0].shape
    rows, columns = (np.flatnonzero((labels == REFERENCE).any(axis=axis)) for axis in (1, 0))
    scale = np.array([width, height]) / labels.shape[1::-1]
    low = np.maximum(np.array([columns[0], rows[0]]) - BESIDE, 0) * scale
    high = np.minimum((np.array([columns[-1], rows[-1]]) + 1 + BESIDE) * scale, (width, height))
    (left, top), (right, bottom) = low.astype(int), high.astype(int)
    corner = np.array([left, top])
    found = [segments(plane[top:bottom, left:right], gradient=FAINT) + corner for plane, _ in sorts]
    pieces = np.concatenate(found)
    return [plane for plane, _ in sorts], [pieces[blobs.beside(labels, pieces, (width, height))]], True


def _pools(sorts: list[tuple[Bytes, float]], *, faintly: bool) -> Iterator[tuple[list[Bytes], list[Array], bool]]:
    """Planes, sets of segments (N, 2, 2) in them among which its sides may be, and whether they are faint ones."""
    for plane, usual in sorts:
        yield [plane], [segments(plane, gradient=int(np.clip(n * usual, n * 4.5, 120))) for n in (4, 10)], False
    if not faintly:
        return
    faint = []
    for plane, _ in sorts:
        faint.append(segments(plane, gradient=FAINT))
        yield [plane], faint[-1:], True
    if len(sorts) > 1:
        yield [plane for plane, _ in sorts], [np.concatenate(faint)], True


def _ranked(
    small: Bytes,
    looked_at: list[Bytes],
    pools: list[Array],
    focals: Array,
    ratio: float,
    labels: Bytes | None,
    corner: Array,
) -> Array:
    """The best quadrilaterals (N, 4, 2) from pools of segments; the planes looked at begin at ``corner`` (2,)."""
    height, width = small.shape[:2]
    least = 0.035 * max(width, height)
    found = [
        from_lines(join(pool), shortest_px=least, size_px=(width, height), most=1500)
        for pool in pools
        if len(pool) >= 4
    ]
    quads = np.concatenate([np.zeros((0, 4, 2)), *found])
    centre = np.array([width - 1, height - 1]) / 2
    turned = np.roll(quads, -1, axis=1)
    short_px = np.linalg.norm(quads - np.roll(quads, -1, axis=1), axis=2).min(axis=1)
    loose = (0.06 + ROUGH_PX / short_px, 0.08 + ROUGH_PX / short_px)
    errors = [misfit(q, ratio, focals, centre, loose) for q in (quads, turned)]
    quads = np.where((errors[1] < errors[0])[:, None, None], turned, quads)
    error = np.minimum(*errors)
    near = np.flatnonzero(error < 1.0)[:600]
    if not len(near):
        return quads[near]
    quads, error = quads[near], error[near]
    support = _support(looked_at, quads - corner)
    rank = support.mean(axis=1) + 0.5 * support.min(axis=1) - 0.15 * error**2
    if labels is not None:
        rank += 0.2 * _hinted(labels, quads, (width, height))
    order = np.argsort(-rank)
    quads = quads[order[support[order].min(axis=1) > 0.25]]
    return quads[distinct(quads, apart_px=APART_PX, most=10)]


def _support(looked_at: list[Bytes], quads: Array) -> Array:
    """Share of each side's straight part that lies on an edge across it: (N, 4)."""
    steps = np.linspace(0.08, 0.92, 36)
    start, end = quads, np.roll(quads, -1, axis=1)
    places = start[:, :, None] + steps[:, None] * (end - start)[:, :, None]
    direction = (end - start) / np.linalg.norm(end - start, axis=2, keepdims=True)
    normal = np.stack([-direction[..., 1], direction[..., 0]], axis=-1)
    seen = np.zeros(places.shape[:3], bool)
    for plane in looked_at:
        soft = cv2.GaussianBlur(plane, (0, 0), 1.0)
        slope_x, slope_y = (cv2.Scharr(soft, cv2.CV_32F, *way, scale=1 / 32) for way in ((1, 0), (0, 1)))
        threshold = max(1.2, 1.5 * float(np.median(np.hypot(slope_x[::4, ::4], slope_y[::4, ::4]))))
        for away in (-1.0, 0.0, 1.0):
            xy = (places + away * normal[:, :, None]).astype(np.float32).reshape(len(quads) * 4, len(steps), 2)
            across = [
                cv2.remap(slope, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR).reshape(seen.shape)
                for slope in (slope_x, slope_y)
            ]
            seen |= np.abs(across[0] * normal[..., None, 0] + across[1] * normal[..., None, 1]) > threshold
    return seen.mean(axis=2)


def _hinted(labels: Bytes, quads: Array, size_px: tuple[int, int]) -> Array:
    """1 where the middle of a quadrilateral lies on the reference of the network's labels, else 0: (N,)."""
    middle = quads.mean(axis=1) / size_px * labels.shape[1::-1]
    column, row = np.clip(middle.astype(int), 0, np.array(labels.shape[1::-1]) - 1).T
    return (labels[row, column] == REFERENCE).astype(float)


def _marked(labels: Bytes, quads: Array, size_px: tuple[int, int]) -> NDArray[np.bool_]:
    """Which quadrilaterals (N, 4, 2) hold a place that the labels call reference: (N,), seen at 64 places of each."""
    steps = (np.arange(8) + 0.5) / 8
    along, across = (each.reshape(-1, 1) for each in np.meshgrid(steps, steps))
    first, second, third, fourth = quads[:, None].transpose(2, 0, 1, 3)
    places = (1 - across) * ((1 - along) * first + along * second) + across * ((1 - along) * fourth + along * third)
    column, row = np.clip(places / size_px * labels.shape[1::-1], 0, np.array(labels.shape[1::-1]) - 1).astype(int).T
    return np.asarray((labels[row, column] == REFERENCE).any(axis=0))
