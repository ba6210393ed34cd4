"""A ruler with millimetre (or inch) marks lying beside the part.

The marks along its edge give the scale and the tilt along it. The way they lean towards each other gives the tilt
across it; then the ruler's width follows from the focal length, since a picture of a plane has equal scales in both
directions (Hartley and Zisserman, Multiple View Geometry, 2nd edition 2004, chapter 8). So the points of the far
side carry an estimated width, good to the focal length's own error where the ruler is tilted and to less than a
percent where it is not.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np

from identify.geometry import lenses
from identify.geometry.camera import focal_px_from_35mm
from identify.geometry.edges import linear_light
from identify.geometry.lines import refine_edge
from identify.geometry.pyramid import halved, reduced
from identify.geometry.quads import seen_with
from identify.geometry.strokes import Strokes, grain, join, planes, segments
from identify.geometry.ticks import Comb, find_combs, flatten, rhythm
from identify.model import Array, Bytes, NotMeasured, Photo, Reference
from identify.reference import blobs, numerals, scales
from identify.reference.lean import Lean
from identify.reference.ruler_ends import Edge, End, ends, on_named, strokes_at_ends, width_on
from identify.reference.scales import Reading

SEARCH_PX = 2000
MOST_LINES = 60  # long lines of the picture beside which marks are looked for
MANY_PIECES, MOST_OWN = 200, 12  # segments among which a ruler's sides may be lost, and lines kept on what is named one
MOST_EDGES = 12  # sides of such lines that are read
MOST_UNNAMED = 6  # of them that a label map does not call reference
MOST_NAMED = 4  # of the named thing's edges that are read by numerals
NARROW = 3.5  # times as long as wide: rulers of 150 mm are 18 to 40 mm wide
MOST_ROWS = 5  # bands beside each in which a comb is looked for
REGULAR = 0.22  # least share of a window's energy in one frequency
COHERENT = 0.05  # least share of the strip's energy in the comb (noise reaches 0.03); scatter and pattern decide
THICKNESS_MM = 0.8  # steel rulers 0.5 to 1.0 mm (common practice, no source); budgeted in U_SIZE_REL
U_SIZE_REL = 0.002
U_WIDTH_REL = 0.3  # estimated by a nominal focal length: what the marks' slopes tell must not be told twice
U_FITTED = 0.05  # slopes of short marks as they are fitted: blur and numerals turn all alike
LITTLE = 0.012  # uncertainty of the marks' slopes above which the bench is asked too
PLAIN_U_REL, PLAIN_ALIKE = 3e-4, 0.85  # a scale read as well as this is not looked for elsewhere


def find(photo: Photo, *, labels: Bytes | None = None) -> Reference | NotMeasured:
    """Find a ruler by its marks.

    Parameters
    ----------
    photo : the photo
    labels : (h, w) uint8 over the whole photo, 2 where a network sees a reference object: where to look first

    Returns
    -------
    Reference with a point (k, 0) at the foot of every mark k [mm] and, last, three points towards the far side at an
    estimated width: nearer where the marks' slopes are less certain. Right-handed as seen from the camera.
    ``outline_px`` has the near edge first, then the far edge back. NotMeasured where no ruler, too few marks or no
    pattern of long marks is found.
    """
    small, factor = reduced(photo.rgb, SEARCH_PX)
    strokes = _strokes(small, labels)
    sides = _sides(strokes, labels, small.shape[1::-1])
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.uint8)
    reason = "No ruler was found."
    read: list[tuple[Edge, Reading, Array]] = []
    for most, named in ((MOST_EDGES, True), (MOST_UNNAMED, False)):
        for edge in _edges(grey, [side for side in sides if side.named == named])[:most]:
            answer = _read(photo.rgb, edge.scaled(factor), factor)
            if isinstance(answer, str):
                reason = answer
                continue
            read.append(answer)
            if answer[1].u_rel < PLAIN_U_REL and answer[1].alike > PLAIN_ALIKE:
                break
        if read:
            break
    if not read and labels is not None:
        read = _by_numerals(photo.rgb, sides, factor, labels)
    if not read:
        return _not_found(reason)
    edge, scale, flat = max(read, key=lambda item: item[1].alike)  # a wrong edge's marks follow no pattern well
    lines = Strokes((strokes.ends_px + 0.5) * factor - 0.5, strokes.covered_px * factor)
    focal_px = _focal_px(photo, scale)
    stops = _ends(photo.rgb, edge, scale, lines)
    lean = Lean(edge, scale, focal_px, photo.rgb.shape[1::-1])
    told = lean.of_marks(flat, stops)
    if told.u_lean > LITTLE:
        told = lean.on_bench(photo.rgb, _outline(edge, scale, lines))
    return _reference(photo, edge, told, lines)


def _not_found(reason: str) -> NotMeasured:
    advice = (
        "Lay a steel ruler flat beside the part with its marks in focus, closer or straight from above, and retake."
    )
    return NotMeasured("reference", reason, advice)


def _strokes(small: Bytes, labels: Bytes | None) -> Strokes:
    """Long lines of a picture, found at half its size in lightness and in colour; some on what is named reference."""
    pieces = np.concatenate(
        [
            segments(plane, shortest_px=14, gradient=int(np.clip(4 * grain(plane), 8, 60)))
            for plane in planes(halved(small))
        ]
    )
    joined = join(pieces, most=MOST_LINES)
    if labels is not None and len(pieces) > MANY_PIECES:
        half_px = small.shape[1] / 2, small.shape[0] / 2
        own = join(pieces[blobs.beside(labels, pieces, half_px)], most=MOST_OWN)
        ends = np.concatenate([own.ends_px, joined.ends_px])
        joined = Strokes(ends, np.concatenate([own.covered_px, joined.covered_px]))
    return Strokes((joined.ends_px + 0.5) * 2 - 0.5, joined.covered_px * 2)


def _sides(strokes: Strokes, labels: Bytes | None, size_px: tuple[int, ...]) -> list[Edge]:
    """Both sides of every long line; of one that runs on beyond a named thing the part beside that."""
    found = []
    least = 0.12 * max(size_px)
    for (start, end), covered in zip(strokes.ends_px, strokes.covered_px, strict=True):
        length = float(np.hypot(*(end - start)))
        if length < least or covered < 0.3 * length:
            continue
        along = (end - start) / length
        for edge in (
            Edge(start, along, np.array([-along[1], along[0]]), length, named=labels is None),
            Edge(end, -along, np.array([along[1], -along[0]]), length, named=labels is None),
        ):
            shorter = None if labels is None else on_named(labels, edge, size_px)
            found.append(shorter if shorter is not None and shorter.length >= least else edge)
    return found


def _edges(work: Bytes, sides: list[Edge]) -> list[Edge]:
    """Sides of long lines beside which marks repeat, most regular first."""
    found = []
    for edge in sides:
        scores = rhythm(flatten(_strip(work, edge, 44)))
        if scores.max() > REGULAR:
            rows = tuple(int(row) * 4 for row in np.argsort(-scores)[:MOST_ROWS])
            found.append(replace(edge, score=float(scores.max()), rows=rows))
    return sorted(found, key=lambda item: -item.score * item.length**0.5)


def _by_numerals(rgb: Bytes, sides: list[Edge], factor: float, labels: Bytes) -> list[tuple[Edge, Reading, Array]]:
    """The named thing's longest edges read by the numerals beside them."""
    read = []
    for rough in sorted((side for side in sides if side.named), key=lambda side: -side.length)[:MOST_NAMED]:
        edge = _straightened(rgb, rough.scaled(factor), factor)
        width_px = width_on(labels, edge, rgb.shape[1::-1])
        if width_px is not None and width_px * NARROW < edge.length:
            found = numerals.read(rgb, edge, width_px)
            if found == numerals.MARKS:
                return []
            read += [] if isinstance(found, str) else [(edge, *found)]
    widest = max((abs(each[1].comb.a) for each in read), default=0.0)
    return [each for each in read if abs(each[1].comb.a) > widest / numerals.TWICE]


