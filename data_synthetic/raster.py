"""A second renderer: triangles on the graphics card or on Mesa's software one, through ModernGL and shaders of our own.

It shares the scenes with the path tracer and no line of shading: direct light from a few lamps through soft shadow
maps, the rest of the room from blurred environments, corners darkened by screen-space occlusion, mirrors that show the
planes and the room but no other part, no depth of field. Pictures by it tell how much a classifier leans on the path
tracer's look, so training must never see one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_synthetic import shaders, studio
from data_synthetic.finish import Surface, linear
from data_synthetic.mesh import Array
from data_synthetic.render import PART, REFERENCE, Lens, Plane, Setting

NEAR_MM, FAR_MM = 5.0, 2.0e4
SHADOW_PX = 1536  # side of one lamp's tile
BEYOND_MM = 2500.0  # how far behind what throws a shadow it still falls
SAMPLES = 4
PROBE_PX = 64  # side of the six pictures of what the part has around it
COLOURS, PICTURE, PLANE = 0, 1, 2
LAYOUT = ("3f 3f 3f 2f 2f", "place", "normal", "base", "finish", "uv")
#: texture units
AROUND, OPEN, SHADOWS, PICTURE0, PICTURE1, OWN, BUMPS, WHERE, FACING, ROOM_UNIT = range(10)


@dataclass(frozen=True, slots=True, eq=False)
class Card:
    """The graphics context and its programs."""

    context: Any
    depth: Any
    shape: Any
    open: Any
    room: Any
    light: Any


@cache
def card() -> Card:
    """A context without a window, by EGL.

    Raises
    ------
    RuntimeError
        No EGL driver: install Debian's ``libegl1`` and ``libgl1-mesa-dri``.
    """
    import moderngl

    try:
        context = moderngl.create_standalone_context(
            require=330, backend="egl", libgl="libGL.so.1", libegl="libEGL.so.1"
        )
    except Exception as error:  # the library raises bare exceptions
        raise RuntimeError("No EGL driver runs here; install libegl1, libgl1 and libgl1-mesa-dri.") from error
    made = {
        name: context.program(vertex_shader=vertex, fragment_shader=fragment)
        for name, vertex, fragment in (
            ("depth", shaders.VERTEX, shaders.DEPTH), ("shape", shaders.VERTEX, shaders.SHAPE),
            ("open", shaders.FRAME, shaders.OPEN), ("room", shaders.FRAME, shaders.ROOM),
            ("light", shaders.VERTEX, shaders.LIGHT),
        )
    }  # fmt: skip
    return Card(context, **made)


def put(program: Any, **values: Any) -> None:
    """Set uniforms; those that the compiler found unused are left out."""
    for name, value in values.items():
        if name not in program:
            continue
        if isinstance(value, np.ndarray):  # matrices (..., K, K) go column by column
            program[name].write(np.ascontiguousarray(np.swapaxes(value, -1, -2), np.float32).tobytes())
        else:
            program[name].value = value


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One thing to draw: corners (N, 13) and faces (M, 3) on the card, its label, its kind and its own uniforms."""

    corners: Any
    faces: Any
    label: int
    kind: int
    picture: Any = None
    bumps: Any = None
    own: dict[str, Any] | None = None

    def draw(self, context: Any, program: Any) -> None:
        """Draw by a program, whatever it needs of the corners."""
        put(program, label=float(self.label), kind=self.kind, **(self.own or {}))
        for unit, texture in ((OWN, self.picture), (BUMPS, self.bumps)):
            if texture is not None:
                texture.use(unit)
        names = [name if name in program else None for name in LAYOUT[1:]]
        form = " ".join(kind if name else f"{4 * int(kind[0])}x"
                        for kind, name in zip(LAYOUT[0].split(), names, strict=True))  # fmt: skip
        wanted = [name for name in names if name]
        context.vertex_array(program, [(self.corners, form, *wanted)], index_buffer=self.faces).render()


