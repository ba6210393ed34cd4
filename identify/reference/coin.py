"""A coin as the reference: which of the rims seen is the coin to measure by, and its size from the tables."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from identify.geometry import ellipse as ellipses
from identify.geometry.camera import focal_px_from_35mm
from identify.model import Array, Bytes, Ellipse, NotMeasured, Photo, Reference, Remark
from identify.reference.blobs import Blobs
from identify.reference.rims import LEAST_SUPPORT, Pick, Rim, any_rim, find_rims
from identify.tables.rows import ReferenceRow

USUAL_FOCAL35_MM = 28.0
USUAL_THICKNESS_MM = 1.9  # where the tables give none: coins in use are 1.2 to 2.8 mm thick
MOST_OTHERS = 40  # other rims that help to find the bench's tilt
MOST_LOOKS = 80  # at circles that no label map calls a coin: a cloth or mesh may have a thousand
ON_PART = 0.6  # of a circle's face, beyond which it is the part's own
PART_OF_FACE = 0.8  # ratio of a blob's axes
LEAST_BLOB = 8  # pixels of the label map
PART, REFERENCE = 1, 2  # values of a label map
LESS_SURE = 0.1  # in support
# How much likelier a rim is the coin by its support, and by how well it and a blob of the map cover each other: by the
# rims of 249 calibration pictures (a conditional logit, the true one against the others of its picture).
SUPPORT_ODDS, COVER_ODDS = 8.0, 4.0
UNNAMED_SUPPORT, ELSEWHERE_SUPPORT = 0.84, 0.895  # of a rim where the map names no reference, or something else so
LEAST_LIKELY = 0.05  # of a coin's size: the photo would be taken from less than 70 mm away or more than 1300
GOOD, COVERED = 0.8, 0.55  # support and cover of a rim beside which no further one is looked for
NAMED_SUPPORT, ALL_NAMED = 0.6, 0.8  # support of a rim of whose face a label map calls that share reference
DISTANCE_MM, U_DISTANCE = 300.0, 0.6  # from which photos of parts are taken, and standard deviation of its logarithm
NAMED_FACE = 0.5  # of another coin's: pebbles and a carpet's dots are round too
SPECKS = 3e-4  # of a label map called reference: less is no coin, the smallest take twice that
_TURN = np.linspace(0, 2 * np.pi, 24, endpoint=False)
_FACE = np.concatenate([share * np.column_stack([np.cos(_TURN), np.sin(_TURN)]) for share in (0.2, 0.5, 0.8)])
LEAST_FACE = 0.1  # share of a coin's face that a label map calls reference, where it calls anything so


def find_coins(photo: Photo) -> list[Ellipse]:
    """Every coin-like rim of the photo, the surest first, to a fraction of a pixel."""
    return [rim.ellipse for rim in find_rims(photo)]


def in_view(photo: Photo, labels: Bytes | None = None) -> bool:
    """Whether a coin is in view, on the bench; ``labels`` as ``find`` takes them."""
    return any_rim(photo, *_told(labels, photo, on_part=False))


def find(
    photo: Photo, row: ReferenceRow, *, on_part: bool = False, labels: Bytes | None = None
) -> Reference | NotMeasured:
    """Find the coin to measure by.

    Parameters
    ----------
    photo : the photo
    row : the coin's row of the tables
    on_part : the coin lies on the part's top, not on the bench
    labels : (h, w) uint8 over the whole photo, 1 part, 2 reference; a hint only

    Returns
    -------
    Reference with its rim as ``ellipse``, or NotMeasured with the reason.
    """
    told = _Told(labels, photo) if labels is not None and not on_part else None
    hints, pick = _told(labels, photo, on_part=on_part)

    def enough(rims: list[Rim], looks: int) -> bool:
        return bool(rims) if told is None else told.enough(rims, looks)

    rims = find_rims(photo, hints, pick, least=NAMED_SUPPORT, enough=enough)
    rims = [rim for rim in rims if rim.support > LEAST_SUPPORT or _all_named(rim, photo, labels)]
    return choose(photo, rims, row, on_part=on_part, labels=labels)


def _all_named(rim: Rim, photo: Photo, labels: Bytes | None) -> bool:
    """Whether a label map calls all of a rim's face reference: then the rim may be seen less surely."""
    return labels is not None and _shares(rim.ellipse, labels, photo)[1] > ALL_NAMED


