"""Coin-like rims: closed ellipses with an edge nearly all round, found on a small picture, measured in the full one.

EdgeDrawing's ellipse detector finds the candidates (Topal and Akinlar, J. Vis. Commun. Image R. 23, 2012; OpenCV
contrib). Its own axes are a pixel off; the rim is then located anew along its normals in linear light.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry import ellipse as ellipses
from identify.geometry import rings, tilts
from identify.geometry.camera import focal_px_from_35mm
from identify.geometry.edges import sample_profiles, steepness
from identify.model import Array, Bytes, Camera, Ellipse, Photo

SEARCH_PX = (1400, 700)  # long sides of the pictures in which rims are looked for
SMALLEST_PX = 9.0  # semi-axis in the larger of them
LEAST_ASPECT = 0.5  # minor over major: beyond 60 degrees of tilt nothing can be measured
OUT_OF_ROUND = 0.014  # of the radius, for worn and hammered coins
LEAST_SUPPORT = 0.58  # share of the rim that must show an edge
LEAST_CLARITY = 1.6  # a random ellipse over a texture has about 1
NEARLY = 0.85  # of two rims close together, the coin's border and its edge, the outer one if this nearly as sure
CLEAR, LEAST_CLEAR_SUPPORT = 4.0, 0.42  # on a smooth ground there are few other edges, and worn coins are not round
SEVERAL = 6  # rims that together tell the bench's tilt
UNSURE = 0.03  # doubt about a rim beside which no ring is followed (own estimate)
METAL = 0.6  # share of metal beyond a rim that makes it the border on the face
SPOKES = 90
_SCALES = np.arange(0.60, 1.80, 0.01)  # of the candidate, in which its outermost rim is looked for


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """A rim as measured in the full photo.

    Parameters
    ----------
    points_px : (N, 2) edge points that were found along it [px]
    scatter_px : robust standard deviation of those points about the ellipse [px]
    support : share of the rim with an edge on it
    contrast : difference of the face's colour from the ground's, 0 to 1
    clarity : steepness of the rim over that of the ground beside it
    doubt : relative standard uncertainty of the size from which ring the coin's edge is
    """

    ellipse: Ellipse
    points_px: Array
    scatter_px: float
    support: float
    contrast: float
    clarity: float
    doubt: float = 0.0

    @property
    def quality(self) -> float:
        """How sure the rim is, 0 to 3."""
        return self.support * min(self.clarity, 3.0)


def find_rims(photo: Photo) -> list[Rim]:
    """Every coin-like rim of the photo, the best supported first; [px] of the full photo."""
    pictures = [_reduced(photo.rgb, side) for side in SEARCH_PX]
    small, factor = pictures[0]
    candidates = [_scaled(found, factor / shrink) for picture, shrink in pictures for found in _ellipses(picture)]
    rings = [ring for found in _distinct(candidates, small) for ring in _rings(small, found)]
    rims: list[Rim] = []
    for ring in _distinct(rings, small):
        start = _scaled(ring, 1 / factor)
        if not any(_alike(start, rim.ellipse) for rim in rims):
            measured = measure(photo.rgb, start)
            rims += [measured] if measured is not None else []
    rims = _apart(_settled(photo, _apart(rims)))
    scale = photo.width_px / photo.rgb.shape[1]
    return rims if scale == 1.0 else [_in_full(rim, scale) for rim in rims]


def _settled(photo: Photo, rims: list[Rim]) -> list[Rim]:
    """The rims on the edges of their coins; where many lie on one bench, with the shapes that its tilt gives them."""
    edges = [rings.edge(photo.rgb, rim.ellipse) or rings.Edge(rim.ellipse, UNSURE) for rim in rims]
    if len(rims) >= SEVERAL and photo.focal35_mm:
        height, width = photo.rgb.shape[:2]
        focal_px = focal_px_from_35mm(photo.focal35_mm, width, height)
        camera = Camera(focal_px, ((width - 1) / 2, (height - 1) / 2), 0.02, "EXIF")
        normal = tilts.likeliest([found.ellipse for found in edges], camera)
        starts = [tilts.expected(found.ellipse, normal, camera) for found in edges]
        edges = [rings.edge(photo.rgb, start, hold=rings.STIFF) or rings.Edge(start, UNSURE) for start in starts]
    return [
        replace(rim, ellipse=found.ellipse, doubt=found.doubt)
        for rim, found in zip(rims, edges, strict=True)
        if found.ellipse.minor_px > LEAST_ASPECT * found.ellipse.major_px
    ]


def _reduced(rgb: Bytes, long_side_px: int) -> tuple[Bytes, float]:
    factor = min(1.0, long_side_px / max(rgb.shape[:2]))
    if factor == 1.0:
        return rgb, 1.0
    size = (round(rgb.shape[1] * factor), round(rgb.shape[0] * factor))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8), size[0] / rgb.shape[1]


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


def _ellipses(picture: Bytes) -> list[Ellipse]:
    """Ellipses of the grey picture by EdgeDrawing [px of that picture]."""
    detector = cv2.ximgproc.createEdgeDrawing()
    settings = cv2.ximgproc.EdgeDrawing.Params()
    settings.Sigma = 1.2
    settings.GradientThresholdValue = 18
    settings.AnchorThresholdValue = 3
    settings.MinPathLength = 25
    detector.setParams(settings)
    detector.detectEdges(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
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
    near = np.hypot(one.x_px - two.x_px, one.y_px - two.y_px) < 0.06 * two.major_px
    return bool(near and abs(one.major_px / two.major_px - 1) < 0.05 and abs(one.minor_px / two.minor_px - 1) < 0.06)


def _rings(picture: Bytes, found: Ellipse) -> list[Ellipse]:
    """A candidate and the concentric rims around it: a ringed coin's core is not its rim."""
    spokes = _spokes(found, SPOKES)
    middle = np.tile([found.x_px, found.y_px], (SPOKES, 1))
    step = _SCALES[1] - _SCALES[0]
    profiles = np.sqrt(sample_profiles(picture, middle, spokes, _SCALES))
    height = steepness(profiles, step_px=step, blur_px=max(0.012, 1.0 / found.major_px)).mean(axis=0)
    inner, beyond = height[1:-1], np.array([height[k + 8 : k + 28].mean() for k in range(len(height) - 10)])
    tops = (inner >= height[:-2]) & (inner > height[2:]) & (inner > 0.3 * height.max())
    peaks = 1 + np.flatnonzero(tops[: len(beyond) - 1] & (inner[: len(beyond) - 1] > 1.3 * beyond[1:]))
    scales = [1.0, *(float(scale) for scale in _SCALES[peaks] if abs(scale - 1) > 0.03)]
    return [
        Ellipse(found.x_px, found.y_px, found.major_px * scale, found.minor_px * scale, found.angle_rad)
        for scale in scales
    ]


