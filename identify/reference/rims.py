"""Coin-like rims: closed ellipses found on a small picture, then placed on the coins' edges in the full one.

EdgeDrawing's ellipse detector finds the candidates (Topal and Akinlar, J. Vis. Commun. Image R. 23, 2012; OpenCV
contrib): rims, borders, cores and motifs of coins, and much else. A network places the edge of a coin about each of
them; what it places surely, and what differs from its ground, is a coin.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry import coin_edge, rings
from identify.geometry.pyramid import halved
from identify.geometry.rings import Edge
from identify.model import Array, Bytes, Ellipse, Photo

SEARCH_PX = (1400, 700)  # long sides of the pictures in which rims are looked for
SMALLEST_PX = 9.0  # semi-axis in the larger of them
LEAST_ASPECT = 0.5  # minor over major: beyond 60 degrees of tilt nothing can be measured
LIKELY, LEAST_SUPPORT = 0.3, 0.7  # share of the network's odds on the ring: to look again, and to be a coin
SURE = 0.9  # share about one candidate for which no other of the same coin is looked at
ROUND = 0.014  # scatter of the edge about its ellipse, as a share of the radius: worn and hammered coins have less
LEAST_CONTRAST = 0.02
AT_ONCE = 8  # candidates that are looked at before it is asked whether one of them is a coin
COLOUR_GAIN = 4.0  # by which a colour's differences are enlarged before its edges are drawn
Pick = Callable[[list[Ellipse]], list[Ellipse]]
Enough = Callable[["list[Rim]", int], bool]


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """A rim as measured in the full photo.

    Parameters
    ----------
    points_px : (N, 2) edge points that were found along it [px]
    scatter_px : robust standard deviation of those points about the ellipse [px]
    support : share of the network's odds that lie on the rim
    contrast : difference of the face's colour from the ground's, 0 to 1
    u_rel : relative standard uncertainty of its size
    """

    ellipse: Ellipse
    points_px: Array
    scatter_px: float
    support: float
    contrast: float
    u_rel: float


def find_rims(
    photo: Photo,
    hints: Sequence[Ellipse] = (),
    pick: Pick | None = None,
    *,
    least: float = LEAST_SUPPORT,
    enough: Enough | None = None,
) -> list[Rim]:
    """Every coin-like rim of the photo, the best supported first; [px] of the full photo.

    Parameters
    ----------
    hints : where coins may be besides, by something else than edges [px]
    pick : which of the candidates [px] are worth a look
    least : support of a rim
    enough : whether the rims found so far, and after how many of the three looks, are enough: what is looked at is
        then first the hints, then ellipses of the grey picture, then those of its colours. Without it, the first two
    """
    small, factor = _small(photo)
    if enough is None:
        candidates = _candidates(small, factor, hints)
        return _measured(photo, small, factor, candidates if pick is None else pick(candidates), least)
    rims: list[Rim] = []
    tried: list[Ellipse] = []
    first = [_scaled(each, factor) for each in hints]
    for looks, look in enumerate((lambda _: first, _grey, _coloured), 1):
        scaled = look(small)
        fresh = [each for each in _distinct(scaled, small) if not any(_alike(each, other) for other in tried)]
        tried += fresh
        candidates = [
            each
            for each in (_scaled(each, 1 / factor) for each in fresh)
            if not any(rim.support > SURE and _of(each, rim.ellipse) for rim in rims)
        ]
        found = _measured(photo, small, factor, candidates if pick is None else pick(candidates), least)
        rims = _each_once([*rims, *found])
        if enough(rims, looks):
            break
    return rims


def candidates(photo: Photo) -> list[Ellipse]:
    """Ellipses of the photo's edges that may be rims [px], before anything is asked of them."""
    return _candidates(*_small(photo), ())


def any_rim(photo: Photo, hints: Sequence[Ellipse] = (), pick: Pick | None = None) -> bool:
    """Whether there is a coin-like rim; as ``find_rims`` looks for all of them, but no further than the first."""
    small, factor = _small(photo)
    candidates = _candidates(small, factor, hints)
    looks = candidates if pick is None else pick(candidates)
    return any(_measured(photo, small, factor, looks[n : n + AT_ONCE]) for n in range(0, len(looks), AT_ONCE))


