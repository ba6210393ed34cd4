"""Screw threads with their true helix, and coil springs.

Sources: ISO 228-1:1994 (parallel pipe threads: major diameter, threads per inch; 55 degree Whitworth form with
H = 0.960491 P, depth h = 0.640327 P, crest and root radius 0.137329 P); ISO 724 (metric: d3 = d - 1.226869 P).
"""

from __future__ import annotations

import math

import numpy as np

from data_synthetic.mesh import Array, Solid, grid_faces, solid, tube

#: ISO 228-1: major diameter [mm] and pitch [mm] by size.
PIPE_THREADS = {
    "G1/4": (13.157, 25.4 / 19), "G3/8": (16.662, 25.4 / 19), "G1/2": (20.955, 25.4 / 14),
    "G3/4": (26.441, 25.4 / 14), "G1": (33.249, 25.4 / 11), "G1 1/4": (41.910, 25.4 / 11),
}  # fmt: skip
STEPS = 12  # stations a turn along the axis


def depth_mm(pitch_mm: float, *, form: str = "whitworth") -> float:
    """Depth of thread [mm]: ISO 228-1 ("whitworth") or ISO 724 external ("metric")."""
    return {"whitworth": 0.640327, "metric": 0.613435}[form] * pitch_mm


def drop_mm(turns: Array, pitch_mm: float, *, form: str = "whitworth") -> Array:
    """Depth below the crest [mm] at a place along the axis in pitches (crest at whole numbers)."""
    away = np.abs(turns - np.round(turns)) * pitch_mm
    full = depth_mm(pitch_mm, form=form)
    if form == "metric":
        return np.clip((away - pitch_mm / 16) / math.tan(math.radians(30.0)), 0.0, full)
    radius, slope = 0.137329 * pitch_mm, math.tan(math.radians(27.5))
    tangent = radius * math.cos(math.radians(27.5))

    def rounded(reach: Array) -> Array:
        return radius - np.sqrt(np.maximum(radius**2 - np.minimum(reach, tangent) ** 2, 0.0))

    flank = rounded(np.array(tangent)) + (away - tangent) / slope
    other = pitch_mm / 2 - away
    return np.where(away < tangent, rounded(away), np.where(other < tangent, full - rounded(other), flank))


def threaded(
    major_mm: float, pitch_mm: float, z0_mm: float, z1_mm: float, material: str, *, form: str = "whitworth",
    left: bool = False, runout_turns: float = 0.8, around: int = 72, wear_mm: float = 0.0,
) -> Solid:  # fmt: skip
    """Externally threaded bar from z0 to z1 [mm], crest diameter ``major_mm``, ends run out to the root.

    ``wear_mm`` takes the crests down by that radius (plating wear, damaged crests): the true diameter falls by twice.
    """
    angle = 2 * np.pi * np.arange(around) / around
    count = max(8, math.ceil((z1_mm - z0_mm) / pitch_mm * STEPS))
    z = z0_mm + np.arange(count + 1) * pitch_mm / STEPS
    z[-1] = z1_mm
    turns = z[:, None] / pitch_mm + (1 if left else -1) * angle[None, :] / (2 * np.pi)
    full = depth_mm(pitch_mm, form=form)
    drop = np.maximum(drop_mm(turns, pitch_mm, form=form), wear_mm)
    ends = np.minimum(z - z0_mm, z1_mm - z) / (runout_turns * pitch_mm)
    fade = np.clip(1 - ends, 0, 1)[:, None]
    radius = major_mm / 2 - np.maximum(drop, fade * full)
    points = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.broadcast_to(z[:, None], radius.shape)], -1)
    vertices = np.concatenate([points.reshape(-1, 3), [[0, 0, z0_mm], [0, 0, z1_mm]]])
    j = np.arange(around)
    k, low, base = (j + 1) % around, len(vertices) - 2, count * around
    caps = np.concatenate([np.stack([k, j, np.full(around, low)], -1),
                           np.stack([base + j, base + k, np.full(around, low + 1)], -1)])  # fmt: skip
    faces = np.concatenate([grid_faces(count + 1, around, wrap=True), caps])
    return solid(vertices, faces, material, crease_deg=50)


def pipe_thread(
    size: str, z0_mm: float, z1_mm: float, material: str, *, left: bool = False, wear_mm: float = 0.0
) -> Solid:
    """Male parallel pipe thread of an ISO 228-1 size ("G1/2"...)."""
    major, pitch = PIPE_THREADS[size]
    return threaded(major, pitch, z0_mm, z1_mm, material, left=left, wear_mm=wear_mm)


def spring(
    outer_mm: float, wire_mm: float, z0_mm: float, z1_mm: float, turns: float, material: str = "steel", *,
    top_outer_mm: float | None = None,
) -> Solid:  # fmt: skip
    """Coil spring from z0 to z1 [mm]; ``top_outer_mm`` makes it conical."""
    t = np.linspace(0.0, 1.0, max(24, int(turns * 22)))
    angle = 2 * np.pi * turns * t
    top = outer_mm if top_outer_mm is None else top_outer_mm
    radius = (outer_mm + (top - outer_mm) * t - wire_mm) / 2
    z = z0_mm + wire_mm / 2 + (z1_mm - z0_mm - wire_mm) * t
    return tube(np.column_stack([radius * np.cos(angle), radius * np.sin(angle), z]), wire_mm, material, around=8)