class _Told:
    """What a label map says of rims: whether they are what it calls reference."""

    def __init__(self, labels: Bytes, photo: Photo) -> None:
        self._labels, self._photo = labels, photo
        named = float(np.mean(labels == REFERENCE))
        self._unnamed = ELSEWHERE_SUPPORT if named > 0 else UNNAMED_SUPPORT
        self._part = LEAST_FACE if named > SPECKS else ON_PART  # the map may call a coin part
        self._references = Blobs(labels, REFERENCE, (photo.width_px, photo.height_px))

    def odds(self, rim: Rim) -> float:
        """How much likelier than others a rim is the coin; 0 where it can't be."""
        part, own = _shares(rim.ellipse, self._labels, self._photo)
        if own < LEAST_FACE and (part > self._part or rim.support < self._unnamed):
            return 0.0
        cover = self._references.cover(ellipses.rim(rim.ellipse, 36)[0])
        return math.exp(COVER_ODDS * cover) * rim.support**SUPPORT_ODDS

    def enough(self, rims: list[Rim], looks: int) -> bool:
        """Whether after the first look all is found that the map calls reference, and later on one such coin."""
        own = [
            rim.ellipse
            for rim in rims
            if rim.support > GOOD and self._references.cover(ellipses.rim(rim.ellipse, 36)[0]) > COVERED
        ]
        if looks > 1 or not own:
            return bool(own)
        return not self._references.uncovered([ellipses.rim(each, 36)[0] for each in own], least=LEAST_BLOB)


def choose(
    photo: Photo, rims: list[Rim], row: ReferenceRow, *, on_part: bool = False, labels: Bytes | None = None
) -> Reference | NotMeasured:
    """The one of the rims that is best to measure by, as a reference; see ``find``."""
    plain = np.array([_score(rim, rims, photo, on_part, labels) * _likely_size(rim, row, photo) for rim in rims])
    scores = plain
    if labels is not None and not on_part:
        told = _Told(labels, photo)
        near = [_likely_size(rim, row, photo) > LEAST_LIKELY for rim in rims]
        scores = plain * near * [told.odds(rim) for rim in rims]
    if not rims or max(scores) <= 0:
        return NotMeasured(
            "reference",
            f"No coin was found to measure by ({row.name}).",
            "Lay one flat beside the part, wholly in the picture and not under glare, and retake.",
        )
    order = np.argsort(scores)[::-1]
    rim = rims[order[0]]
    rivals = len(rims) > 1 and scores[order[1]] > 0 and plain[order[1]] > 0.8 * plain[order[0]]
    others = tuple(rims[k].ellipse for k in order[1:] if _sure(rims[k], labels, photo))[:MOST_OTHERS]
    return _reference(rim, row, on_part, _remarks(rim, row, rivals), () if on_part else others)


def _reference(
    rim: Rim, row: ReferenceRow, on_part: bool, remarks: tuple[Remark, ...], others: tuple[Ellipse, ...]
) -> Reference:
    diameter_mm = row.rim_mm
    assert diameter_mm is not None, "a coin's row has a diameter"
    return Reference(
        kind="coin",
        id=row.id,
        outline_px=ellipses.rim(rim.ellipse, 72)[0],
        u_px=u_rim_px(rim),
        ellipse=rim.ellipse,
        diameter_mm=diameter_mm,
        thickness_mm=row.thickness_mm or USUAL_THICKNESS_MM,
        u_size_rel=math.hypot(row.u_mm / diameter_mm, rim.u_rel),
        on_part=on_part,
        remarks=remarks,
        others=others,
    )


