"""A bank card, or another card of known size, lying flat beside the part.

Size of the ID-1 card: 85.60 mm x 53.98 mm, thickness 0.76 mm, corner radius 3.18 mm (ISO/IEC 7810).
The search runs on a reduced picture; the four sides are then fitted in the full one and crossed to corners, since
the card's own corners are round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from identify.geometry.camera import focal_px_from_35mm
from identify.geometry.line_fit import Line, crossing, u_crossing_px
from identify.geometry.lines import Edge, refine_edges
from identify.geometry.pyramid import reduced
from identify.geometry.quads import misfit, square_to_quad
from identify.model import Array, Bytes, NotMeasured, Photo, Reference, Remark
from identify.reference import blobs
from identify.reference.corners import corner_radii, roundness, through
from identify.reference.rectangles import ROUGH_PX, candidates

MASK_PX = 12.0  # by which a side may be off as a label map has it
SEARCH_PX = 1000  # long side of the picture in which the card is looked for
GROWN = 0.3  # of its sides, by which the surroundings of what a label map calls reference are wider all round
WORTH = 0.4  # of the picture: larger surroundings are not looked at first
FOCALS35_MM = np.array([14, 18, 22, 26, 30, 36, 45, 56, 70, 90.0])  # tried where the photo does not say
PLAIN = 1.1  # a score (at most 1.5) above which no other plane is looked at
LEAST = 0.7  # score of a card
NAMED = 0.8  # share in which a label map and a card cover each other
PLAIN_NAMED, LEAST_NAMED = 0.9, 0.5  # the same scores where they do
NOT_ROUND = 0.15  # by which each corner that is not the card's lowers the score among such fits
MISFIT = 1.5  # tolerances by which the fitted corners may be no card's: each of them may be off by as much
OVERRUN, OVERRUN_ROUND = 0.29, 0.6  # share of the sides that may go on beyond the corners: on a bench of many lines
ROUND = (0.55, 1.6)  # share of the arcs in the corners' colours
HARDLY_ROUND = 0.1  # of those of a card whose corners a shadow or the part hides in part
ROUND_CLEAR = 3.5  # standard uncertainties by which it differs from sharp corners
LOOSE, FAR = (0.05, 0.06), 8.0  # tolerances, so many of which a blob's sides may be off when they are fitted first
EDGE_PX = 0.7  # by which a side may be off where the card's wall and its shadow are too narrow to be seen apart
SHADOW_PX = 0.15  # a one-sided shadow moves an edge by up to 0.3 px, rectangular


_Sides = tuple[Array, tuple[Line, ...], Array]  # the sides' crossings (4, 2), the lines, their shares seen (4,)


@dataclass(frozen=True, slots=True)
class CardSize:
    """A card's size [mm]. The default is ID-1 of ISO/IEC 7810; u_rel from that standard's limits (from memory)."""

    id: str = "card"
    width_mm: float = 85.60
    height_mm: float = 53.98
    corner_mm: float = 3.18
    thickness_mm: float = 0.76
    u_rel: float = 0.0006

    @property
    def corners_mm(self) -> Array:
        """The corners (4, 2) of the sides' crossings, in order around [mm]."""
        return np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (self.width_mm, self.height_mm)