def _texture(context: Any, pixels: np.ndarray) -> Any:
    """Pixels (H, W, 3 or 4), row 0 at v = 0, repeating, with coarser copies."""
    height, width = pixels.shape[:2]
    full = np.ones((height, width, 4), np.float16)
    full[..., : pixels.shape[2]] = pixels
    texture = context.texture((width, height), 4, full.tobytes(), dtype="f2")
    texture.build_mipmaps()
    return texture


def _mesh(context: Any, surface: Surface, label: int, picture: np.ndarray | None) -> Piece:
    uv = np.zeros((len(surface.vertices_mm), 2)) if surface.uv is None else surface.uv
    corners = np.column_stack([surface.vertices_mm, surface.normals, surface.base, surface.rough, surface.metal, uv])
    texture = None if picture is None else _texture(context, linear(picture))
    return Piece(context.buffer(np.ascontiguousarray(corners, np.float32).tobytes()),
                 context.buffer(np.ascontiguousarray(surface.faces, np.int32).tobytes()), label,
                 COLOURS if picture is None else PICTURE, texture)  # fmt: skip


def _frame(plane: Plane) -> Array:
    """Unit vectors (3, 3) along the sides and out of a plane."""
    side, up = plane.corners_mm[1] - plane.corners_mm[0], plane.corners_mm[3] - plane.corners_mm[0]
    axes = np.stack([side, up, np.cross(side, up)])
    return axes / np.linalg.norm(axes, axis=1, keepdims=True)


def _plane(context: Any, plane: Plane) -> Piece:
    axes = _frame(plane)
    uv = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * plane.repeat
    corners = np.column_stack([plane.corners_mm, np.tile(axes[2], (4, 1)), np.zeros((4, 5)), uv])
    bumps = np.dstack([plane.normal_map, plane.roughness])
    return Piece(context.buffer(corners.astype(np.float32).tobytes()),
                 context.buffer(np.array([0, 1, 2, 0, 2, 3], np.int32).tobytes()), 0, PLANE,
                 _texture(context, linear(plane.picture)), _texture(context, bumps),
                 {"along": tuple(axes[0]), "upward": tuple(axes[1]), "plane_metal": plane.metal})  # fmt: skip


def clip_matrix(lens: Lens, width_px: int, height_px: int) -> Array:
    """World to clip space (4, 4), rows of the frame upward, so that what is read back starts with the top row."""
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = lens.rotation, lens.translation_mm
    depth = np.array([FAR_MM + NEAR_MM, -2 * FAR_MM * NEAR_MM]) / (FAR_MM - NEAR_MM)
    view = np.zeros((4, 4))
    view[0, 0], view[1, 1] = 2 * lens.focal_px / width_px, 2 * lens.focal_px / height_px
    view[2, 2:], view[3, 2] = depth, 1.0
    return view @ pose


def lamp_matrix(lamp: studio.Lamp, points_mm: Array) -> tuple[Array, float, float]:
    """World to the clip space (4, 4) of a lamp that sees points (N, 3); width and depth of that space [mm]."""
    side = np.cross([0.0, 0.0, 1.0] if abs(lamp.towards[2]) < 0.9 else [1.0, 0.0, 0.0], lamp.towards)
    side /= np.linalg.norm(side)
    axes = np.stack([side, np.cross(lamp.towards, side), -lamp.towards])
    low, high = (points_mm @ axes.T).min(0), (points_mm @ axes.T).max(0)
    middle, wide = (low + high) / 2, 1.1 * float((high - low)[:2].max()) + 2.0
    start, deep = low[2] - 5.0, float(high[2] - low[2]) + 5.0 + BEYOND_MM
    matrix = np.eye(4)
    matrix[:2, :3], matrix[:2, 3] = axes[:2] * 2 / wide, -middle[:2] * 2 / wide
    matrix[2, :3], matrix[2, 3] = axes[2] * 2 / deep, -start * 2 / deep - 1
    return matrix, wide, deep