def _small(photo: Photo) -> tuple[Bytes, float]:
    """The picture in which rims are looked for, and its scale to the full photo."""
    small, factor = _reduced(photo.rgb, SEARCH_PX[0])
    return small, factor * photo.rgb.shape[1] / photo.width_px


def _candidates(small: Bytes, factor: float, hints: Sequence[Ellipse]) -> list[Ellipse]:
    """Ellipses that may be rims [px of the full photo]."""
    found = _grey(small) + [_scaled(each, factor) for each in hints]
    return [_scaled(each, 1 / factor) for each in _distinct(found, small)]


def _grey(small: Bytes) -> list[Ellipse]:
    """Ellipses of the grey picture, and of one half as large [px of it]."""
    smaller, further = _reduced(small, SEARCH_PX[1])
    return [
        *_ellipses(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)),
        *(_scaled(each, 1 / further) for each in _ellipses(cv2.cvtColor(smaller, cv2.COLOR_RGB2GRAY))),
    ]


def _coloured(small: Bytes) -> list[Ellipse]:
    """Ellipses of its colours [px of it]: copper and brass differ from what is as bright as they are."""
    colours = cv2.cvtColor(small, cv2.COLOR_RGB2LAB)
    found = []
    for plane in (colours[..., 1], colours[..., 2]):
        found += _ellipses(cv2.convertScaleAbs(np.clip(plane, 96, 159), alpha=COLOUR_GAIN, beta=-96 * COLOUR_GAIN))
    return found


def _each_once(rims: Sequence[Rim]) -> list[Rim]:
    """Of rims one about the other the best supported, the best supported first."""
    kept: list[Rim] = []
    for found in sorted(rims, key=lambda each: -each.support):
        if not any(_covers(found.ellipse, each.ellipse) or _covers(each.ellipse, found.ellipse) for each in kept):
            kept.append(found)
    return kept


def _measured(
    photo: Photo, small: Bytes, factor: float, candidates: Sequence[Ellipse], least: float = LEAST_SUPPORT
) -> list[Rim]:
    """The rims beside the candidates: where the small picture shows one, placed in the full one."""
    full = photo.width_px / photo.rgb.shape[1]
    likely = _apart(_first(small, [_scaled(each, factor) for each in candidates]))
    starts = [_scaled(found.ellipse, 1 / (factor * full)) for found in likely]
    again = coin_edge.edges(photo.rgb, starts, least_support=least)
    rims = [
        rim for found in _apart([each for each in again if each is not None]) for rim in _rim(photo.rgb, found, least)
    ]
    return rims if full == 1.0 else [_in_full(rim, full) for rim in rims]


def _first(small: Bytes, starts: Sequence[Ellipse]) -> list[Edge]:
    """The likely edges about the candidates; those within a coin whose edge is sure are its own rings and motifs."""
    found: list[Edge] = []
    for start in starts:
        if any(each.support > SURE and _of(start, each.ellipse) for each in found):
            continue
        (one,) = coin_edge.edges(small, [start], least_support=LIKELY)
        found += [one] if one is not None and _likely(one) else []
    return found


def _of(inner: Ellipse, coin: Ellipse) -> bool:
    """Whether an ellipse may be a ring of a coin: about its middle, and not so small that it may be another coin."""
    away = math.hypot(inner.x_px - coin.x_px, inner.y_px - coin.y_px)
    return away < 0.25 * coin.major_px and 0.55 < inner.major_px / coin.major_px < 1.1


def _likely(found: Edge) -> bool:
    aspect = found.ellipse.minor_px / found.ellipse.major_px
    return found.support > LIKELY and aspect > LEAST_ASPECT and found.ellipse.major_px > SMALLEST_PX / 2


def _rim(rgb: Bytes, found: Edge, least: float) -> list[Rim]:
    """The edge as a rim, or nothing where it is no coin's."""
    contrast = _contrast(rgb, found.ellipse)
    if found.support < least or found.scatter > ROUND or contrast < LEAST_CONTRAST or not _likely(found):
        return []
    rim = found.ellipse
    return [Rim(rim, found.points_px, found.scatter * rim.major_px, found.support, contrast, found.u_rel)]


