"""Thermostatic elements: brass or plastic body, O-rings, strainers, wax capsule, return spring, splined stem."""

from __future__ import annotations

import numpy as np

from data_synthetic.boolean import combined
from data_synthetic.insert import finished
from data_synthetic.mesh import (
    Part,
    Solid,
    cylinder,
    hexagon,
    hoop,
    lathe,
    o_ring,
    rotation_about,
    rounded_box,
    splined,
    washer,
)  # fmt: skip
from data_synthetic.spindle import lost, pick, plastic_tint, spindle_end, within
from data_synthetic.thread import spring, threaded

CLASS = "thermostatic"
_HEXAGON = (np.cos(np.arange(6) * np.pi / 3).tolist(), np.sin(np.arange(6) * np.pi / 3).tolist())


def build(rng: np.random.Generator) -> Part:
    """One thermostatic element, capsule end down, handle stem up."""
    diameter = within(rng, 23, 47)
    r = diameter / 2
    plastic = rng.random() < 0.42
    body = pick(rng, {"black_plastic": 0.4, "grey_plastic": 0.3, "white_plastic": 0.3}) if plastic else pick(
        rng, {"brass": 0.65, "satin_nickel": 0.15, "bright_brass": 0.2})  # fmt: skip
    solids, z = _tail(rng, r)
    more, z, widest = _barrel(rng, r, z, body, plastic=plastic)
    solids += more
    more, z, flats = _shoulder(rng, r, z, body)
    solids += more
    more, z = _gear(rng, r, z)
    solids += more
    stem_material = pick(rng, {"brass": 0.5, "white_plastic": 0.25, "black_plastic": 0.15, "steel": 0.1})
    shaft = within(rng, 8.5, 12.5)
    solids.append(cylinder(shaft * 0.95, z - 2, z + within(rng, 1, 4), stem_material, around=48))
    count = int(rng.choice([18, 20, 24, 28, 32, 36, 40], p=[0.08, 0.2, 0.22, 0.12, 0.13, 0.15, 0.1]))
    kind = pick(rng, {"spline": 0.85, "square": 0.08, "flatted": 0.07})
    end = spindle_end(rng, kind, z + 1, within(rng, 7, 16), stem_material, shaft_mm=shaft, count=count)
    solids += end.solids
    dimensions = {"body_diameter": diameter, **end.dimensions_mm}
    if flats is not None:
        dimensions["hex_across_flats"] = flats
    return finished(CLASS, f"{'plastic' if plastic else 'brass'} body", solids, dimensions_mm=dimensions, variety={},
                    rim_z_mm=widest)  # fmt: skip


def _tail(rng: np.random.Generator, r: float) -> tuple[list[Solid], float]:
    """Wax capsule with its return spring and guide below the body."""
    capsule = within(rng, 6.5, 12)
    long = within(rng, 7, 32)
    metal = pick(rng, {"copper": 0.4, "brass": 0.45, "steel": 0.15})
    solids = [lathe([(capsule * 0.3, 0), (capsule / 2, 1.2), (capsule / 2, long * 0.6), (capsule * 0.36, long * 0.65),
                     (capsule * 0.36, long + 2)], metal, around=48)]  # fmt: skip
    if rng.random() < 0.75 and not lost(rng):
        wire = within(rng, 1.1, 2.2)
        outer = min(within(rng, 1.25, 1.9) * capsule + 2 * wire, 2 * r - 2)
        low = within(rng, 0.5, long * 0.35)
        solids.append(
            spring(outer, wire, low, long + 1, within(rng, 3, 6), top_outer_mm=outer * within(rng, 0.9, 1.25))
        )
        if rng.random() < 0.5:
            cup = pick(rng, {"brass": 0.5, "white_plastic": 0.25, "steel": 0.25})
            solids.append(washer(outer + 1.0, capsule, max(low - 1.2, 0.1), low + 0.4, cup))
    if rng.random() < 0.35:
        frame = within(rng, 1.4, 2.0) * capsule / 2
        for k in range(3):
            leg = rounded_box((2.0, 3.0, long + 1), "black_plastic", radius_mm=0.3).moved(
                (min(frame + 3, r - 2), 0, 0.3)
            )
            solids.append(leg.moved((0, 0, 0), rotation=rotation_about("z", 120.0 * k)))
        solids.append(washer(2 * min(frame + 4, r - 1), 2 * min(frame + 2, r - 3), 0.2, 2.2, "black_plastic"))
    return solids, long