def _shadows(card: Card, lamps: list[studio.Lamp], pieces: list[Piece], points_mm: Array) -> Any:
    """Depths seen from each lamp, in the quarters of one texture; sets the lamps' uniforms."""
    context = card.context
    depths = context.depth_texture((2 * SHADOW_PX, 2 * SHADOW_PX))
    depths.compare_func = ""
    depths.filter = context.NEAREST, context.NEAREST
    target = context.framebuffer(depth_attachment=depths)
    target.use()
    target.clear(depth=1.0)
    seen = [lamp_matrix(lamp, points_mm) for lamp in lamps] if len(points_mm) else []
    for k, (matrix, _, _) in enumerate(seen):
        target.viewport = ((k & 1) * SHADOW_PX, (k >> 1) * SHADOW_PX, SHADOW_PX, SHADOW_PX)
        put(card.depth, clip=matrix)
        for piece in pieces:
            piece.draw(context, card.depth)
    empty = studio.LAMPS - len(lamps)
    matrices = [matrix for matrix, _, _ in seen] or [np.diag([0.0, 0, 0, 1])] * len(lamps)
    put(card.light, lamps=len(lamps),
        lamp_way=[tuple(lamp.towards) for lamp in lamps] + [(0.0, 0.0, 1.0)] * empty,
        lamp_light=[tuple(lamp.irradiance) for lamp in lamps] + [(0.0, 0.0, 0.0)] * empty,
        lamp_slope=[float(np.tan(min(lamp.radius_rad, 0.6))) for lamp in lamps] + [0.0] * empty,
        lamp_clip=np.stack(matrices + [np.eye(4)] * empty),
        lamp_wide_mm=[wide for _, wide, _ in seen] + [1.0] * (studio.LAMPS - len(seen)),
        lamp_depth_mm=[deep for _, _, deep in seen] + [1.0] * (studio.LAMPS - len(seen)))  # fmt: skip
    return depths


