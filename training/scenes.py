"""Exact projective scenes of a reference and a part: what a photo would show, with errors of known size.

No renderer: points, rims and silhouettes are projected through a true camera that differs from what the photo says.
The errors are those that METROLOGY's budget names: focal length, radial term, principal point, edges found a little
off on either side, a shadow on one side, form of the part, height of its rest. A coin is drawn, because its tilt is
read off what lies beside its rim.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np

from identify.dimensions import hull, reading, stance, standing
from identify.dimensions.axis import Sides
from identify.geometry.camera import camera_place_mm, focal_px_from_35mm, project
from identify.model import Array, Bytes, Camera, Outline, Photo, Pose, Reference
from identify.plane import U_CENTRE, U_EXIF, U_K1
from identify.reference.ruler import U_WIDTH_REL
from training import coin_scenes, drawn_coins
from training.drawn_coins import Stage

WIDTH_PX, HEIGHT_PX = 1600, 1200
FOCAL35_MM = 26.0
OUTLINE_PX = 0.15  # what the outline step says of its points
NOISE_PX = 0.10  # of one place of an edge
REFERENCE_MM = -55.0  # the reference's centre lies this far to the left of the part's
COIN_MM, COIN_HIGH_MM, U_COIN_REL = 23.25, 2.33, 0.001
COIN_MARGIN_PX = 40
HIGH_MM = {"card": 0.76, "ruler": 0.8, "sheet": 0.1}
POINT_PX = {"card": 0.25, "ruler": 0.15, "sheet": 0.15}
SIZE_REL = {"card": 0.0006, "ruler": 0.002, "sheet": 0.0006}
RULER_MM, RULER_WIDE_MM = 150.0, 18.0
STATIONS = 160


def camera(noise: np.random.Generator) -> Camera:
    """A true camera, off its nominal focal length, with a little distortion and its centre not in the middle."""
    focal = focal_px_from_35mm(FOCAL35_MM, WIDTH_PX, HEIGHT_PX) * math.exp(U_EXIF * noise.normal())
    shift = U_CENTRE * math.hypot(WIDTH_PX, HEIGHT_PX) * noise.normal(size=2)
    centre = ((WIDTH_PX - 1) / 2 + float(shift[0]), (HEIGHT_PX - 1) / 2 + float(shift[1]))
    return Camera(focal, centre, 0.0, "truth", U_K1 * float(noise.normal()))


def photo(picture: Bytes, *, focal_known: bool) -> Photo:
    """A photo of the scene."""
    return Photo("scene", "", picture, WIDTH_PX, HEIGHT_PX, FOCAL35_MM if focal_known else None)


# --- reference -------------------------------------------------------------------------------------------------


def reference(kind: str, seen_by: Camera, pose: Pose, noise: np.random.Generator) -> Reference:
    """A card, ruler or sheet on the bench, with the errors that its finder has."""
    true_mm, said_mm = _face(kind, noise)
    world = np.column_stack([true_mm * (1 + SIZE_REL[kind] * noise.normal()), np.full(len(true_mm), HIGH_MM[kind])])
    points = project(seen_by, pose, world) + POINT_PX[kind] * noise.normal(size=(len(world), 2))
    return Reference(
        kind,
        kind,
        points[:4],
        POINT_PX[kind],
        points_px=points,
        points_mm=said_mm,
        thickness_mm=HIGH_MM[kind],
        u_size_rel=SIZE_REL[kind],
        u_across_rel=U_WIDTH_REL if kind == "ruler" else 0.0,
    )


def _face(kind: str, noise: np.random.Generator) -> tuple[Array, Array]:
    """Points (N, 2) where they truly are on the bench, and (N, 2) what the finder says of them [mm]."""
    if kind == "card":
        flat = np.array([[0, 0], [0, 1], [1, 1], [1, 0]]) * np.array([53.98, 85.6])
        return flat - flat.mean(axis=0) + np.array([REFERENCE_MM - 20, 0.0]), flat
    if kind == "sheet":
        grid = np.stack(np.meshgrid(np.linspace(0, 160, 8), np.linspace(0, 90, 5)), axis=-1).reshape(-1, 2)
        return grid - grid.mean(axis=0), grid
    ticks = np.arange(0, RULER_MM + 1, 1.0)
    near = np.column_stack([ticks, np.zeros(len(ticks))])
    far = np.array([[0.0, 1], [RULER_MM / 2, 1], [RULER_MM, 1]]) * (1, RULER_WIDE_MM)
    flat = np.vstack([near, far])
    said = flat * np.array([1.0, 1 + 0.02 * noise.normal()])  # its width is estimated
    return flat - flat.mean(axis=0) + np.array([0.0, -45.0]), said


def coin_picture(seen_by: Camera, pose: Pose, noise: np.random.Generator, *, up_mm: float = 0.0) -> Bytes:
    """A picture (H, W, 3) of a coin on the bench, or on the part's top ``up_mm`` over it: lip, relief, wall, shadow.

    The lens's distortion, slight near the middle, only moves the coin.
    """
    here = np.array([0.0 if up_mm else REFERENCE_MM, 0.0])
    like = coin_scenes.random_coin(noise, *here)
    coin = replace(like, radius_mm=COIN_MM / 2 * (1 + U_COIN_REL * noise.normal()), thickness_mm=COIN_HIGH_MM)
    lobes, lamps, ambient = coin_scenes.random_lights(noise)
    lifted = pose.translation_mm + up_mm * pose.rotation[:, 2]
    top = np.array([[*here, COIN_HIGH_MM]])
    straight = Camera(seen_by.focal_px, seen_by.centre_xy_px, 0.0, "truth")
    raised = Pose(pose.rotation, lifted, pose.covariance)
    off = project(seen_by, raised, top)[0] - project(straight, raised, top)[0]
    middle = (seen_by.centre_xy_px[0] + float(off[0]), seen_by.centre_xy_px[1] + float(off[1]))
    ground = coin_scenes.random_ground(noise)
    stage = Stage(seen_by.focal_px, middle, pose.rotation, lifted, (coin,), ground, 80.0, lobes, ambient, lamps, 0.0)
    rim = stage.circle_px(coin, 1.0)
    reach = 0.8 * np.ptp(rim, axis=0).max() + COIN_MARGIN_PX
    low = np.maximum(rim.mean(axis=0) - reach, 0).astype(int)
    high = np.minimum(rim.mean(axis=0) + reach, (WIDTH_PX, HEIGHT_PX)).astype(int)
    crop = drawn_coins.developed(drawn_coins.light(stage, (*low, *high), rays=2), noise)
    return inlaid(crop, low, (HEIGHT_PX, WIDTH_PX))


def inlaid(crop: Bytes, low: Array, size_hw: tuple[int, int]) -> Bytes:
    """A picture (H, W, 3) of a crop at ``low`` (2,), fading into its own border's colour."""
    height, width = crop.shape[:2]
    plain = np.median(crop[:3].reshape(-1, 3), axis=0)
    share = np.zeros((height, width), np.float32)
    share[6:-6, 6:-6] = 1
    share = cv2.GaussianBlur(share, (0, 0), 2.5)[..., None]
    whole = np.empty((*size_hw, 3), np.uint8)
    whole[:] = plain
    whole[low[1] : low[1] + height, low[0] : low[0] + width] = np.round(share * crop + (1 - share) * plain)
    return whole


