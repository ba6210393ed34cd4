"""Mitsuba 3 renders a scene: linear light and exact labels.

No picture may compile a new kernel, so every scene holds the same shapes, emitters and kinds of BSDF (unused ones lie
far below the bench), every surface but water is one ``principled`` BSDF whose metalness is never exactly 0, and the
lens's aperture and focus are set after loading as opaque values.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import ModuleType

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from data_synthetic.finish import Surface
from data_synthetic.mesh import Array

VARIANTS = ("cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb")
HIDDEN_MM = -5.0e4
ROUND_ENOUGH = 0.1  # sine of a face's first angle, above which it is no needle
SAMPLER = "multijitter"
BACKGROUND, PART, REFERENCE, WATER = 0, 1, 2, 3
#: Water in air: index of refraction in visible light [CRC Handbook of Chemistry and Physics, from memory].
CLEAR = {"type": "dielectric", "int_ior": 1.333, "ext_ior": 1.0}


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """A textured rectangle: corners (4, 3) [mm] counter-clockwise from uv (0, 0).

    ``picture`` (H, W, 3) sRGB in 0..1, ``normal_map`` (H, W, 3) unit normals with z out of the plane, ``roughness``
    (H, W), ``metal`` 0..1, ``repeat`` how often the picture repeats along the sides.
    """

    corners_mm: Array
    picture: NDArray[np.float32]
    normal_map: NDArray[np.float32]
    roughness: NDArray[np.float32]
    metal: float = 0.0
    repeat: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """Everything the renderer is told about one picture's world.

    ``picture`` is the reference's texture (H, W, 3) sRGB in 0..1; ``environment`` (H, W, 3) radiance, z up;
    ``flash`` the radiant intensity of the phone's lamp beside the lens; ``water`` clear drops over the rest.
    """

    part: Surface | None
    reference: Surface | None
    picture: NDArray[np.float32] | None
    clutter: Surface | None
    bench: Plane | None
    wall: Plane | None
    environment: NDArray[np.float32]
    flash: float = 0.0
    water: Surface | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """Where the camera is: rotation (3, 3) and translation (3,) [mm] of X_cam = R X_world + t, focal length [px]."""

    rotation: Array
    translation_mm: Array
    focal_px: float
    aperture_mm: float = 0.5
    focus_mm: float = 300.0


@cache
def mitsuba() -> ModuleType:
    """The renderer with the fastest variant this machine has."""
    import drjit
    import mitsuba as mi

    for name in VARIANTS:
        if name not in mi.variants():
            continue
        try:
            mi.set_variant(name)
            if name != "scalar_rgb":
                drjit.eval(mi.Float(1.0) + 1.0)
            mi.set_log_level(mi.LogLevel.Error)
            return mi
        except (RuntimeError, ImportError, AttributeError):
            continue
    raise RuntimeError("No variant of Mitsuba runs here; install libLLVM 17 or newer, or a CUDA driver.")


def marker() -> Surface:
    """A tiny triangle for a shape that a picture does without."""
    triangle = np.array([[0, 0, HIDDEN_MM], [1, 0, HIDDEN_MM], [0, 1, HIDDEN_MM]], float)
    ones = np.ones(3)
    return Surface(triangle, np.array([[0, 1, 2]]), np.tile([0.0, 0, 1], (3, 1)), np.full((3, 3), 0.5), ones, ones * 0)


def well_ordered(vertices_mm: Array, faces: NDArray[np.int64]) -> NDArray[np.int64]:
    """Faces (M, 3), thin ones starting at their corner nearest to a right angle; collinear ones are left out.

    Mitsuba interpolates vertex attributes from the first corner in single precision: in a needle that starts at its
    tip the determinant underflows and the picture gets NaN.
    """
    corners = vertices_mm[faces].astype(np.float32)
    thin = np.flatnonzero(_sines(corners) < ROUND_ENOUGH)
    turns = np.stack([_sines(np.roll(corners[thin], -k, axis=1)) for k in range(3)], axis=1)
    first = np.argmax(turns, axis=1)
    ordered = faces.copy()
    ordered[thin] = np.take_along_axis(faces[thin], (first[:, None] + np.arange(3)) % 3, axis=1)
    keep = np.ones(len(faces), bool)
    keep[thin] = turns[np.arange(len(thin)), first] > 2e-3
    return ordered[keep]


def _sines(corners_mm: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sine of the angle (M,) at the first corner of triangles (M, 3, 3)."""
    ahead, back = corners_mm[:, 1] - corners_mm[:, 0], corners_mm[:, 2] - corners_mm[:, 0]
    across = np.cross(ahead, back)
    square, other, area = (np.einsum("ij,ij->i", one, one) for one in (ahead, back, across))
    return np.sqrt(area / np.maximum(square * other, 1e-24))