def _surroundings(
    card: Card, setting: Setting, environment: NDArray[np.float32], place_mm: Array
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
                lights[k] = studio.irradiance(filled, _frame(plane)[2]) / np.pi
    corners = [np.zeros((4, 3)) if plane is None else plane.corners_mm for plane in planes]
    axes = [np.eye(3) if plane is None else _frame(plane) for plane in planes]
    sides = [[(c[k] - c[0]) / max(float((c[k] - c[0]) @ (c[k] - c[0])), 1e-9) for c in corners] for k in (1, 3)]
    put(card.light, plane_corner=[tuple(c[0]) for c in corners], plane_normal=[tuple(a[2]) for a in axes],
        plane_side=[tuple(v) for v in sides[0]], plane_up=[tuple(v) for v in sides[1]],
        plane_light=[tuple(v) for v in lights], plane_repeat=[0.0 if p is None else p.repeat for p in planes],
        plane_texel_mm=[1.0 if p is None else float(np.linalg.norm(p.corners_mm[1] - p.corners_mm[0]))
                        / p.repeat / p.picture.shape[1] for p in planes])  # fmt: skip
    return seen, rest, lamps


def _around(card: Card, seen: NDArray[np.float32], rest: NDArray[np.float32]) -> None:
    layers = studio.blurred(seen, rest)
    around = card.context.texture_array((seen.shape[1], seen.shape[0], len(layers)), 3, layers.tobytes(), dtype="f4")
    around.repeat_y = False
    around.use(AROUND)


def _probe(
    card: Card, pieces: list[Piece], place_mm: Array, shape: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Light (H, W, 3) that pieces send to a place (3,) [mm] from every direction, and where there are any (H, W)."""
    context, size = card.context, (PROBE_PX, PROBE_PX)
    context.texture(size, 1, np.ones(size, np.float32).tobytes(), dtype="f4").use(OPEN)
    target = context.framebuffer([context.renderbuffer(size, 4, dtype="f4")], context.depth_renderbuffer(size))
    way, _ = studio.directions(*shape)
    light, found = np.zeros((*shape, 3), np.float32), np.zeros(shape, bool)
    for axis in range(3):
        for sign in (1.0, -1.0):
            turn = np.roll(np.eye(3), 2 - axis, axis=0)
            turn[[0, 2]] *= sign
            lens = Lens(turn, -turn @ place_mm, PROBE_PX / 2)
            put(card.light, clip=clip_matrix(lens, *size), eye=tuple(place_mm))
            target.use()
            target.clear(depth=1.0)
            for piece in pieces:
                piece.draw(context, card.light)
            face = np.frombuffer(target.read(components=4, dtype="f4"), np.float32).reshape(*size, 4)
            across, down, ahead = np.moveaxis(way @ turn.T, -1, 0)
            here = ahead >= np.maximum(np.abs(across), np.abs(down))
            at = np.stack([down, across], -1)[here] / ahead[here][:, None]
            row, column = np.minimum((at + 1) / 2 * PROBE_PX, PROBE_PX - 1).astype(int).T
            light[here], found[here] = face[row, column, :3], face[row, column, 3] > 0.5
    return light, found


def _shapes(card: Card, pieces: list[Piece], size: tuple[int, int]) -> NDArray[np.uint8]:
    """Labels (H, W); leaves places and normals of all pixels on the card."""
    context = card.context
    where, facing = (context.texture(size, 4, dtype="f4") for _ in range(2))
    target = context.framebuffer([where, facing], context.depth_renderbuffer(size))
    target.use()
    target.clear(depth=1.0)
    for piece in pieces:
        piece.draw(context, card.shape)
    where.use(WHERE)
    facing.use(FACING)
    read = np.frombuffer(target.read(components=4, attachment=0, dtype="f4"), np.float32)
    return np.round(read.reshape(size[1], size[0], 4)[..., 3]).astype(np.uint8)


def _open(card: Card, size: tuple[int, int]) -> None:
    """The unoccluded share of every pixel on the card, a little smoothed."""
    context = card.context
    found = context.texture(size, 1, dtype="f4")
    target = context.framebuffer([found])
    target.use()
    context.vertex_array(card.open, []).render(vertices=3)
    read = np.frombuffer(target.read(components=1, dtype="f4"), np.float32).reshape(size[1], size[0])
    found.write(cv2.bilateralFilter(read, 5, 0.25, 2.0).tobytes())
    found.use(OPEN)


def _lit(card: Card, pieces: list[Piece], size: tuple[int, int], samples: int) -> NDArray[np.float32]:
    """Linear light (H, W, 3): nearest surfaces first found by depth, then lit once each."""
    context = card.context
    drawn = context.framebuffer(
        [context.renderbuffer(size, 4, samples=samples, dtype="f4")],
        context.depth_renderbuffer(size, samples=samples),
    )
    drawn.use()
    drawn.clear(depth=1.0)
    drawn.color_mask = False, False, False, False
    for piece in pieces:
        piece.draw(context, card.depth)
    drawn.color_mask = True, True, True, True
    for piece in pieces:
        piece.draw(context, card.light)
    context.vertex_array(card.room, []).render(vertices=3)
    flat = context.framebuffer([context.renderbuffer(size, 4, dtype="f4")])
    context.copy_framebuffer(flat, drawn)
    read = np.frombuffer(flat.read(components=3, dtype="f4"), np.float32)
    return read.reshape(size[1], size[0], 3).copy()


def _aim(card: Card, lens: Lens, size: tuple[int, int], extent_mm: float, environment: NDArray[np.float32]) -> None:
    """Point every program through the lens; ``extent_mm`` is the size of what is shown."""
    clip, eye = clip_matrix(lens, *size), tuple(-lens.rotation.T @ lens.translation_mm)
    room = card.context.texture(environment.shape[1::-1], 3, environment.astype(np.float32).tobytes(), dtype="f4")
    room.repeat_y = False
    room.use(ROOM_UNIT)
    put(card.shape, clip=clip, eye=eye)
    put(card.open, clip=clip, eye=eye, where=WHERE, facing=FACING, reach_mm=(0.05 * extent_mm, 0.3 * extent_mm))
    put(card.depth, clip=clip)
    put(card.light, clip=clip, eye=eye)
    put(card.room, room=ROOM_UNIT, turn=lens.rotation, slope=(size[0] / 2 / lens.focal_px, size[1] / 2 / lens.focal_px))


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
    meshes = [_mesh(context, *solid) for solid in solids]
    planes = [None if plane is None else _plane(context, plane) for plane in (setting.bench, setting.wall)]
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
