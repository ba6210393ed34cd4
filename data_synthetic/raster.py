"""A second renderer: triangles on the graphics card or on Mesa's software one, through ModernGL and shaders of our own.

It shares the scenes with the path tracer and no line of shading: direct light from a few lamps through soft shadow
maps, the rest of the room from blurred environments, corners darkened by screen-space occlusion, mirrors that show the
planes, and of other things what is seen from the part's middle, never the part itself; no depth of field. Pictures by
it tell how much a classifier leans on the path tracer's look, so training must never see one.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_synthetic import studio
from data_synthetic.finish import linear
from data_synthetic.graphics import BUMPS, OWN, Card, Piece, axes_of, card, mesh, plane_piece, put
from data_synthetic.mesh import Array
from data_synthetic.render import PART, REFERENCE, Lens, Setting

NEAR_MM, FAR_MM = 5.0, 2.0e4
SHADOW_PX = 1536  # side of one lamp's tile
SAMPLES = 4
PROBE_PX = 64  # side of the six pictures of what the part has around it
#: texture units after those of what is being drawn
AROUND, OPEN, SHADOWS, PICTURE0, PICTURE1, WHERE, FACING, ROOM = range(2, 10)


def clip_matrix(lens: Lens, width_px: int, height_px: int) -> Array:
    """World to clip space (4, 4), rows of the frame upward, so that what is read back starts with the top row."""
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = lens.rotation, lens.translation_mm
    depth = np.array([FAR_MM + NEAR_MM, -2 * FAR_MM * NEAR_MM]) / (FAR_MM - NEAR_MM)
    view = np.zeros((4, 4))
    view[0, 0], view[1, 1] = 2 * lens.focal_px / width_px, 2 * lens.focal_px / height_px
    view[2, 2:], view[3, 2] = depth, 1.0
    return view @ pose


def _shadows(drawer: Card, lamps: list[studio.Lamp], pieces: list[Piece], points_mm: Array) -> Any:
    """Depths seen from each lamp, in the quarters of one texture; sets the lamps' uniforms."""
    context = drawer.context
    depths = context.depth_texture((2 * SHADOW_PX, 2 * SHADOW_PX))
    depths.compare_func = ""
    depths.filter = context.NEAREST, context.NEAREST
    target = context.framebuffer(depth_attachment=depths)
    target.use()
    target.clear(depth=1.0)
    seen = [studio.lamp_matrix(lamp, points_mm) for lamp in lamps] if len(points_mm) else []
    for k, (matrix, _, _) in enumerate(seen):
        target.viewport = ((k & 1) * SHADOW_PX, (k >> 1) * SHADOW_PX, SHADOW_PX, SHADOW_PX)
        put(drawer.depth, clip=matrix)
        for piece in pieces:
            piece.draw(context, drawer.depth)
    empty = studio.LAMPS - len(lamps)
    matrices = [matrix for matrix, _, _ in seen] or [np.diag([0.0, 0, 0, 1])] * len(lamps)
    put(drawer.light, lamps=len(lamps),
        lamp_way=[tuple(lamp.towards) for lamp in lamps] + [(0.0, 0.0, 1.0)] * empty,
        lamp_light=[tuple(lamp.irradiance) for lamp in lamps] + [(0.0, 0.0, 0.0)] * empty,
        lamp_slope=[float(np.tan(min(lamp.radius_rad, 0.6))) for lamp in lamps] + [0.0] * empty,
        lamp_clip=np.stack(matrices + [np.eye(4)] * empty),
        lamp_wide_mm=[wide for _, wide, _ in seen] + [1.0] * (studio.LAMPS - len(seen)),
        lamp_depth_mm=[deep for _, _, deep in seen] + [1.0] * (studio.LAMPS - len(seen)))  # fmt: skip
    return depths