def _strip(picture: Bytes, edge: Edge, depth_px: int) -> Bytes:
    """The picture beside an edge (depth, length) or (depth, length, C), sampled every pixel."""
    to_picture = np.column_stack([edge.along, edge.inward, edge.origin + 0.5 * edge.inward])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (int(edge.length), depth_px)
    return np.asarray(cv2.warpAffine(picture, to_picture, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), np.uint8)


def _read(rgb: Bytes, rough: Edge, factor: float) -> tuple[Edge, Reading, Array] | str:
    """Read the marks beside an edge in the full picture, or say why not."""
    edge = _straightened(rgb, rough, factor)
    light = linear_light(_strip(rgb, edge, int(60 * factor))).mean(axis=2)
    flat = flatten(light, wide_px=12 * factor)
    reason = "No ruler was found."
    read = []
    for row in edge.rows:
        start = int(row * factor)
        profile = flat[start : start + max(4, int(4 * factor))].mean(axis=0)
        for comb in _combs(profile, int(factor)):
            answer = scales.read(flat, comb, start) if comb.coherence > COHERENT else reason
            if not isinstance(answer, str):
                read.append(answer)
                break
            reason = answer
        if read and read[-1].u_rel < PLAIN_U_REL and read[-1].alike > PLAIN_ALIKE:
            break
    return (edge, max(read, key=lambda item: item.alike), flat) if read else reason


