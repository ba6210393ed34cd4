"""The part's outline: a mask from the network's labels or from the picture alone, then sub-pixel edges.

References: GrabCut, Rother, Kolmogorov and Blake, ACM SIGGRAPH 2004. Edges are located in linear light
(``identify.geometry.edges``).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry import part_edge
from identify.geometry.strip import follow
from identify.model import Array, Bytes, NotMeasured, Outline, Photo, Reference

PART = 1
SMALL_PX = 420  # long side of the picture on which a part without labels is looked for
CROP_PX = 520  # long side of the crop on which the mask is refined
SLACK_REL = 0.02  # of the part's length: how far a network's border may be off
OFF_COST, JUMP_COST = 0.1, 0.04  # of a place as far off the mask's border as is expected; of a column from row to row
LEAST_SHARE = 5e-4  # of the photo's area: a smaller part has too few pixels to measure
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Seed:
    """A rough mask of the part at some scale of the photo, and how wrong its border may be in its pixels.

    A ``trusted`` mask is on the part's border but for its resolution; another is cut anew by colour.
    """

    inside: Mask
    slack_px: float
    method: str
    trusted: bool


def trace(photo: Photo, *, reference: Reference | None = None, labels: Bytes | None = None) -> Outline | NotMeasured:
    """The outline of the one part in the photo.

    Parameters
    ----------
    reference : the reference object; its outline is kept out of the part.
    labels : (h, w) uint8 map over the whole photo, 1 where the network sees the part, or None.

    Returns
    -------
    Outline or NotMeasured
        NotMeasured where no object stands out, or the labels hold no part.
    """
    about = ring(photo, reference=reference, labels=labels)
    if isinstance(about, NotMeasured):
        return about
    contour, u_px, doubt = _sharpened(photo, about)
    return Outline(
        contour_px=contour,
        inside=_filled(photo, contour),
        mask_step=_mask_step(photo),
        u_px=u_px,
        cut_off=_touches_border(photo, contour),
        method=about.method,
        doubt_px=doubt,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """Where the outline is looked for: places (N, 2) about the part, outward normals, and how far off it may be.

    All in pixels of ``photo.rgb``; ``step_px`` is the distance of two columns of the strip across it.
    """

    start_px: Array
    normals: Array
    reach_px: float
    step_px: float
    method: str


def ring(photo: Photo, *, reference: Reference | None = None, labels: Bytes | None = None) -> Ring | NotMeasured:
    """The border of the part's mask, about which ``trace`` looks for the outline; parameters as there."""
    seed = _from_labels(labels) if labels is not None else _from_picture(photo, reference)
    if isinstance(seed, NotMeasured):
        return seed
    kept = _without_reference(seed, photo, reference)
    if kept.inside.mean() < LEAST_SHARE:
        return _no_part()
    inside, window = _refined(photo, kept, reference)
    if inside.sum() < 30:
        return _no_part()
    contours, _ = cv2.findContours(inside.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    border = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(float)
    in_rgb = (border + 0.5) / window.factor - 0.5 + (window.x0, window.y0)
    spacing = max(1.0, 1.0 / window.factor)
    start = _evenly(_rounded(in_rgb, 1.5 * spacing), spacing)
    slack = kept.slack_px * _cell_px(photo, kept)
    reach = max(3.0 / window.factor, min(slack, 12.0 / window.factor)) + 2.0
    return Ring(start, _normals(start, 2.0 * spacing), reach, part_edge.STEP_PX * spacing, kept.method)


def _no_part() -> NotMeasured:
    return NotMeasured(
        "outline",
        "No part stands out from the background.",
        "Lay the part alone on a plain sheet of paper, whole in the picture, and retake.",
    )


def _from_labels(labels: Bytes) -> _Seed | NotMeasured:
    inside = _largest(labels == PART)
    if inside.sum() < 4:
        return _no_part()
    rows, columns = np.nonzero(inside)
    slack = max(1.5, SLACK_REL * float(max(np.ptp(rows), np.ptp(columns))))
    return _Seed(inside, slack, "network mask, sub-pixel edges", True)


def _from_picture(photo: Photo, reference: Reference | None) -> _Seed | NotMeasured:
    factor = min(1.0, SMALL_PX / max(photo.rgb.shape[:2]))
    small = _shrunk(photo.rgb, factor)
    unlike = _unlike_background(small)
    banned = _reference_mask(photo, reference, small.shape[:2], grow=1.06)
    unlike[banned] = 0.0
    level = max(float(cv2.threshold(_as_bytes(unlike), 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[0]) / 255 * 12, 2.5)
    closed = cv2.morphologyEx((unlike > level).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    rough = np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    chosen = _most_salient(rough, unlike)
    if chosen is None:
        return _no_part()
    return _Seed(chosen, 4.0, "object that stands out from the background, sub-pixel edges", False)


def _shrunk(rgb: Bytes, factor: float) -> Bytes:
    return np.asarray(cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)


def _as_bytes(unlike: Array) -> Bytes:
    return np.clip(unlike / 12 * 255, 0, 255).astype(np.uint8)


def _unlike_background(small: Bytes) -> Array:
    """How unlike the picture's border each pixel is, in standard deviations (H, W); lightness counts a third."""
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(float)
    height, width = lab.shape[:2]
    rows, columns = np.mgrid[0:height, 0:width]
    margin = max(4, round(0.06 * min(height, width)))
    border = (rows < margin) | (rows >= height - margin) | (columns < margin) | (columns >= width - margin)
    design = np.stack([np.ones(height * width), rows.ravel() / height, columns.ravel() / width], axis=1)
    score = np.zeros((height, width))
    for channel, weight in ((0, 0.33), (1, 1.0), (2, 1.0)):
        values = lab[..., channel].ravel()
        keep = border.ravel().copy()
        for _ in range(4):
            plane, *_rest = np.linalg.lstsq(design[keep], values[keep], rcond=None)
            residual = values - design @ plane
            spread = 1.4826 * np.median(np.abs(residual[keep])) + 1.5
            keep = border.ravel() & (np.abs(residual) < 3 * spread)
        score += weight * (residual.reshape(height, width) / spread) ** 2
    texture = cv2.GaussianBlur(np.abs(cv2.Laplacian(lab[..., 0], cv2.CV_64F)), (0, 0), 1.5)
    usual = np.median(texture[border]) + 1.0
    return np.asarray(cv2.GaussianBlur(np.sqrt(score) + np.clip(texture / usual - 2, 0, 6), (0, 0), 1.0), float)


def _most_salient(rough: Bytes, unlike: Array) -> Mask | None:
    count, marks, stats, _ = cv2.connectedComponentsWithStats(rough, connectivity=8)
    height, width = rough.shape
    best, best_score = None, 0.0
    for index in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[index])
        if x <= 0 or y <= 0 or x + w >= width or y + h >= height or area < 4 * LEAST_SHARE * rough.size:
            continue
        inside = marks == index
        score = float(np.sqrt(area)) * float(np.mean(unlike[inside]))
        if score > best_score:
            best, best_score = _solid(inside), score
    return best


def _reference_mask(
    photo: Photo,
    reference: Reference | None,
    shape_hw: tuple[int, int],
    *,
    grow: float,
    window: tuple[slice, slice] = (slice(None), slice(None)),
) -> Mask:
    """Where the reference is (h, w), on a map of ``shape_hw`` over the whole photo or within a window of it."""
    (top, bottom, _), (left, right, _) = (part.indices(side) for part, side in zip(window, shape_hw, strict=True))
    mask = np.zeros((bottom - top, right - left), np.uint8)
    if reference is not None and not reference.on_part:
        scale = np.array([shape_hw[1] / photo.width_px, shape_hw[0] / photo.height_px])
        points = (reference.outline_px + 0.5) * scale - 0.5
        middle = points.mean(axis=0)
        grown = np.round(middle + grow * (points - middle)).astype(np.int32)
        cv2.fillPoly(mask, [grown - np.array([left, top], np.int32)], 1)
    return mask.view(bool)


def _without_reference(seed: _Seed, photo: Photo, reference: Reference | None) -> _Seed:
    banned = _reference_mask(photo, reference, seed.inside.shape[:2], grow=1.0)
    if seed.trusted and not (seed.inside & banned).any():
        return seed
    return _Seed(_largest(seed.inside & ~banned), seed.slack_px, seed.method, seed.trusted)


def _largest(mask: Mask) -> Mask:
    count, marks, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    if count < 2:
        return np.zeros_like(mask)
    return np.asarray(marks == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def _solid(mask: Mask) -> Mask:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return filled.astype(bool)


@dataclass(frozen=True, slots=True)
class _Window:
    """A crop of ``photo.rgb``: its corner and the factor crop pixels / rgb pixels."""

    x0: int
    y0: int
    factor: float


def _cell_px(photo: Photo, seed: _Seed) -> float:
    """Size of a cell of the seed in pixels of ``photo.rgb``."""
    height, width = photo.rgb.shape[:2]
    return max(width / seed.inside.shape[1], height / seed.inside.shape[0])


def _refined(photo: Photo, seed: _Seed, reference: Reference | None) -> tuple[Mask, _Window]:
    """The seed on a crop of at most ``CROP_PX``; one that is not trusted is cut anew by GrabCut about its border."""
    height, width = photo.rgb.shape[:2]
    per_cell = width / seed.inside.shape[1], height / seed.inside.shape[0]
    rows, columns = np.nonzero(seed.inside)
    slack = seed.slack_px * max(per_cell)
    reach = 2.5 * slack + 0.25 * max(np.ptp(columns) * per_cell[0], np.ptp(rows) * per_cell[1])
    x0 = max(0, int(columns.min() * per_cell[0] - reach))
    y0 = max(0, int(rows.min() * per_cell[1] - reach))
    x1 = min(width, int((columns.max() + 1) * per_cell[0] + reach))
    y1 = min(height, int((rows.max() + 1) * per_cell[1] + reach))
    factor = min(1.0, CROP_PX / max(x1 - x0, y1 - y0))
    size = max(1, round((x1 - x0) * factor)), max(1, round((y1 - y0) * factor))
    window = _Window(x0, y0, size[0] / (x1 - x0))
    soft = cv2.resize(
        seed.inside.astype(np.float32), (width // 2 or 1, height // 2 or 1), interpolation=cv2.INTER_LINEAR
    )
    box = slice(y0 // 2, -(-y1 // 2)), slice(x0 // 2, -(-x1 // 2))
    near = cv2.resize(soft[box], size, interpolation=cv2.INTER_LINEAR)
    rough = near > 0.5
    cut_out = _reference_mask(photo, reference, soft.shape[:2], grow=1.02, window=box).view(np.uint8)
    banned = np.asarray(cv2.resize(cut_out, size, interpolation=cv2.INTER_NEAREST), np.uint8).astype(bool)
    if seed.trusted:
        return rough & ~banned, window
    crop = np.asarray(cv2.resize(photo.rgb[y0:y1, x0:x1], size, interpolation=cv2.INTER_AREA), np.uint8)
    return _cut(crop, rough, banned, max(2.0, slack * window.factor)), window


def _cut(crop: Bytes, rough: Mask, banned: Mask, band_px: float) -> Mask:
    inward = cv2.distanceTransform(rough.astype(np.uint8), cv2.DIST_L2, 5)
    outward = cv2.distanceTransform((~rough).astype(np.uint8), cv2.DIST_L2, 5)
    deepest = float(inward.max())
    marks = np.where(rough, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    marks[inward > min(band_px, 0.6 * deepest)] = cv2.GC_FGD
    marks[outward > band_px] = cv2.GC_BGD
    marks[banned] = cv2.GC_BGD
    if not (marks == cv2.GC_FGD).any() or not (marks == cv2.GC_BGD).any():
        return rough & ~banned
    cv2.setRNGSeed(0)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(crop, marks, (0, 0, 1, 1), *models, 3, cv2.GC_INIT_WITH_MASK)
    cut = cv2.morphologyEx(
        np.isin(marks, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8),
        cv2.MORPH_OPEN,
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3)),
    )
    solid = _solid(_largest(np.asarray(cut) > 0))
    return solid if solid.sum() > 0.4 * (rough & ~banned).sum() else rough & ~banned


def _sharpened(photo: Photo, about: Ring) -> tuple[Array, float, Array]:
    """A ring moved to the part's edge: (N, 2) in full-photo pixels, u of a point [px], and doubt (N,) of each [px]."""
    profile = part_edge.profiles(photo.rgb, about.start_px, about.normals, about.step_px)
    odds = part_edge.likely([profile], about.reach_px / about.step_px, closed=True)[0]
    offsets = part_edge.offsets_px(about.step_px)
    gain = part_edge.gain(odds) - OFF_COST * (offsets / about.reach_px) ** 2
    path = follow(gain, jump=3, jump_cost=JUMP_COST, leap_cost=2.0, closed=True)
    where, height = part_edge.sharpened(profile, odds, path, about.step_px)
    shift = offsets[0] + where * about.step_px
    edges = about.start_px + np.where(height > 0.004, shift, offsets[path])[:, None] * about.normals
    rough_px = float(1.4826 * np.median(np.abs(shift - cv2.blur(shift[:, None], (1, 7)).ravel())))
    doubt = part_edge.doubt(odds, path) * about.step_px * photo.reduced
    return (edges + 0.5) * photo.reduced - 0.5, float(np.clip(rough_px, 0.15, 1.5)) * photo.reduced, doubt


def _rounded(closed: Array, sigma: float) -> Array:
    taps = np.arange(-np.ceil(3 * sigma), np.ceil(3 * sigma) + 1)
    kernel = np.exp(-0.5 * (taps / sigma) ** 2)
    kernel /= kernel.sum()
    index = (np.arange(len(closed))[:, None] + taps[None, :].astype(int)) % len(closed)
    return np.einsum("nkc,k->nc", closed[index], kernel)


def _evenly(closed: Array, spacing: float) -> Array:
    ring = np.vstack([closed, closed[:1]])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    want = np.linspace(0, along[-1], max(8, round(along[-1] / spacing)), endpoint=False)
    return np.column_stack([np.interp(want, along, ring[:, 0]), np.interp(want, along, ring[:, 1])])


def _normals(closed: Array, sigma: float) -> Array:
    """Outward unit normals (N, 2) of a closed line (N, 2)."""
    tangent = _rounded(np.roll(closed, -1, axis=0) - np.roll(closed, 1, axis=0), sigma)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
    area = 0.5 * float(np.sum(closed[:, 0] * np.roll(closed[:, 1], -1) - np.roll(closed[:, 0], -1) * closed[:, 1]))
    return normal if area > 0 else -normal


def _mask_step(photo: Photo) -> int:
    return max(1, round(max(photo.rgb.shape[:2]) / 1000))


def _filled(photo: Photo, contour_px: Array) -> Mask:
    step = _mask_step(photo)
    height, width = photo.rgb.shape[:2]
    mask = np.zeros((-(-height // step), -(-width // step)), np.uint8)
    cv2.fillPoly(mask, [np.round((contour_px + 0.5) / (photo.reduced * step) - 0.5).astype(np.int32)], 1)
    return mask.astype(bool)


def _touches_border(photo: Photo, contour_px: Array) -> bool:
    margin = 3.0 * photo.reduced
    low = contour_px.min(axis=0)
    high = contour_px.max(axis=0)
    return bool((low < margin).any() or high[0] > photo.width_px - 1 - margin or high[1] > photo.height_px - 1 - margin)
