"""Spindle ends that a handle sits on: square, spline, hexagon, flatted; and draws shared by the families."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from data_synthetic.boolean import combined
from data_synthetic.mesh import (
    Solid,
    cylinder,
    hexagon,
    lathe,
    o_ring,
    polygon_xy,
    prism,
    rings,
    rotation_about,
    splined,
)
from data_synthetic.thread import threaded

SPLINE_COUNTS = (18, 20, 22, 24, 28, 32, 36)


@dataclass(frozen=True, slots=True, eq=False)
class End:
    """Solids of a spindle end, its top [mm] and its true dimensions."""

    solids: tuple[Solid, ...]
    top_mm: float
    dimensions_mm: dict[str, float] = field(default_factory=dict)


def pick(rng: np.random.Generator, weights: dict[str, float]) -> str:
    """One key by weight."""
    names = list(weights)
    shares = np.array([weights[name] for name in names], float)
    return names[int(rng.choice(len(names), p=shares / shares.sum()))]


def within(rng: np.random.Generator, low: float, high: float) -> float:
    """Uniform draw, as a plain float."""
    return float(rng.uniform(low, high))


def lost(rng: np.random.Generator, chance: float = 0.08) -> bool:
    """Whether a loose piece (washer, ring, clip, disc) is missing, as on an insert that came apart."""
    return bool(rng.random() < chance)


def tinted_ring(rng: np.random.Generator, outer_mm: float, section_mm: float, z_mm: float, share: float) -> Solid:
    """O-ring, black or with a chance of ``share`` coloured."""
    ring = o_ring(outer_mm, section_mm, z_mm)
    return ring.of("coloured_rubber", tint=plastic_tint(rng)) if rng.random() < share else ring


def plastic_tint(rng: np.random.Generator) -> tuple[float, float, float]:
    """An sRGB colour as mouldings and rubbers come: red, blue, green, yellow, orange, beige, grey..."""
    hues = ((200, 40, 35), (30, 75, 160), (40, 130, 70), (225, 180, 40), (220, 110, 30), (205, 190, 160),
            (120, 125, 130), (60, 60, 65), (235, 232, 225), (90, 60, 130), (20, 130, 150))  # fmt: skip
    colour = np.array(hues[int(rng.integers(len(hues)))]) / 255
    return tuple(float(v) for v in np.clip(colour * rng.uniform(0.8, 1.15), 0.02, 0.98))


def sleeve(rng: np.random.Generator, z_mm: float, widest_mm: float, material: str) -> tuple[Solid, float]:
    """Smooth tube of a long head from the hexagon up to the spindle, for a shroud to slide on; and its top [mm]."""
    r, long = within(rng, 0.27, 0.45) * widest_mm, within(rng, 20, 62)
    foot = within(rng, 1.05, 1.5) * r
    rise, top = within(rng, 0.5, 6.0), z_mm + long
    profile = [(min(foot, widest_mm * 0.49), z_mm - 0.5), (r, z_mm + rise)]
    end = pick(rng, {"plain": 0.4, "lip": 0.3, "neck": 0.3})
    if end == "lip":
        lip, high = r * within(rng, 1.08, 1.3), within(rng, 1.2, 3.5)
        profile += [(r, top - high - 0.3), (lip, top - high), (lip, top - 0.4), (lip - 0.4, top)]
    elif end == "neck":
        neck, high = r * within(rng, 0.72, 0.92), within(rng, 2.0, 9.0)
        profile += [(r, top - high - 0.5), (neck, top - high), (neck, top - 0.3), (neck - 0.3, top)]
    else:
        profile += [(r, top - 0.6), (r - 0.6, top)]
    return lathe(profile, material, around=64), top


def taper_square(across_mm: float, top_across_mm: float, z0_mm: float, z1_mm: float, material: str) -> Solid:
    """Square that narrows towards the top."""
    levels = np.linspace(0, 1, 6)
    points = []
    for t in levels:
        outline = polygon_xy(4, across_mm + (top_across_mm - across_mm) * t, corner_mm=0.12 * across_mm)
        points.append(np.column_stack([outline, np.full(len(outline), z0_mm + (z1_mm - z0_mm) * t)]))
    return rings(np.array(points), material)


def drilled(solid: Solid, top_mm: float, diameter_mm: float, deep_mm: float, *, around: int = 24) -> Solid:
    """The solid with a screw hole from its top on the axis."""
    r = diameter_mm / 2
    hole = lathe([(r, top_mm - deep_mm), (r, top_mm + 1)], solid.material, around=around, longest_mm=50)
    return combined(solid, "minus", hole)


def spindle_end(
    rng: np.random.Generator, kind: str, z0_mm: float, length_mm: float, material: str, *, shaft_mm: float,
    count: int | None = None,
) -> End:  # fmt: skip
    """End of ``kind`` (square, taper-square, spline, hexagon, flatted) from z0 up, about as thick as the shaft."""
    top = z0_mm + length_mm
    dimensions: dict[str, float] = {}
    if kind == "spline":
        count = int(rng.choice(SPLINE_COUNTS, p=(0.12, 0.3, 0.08, 0.25, 0.12, 0.05, 0.08))) if count is None else count
        over = max(shaft_mm * within(rng, 0.85, 1.05), 6.8)
        depth = min(0.62, 0.9 * np.pi * over / count / 2)
        solid = splined(count, over, z0_mm, top, material, depth_mm=depth, land=within(rng, 0.1, 0.45))
        dimensions = {"spline_count": float(count), "spline_diameter": over}
    elif kind == "square":
        across = within(rng, 0.72, 0.9) * shaft_mm
        solid = prism(polygon_xy(4, across, corner_mm=within(rng, 0.02, 0.14) * across), z0_mm, top, material)
        dimensions = {"stem_square": across}
    elif kind == "taper-square":
        across = within(rng, 0.8, 0.95) * shaft_mm
        solid = taper_square(across, across * within(rng, 0.78, 0.92), z0_mm, top, material)
    elif kind == "hexagon":
        solid = hexagon(within(rng, 0.75, 0.88) * shaft_mm, z0_mm, top, material)
    else:
        bar = cylinder(shaft_mm, z0_mm, top, material, chamfer_mm=0.5, around=48)
        half = shaft_mm * within(rng, 0.32, 0.42)
        keep = np.array([[half, -20], [half, 20], [-half if rng.random() < 0.5 else -20, 20], [-20, -20]], float)
        keep[3, 0] = keep[2, 0]
        solid = combined(bar, "and", prism(keep, z0_mm - 1, top + 1, material, chamfer_mm=0.0))
    solids = [solid]
    finish = pick(rng, {"bored": 0.62, "screw": 0.1, "bare": 0.14, "stud": 0.06, "cross-hole": 0.08})
    if finish == "bored":
        solids = [drilled(solid, top, within(rng, 3.2, 4.6), within(rng, 5, 9))]
    elif finish == "screw":
        solids += _screw(rng, top, shaft_mm)
    elif finish == "stud":
        wide, long = within(rng, 3.8, 5.2), within(rng, 4, 8)
        solids.append(threaded(wide, 0.8, top - 1, top + long, material, form="metric", around=28))
        if rng.random() < 0.5:
            solids.append(hexagon(1.7 * wide, top + 0.8, top + 0.8 + 0.6 * wide, "steel"))
        top += long
    elif finish == "cross-hole":
        pin = cylinder(within(rng, 2.0, 3.2), -20, 20, material, around=20)
        place = (0.0, 0.0, z0_mm + length_mm * within(rng, 0.4, 0.7))
        solids = [combined(solid, "minus", pin.moved(place, rotation=rotation_about("x", 90)))]
    return End(tuple(solids), top, dimensions)


def _screw(rng: np.random.Generator, top_mm: float, shaft_mm: float) -> list[Solid]:
    r, high = shaft_mm * within(rng, 0.35, 0.5), within(rng, 1.5, 2.8)
    head = lathe([(r, top_mm), (r, top_mm + high * 0.5), (r * 0.6, top_mm + high)], "steel", around=32)
    slot = prism(np.array([[9, -0.5], [9, 0.5], [-9, 0.5], [-9, -0.5]]), top_mm + high * 0.5, top_mm + 9, "steel")
    return [combined(head, "minus", slot)]