def shifted(seen_by: Camera, corner_px: Array) -> Camera:
    """The camera for a cut-out of the picture whose first pixel is ``corner_px`` (2,)."""
    x, y = (float(middle - cut) for middle, cut in zip(seen_by.centre_xy_px, corner_px, strict=True))
    return Camera(seen_by.focal_px, (x, y), seen_by.u_focal_rel, seen_by.focal_source, seen_by.k1)


# --- part ------------------------------------------------------------------------------------------------------


def tangents(
    seen_by: Camera, pose: Pose, foot_mm: Array, along: Array, station_mm: Array, radius_mm: Array
) -> tuple[Array, Array]:
    """Images of the tangent lines (N, 2), (N, 2) [px] of a turned part: the rays that touch each cylinder."""
    centre = foot_mm + station_mm[:, None] * along
    sight = camera_place_mm(pose) - centre
    sight -= (sight @ along)[:, None] * along
    away = np.linalg.norm(sight, axis=1)
    up = sight / away[:, None]
    side = np.cross(along, up)
    cos = radius_mm / away
    ahead = radius_mm * cos
    out = radius_mm * np.sqrt(1 - cos**2)
    left = centre + ahead[:, None] * up + out[:, None] * side
    right = centre + ahead[:, None] * up - out[:, None] * side
    return project(seen_by, pose, left), project(seen_by, pose, right)