def u_rim_px(rim: Rim) -> float:
    """Standard uncertainty [px] of the rim over an arc of 15 degrees: scatter, shadow, and the rounded rim itself.

    A one-sided shadow moves an edge by up to 0.3 px; the rim's rounding is taken as 0.05 mm of 12 mm (own estimate).
    """
    return math.sqrt(rim.scatter_px**2 + 0.2**2 + (0.004 * rim.ellipse.major_px) ** 2)


def _remarks(rim: Rim, row: ReferenceRow, rivals: bool) -> tuple[Remark, ...]:
    remarks = []
    if rivals:
        remarks.append(
            Remark(
                "coin",
                f"Several coins are in view; the one marked is taken as the {row.name} coin.",
                "Leave only the coin to measure by in the picture.",
            )
        )
    if rim.ellipse.major_px < 25:
        remarks.append(
            Remark("coin", f"The coin is only {2 * rim.ellipse.major_px:.0f} px wide.", "Go nearer or use zoom 1.")
        )
    if row.use != "A" and row.note:
        remarks.append(Remark("coin", f"{row.name}: {row.note}.", "A round coin is a surer reference."))
    return tuple(remarks)


def _score(rim: Rim, rims: list[Rim], photo: Photo, on_part: bool, labels: Bytes | None) -> float:
    """How good a reference a rim is: sure, apart from others, wholly in view, where the labels put it."""
    found = rim.ellipse
    score = (
        rim.support**2
        / (1 + (rim.u_rel / 0.01) ** 2)
        * (1.0 if stands_apart(found, rims, lambda other: _rivals(other, rim, labels, photo)) else 0.6)
        * (1.0 if whole(found, photo) else 0.2)
    )
    if labels is None:
        return score
    part, reference = _shares(found, labels, photo)
    if on_part:
        return score * (0.2 + part + reference)
    near = 1.0 / (1.0 + _gap_px(found, labels, photo) / (12 * found.major_px))
    return score * near * (0.25 + 2 * reference**2) * max(0.05, 1 - 1.2 * part)


def _rivals(other: Rim, rim: Rim, labels: Bytes | None, photo: Photo) -> bool:
    """Whether a rim is as likely a coin as another one: pebbles and a carpet's dots may touch it."""
    if labels is None:
        return True
    return other.support > rim.support - LESS_SURE and _shares(other.ellipse, labels, photo)[1] >= LEAST_FACE


def _likely_size(rim: Rim, row: ReferenceRow, photo: Photo) -> float:
    """How likely, 0 to 1, the photo is taken from where the coin has this size."""
    assert row.rim_mm is not None, "a coin's row has a diameter"
    focal_px = focal_px_from_35mm(photo.focal35_mm or USUAL_FOCAL35_MM, photo.width_px, photo.height_px)
    distance_mm = focal_px * row.rim_mm / 2 / rim.ellipse.major_px
    return math.exp(-0.5 * (math.log(distance_mm / DISTANCE_MM) / U_DISTANCE) ** 2)


def _sure(rim: Rim, labels: Bytes | None, photo: Photo) -> bool:
    """Whether another rim is sure enough to be a coin on the bench, and not a circle of the part's own."""
    if rim.support < 0.8 or rim.ellipse.major_px < 25:
        return False
    if labels is None:
        return True
    part, own = _shares(rim.ellipse, labels, photo)
    return own > NAMED_FACE if (labels == REFERENCE).any() else part < 0.3