ID1 = CardSize()


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A quadrilateral with its four fitted sides (side n runs from corner n to n + 1).

    ``corners_mm`` are the radii of the corners, nan where the picture is too small to tell and inf where no arc is;
    ``overrun`` is the share of the sides' prolongations on which the edge goes on, as a tile's joints do.
    """

    corners_px: Array
    sides: tuple[Line, ...]
    shares: Array
    misfit: float
    corners_mm: Array
    overrun: float

    @property
    def score(self) -> float:
        return float(self.shares.mean() + 0.5 * self.shares.min()) - 0.15 * self.misfit**2 - self.overrun


def find(photo: Photo, *, labels: Bytes | None = None, size: CardSize = ID1) -> Reference | NotMeasured:
    """Find a card of known size and its corners, to a fraction of a pixel.

    Parameters
    ----------
    photo : the photo
    labels : (h, w) uint8 over the whole photo, 2 where a network sees a reference object; a hint only
    size : the card; ID-1 unless said

    Returns
    -------
    Reference with the four crossings of the sides as ``points_px``, or NotMeasured with the reason. ``points_mm`` are
    right-handed as seen from the camera: x along the long side, y a quarter turn anticlockwise from it.
    """
    small, factor = reduced(photo.rgb, SEARCH_PX)
    focals = _focals_px(photo)
    fits: list[_Fit] = []
    best: _Fit | None = None
    told = (focals / factor, size.width_mm / size.height_mm, labels)
    lines = chain(*(candidates(small, *told, window=window) for window in (*_near(small, labels), None)))
    for quads, reach_px in chain([(_labelled(small, labels), MASK_PX)], ((quads, ROUGH_PX + 2) for quads in lines)):
        rough = _rough(small, list(quads), focals / factor, size, reach_px)
        for score, corners in sorted(rough, key=lambda each: -each[0]):
            if best and _rank(best, size) > score:
                break
            fit = _refine(photo.rgb, (corners + 0.5) * factor - 0.5, factor, focals, size)
            fits += [fit] if fit else []
            if (
                fit
                and _is_card(fit, photo.rgb, size, labels)
                and (best is None or _rank(fit, size) > _rank(best, size))
            ):
                best = fit
        if best and _rank(best, size) > (PLAIN_NAMED if _named(best, photo.rgb, labels) else PLAIN):
            break
    return _not_found(fits, photo.rgb) if best is None else _reference(best, photo, size)


def _rank(fit: _Fit, size: CardSize) -> float:
    """The score, less where corners are not the card's: a line of print, or of the bench, passes for a side."""
    others = np.count_nonzero(~np.isnan(fit.corners_mm)) - np.count_nonzero(_round(fit, size))
    return fit.score - NOT_ROUND * others


def _round(fit: _Fit, size: CardSize) -> NDArray[np.bool_]:
    """Which of the corners (4,) have the card's radius, as far as the picture can tell."""
    px_per_mm = float(np.linalg.norm(fit.corners_px[1] - fit.corners_px[0])) / size.width_mm
    more = fit.corners_mm - size.corner_mm
    less = min(2.0, 0.6 + 3.0 / px_per_mm)
    blunt = 1.7 * EDGE_PX / px_per_mm  # blur rounds corners further: a pixel between arc and crossing is 1.7 of radius
    return np.asarray((more > -less) & (more < less + blunt), bool)


def _focals_px(photo: Photo) -> Array:
    """Focal lengths that are possible, in pixels of ``photo.rgb``."""
    known = FOCALS35_MM if photo.focal35_mm is None else photo.focal35_mm * np.array([0.96, 1.0, 1.04])
    height, width = photo.rgb.shape[:2]
    return np.array([focal_px_from_35mm(float(focal), width, height) for focal in known])


def _sides(
    rgb: Bytes, quads: Sequence[Array], size: CardSize, *, reach_px: float, seam: float, blocks: int
) -> list[_Sides | None]:
    """The four sides fitted near each quadrilateral (4, 2); None where one of them is not seen."""
    if not len(quads):
        return []
    skips = 1.3 * size.corner_mm / np.array([size.width_mm, size.height_mm] * 2)
    start = np.stack(quads)
    step = np.roll(start, -1, axis=1) - start
    ends = np.stack([start + skips[:, None] * step, start + step - skips[:, None] * step], axis=2)
    inward = np.repeat([float(np.sign(_area(quad))) for quad in quads], 4)
    seam_px = np.repeat(seam * size.thickness_mm * np.linalg.norm(step[:, 0], axis=1) / size.width_mm, 4)
    ways = {"inward": inward.tolist(), "seam_px": seam_px.tolist()}
    edges = refine_edges(rgb, ends.reshape(-1, 2, 2), reach_px=reach_px, blocks=blocks, **ways)
    return [_crossed(edges[n : n + 4]) for n in range(0, len(edges), 4)]


def _crossed(edges: Sequence[Edge | None]) -> _Sides | None:
    """The crossings (4, 2) of four sides, the lines, and their shares seen (4,)."""
    seen = [edge for edge in edges if edge is not None]
    if len(seen) < 4:
        return None
    met = [crossing(seen[n - 1][0], seen[n][0]) for n in range(4)]
    if any(corner is None for corner in met):
        return None
    return np.array(met), tuple(line for line, _ in seen), np.array([share for _, share in seen])


def _labelled(small: Bytes, labels: Bytes | None) -> Array:
    """What a label map calls reference, if it is a quadrilateral: (0 or 2, 4, 2), either pair of its sides first."""
    corners = None if labels is None else blobs.outline(labels, (small.shape[1], small.shape[0]))
    return np.zeros((0, 4, 2)) if corners is None else np.stack([corners, np.roll(corners, -1, axis=0)])