def measure(rgb: Bytes, start: Ellipse) -> Rim | None:
    """Measure the surest rim near an ellipse of the full picture; None where no rim goes round."""
    edges = _edges_beside(rgb, start)
    found = [rim for offset in edges.likely_px for rim in [_ring(rgb, edges, start, offset)] if rim is not None]
    sound = [rim for rim in found if rim.quality >= NEARLY * max(other.quality for other in found)]
    chosen = max(sound, key=lambda rim: rim.ellipse.major_px, default=None)
    outer = [rim for rim in found if chosen is not None and rim.ellipse.major_px > 1.015 * chosen.ellipse.major_px]
    if chosen is None or not outer:
        return chosen
    beyond = max(outer, key=lambda rim: rim.quality)
    metal = _metal_beyond(rgb, chosen.ellipse)
    return beyond if metal > METAL and _metal_beyond(rgb, beyond.ellipse) < metal - 0.2 else chosen


def _metal_beyond(rgb: Bytes, found: Ellipse) -> float:
    """Share of the rim just outside which the picture is more like the face just inside than like the ground."""
    middle = np.tile([found.x_px, found.y_px], (SPOKES, 1))
    scales = np.array([0.93, 0.95, 0.97, 1.02, 1.035, 1.05, 1.16, 1.22, 1.28])
    colours = np.sqrt(sample_profiles(rgb, middle, _spokes(found, SPOKES), scales)).reshape(SPOKES, 3, 3, 3)
    inside, beside, ground = np.moveaxis(colours.mean(axis=2), 1, 0)
    ground = np.median(ground, axis=0)
    nearer = np.linalg.norm(beside - inside, axis=1) < np.linalg.norm(beside - ground, axis=1)
    return float(np.mean(nearer))


def _clarity(rgb: Bytes, found: Ellipse) -> float:
    """How much steeper the picture is on the rim than just outside it: about 1 on any ellipse laid over a texture."""
    stations, normals = ellipses.rim(found, 180)
    step = found.major_px / 200
    offsets = np.arange(-0.03 * found.major_px, 0.16 * found.major_px, step)
    profiles = sample_profiles(rgb, stations, normals, offsets)
    profile = np.median(steepness(profiles, step_px=step, blur_px=max(0.8, 2 * step)), axis=0)
    on = np.abs(offsets) < 1.5 * step
    return float(profile[on].max() / (profile[offsets > 0.06 * found.major_px].mean() + 1e-4))


@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    """Every edge on short lines across an ellipse: which line, where; and offsets where many agree."""

    stations: NDArray[np.intp]
    points_px: Array
    count: int
    likely_px: list[float]