def _surroundings(
    drawer: Card, setting: Setting, environment: NDArray[np.float32], place_mm: Array
) -> tuple[NDArray[np.float32], NDArray[np.float32], list[studio.Lamp]]:
    """The environment with the planes' mean light in it, the same without the lamps that stand out, and these lamps."""
    shape = environment.shape[:2]
    seen, masked = environment.copy(), environment.copy()
    planes = (setting.bench, setting.wall)
    hits = [studio.met(plane, place_mm, shape) for plane in planes]
    masked[hits[0] | hits[1]] = 0
    rest, lamps = studio.without_lamps(masked)
    lights = [np.zeros(3), np.zeros(3)]
    for _ in range(2):  # the second time the planes light each other
        filled = masked.copy()
        for k, plane in enumerate(planes):
            if plane is not None:
                mean = linear(plane.picture[::8, ::8]).mean((0, 1))
                seen[hits[k]] = rest[hits[k]] = filled[hits[k]] = mean * lights[k]
        for k, plane in enumerate(planes):
            if plane is not None:
                lights[k] = studio.irradiance(filled, axes_of(plane)[2]) / np.pi
    corners = [np.zeros((4, 3)) if plane is None else plane.corners_mm for plane in planes]
    axes = [np.eye(3) if plane is None else axes_of(plane) for plane in planes]
    sides = [[(c[k] - c[0]) / max(float((c[k] - c[0]) @ (c[k] - c[0])), 1e-9) for c in corners] for k in (1, 3)]
    put(drawer.light, plane_corner=[tuple(c[0]) for c in corners], plane_normal=[tuple(a[2]) for a in axes],
        plane_side=[tuple(v) for v in sides[0]], plane_up=[tuple(v) for v in sides[1]],
        plane_light=[tuple(v) for v in lights], plane_repeat=[0.0 if p is None else p.repeat for p in planes],
        plane_texel_mm=[1.0 if p is None else float(np.linalg.norm(p.corners_mm[1] - p.corners_mm[0]))
                        / p.repeat / p.picture.shape[1] for p in planes])  # fmt: skip
    return seen, rest, lamps


def _around(drawer: Card, seen: NDArray[np.float32], rest: NDArray[np.float32]) -> None:
    layers = studio.blurred(seen, rest)
    around = drawer.context.texture_array((seen.shape[1], seen.shape[0], len(layers)), 3, layers.tobytes(), dtype="f4")
    around.repeat_y = False
    around.use(AROUND)