def _bitmap(picture: np.ndarray, *, raw: bool = False) -> dict:
    mi = mitsuba()
    pixels = np.ascontiguousarray(picture, np.float32)
    kind = mi.Bitmap(pixels)
    if not raw:
        kind.set_srgb_gamma(True)
    return {"type": "bitmap", "bitmap": kind, "raw": raw, "filter_type": "bilinear", "wrap_mode": "repeat"}


def _painted(base: dict) -> dict:
    """What covers everything but water: its colour from a texture, roughness and metalness from the vertices."""
    return {"type": "twosided", "inner": {
        "type": "principled", "base_color": base,
        "roughness": {"type": "mesh_attribute", "name": "vertex_rough"},
        "metallic": {"type": "mesh_attribute", "name": "vertex_metal"},
        "specular": 0.5, "clearcoat": 1e-3, "clearcoat_gloss": 0.8,
    }}  # fmt: skip


def _mesh(name: str, surface: Surface, bsdf: dict, *, textured: bool = False) -> object:
    mi = mitsuba()
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict(bsdf)
    count, faces = len(surface.vertices_mm), well_ordered(surface.vertices_mm, surface.faces)
    mesh = mi.Mesh(name, count, len(faces), has_vertex_normals=True, has_vertex_texcoords=textured,
                   props=properties)  # fmt: skip
    parameters = mi.traverse(mesh)
    parameters["vertex_positions"] = np.ravel(surface.vertices_mm).astype(np.float32)
    parameters["vertex_normals"] = np.ravel(surface.normals).astype(np.float32)
    parameters["faces"] = np.ravel(faces).astype(np.uint32)
    if textured:
        uv = np.zeros((count, 2)) if surface.uv is None else surface.uv
        parameters["vertex_texcoords"] = np.ravel(uv).astype(np.float32)
    mesh.add_attribute("vertex_base", 3, np.ravel(surface.base).astype(np.float32))
    mesh.add_attribute("vertex_rough", 1, np.ravel(surface.rough).astype(np.float32))
    mesh.add_attribute("vertex_metal", 1, np.clip(np.ravel(surface.metal), 1e-3, 1).astype(np.float32))
    parameters.update()
    return mesh


def _plane(name: str, plane: Plane | None) -> object:
    mi = mitsuba()
    if plane is None:
        flat = np.dstack([np.zeros((4, 4)), np.zeros((4, 4)), np.ones((4, 4))])
        corners = np.array([[0, 0, HIDDEN_MM], [1, 0, HIDDEN_MM], [1, 1, HIDDEN_MM], [0, 1, HIDDEN_MM]])
        plane = Plane(corners, np.full((4, 4, 3), 0.5), flat, np.full((4, 4), 0.5))
    bsdf = {"type": "twosided", "inner": {
        "type": "normalmap", "normalmap": _bitmap(plane.normal_map * 0.5 + 0.5, raw=True),
        "inner": {
            "type": "principled", "base_color": _bitmap(plane.picture),
            "roughness": _bitmap(plane.roughness[..., None], raw=True),
            "metallic": max(plane.metal, 1e-3), "specular": 0.5, "clearcoat": 1e-3, "clearcoat_gloss": 0.8,
        },
    }}  # fmt: skip
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh(name, 4, 2, has_vertex_normals=True, has_vertex_texcoords=True, props=properties)
    parameters = mi.traverse(mesh)
    corners = plane.corners_mm
    normal = np.cross(corners[1] - corners[0], corners[3] - corners[0])
    parameters["vertex_positions"] = np.ravel(corners).astype(np.float32)
    parameters["vertex_normals"] = np.tile(normal / np.linalg.norm(normal), 4).astype(np.float32)
    parameters["faces"] = np.array([0, 1, 2, 0, 2, 3], np.uint32)
    parameters["vertex_texcoords"] = np.ravel(np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * plane.repeat).astype(
        np.float32
    )
    parameters.update()
    return mesh


def _pose(lens: Lens) -> object:
    mi = mitsuba()
    turn = np.eye(4)
    turn[:3, :3] = lens.rotation.T @ np.diag([-1.0, -1.0, 1.0])  # Mitsuba's camera: x left, y up, z away
    turn[:3, 3] = -lens.rotation.T @ lens.translation_mm
    return mi.ScalarTransform4f(turn)