def _near(small: Bytes, labels: Bytes | None) -> list[blobs.Box]:
    """The surroundings of what a label map calls reference, where they are but a small part of the picture."""
    box = None if labels is None else blobs.box(labels, (small.shape[1], small.shape[0]), grown=GROWN)
    if box is None or (box[2] - box[0]) * (box[3] - box[1]) > WORTH * small.shape[0] * small.shape[1]:
        return []
    return [box]


def _rough(
    small: Bytes, quads: Sequence[Array], focals: Array, size: CardSize, reach_px: float
) -> list[tuple[float, Array]]:
    """Scores and corners (4, 2) of those candidates that are such a rectangle, fitted in the small picture."""
    found = [each for each in _sides(small, quads, size, reach_px=reach_px, seam=0.0, blocks=18) if each is not None]
    if reach_px > ROUGH_PX + 2:
        found = [each for each in found if _misfit(small, each[0], focals, size, LOOSE) < FAR]
        again = _sides(small, [corners for corners, _, _ in found], size, reach_px=ROUGH_PX + 2, seam=0.0, blocks=18)
        found = [each for each in again if each is not None]
    rough = []
    for corners, _, shares in found:
        short_px = float(np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1).min())
        error = _misfit(small, corners, focals, size, (0.04 + 2 * EDGE_PX / short_px, 0.05 + 2 * EDGE_PX / short_px))
        if error <= 1.0 and shares.mean() >= 0.5:
            rough.append((float(shares.mean() + 0.5 * shares.min()) - 0.15 * error**2, corners))
    return rough


def _misfit(rgb: Bytes, corners: Array, focals: Array, size: CardSize, tolerance: tuple[float, float]) -> float:
    centre = (np.array(rgb.shape[1::-1]) - 1) / 2
    return float(misfit(corners[None], size.width_mm / size.height_mm, focals, centre, tolerance)[0])


def _refine(rgb: Bytes, corners: Array, factor: float, focals: Array, size: CardSize) -> _Fit | None:
    """Fit the four sides in the full picture, again where that moved them far, and cross them."""
    for reach_px in (1.5 * factor + 3, 5.0):
        (found,) = _sides(rgb, [corners], size, reach_px=reach_px, seam=2.2, blocks=36)
        if found is None:
            return None
        before, (corners, sides, shares) = corners, found
        if np.abs(corners - before).max() < 2.0:
            break
    short_px = float(np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1).min())
    error = _misfit(rgb, corners, focals, size, (0.02 + EDGE_PX / short_px, 0.025 + EDGE_PX / short_px))
    likely = error < MISFIT and shares.mean() > 0.6
    radii = corner_radii(rgb, _to_px(corners, size), size.corners_mm, size.corner_mm) if likely else np.full(4, np.inf)
    return _Fit(corners, sides, shares, error, radii, _overrun(rgb, corners, sides) if likely else 1.0)


