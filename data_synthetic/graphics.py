"""What the graphics card holds of a scene: its programs, and the corners, faces and pictures of each thing drawn.

ModernGL talks to a real card or to Mesa's software one, without a window.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from data_synthetic import shaders
from data_synthetic.finish import Surface, linear
from data_synthetic.mesh import Array
from data_synthetic.render import Plane

COLOURS, PICTURE, PLANE = 0, 1, 2
LAYOUT = (("place", 3), ("normal", 3), ("base", 3), ("finish", 2), ("uv", 2))  # what a corner has, numbers each
OWN, BUMPS = 0, 1  # texture units of what is being drawn


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
        for unit, held in ((OWN, self.picture), (BUMPS, self.bumps)):
            if held is not None:
                held.use(unit)
        form = " ".join(f"{count}f" if name in program else f"{4 * count}x" for name, count in LAYOUT)
        wanted = [name for name, _ in LAYOUT if name in program]
        context.vertex_array(program, [(self.corners, form, *wanted)], index_buffer=self.faces).render()


def texture(context: Any, pixels: np.ndarray) -> Any:
    """Pixels (H, W, 3 or 4), row 0 at v = 0, repeating, with coarser copies."""
    height, width = pixels.shape[:2]
    full = np.ones((height, width, 4), np.float16)
    full[..., : pixels.shape[2]] = pixels
    made = context.texture((width, height), 4, full.tobytes(), dtype="f2")
    made.build_mipmaps()  # no anisotropy: Mesa's software card needs minutes for it
    return made


def mesh(context: Any, surface: Surface, label: int, picture: np.ndarray | None) -> Piece:
    """A surface on the card, with a picture (H, W, 3) sRGB or the colours of its vertices."""
    uv = np.zeros((len(surface.vertices_mm), 2)) if surface.uv is None else surface.uv
    corners = np.column_stack([surface.vertices_mm, surface.normals, surface.base, surface.rough, surface.metal, uv])
    own = None if picture is None else texture(context, linear(picture))
    return Piece(context.buffer(np.ascontiguousarray(corners, np.float32).tobytes()),
                 context.buffer(np.ascontiguousarray(surface.faces, np.int32).tobytes()), label,
                 COLOURS if picture is None else PICTURE, own)  # fmt: skip


def axes_of(plane: Plane) -> Array:
    """Unit vectors (3, 3) along the sides and out of a plane."""
    side, up = plane.corners_mm[1] - plane.corners_mm[0], plane.corners_mm[3] - plane.corners_mm[0]
    axes = np.stack([side, up, np.cross(side, up)])
    return axes / np.linalg.norm(axes, axis=1, keepdims=True)


def plane_piece(context: Any, plane: Plane) -> Piece:
    """A textured rectangle on the card."""
    axes = axes_of(plane)
    uv = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * plane.repeat
    corners = np.column_stack([plane.corners_mm, np.tile(axes[2], (4, 1)), np.zeros((4, 5)), uv])
    bumps = np.dstack([plane.normal_map, plane.roughness])
    return Piece(context.buffer(corners.astype(np.float32).tobytes()),
                 context.buffer(np.array([0, 1, 2, 0, 2, 3], np.int32).tobytes()), 0, PLANE,
                 texture(context, linear(plane.picture)), texture(context, bumps),
                 {"along": tuple(axes[0]), "upward": tuple(axes[1]), "plane_metal": plane.metal})  # fmt: skip