def lying_edges(
    seen_by: Camera, pose: Pose, station_mm: Array, radius_mm: Array, noise: np.random.Generator
) -> tuple[Outline, Sides]:
    """Outline and both edges of a turned part on the bench, as found."""
    widest = float(radius_mm.max())
    rest = reading.REST_MM * noise.normal() + reading.U_SHAPE_REL * widest * noise.normal()
    turn = math.radians(float(noise.uniform(20, 160)))
    along = np.array([math.cos(turn), math.sin(turn), 0.0])
    form = 1 + math.hypot(reading.LENS_REL, reading.ROUND_REL) * noise.normal()
    foot = np.array([10.0, 5.0, widest + rest])
    right, left = tangents(seen_by, pose, foot, along, station_mm, radius_mm * form)
    across = right - left
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    bias = reading.EDGE_PX * noise.normal(size=2)
    bias[int(noise.integers(2))] += noise.uniform(-1, 1) * reading.SHADOW_PX * math.sqrt(3)
    sides = [
        side + sign * across * (off + NOISE_PX * noise.normal(size=(len(station_mm), 1)))
        for side, sign, off in ((left, -1, bias[0]), (right, 1, bias[1]))
    ]
    contour = np.vstack([sides[0], sides[1][::-1]])
    return _outline(contour), Sides(sides[0], sides[1], np.ones(len(station_mm), bool))


def standing_outline(
    seen_by: Camera, pose: Pose, shape_mm: Array, noise: np.random.Generator, *, base: bool
) -> Outline:
    """Outline of an upright cylinder, or of a rim that hides its base, as found."""
    form = 1 + math.hypot(standing.LENS_REL, standing.ROUND_REL) * noise.normal()
    rings = 2 if base else 1
    heights = np.array([shape_mm[3], 0.0])[:rings]
    polygon = hull.silhouette(shape_mm[:2], np.full(rings, shape_mm[2] * form), heights, seen_by, pose)
    ring = np.vstack([polygon, polygon[:1]])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    want = np.linspace(0, along[-1], 40 * round(stance.INDEPENDENT), endpoint=False)
    contour = np.column_stack([np.interp(want, along, ring[:, 0]), np.interp(want, along, ring[:, 1])])
    outward = contour - contour.mean(axis=0)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    slow = np.repeat(noise.normal(size=round(stance.INDEPENDENT)), 40)[:, None]
    shadow = noise.uniform(-1, 1) * standing.SHADOW_PX * math.sqrt(3) / 2
    common = standing.EDGE_PX * noise.normal() / math.sqrt(2) + shadow
    off = common + math.hypot(standing.EDGE_PX, OUTLINE_PX) * slow + NOISE_PX * noise.normal(size=(len(want), 1))
    return _outline(contour + outward * off)


def _outline(contour_px: Array) -> Outline:
    return Outline(contour_px, np.zeros((1, 1), bool), 1, OUTLINE_PX, False, "exact scene")