def _combs(profile: Array, times: int) -> list[Comb]:
    """Combs of a profile (L,) that are looked for ``times`` coarser, the strongest first."""
    coarse = profile[: len(profile) // times * times].reshape(-1, times).mean(axis=1)
    half = (times - 1) / 2  # x = times x' + half
    return [
        replace(each, a=times * each.a + half * each.c, b=times * each.b + half) if times > 1 else each
        for each in find_combs(coarse)
    ]


def _ends(rgb: Bytes, edge: Edge, scale: Reading, strokes: Strokes) -> list[list[End]]:
    """Lines that may be each of the ruler's own ends, and the outermost marks as they were fitted."""
    px_per_mm = float(np.median(scale.comb.spacing(scale.numbers))) / scale.unit_mm
    span = float(scale.feet.min()), float(scale.feet.max())
    found = ends(rgb, edge, span, px_per_mm, _far_edge_px(edge, strokes, px_per_mm))
    if not any(found):
        found = [[line] for line in strokes_at_ends(rgb, edge, span, px_per_mm, strokes)]
    u = float(np.hypot(2 * scale.u_lean, U_FITTED))
    return [*found, *([End(foot, scale.comb.s0 + scale.comb.s1 * foot, u)] for foot in span)]


def _straightened(rgb: Bytes, rough: Edge, factor: float) -> Edge:
    """The edge refitted in the full picture; as it was where that fails."""
    end = rough.origin + rough.length * rough.along
    refined = refine_edge(rgb, rough.origin, end, reach_px=2 * factor + 3)
    if refined is None or refined[1] < 0.4:
        return rough
    line = refined[0]
    along = line.direction * np.sign(line.direction @ rough.along)
    inward = np.array([-along[1], along[0]])
    inward = inward * np.sign(inward @ rough.inward)
    origin = line.point_px + ((rough.origin - line.point_px) @ along) * along
    return replace(rough, origin=origin, along=along, inward=inward)


def _reference(photo: Photo, edge: Edge, scale: Reading, strokes: Strokes) -> Reference:
    comb, unit = scale.comb, scale.unit_mm
    spacing = float(np.median(comb.spacing(scale.numbers)))
    height, width = photo.rgb.shape[:2]
    width_px = _far_edge_px(edge, strokes, spacing / unit)
    first, last = float(scale.numbers.min()), float(scale.numbers.max())
    reach_px = min(width_px, 2 * max(scale.rms_px, 0.05) / scale.u_lean)  # no further than the marks' slope is known
    focal = _focal_px(photo, scale)
    ends = np.array([first, last])
    far = _far_points(edge, comb, ends, reach_px)
    near = edge.place(comb.at(ends), 0.0)
    quad = np.array([near[0], near[1], far[1], far[0]])
    shape = seen_with(quad[None], focal, (np.array([width, height]) - 1) / 2)
    width_mm = (last - first) * unit / float(shape.ratio[0])
    three = np.array([first, (first + last) / 2, last])
    far_px = _far_points(edge, comb, three, reach_px)
    near_px = edge.place(scale.feet, 0.0)
    # right-handed as seen from the camera: y points from the near edge to the far one
    across = edge.along[0] * edge.inward[1] - edge.along[1] * edge.inward[0]
    way = -1.0 if across > 0 else 1.0
    mm = np.concatenate(
        [
            np.column_stack([(scale.numbers - scale.zero) * unit * way, np.zeros(len(scale.numbers))]),
            np.column_stack([(three - scale.zero) * unit * way, np.full(3, width_mm)]),
        ]
    )
    full = photo.width_px / width
    margin = 6.0 / unit
    ends = np.array([first - margin, last + margin])
    outline = np.concatenate([edge.place(comb.at(ends), 0.0), _far_points(edge, comb, ends[::-1], width_px)])
    return Reference(
        kind="ruler",
        id="ruler",
        outline_px=(outline + 0.5) * full - 0.5,
        u_px=full * max(0.03, scale.rms_px),
        points_px=(np.concatenate([near_px, far_px]) + 0.5) * full - 0.5,
        points_mm=mm,
        thickness_mm=THICKNESS_MM,
        u_size_rel=U_SIZE_REL,
        u_across_rel=U_WIDTH_REL,
    )


def _focal_px(photo: Photo, scale: Reading) -> float:
    """Focal length in pixels of ``photo.rgb``; where the photo does not say, what the scale's size makes likely."""
    size = photo.rgb.shape[1::-1]
    if photo.focal35_mm is not None and photo.focal35_mm > 0:
        return focal_px_from_35mm(photo.focal35_mm, *size)
    usual = focal_px_from_35mm(lenses.USUAL35_MM, *size)
    spacing = float(np.median(scale.comb.spacing(scale.numbers)))
    return usual * math.exp(lenses.of_scale(usual, spacing / scale.unit_mm)[0])


def _outline(edge: Edge, scale: Reading, strokes: Strokes) -> Array:
    """Corners (4, 2) [px] of about where the ruler is."""
    spacing = float(np.median(scale.comb.spacing(scale.numbers))) / scale.unit_mm
    ends = np.array([scale.feet.min() - 6 * spacing, scale.feet.max() + 6 * spacing])
    width_px = _far_edge_px(edge, strokes, spacing)
    return np.concatenate([edge.place(ends, 0.0), edge.place(ends[::-1], width_px)])


def _far_points(edge: Edge, comb: Comb, numbers: Array, width_px: float) -> Array:
    """Where marks ``numbers``, prolonged, meet the parallel to the edge that is ``width_px`` off in its middle.

    In space the parallel never meets the edge; in the picture both run to the edge's vanishing point at k = infinity.
    """
    feet = comb.at(numbers)
    middle = comb.at(np.array([0.0])) if abs(comb.c) < 1e-12 else np.array([edge.length / 2])
    if abs(comb.c) < 1e-9:
        depth = np.full(len(feet), width_px)
    else:
        vanishing = comb.a / comb.c
        lean = comb.s0 + comb.s1 * feet
        # depth d with (feet + d lean) on the line from (middle, width) to the vanishing point
        slope = width_px / (vanishing - middle[0])
        depth = slope * (vanishing - feet) / (1 + slope * lean)
    return edge.origin + np.multiply.outer(comb.at(numbers, depth), edge.along) + np.multiply.outer(depth, edge.inward)


def _far_edge_px(edge: Edge, strokes: Strokes, px_per_mm: float) -> float:
    """Distance of the ruler's far edge in the middle of the near one [px]; 20 mm where no such line is seen."""
    middle = edge.place(np.array([edge.length / 2]), 0.0)[0]
    best = (0.0, 20.0 * px_per_mm)
    for (start, end), covered in zip(strokes.ends_px, strokes.covered_px, strict=True):
        step = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
        lean, rise = float(step @ edge.inward), float(step @ edge.along)
        if abs(lean) > 0.2 * abs(rise):
            continue
        offset = start - middle
        away = float(offset @ edge.inward) - float(offset @ edge.along) * lean / rise
        if 9 * px_per_mm < away < 50 * px_per_mm:
            best = max(best, (float(covered), away))
    return best[1]
