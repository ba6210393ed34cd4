"""The splined end of a standing part's stem, seen from above: its number of teeth and diameter, or why neither."""

from __future__ import annotations

import math

import numpy as np

from identify.dimensions import spline
from identify.dimensions.endon import BESIDE_MM, HEIGHTS_MM, Flat, laid_flat
from identify.dimensions.reading import Reading
from identify.dimensions.spline import Ring
from identify.geometry.camera import project
from identify.model import Array, BudgetLine, Camera, NotMeasured, Photo, Pose
from identify.uncertainty import Estimate

COUNT, DIAMETER = "spline_count", "spline_diameter"
SPLINES = (COUNT, DIAMETER)
END_MM, U_END_MM = 62.0, 20.0  # of a stem's end over the bench, before the photo: our own estimate
U_AXIS_MM = 1.2  # of the fitted axis and of the face's centre
U_COUNT = 0.15  # of a count that passed every test: as good as whole
COARSEST_MM = 0.4  # a pixel: the teeth of most stems are 1 to 1.5 mm apart
MOST_MM = 14.0  # over the teeth: a larger ring of teeth is a gear or stop on the body
# The face's border is the tip of the teeth or the inner edge of their bevel, up to an eighth of the radius further in:
# a rectangular distribution, set on rendered stems.
BEVEL_REL = 0.125

_BY_HAND = (
    "Photograph the end of the stem straight from above, near and sharp in even light, or count the teeth by hand."
)
MISSED = {
    spline.FINE: (
        "The teeth of the stem are finer than four pixels.",
        "Photograph the end of the stem from nearer, or count the teeth by hand.",
    ),
    spline.UNCLEAR: ("No even ring of teeth stands out on the end of the stem.", _BY_HAND),
}


def read(
    photo: Photo, camera: Camera, pose: Pose, foot_mm: Array, *, u_size_rel: float
) -> dict[str, Reading] | NotMeasured:
    """Count the teeth on the end of the stem that stands upright over ``foot_mm`` (2,) on the bench, and measure them.

    Returns
    -------
    dict of Reading, or NotMeasured
        NotMeasured where no ring of teeth passes every test of ``identify.dimensions.spline.refusal``.
    """
    flat = laid_flat(photo, camera, pose, foot_mm, height_mm=END_MM)
    if flat is not None and flat.mm_per_px > COARSEST_MM:
        return missed(spline.FINE)
    rings = [] if flat is None else spline.search(flat, BESIDE_MM)
    if flat is None or not rings:
        return missed(spline.UNCLEAR)
    passed = [ring for ring in rings if spline.refusal(ring) is None]
    sized = [(ring, _diameter(flat, ring, foot_mm, u_size_rel)) for ring in passed]
    sized = [(ring, size) for ring, size in sized if size.value <= MOST_MM]
    if len({ring.count for ring, _ in sized}) != 1:  # none, or two that contradict each other
        fine = bool(rings) and not passed and spline.refusal(rings[0]) == spline.FINE
        return missed(spline.FINE if fine else spline.UNCLEAR)
    ring, size = sized[0]
    edge = _ring_px(flat, ring, camera, pose)
    line = edge[[0, len(edge) // 2]]
    count = Estimate(float(ring.count), (BudgetLine("teeth told apart", U_COUNT),))
    method = f"end-on, teeth of {ring.tooth_px:.0f} px by their angular spectrum"
    return {
        COUNT: Reading(COUNT, count, method, line, (edge,)),
        DIAMETER: Reading(
            DIAMETER, size, "end-on, over the teeth, height by the axis and the usual one", line, (edge,)
        ),
    }


def missed(why: str) -> NotMeasured:
    """Why there is no count, and what would give one."""
    return NotMeasured(COUNT, *MISSED[why])


def _height(flat: Flat, ring: Ring, foot_mm: Array) -> tuple[float, float]:
    """Height of the end over the bench with its standard uncertainty [mm].

    Similar triangles: the end's distance from the camera's foot point, as laid flat, is that of the axis times
    (H - flat) / (H - end). What is usual for a stem is the other observation; they are weighed by their variances.
    """
    high = float(flat.camera_mm[2])
    axis = float(np.linalg.norm(foot_mm - flat.camera_mm[:2]))
    seen = float(np.linalg.norm(flat.places(ring.centre_px) - flat.camera_mm[:2]))
    below = axis * (high - flat.height_mm) / max(seen, 1e-6)
    u_below = below * U_AXIS_MM * math.hypot(1 / max(axis, 1e-6), 1 / max(seen, 1e-6))
    weights = np.array([1 / u_below**2, 1 / U_END_MM**2])
    value = float(weights @ [high - below, END_MM]) / float(weights.sum())
    return float(np.clip(value, *HEIGHTS_MM)), float(weights.sum()) ** -0.5


def _diameter(flat: Flat, ring: Ring, foot_mm: Array, u_size_rel: float) -> Estimate:
    """Diameter over the teeth [mm]."""
    height, u_height = _height(flat, ring, foot_mm)
    away = float(flat.camera_mm[2]) - height
    value = 2 * ring.tip_px * flat.mm_per_px * away / (away + height - flat.height_mm) / (1 - BEVEL_REL / 2)
    budget = (
        BudgetLine("height", value * u_height / away),
        BudgetLine("bevel of the teeth", value * BEVEL_REL / 2 / math.sqrt(3)),
        BudgetLine("reference size", value * u_size_rel),
        BudgetLine("part edge", 0.5 * flat.mm_per_px),
        BudgetLine("pose", 0.01 * value),
    )
    return Estimate(value, budget)


def _ring_px(flat: Flat, ring: Ring, camera: Camera, pose: Pose) -> Array:
    """The circle over the teeth (64, 2) [px]."""
    angle = np.linspace(0, 2 * math.pi, 64, endpoint=False)
    ring_px = ring.centre_px + ring.tip_px * np.column_stack([np.cos(angle), np.sin(angle)])
    return project(camera, pose, np.column_stack([flat.places(ring_px), np.full(64, flat.height_mm)]))