def strainer(rng: np.random.Generator, r: float, z0: float, z1: float) -> list[Solid]:
    """Mesh band: wires and bars over a dark drum, or a pierced plastic screen."""
    solids = [cylinder(2 * r - 1.2, z0, z1, "black_plastic", chamfer_mm=0.1)]
    material = pick(rng, {"steel": 0.6, "white_plastic": 0.2, "black_plastic": 0.2})
    count = max(3, int((z1 - z0) / within(rng, 0.9, 1.6)))
    for z in np.linspace(z0 + 0.3, z1 - 0.3, count):
        section = [(r - 0.28 + 0.28 * c, float(z) + 0.28 * s) for c, s in zip(*_HEXAGON, strict=True)]
        solids.append(hoop(section, material, around=56, crease_deg=80))
    bars = int(rng.integers(16, 44))
    for k in range(bars):
        angle = 2 * np.pi * k / bars
        bar = cylinder(0.5, z0, z1, material, chamfer_mm=0.05, around=6)
        solids.append(bar.moved(((r - 0.3) * np.cos(angle), (r - 0.3) * np.sin(angle), 0)))
    return solids


def _carrier(rng: np.random.Generator, r: float, z0: float, z1: float) -> list[Solid]:
    """Moulded carrier: upright ribs round a core, open between."""
    material, tint = "coloured_plastic", plastic_tint(rng)
    solids = [cylinder(1.4 * r, z0 - 0.5, z1 + 0.5, pick(rng, {"brass": 0.4, "black_plastic": 0.6}), chamfer_mm=0.1)]
    count = int(rng.integers(4, 11))
    for k in range(count):
        rib = rounded_box((0.4 * r, within(rng, 1.2, 2.6), z1 - z0 + 1), material, radius_mm=0.2)
        turn = rotation_about("z", 360.0 * k / count)
        solids.append(rib.of(material, tint=tint).moved((0.78 * r, 0, z0 - 0.5)).moved((0, 0, 0), rotation=turn))
    return solids


def _barrel(
    rng: np.random.Generator, r: float, z: float, body: str, *, plastic: bool
) -> tuple[list[Solid], float, tuple[float, float]]:
    """Two or three lands with O-rings between strainers or ported grooves; the upper land is the widest."""
    tint = plastic_tint(rng) if plastic and rng.random() < 0.25 else None
    body = "coloured_plastic" if tint else body
    seal_tint = plastic_tint(rng) if rng.random() < 0.25 else None
    solids: list[Solid] = []
    lands = int(rng.choice((2, 3, 4), p=(0.45, 0.4, 0.15)))
    widest = (z, z + 1)
    radii = [*sorted(r * within(rng, 0.74, 0.97) for _ in range(lands - 1)), r]
    for k, radius in enumerate(radii):
        tall = within(rng, 4, 9)
        groove_z = z + tall * within(rng, 0.4, 0.6)
        cord = within(rng, 2.0, 3.2)
        g0, g1, deep = groove_z - cord * 0.6, groove_z + cord * 0.6, cord * 0.75
        profile = [(radius - 0.4, z), (radius, z + 0.4), (radius, g0), (radius - deep, g0 + 0.01),
                   (radius - deep, g1 - 0.01), (radius, g1), (radius, z + tall - 0.4),
                   (radius - 0.4, z + tall)]  # fmt: skip
        solids.append(lathe(profile, body).of(body, tint=tint))
        inner = 2 * (radius - deep) + 2 * cord - within(rng, 0.0, 0.3)
        ring = o_ring(min(inner, 2 * radius + 0.9), cord * 0.95, groove_z)
        if not lost(rng):
            solids.append(ring.of("coloured_rubber", tint=seal_tint) if seal_tint else ring)
        widest = (z, z + tall)
        z += tall
        if k == len(radii) - 1:
            break
        gap, waist = within(rng, 3, 12), radius * within(rng, 0.8, 0.96)
        kind = pick(rng, {"strainer": 0.45, "ports": 0.27, "plain": 0.13, "ribs": 0.15})
        if kind == "strainer" and not lost(rng):
            solids += strainer(rng, waist, z, z + gap)
        elif kind == "ribs":
            solids += _carrier(rng, waist, z, z + gap)
        else:
            neck = cylinder(2 * waist * 0.9, z - 1, z + gap + 1, body, chamfer_mm=0.1)
            for side in range(4 if kind == "ports" else 0):
                hole = rounded_box((waist, waist * 0.7, gap * 0.7), body, radius_mm=0.4).moved(
                    (waist, 0, z + gap * 0.15)
                )
                neck = combined(neck, "minus", hole.moved((0, 0, 0), rotation=rotation_about("z", 90.0 * side)))
            solids.append(neck.of(body, tint=tint))
        z += gap
    return solids, z, widest