def _reduced(rgb: Bytes, long_side_px: int) -> tuple[Bytes, float]:
    """The picture with a long side of at most ``long_side_px``, and its scale; halves are quickly taken."""
    done = 1.0
    while max(rgb.shape[:2]) >= 2 * long_side_px:
        rgb = halved(rgb)
        done /= 2
    factor = min(1.0, long_side_px / max(rgb.shape[:2]))
    if factor == 1.0:
        return rgb, done
    size = (round(rgb.shape[1] * factor), round(rgb.shape[0] * factor))
    small = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
    return small, done * size[0] / rgb.shape[1]


def _scaled(found: Ellipse, scale: float) -> Ellipse:
    """The same ellipse in a picture ``scale`` times as large; pixel centres are whole numbers in both."""
    return Ellipse(
        x_px=(found.x_px + 0.5) * scale - 0.5,
        y_px=(found.y_px + 0.5) * scale - 0.5,
        major_px=found.major_px * scale,
        minor_px=found.minor_px * scale,
        angle_rad=found.angle_rad,
    )


def _in_full(rim: Rim, scale: float) -> Rim:
    points = (rim.points_px + 0.5) * scale - 0.5
    return replace(rim, ellipse=_scaled(rim.ellipse, scale), points_px=points, scatter_px=rim.scatter_px * scale)


def _ellipses(picture: cv2.typing.MatLike) -> list[Ellipse]:
    """Ellipses of a picture (H, W) by EdgeDrawing [px of that picture]."""
    detector = cv2.ximgproc.createEdgeDrawing()
    settings = cv2.ximgproc.EdgeDrawing.Params()
    settings.Sigma = 1.2
    settings.GradientThresholdValue = 18
    settings.AnchorThresholdValue = 3
    settings.MinPathLength = 25
    detector.setParams(settings)
    detector.detectEdges(picture)
    found = detector.detectEllipses()
    if found is None:
        return []
    results = []
    for x, y, radius, first, second, angle_deg in np.asarray(found, float).reshape(-1, 6):
        one, two = (radius, radius) if radius > 0 else (first, second)
        turn = np.radians(angle_deg) + (0 if one >= two else np.pi / 2)
        results.append(Ellipse(x, y, max(one, two), min(one, two), turn))
    return results


def _distinct(candidates: list[Ellipse], picture: Bytes) -> list[Ellipse]:
    """Candidates of a plausible size and shape, the same one once."""
    height, width = picture.shape[:2]
    kept: list[Ellipse] = []
    for found in sorted(candidates, key=lambda each: -each.major_px):
        inside = 0 < found.x_px < width and 0 < found.y_px < height
        sound = found.minor_px >= max(SMALLEST_PX, LEAST_ASPECT * found.major_px) and found.major_px < 0.4 * height
        if inside and sound and not any(_alike(found, other) for other in kept):
            kept.append(found)
    return kept


def _alike(one: Ellipse, two: Ellipse) -> bool:
    near = math.hypot(one.x_px - two.x_px, one.y_px - two.y_px) < 0.08 * two.major_px
    return near and abs(one.major_px / two.major_px - 1) < 0.08 and abs(one.minor_px / two.minor_px - 1) < 0.08


def _apart(edges: list[Edge]) -> list[Edge]:
    """Each coin once: of edges one about the other the surest."""
    kept: list[Edge] = []
    for found in sorted(edges, key=lambda each: -each.support):
        if not any(_covers(found.ellipse, each.ellipse) or _covers(each.ellipse, found.ellipse) for each in kept):
            kept.append(found)
    return kept


def _covers(large: Ellipse, small: Ellipse) -> bool:
    """Whether the middle of one ellipse lies well inside the other."""
    x, y = small.x_px - large.x_px, small.y_px - large.y_px
    cos, sin = math.cos(large.angle_rad), math.sin(large.angle_rad)
    return math.hypot((x * cos + y * sin) / large.major_px, (y * cos - x * sin) / large.minor_px) < 0.75


def _contrast(rgb: Bytes, found: Ellipse) -> float:
    """How the face differs from the ground beside it and further out: a ring or a hole shows the ground inside."""
    seen = rings.unwrap(rgb, found)

    def colour(low: float, high: float) -> NDArray[np.float32]:
        zone = (rings.SCALES >= low) & (rings.SCALES <= high)
        return np.asarray(np.median(seen[:, zone].reshape(-1, 3), axis=0))

    inside = colour(0.0, 0.75)
    return float(min(np.linalg.norm(inside - colour(1.12, 1.25)), np.linalg.norm(inside - colour(1.3, 1.5))))