def _told(labels: Bytes | None, photo: Photo, *, on_part: bool) -> tuple[list[Ellipse], Pick | None]:
    """Where a label map has coins, and which candidates are worth a look: what it calls reference, and some others.

    Where there is a reference, a circle on the part can't be it, and the other ones only help to find the bench's tilt.
    """
    if labels is None:
        return [], None
    known = not on_part and bool((labels == REFERENCE).any())

    def picked(candidates: list[Ellipse]) -> list[Ellipse]:
        shares = [_shares(each, labels, photo) for each in candidates]
        named = [each for each, (_, own) in zip(candidates, shares, strict=True) if own >= LEAST_FACE]
        others = [
            each
            for each, (part, own) in zip(candidates, shares, strict=True)
            if own < LEAST_FACE and not (known and part > ON_PART)
        ]
        return named + others[:MOST_LOOKS]

    return _labelled(labels, photo), picked


def _labelled(labels: Bytes, photo: Photo) -> list[Ellipse]:
    """Ellipses of the same area and moments as the blobs that the label map calls reference [px]."""
    count, blobs = cv2.connectedComponents((labels == REFERENCE).astype(np.uint8))
    scale = np.array([photo.width_px / labels.shape[1], photo.height_px / labels.shape[0]])
    found = []
    for blob in range(1, count):
        places = (np.argwhere(blobs == blob)[:, ::-1] + 0.5) * scale - 0.5
        if len(places) >= LEAST_BLOB:
            lengths, ways = np.linalg.eigh(np.cov(places.T) + np.diag(scale**2) / 12)
            shape = 2 * (ways * np.sqrt(lengths)) @ ways.T  # of a disc, a quarter of the squared radius is the variance
            whole = ellipses.from_shape_matrix(places.mean(axis=0), shape)
            found.append(whole)
            if whole.minor_px < PART_OF_FACE * whole.major_px:  # part of a coin's face, or a coin tilted much
                disc = replace(whole, minor_px=whole.major_px)
                off = whole.major_px - whole.minor_px  # what is cut off, on either side
                x, y = -off * math.sin(whole.angle_rad), off * math.cos(whole.angle_rad)
                found.append(disc)
                found += [replace(disc, x_px=disc.x_px + way * x, y_px=disc.y_px + way * y) for way in (-1, 1)]
    return found


def whole(found: Ellipse, photo: Photo) -> bool:
    """Whether a rim is wholly in the picture."""
    outline = ellipses.rim(found, 36)[0]
    return bool(np.all((outline > 1) & (outline < (photo.width_px - 2, photo.height_px - 2))))


def stands_apart(found: Ellipse, rims: list[Rim], rival: Callable[[Rim], bool] = lambda _: True) -> bool:
    """Whether no other rim touches this one, of those that are its rivals."""
    for other in rims:
        its = other.ellipse
        away = math.hypot(its.x_px - found.x_px, its.y_px - found.y_px)
        if its is not found and away < 1.06 * (its.major_px + found.major_px) and rival(other):
            return False
    return True


def _shares(found: Ellipse, labels: Bytes, photo: Photo) -> tuple[float, float]:
    """Shares of the coin's face that the label map calls part and reference."""
    values = _labels_at(_FACE @ ellipses.shape_matrix(found) + (found.x_px, found.y_px), labels, photo)
    part, own = (np.count_nonzero(values == value) / len(values) for value in (PART, REFERENCE))
    return part, own


def _labels_at(points_px: Array, labels: Bytes, photo: Photo) -> Bytes:
    height, width = labels.shape
    columns = np.clip((points_px[:, 0] + 0.5) * width / photo.width_px, 0, width - 1).astype(int)
    rows = np.clip((points_px[:, 1] + 0.5) * height / photo.height_px, 0, height - 1).astype(int)
    return labels[rows, columns]


def _gap_px(found: Ellipse, labels: Bytes, photo: Photo) -> float:
    """Distance from the coin's centre to the nearest pixel of the part [px]; 0 where no part is labelled."""
    rows, columns = np.nonzero(labels == PART)
    if len(rows) == 0:
        return 0.0
    x = (columns + 0.5) * photo.width_px / labels.shape[1] - found.x_px
    y = (rows + 0.5) * photo.height_px / labels.shape[0] - found.y_px
    return float(np.sqrt(np.min(x * x + y * y)))