def _shoulder(rng: np.random.Generator, r: float, z: float, body: str) -> tuple[list[Solid], float, float | None]:
    """Retaining thread, nut or flange above the barrel, always inside the body's diameter."""
    kind = pick(rng, {"thread": 0.4, "hexagon": 0.35, "flange": 0.25})
    metal = body if not body.endswith("plastic") else pick(rng, {"brass": 0.5, "chrome": 0.2, body: 0.3})
    if kind == "thread":
        high = within(rng, 5, 10)
        solids: list[Solid] = [threaded(2 * r - within(rng, 0.2, 3), within(rng, 1.0, 1.6), z - 0.5, z + high, metal,
                                        form="metric")]  # fmt: skip
        z += high
        if rng.random() < 0.5:
            flats = 2 * r * within(rng, 0.62, 0.8)
            solids.append(hexagon(flats, z - 0.3, z + 5, metal))
            return solids, z + 5, flats
        return solids, z, None
    if kind == "hexagon":
        flats, high = 2 * r * within(rng, 0.68, 0.855), within(rng, 5, 9)
        return [hexagon(flats, z - 0.3, z + high, metal)], z + high, flats
    high, wide = within(rng, 2.5, 6), r * within(rng, 0.8, 0.99)
    flange = cylinder(2 * wide, z - 0.3, z + high, metal, chamfer_mm=0.5)
    for k in range(int(rng.integers(0, 4))):
        notch = rounded_box((5, 4, high + 4), metal, radius_mm=0.3).moved((wide, 0, z - 1))
        flange = combined(flange, "minus", notch.moved((0, 0, 0), rotation=rotation_about("z", 90.0 * k)))
    return [flange.of(metal)], z + high, None


def _gear(rng: np.random.Generator, r: float, z: float) -> tuple[list[Solid], float]:
    """Neck and the plastic stop ring for 38 degrees, when fitted."""
    neck, high = r * within(rng, 0.45, 0.75), within(rng, 3, 12)
    material = pick(rng, {"brass": 0.6, "white_plastic": 0.2, "grey_plastic": 0.2})
    solids = [lathe([(neck, z - 0.5), (neck, z + high - 0.6), (neck - 0.6, z + high)], material)]
    if rng.random() < 0.45:
        tint, deep = plastic_tint(rng), within(rng, 3, 6)
        ring = splined(int(rng.integers(20, 40)), 2 * neck + within(rng, 3, 6), z + high - deep, z + high - 0.2,
                       "coloured_plastic", depth_mm=0.7)  # fmt: skip
        solids.append(ring.of("coloured_plastic", tint=tint))
        lug = rounded_box((4, 4, deep), "coloured_plastic", radius_mm=0.4).of("coloured_plastic", tint=tint)
        solids.append(lug.moved((neck + 2.0, 0, z + high - deep)))
    elif rng.random() < 0.4:
        solids.append(hoop([(neck - 0.5, z + high * 0.4), (neck + 0.8, z + high * 0.4),
                            (neck + 0.8, z + high * 0.4 + 1), (neck - 0.5, z + high * 0.4 + 1)], "steel"))  # fmt: skip
    return solids, z + high