def _probe(
    drawer: Card, pieces: list[Piece], place_mm: Array, shape: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Light (H, W, 3) that pieces send to a place (3,) [mm] from every direction, and where there are any (H, W)."""
    context, size = drawer.context, (PROBE_PX, PROBE_PX)
    context.texture(size, 1, np.ones(size, np.float32).tobytes(), dtype="f4").use(OPEN)
    target = context.framebuffer([context.renderbuffer(size, 4, dtype="f4")], context.depth_renderbuffer(size))
    way, _ = studio.directions(*shape)
    light, found = np.zeros((*shape, 3), np.float32), np.zeros(shape, bool)
    for axis in range(3):
        for sign in (1.0, -1.0):
            turn = np.roll(np.eye(3), 2 - axis, axis=0)
            turn[[0, 2]] *= sign
            lens = Lens(turn, -turn @ place_mm, PROBE_PX / 2)
            put(drawer.light, clip=clip_matrix(lens, *size), eye=tuple(place_mm))
            target.use()
            target.clear(depth=1.0)
            for piece in pieces:
                piece.draw(context, drawer.light)
            face = np.frombuffer(target.read(components=4, dtype="f4"), np.float32).reshape(*size, 4)
            across, down, ahead = np.moveaxis(way @ turn.T, -1, 0)
            here = ahead >= np.maximum(np.abs(across), np.abs(down))
            at = np.stack([down, across], -1)[here] / ahead[here][:, None]
            row, column = np.minimum((at + 1) / 2 * PROBE_PX, PROBE_PX - 1).astype(int).T
            light[here], found[here] = face[row, column, :3], face[row, column, 3] > 0.5
    return light, found


def _shapes(drawer: Card, pieces: list[Piece], size: tuple[int, int]) -> NDArray[np.uint8]:
    """Labels (H, W); leaves places and normals of all pixels on the drawer."""
    context = drawer.context
    where, facing = (context.texture(size, 4, dtype="f4") for _ in range(2))
    target = context.framebuffer([where, facing], context.depth_renderbuffer(size))
    target.use()
    target.clear(depth=1.0)
    for piece in pieces:
        piece.draw(context, drawer.shape)
    where.use(WHERE)
    facing.use(FACING)
    read = np.frombuffer(target.read(components=4, attachment=0, dtype="f4"), np.float32)
    return np.round(read.reshape(size[1], size[0], 4)[..., 3]).astype(np.uint8)


def _open(drawer: Card, size: tuple[int, int]) -> None:
    """The unoccluded share of every pixel on the card, a little smoothed."""
    context = drawer.context
    found = context.texture(size, 1, dtype="f4")
    target = context.framebuffer([found])
    target.use()
    context.vertex_array(drawer.open, []).render(vertices=3)
    read = np.frombuffer(target.read(components=1, dtype="f4"), np.float32).reshape(size[1], size[0])
    found.write(cv2.bilateralFilter(read, 5, 0.25, 2.0).tobytes())
    found.use(OPEN)


def _lit(drawer: Card, pieces: list[Piece], size: tuple[int, int], samples: int) -> NDArray[np.float32]:
    """Linear light (H, W, 3): nearest surfaces first found by depth, then lit once each."""
    context = drawer.context
    drawn = context.framebuffer(
        [context.renderbuffer(size, 4, samples=samples, dtype="f4")],
        context.depth_renderbuffer(size, samples=samples),
    )
    drawn.use()
    drawn.clear(depth=1.0)
    drawn.color_mask = False, False, False, False
    for piece in pieces:
        piece.draw(context, drawer.depth)
    drawn.color_mask = True, True, True, True
    for piece in pieces:
        piece.draw(context, drawer.light)
    context.vertex_array(drawer.room, []).render(vertices=3)
    flat = context.framebuffer([context.renderbuffer(size, 4, dtype="f4")])
    context.copy_framebuffer(flat, drawn)
    read = np.frombuffer(flat.read(components=3, dtype="f4"), np.float32)
    return read.reshape(size[1], size[0], 3).copy()


def _aim(drawer: Card, lens: Lens, size: tuple[int, int], extent_mm: float, environment: NDArray[np.float32]) -> None:
    """Point every program through the lens; ``extent_mm`` is the size of what is shown."""
    clip, eye = clip_matrix(lens, *size), tuple(-lens.rotation.T @ lens.translation_mm)
    room = drawer.context.texture(environment.shape[1::-1], 3, environment.astype(np.float32).tobytes(), dtype="f4")
    room.repeat_y = False
    room.use(ROOM)
    put(drawer.shape, clip=clip, eye=eye)
    put(drawer.open, clip=clip, eye=eye, where=WHERE, facing=FACING, reach_mm=(0.05 * extent_mm, 0.3 * extent_mm))
    put(drawer.depth, clip=clip)
    put(drawer.light, clip=clip, eye=eye)
    put(drawer.room, room=ROOM, turn=lens.rotation, slope=(size[0] / 2 / lens.focal_px, size[1] / 2 / lens.focal_px))


def render(
    setting: Setting, lens: Lens, *, width_px: int, height_px: int, spp: int = SAMPLES, seed: int = 0
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Linear radiance (H, W, 3) and labels (H, W) uint8, as ``render.render``, with a studio's lamps by ``seed``.

    ``spp`` is the number of samples an edge gets, at most what the driver has.
    """
    import moderngl

    drawer, size = card(), (width_px, height_px)
    context = drawer.context
    context.gc_mode = "context_gc"
    context.enable_only(moderngl.DEPTH_TEST)
    context.depth_func = "<="
    eye = -lens.rotation.T @ lens.translation_mm
    solids = [(surface, label, picture) for surface, label, picture in (
        (setting.part, PART, None), (setting.reference, REFERENCE, setting.picture), (setting.clutter, 0, None),
    ) if surface is not None]  # fmt: skip
    meshes = [mesh(context, *solid) for solid in solids]
    planes = [None if plane is None else plane_piece(context, plane) for plane in (setting.bench, setting.wall)]
    for unit, plane in zip((PICTURE0, PICTURE1), planes, strict=True):
        if plane is not None:
            plane.picture.use(unit)
    pieces = meshes + [plane for plane in planes if plane is not None]
    points = np.concatenate([s.vertices_mm for s, _, _ in solids]) if solids else np.zeros((0, 3))
    shown = points if setting.part is None else setting.part.vertices_mm
    middle = (shown.min(0) + shown.max(0)) / 2 if len(shown) else eye + 200 * lens.rotation[2]
    extent = float(np.linalg.norm(np.ptp(shown, axis=0))) if len(shown) else 50.0
    environment = studio.with_studio(
        setting.environment, float(np.arctan2(*(eye - middle)[[1, 0]])), np.random.default_rng([seed, 71])
    )
    put(drawer.light, around=AROUND, open=OPEN, picture=OWN, bumps=BUMPS, plane_picture0=PICTURE0,
        plane_picture1=PICTURE1, shadows=SHADOWS, contact_mm=0.4 * extent, flash=setting.flash,
        flash_place=tuple(eye + lens.rotation.T @ np.array([9.0, -6.0, 0.0])))  # fmt: skip
    seen, rest, lamps = _surroundings(drawer, setting, environment, middle)
    _around(drawer, seen, rest)
    _shadows(drawer, lamps, meshes, points).use(SHADOWS)
    light, found = _probe(drawer, [piece for piece in pieces if piece.label != PART], middle, seen.shape[:2])
    seen[found] = rest[found] = light[found]
    _around(drawer, seen, rest)
    _aim(drawer, lens, size, extent, environment)
    labels = _shapes(drawer, pieces, size)
    _open(drawer, size)
    lit = _lit(drawer, pieces, size, min(spp, SAMPLES, context.max_samples))
    context.finish()
    context.gc()
    return lit, labels