def _edges_beside(rgb: Bytes, start: Ellipse) -> _Edges:
    count = int(np.clip(2 * np.pi * start.major_px / 3, 72, 240))
    stations, normals = ellipses.rim(start, count)
    blur = float(np.clip(start.major_px / 90, 0.8, 3.0))
    reach = max(5.0, 0.14 * start.major_px)
    offsets = np.arange(-reach, reach + blur / 6, blur / 3)
    steep = steepness(sample_profiles(rgb, stations, normals, offsets), step_px=blur / 3, blur_px=blur)
    inner = steep[:, 1:-1]
    top = (inner >= steep[:, :-2]) & (inner > steep[:, 2:]) & (inner > 0.004)
    rows, columns = np.nonzero(top)
    left, middle, right = steep[rows, columns], steep[rows, columns + 1], steep[rows, columns + 2]
    shift = 0.5 * (left - right) / np.minimum(left - 2 * middle + right, -1e-12)
    where = offsets[columns + 1] + np.clip(shift, -1, 1) * (blur / 3)
    profile = steep.mean(axis=0)
    peaks = 1 + np.flatnonzero((profile[1:-1] >= profile[:-2]) & (profile[1:-1] > profile[2:]))
    likely = sorted((int(peak) for peak in peaks), key=lambda peak: -profile[peak])[:3]
    points = stations[rows] + where[:, None] * normals[rows]
    return _Edges(rows, points, count, [float(offsets[peak]) for peak in likely])


def _ring(rgb: Bytes, edges: _Edges, start: Ellipse, offset_px: float) -> Rim | None:
    """The ellipse on which the edges near an offset from the start agree, the gate closing in three steps."""
    found = Ellipse(start.x_px, start.y_px, start.major_px + offset_px, start.minor_px + offset_px, start.angle_rad)
    for share, least in ((0.05, 2.0), (0.02, 1.2), (0.0125, 0.8)):
        gate = max(least, share * found.major_px)
        distance = np.abs(ellipses.distances(found, edges.points_px))
        nearest = np.full(edges.count, np.inf)
        np.minimum.at(nearest, edges.stations, distance)
        chosen = (distance == nearest[edges.stations]) & (distance < gate)
        fitted = ellipses.fit(edges.points_px[chosen], start=found)
        if fitted is None or np.count_nonzero(chosen) < 0.4 * edges.count or not _plausible(fitted.ellipse, start):
            return None
        found = fitted.ellipse
    assert fitted is not None  # the loop ran
    close = np.abs(fitted.residuals_px) < max(0.7, OUT_OF_ROUND * found.major_px)
    support = float(np.count_nonzero(close)) / edges.count
    contrast, clarity = _contrast(rgb, found), _clarity(rgb, found)
    least = LEAST_SUPPORT if clarity < CLEAR else LEAST_CLEAR_SUPPORT
    if support < least or clarity < LEAST_CLARITY or contrast < 0.02:
        return None
    return Rim(found, edges.points_px[chosen][close], fitted.scatter_px, support, contrast, clarity)


def _plausible(found: Ellipse, start: Ellipse) -> bool:
    moved = np.hypot(found.x_px - start.x_px, found.y_px - start.y_px)
    ratio = found.major_px / start.major_px
    return bool(
        moved < 0.12 * start.major_px and 0.85 < ratio < 1.18 and found.minor_px > LEAST_ASPECT * found.major_px
    )


def _contrast(rgb: Bytes, found: Ellipse) -> float:
    """How the face differs from the ground beside it and further out: a ring or a hole shows the ground inside."""
    inside = np.median(_colours(rgb, found, np.array([0.15, 0.3, 0.45, 0.6, 0.7])), axis=0)
    beside = np.median(_colours(rgb, found, np.array([1.12, 1.2, 1.3])), axis=0)
    further = np.median(_colours(rgb, found, np.array([1.45, 1.6, 1.75])), axis=0)
    return float(min(np.linalg.norm(inside - beside), np.linalg.norm(inside - further)))


def _colours(rgb: Bytes, found: Ellipse, scales: Array) -> Array:
    middle = np.tile([found.x_px, found.y_px], (48, 1))
    return np.sqrt(sample_profiles(rgb, middle, _spokes(found, 48), scales)).reshape(-1, 3)


def _spokes(found: Ellipse, count: int) -> Array:
    turn = 2 * np.pi * np.arange(count) / count
    return np.column_stack([np.cos(turn), np.sin(turn)]) @ ellipses.shape_matrix(found)


def _apart(rims: list[Rim]) -> list[Rim]:
    """Each coin once: of concentric rims of a size the surest, else the outermost that is sure enough."""
    kept: list[Rim] = []
    for rim in sorted(rims, key=lambda each: -each.ellipse.major_px):
        within = [other for other in rims if _covers(rim.ellipse, other.ellipse)]
        alike = [other for other in within if 0.85 < other.ellipse.major_px / rim.ellipse.major_px <= 1.0]
        best = max((other.quality for other in within), default=0.0)
        surest = all(NEARLY * other.quality <= rim.quality for other in alike)
        if surest and rim.quality >= 0.55 * best and not any(_covers(each.ellipse, rim.ellipse) for each in kept):
            kept.append(rim)
    return sorted(kept, key=lambda each: -each.quality)


def _covers(large: Ellipse, small: Ellipse) -> bool:
    offset = np.array([small.x_px - large.x_px, small.y_px - large.y_px])
    return bool(np.linalg.norm(np.linalg.solve(ellipses.shape_matrix(large), offset)) < 0.75)