def _overrun(rgb: Bytes, corners: Array, sides: tuple[Line, ...]) -> float:
    """Share of the eight prolongations of the sides, 4 to 16 % of their length, along which the edge goes on."""
    after = np.roll(corners, -1, axis=0)
    out = np.stack([corners - after, after - corners], axis=1)  # beyond either end of each side
    begin = np.stack([corners, after], axis=1)
    ends = np.stack([begin + 0.04 * out, begin + 0.16 * out], axis=2)
    edges = refine_edges(rgb, ends.reshape(8, 2, 2), reach_px=2.5, blocks=18)
    on = [
        edge is not None and edge[1] > 0.7 and abs(float(edge[0].direction @ sides[n // 2].normal)) < 0.05
        for n, edge in enumerate(edges)
    ]
    return float(np.mean(on))


def _area(corners: Array) -> float:
    """Signed area of a polygon (N, 2)."""
    after = np.roll(corners, -1, axis=0)
    return 0.5 * float(np.sum(corners[:, 0] * after[:, 1] - corners[:, 1] * after[:, 0]))


def _to_px(corners_px: Array, size: CardSize) -> Array:
    """Homography (3, 3) from millimetres on the card to pixels."""
    return square_to_quad(corners_px[None])[0] @ np.diag([1 / size.width_mm, 1 / size.height_mm, 1.0])


def _is_card(fit: _Fit, rgb: Bytes, size: CardSize, labels: Bytes | None) -> bool:
    """Whether the sides are seen, the side ratio is right and the corners are round."""
    seen = fit.shares.min() > 0.35 and fit.shares.mean() > 0.6
    px_per_mm = float(np.linalg.norm(fit.corners_px[1] - fit.corners_px[0])) / size.width_mm
    more = fit.corners_mm - size.corner_mm
    blunt = 1.7 * EDGE_PX / px_per_mm
    usual = float(np.median(more[np.isfinite(more)])) if np.isfinite(more).any() else np.inf
    round_ones = np.count_nonzero(_round(fit, size))
    like = (
        seen
        and fit.score > (LEAST_NAMED if _named(fit, rgb, labels) else LEAST)
        and fit.misfit < MISFIT
        and not _cut_off(fit, rgb)
    )
    if not like or fit.overrun > (OVERRUN_ROUND if round_ones == 4 else OVERRUN):
        return False
    by_edges = fit.misfit < 1.0 and -1.2 < usual < 0.85 + blunt
    told = roundness(rgb, _to_px(fit.corners_px, size), np.array([size.width_mm, size.height_mm]), size.corner_mm)
    if told is None:  # white on white: then every arc must be seen
        return bool(by_edges and round_ones == 4)
    if told.share < HARDLY_ROUND:
        return False
    clear = ROUND[0] < told.share < ROUND[1] and told.share > ROUND_CLEAR * told.u
    return bool(clear or (by_edges and round_ones >= 3))


def _named(fit: _Fit, rgb: Bytes, labels: Bytes | None) -> bool:
    """Whether a label map calls this very quadrilateral reference."""
    return labels is not None and blobs.covered(labels, fit.corners_px, rgb.shape[1::-1]) > NAMED


def _cut_off(fit: _Fit, rgb: Bytes) -> bool:
    limit = np.array(rgb.shape[1::-1]) - 1
    beyond = np.maximum(-fit.corners_px, fit.corners_px - limit).max()
    return bool(beyond > 0.15 * np.linalg.norm(fit.corners_px[1] - fit.corners_px[0]))


def _not_found(fits: list[_Fit], rgb: Bytes) -> NotMeasured:
    near = [fit for fit in fits if fit.misfit < MISFIT and fit.shares.mean() > 0.6]
    if any(_cut_off(fit, rgb) for fit in near):
        reason = "The card runs out of the picture."
    elif any(fit.shares.min() <= 0.35 for fit in near):
        reason = "One side of the card is covered or does not stand out from the bench."
    else:
        reason = "No card of the known size was found."
    advice = "Lay the card flat beside the part, whole in the picture, on a bench of another colour, and retake."
    return NotMeasured("reference", reason, advice)


def _reference(fit: _Fit, photo: Photo, size: CardSize) -> Reference:
    """The record, in pixels of the full photo."""
    full = photo.width_px / photo.rgb.shape[1]
    u = [u_crossing_px(fit.sides[n - 1], fit.sides[n], fit.corners_px[n]) for n in range(4)]
    corners = fit.corners_px[[1, 0, 3, 2]] if _area(fit.corners_px) > 0 else fit.corners_px  # y up on the face
    to_px = _to_px(corners, size)
    remarks: tuple[Remark, ...] = ()
    if fit.shares.min() < 0.6:
        text = "Part of one side of the card is covered."
        remarks = (Remark("reference", text, "Move the card clear of the part."),)
    return Reference(
        kind="card",
        id=size.id,
        outline_px=(through(to_px, _rounded(size)) + 0.5) * full - 0.5,
        u_px=full * float(np.hypot(np.sqrt(np.mean(np.square(u))), SHADOW_PX)),
        points_px=(corners + 0.5) * full - 0.5,
        points_mm=size.corners_mm,
        thickness_mm=size.thickness_mm,
        u_size_rel=size.u_rel,
        remarks=remarks,
    )


def _rounded(size: CardSize) -> Array:
    """The card's outline (36, 2) with round corners [mm]."""
    arcs = []
    for n, corner in enumerate(size.corners_mm):
        inward = np.sign(np.array([size.width_mm, size.height_mm]) / 2 - corner)
        angles = np.radians(180 + 90 * n + np.linspace(0, 90, 9))
        arcs.append(corner + size.corner_mm * (inward + np.column_stack([np.cos(angles), np.sin(angles)])))
    return np.concatenate(arcs)