def _loaded(setting: Setting, lens: Lens, width_px: int, height_px: int, bounces: int, spp: int) -> tuple[object, list]:
    mi = mitsuba()
    import drjit as dr

    hidden = marker()
    coloured = _painted({"type": "mesh_attribute", "name": "vertex_base"})
    printed = _painted(_bitmap(np.full((4, 4, 3), 0.5) if setting.picture is None else setting.picture))
    shapes = {
        "part": _mesh("part", setting.part or hidden, coloured),
        "reference": _mesh("reference", setting.reference or hidden, printed, textured=True),
        "clutter": _mesh("clutter", setting.clutter or hidden, coloured),
        "bench": _plane("bench", setting.bench),
        "wall": _plane("wall", setting.wall),
        "water": _mesh("water", setting.water or hidden, CLEAR),
    }
    up = mi.ScalarTransform4f().rotate([1, 0, 0], 90)  # the environment's up is y
    place = -lens.rotation.T @ lens.translation_mm + lens.rotation.T @ np.array([9.0, -6.0, 0.0])
    scene = mi.load_dict({
        "type": "scene", **shapes,
        "integrator": {"type": "path", "max_depth": bounces, "rr_depth": 4},
        "environment": {"type": "envmap", "bitmap": mi.Bitmap(np.ascontiguousarray(setting.environment, np.float32)),
                        "to_world": up},
        "flash": {"type": "point", "position": [float(v) for v in place],
                  "intensity": {"type": "rgb", "value": [max(setting.flash, 1e-6)] * 3}},
        "sensor": {
            "type": "thinlens", "fov": float(np.degrees(2 * np.arctan(width_px / 2 / lens.focal_px))), "fov_axis": "x",
            "near_clip": 1.0, "far_clip": 1e6, "to_world": _pose(lens), "aperture_radius": 0.5, "focus_distance": 300.0,
            "sampler": {"type": SAMPLER, "sample_count": spp},
            "film": {"type": "hdrfilm", "width": width_px, "height": height_px, "pixel_format": "rgb",
                     "rfilter": {"type": "box"}},
        },
    }, parallel=False)  # fmt: skip
    parameters = mi.traverse(scene)
    parameters["sensor.aperture_radius"] = dr.opaque(mi.Float, max(lens.aperture_mm, 1e-3)) if _jit() else max(
        lens.aperture_mm, 1e-3)  # fmt: skip
    parameters["sensor.focus_distance"] = dr.opaque(mi.Float, lens.focus_mm) if _jit() else lens.focus_mm
    parameters.update()
    return scene, [shapes["part"], shapes["reference"], shapes["water"]]


def _jit() -> bool:
    return not str(mitsuba().variant()).startswith("scalar")


def _labels(scene: object, shapes: list, lens: Lens, width_px: int, height_px: int) -> NDArray[np.uint8]:
    mi = mitsuba()
    import drjit as dr

    centre = (-lens.rotation.T @ lens.translation_mm).astype(np.float32)
    x, y = np.meshgrid(np.arange(width_px), np.arange(height_px))
    slopes = np.stack([(x - (width_px - 1) / 2) / lens.focal_px, (y - (height_px - 1) / 2) / lens.focal_px,
                       np.ones(x.shape)], -1).reshape(-1, 3)  # fmt: skip
    directions = slopes @ lens.rotation
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    labels = np.zeros(width_px * height_px, np.uint8)
    if not _jit():
        for i, direction in enumerate(directions):
            hit = scene.ray_intersect_preliminary(mi.Ray3f(centre, direction.astype(np.float32)))
            labels[i] = next((k for k, shape in enumerate(shapes, 1) if hit.is_valid() and hit.shape == shape), 0)
        return labels.reshape(height_px, width_px)
    # everything that changes from picture to picture is opaque, or each picture compiles kernels of its own
    origin = [mi.Float(np.full(len(directions), value, np.float32)) for value in centre]
    ray = mi.Ray3f(mi.Point3f(*origin), mi.Vector3f(*[mi.Float(column) for column in directions.T.astype(np.float32)]))
    seen = np.array(dr.reinterpret_array(mi.UInt32, scene.ray_intersect_preliminary(ray).shape))
    for k, shape in enumerate(shapes, 1):
        labels[seen == np.array(dr.reinterpret_array(mi.UInt32, mi.ShapePtr(shape)))[0]] = k
    return labels.reshape(height_px, width_px)


def seen_through(labels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Labels (H, W) in which water has the label of the nearest pixel that is none: a drop is of what it lies on."""
    water = labels == WATER
    if not water.any() or water.all():
        return np.where(water, np.uint8(BACKGROUND), labels)
    rows, columns = distance_transform_edt(water, return_distances=False, return_indices=True)
    return np.asarray(labels[rows, columns], np.uint8)


def mended(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light (H, W, 3) whose non-finite pixels take the mean of the finite ones around them."""
    good = np.isfinite(light).all(axis=2)
    if good.all():
        return light
    light = np.where(good[..., None], light, 0)
    near = cv2.blur(good.astype(np.float32), (9, 9))
    return np.where(good[..., None], light, cv2.blur(light, (9, 9)) / np.maximum(near, 1e-3)[..., None])


def render(
    setting: Setting, lens: Lens, *, width_px: int, height_px: int, spp: int, seed: int, bounces: int = 6
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Linear radiance (H, W, 3) and labels (H, W) uint8: 0 background, 1 part, 2 reference.

    The principal point is the middle of the frame, (W - 1) / 2 with the first pixel's centre at 0.
    """
    mi = mitsuba()
    scene, shapes = _loaded(setting, lens, width_px, height_px, bounces, spp)
    light = np.array(mi.render(scene, spp=spp, seed=seed), np.float32)
    return mended(light[..., :3]), seen_through(_labels(scene, shapes, lens, width_px, height_px))
