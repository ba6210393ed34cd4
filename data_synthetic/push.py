"""Push (non-hold-open, demand) heads: a threaded body, a plunger or button over a spring, a piston with a cup seal."""

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
    washer,
)  # fmt: skip
from data_synthetic.spindle import lost, pick, plastic_tint, tinted_ring, within
from data_synthetic.thread import PIPE_THREADS, depth_mm, pipe_thread, spring, threaded

CLASS = "push-non-hold-open"


def build(rng: np.random.Generator) -> Part:
    """One push head, piston end down."""
    size = pick(rng, {"G1/2": 0.62, "G3/4": 0.33, "G3/8": 0.05})
    major, pitch = PIPE_THREADS[size]
    minor = major - 2 * depth_mm(pitch)
    metal = pick(rng, {"brass": 0.45, "chrome": 0.3, "satin_nickel": 0.15, "bright_brass": 0.1})
    solids, z = _piston(rng, minor, metal)
    thread_bottom, thread_top = z, z + within(rng, 7, 14)
    solids.append(pipe_thread(size, thread_bottom, thread_top, metal))
    z = thread_top
    flats = float(rng.choice((24, 26, 27, 28, 30, 32) if major > 24 else (19, 20, 21, 22, 24, 25)))
    if rng.random() < 0.5 and not lost(rng):
        solids.append(tinted_ring(rng, major + within(rng, 0.5, 2.0), 2.0, z + 0.9, 0.25))
        z += 0.8
    if flats < major + 1 or rng.random() < 0.5:
        thick = within(rng, 1.5, 3)
        solids.append(cylinder(max(major + 3, flats * 1.06), z, z + thick, metal))
        z += thick
    high = within(rng, 5, 9)
    solids.append(hexagon(flats, z, z + high, metal))
    z += high
    barrel, tall = min(flats * within(rng, 0.72, 0.95), flats - 0.5), within(rng, 3, 18)
    if rng.random() < 0.4:
        solids.append(threaded(barrel, 1.0, z - 1, z + tall, metal, form="metric"))
    else:
        solids.append(cylinder(barrel, z - 0.5, z + tall, metal, chamfer_mm=0.7))
    z += tall
    solids += _top(rng, z, barrel, metal)
    dimensions = {"thread_major_diameter": major, "thread_pitch": pitch, "hex_across_flats": flats}
    rim = (thread_bottom + depth_mm(pitch), thread_top - depth_mm(pitch))
    level = solids[-1].vertices_mm[:, 2].max()
    crown = [piece for piece in solids if piece.vertices_mm[:, 2].max() > level - 0.5]
    tops = (piece.vertices_mm[piece.vertices_mm[:, 2] > level - 0.3] for piece in crown)
    broad = max(float(np.hypot(*top[:, :2].T).max(initial=0.0)) for top in tops)
    ends = ("seat", "spindle") if broad > 6 else ("seat",)
    return finished(CLASS, f"{size} push", solids, dimensions_mm=dimensions, variety={}, rim_z_mm=rim, stands_on=ends)


def _piston(rng: np.random.Generator, minor: float, metal: str) -> tuple[list[Solid], float]:
    """Below the thread: washer on a stem inside a spring, a timing piston with a cup seal, or a slotted cage."""
    kind = pick(rng, {"spring": 0.36, "cup": 0.27, "cage": 0.2, "timer": 0.17})
    solids: list[Solid] = []
    tint = plastic_tint(rng) if rng.random() < 0.35 else None
    if kind == "spring":
        seal, long = within(rng, 0.68, 0.9) * minor, within(rng, 9, 20)
        disc = washer(seal, 3.5, 1.0, 1.0 + within(rng, 2.5, 4), "rubber")
        if not lost(rng):
            solids.append(disc.of("coloured_rubber", tint=tint) if tint else disc)
        solids.append(hexagon(within(rng, 5.5, 7), 0, 1.6, "brass"))
        solids.append(cylinder(seal * 1.04, 4.0, 5.6, metal))
        solids.append(cylinder(within(rng, 4, 6), 5, long + 6, pick(rng, {"brass": 0.6, "steel": 0.4}), around=32))
        wire = within(rng, 0.8, 1.5)
        if not lost(rng, 0.06):
            narrow = seal * within(rng, 0.55, 0.95) if rng.random() < 0.35 else None
            solids.append(spring(min(seal * 0.95, minor - 1), wire, 5.2, long + 6, within(rng, 4, 10),
                                 top_outer_mm=narrow))  # fmt: skip
        return solids, long + 5
    if kind == "timer":
        return _timer(rng, minor, tint)
    if kind == "cup":
        long, wide = within(rng, 12, 28), minor * within(rng, 0.82, 0.97)
        piston = pick(rng, {"white_plastic": 0.4, "black_plastic": 0.3, "brass": 0.3})
        solids.append(lathe([(wide * 0.3, 0), (wide * 0.42, 1.5), (wide * 0.42, 4)], "rubber"))
        profile = [
            (wide / 2 - 0.6, 3),
            (wide / 2 - 0.6, long * 0.5),
            (wide / 2 - 1.8, long * 0.52),
            (wide / 2 - 1.8, long + 1),
        ]
        solids.append(lathe(profile, piston))
        cup = lathe([(wide / 2 - 1.5, 4), (wide / 2, 6.5), (wide / 2 - 0.8, 7.5)], "rubber")
        solids.append(cup.of("coloured_rubber", tint=tint) if tint else cup)
        for k in range(int(rng.integers(1, 3))):
            solids.append(o_ring(wide + 0.3, 2.2, long * (0.55 + 0.2 * k)))
        return solids, long
    long, wide = within(rng, 12, 24), minor * within(rng, 0.86, 0.98)
    ro, ri = wide / 2, wide / 2 - 1.6
    cage_material = pick(rng, {metal: 0.5, "white_plastic": 0.25, "black_plastic": 0.25})
    cage = hoop([(ri, 1.5), (ro, 1.5), (ro, long + 0.5), (ri, long + 0.5)], cage_material)
    for k in range(3):
        slot = rounded_box((wide * 0.38, wide, long * 0.5), cage_material, radius_mm=0.5)
        place = slot.moved((0, wide * 0.55, 1.5 + long * 0.22))
        cage = combined(cage, "minus", place.moved((0, 0, 0), rotation=rotation_about("z", 120.0 * k)))
    solids.append(cage.of(cage_material))
    solids.append(spring(2 * ri - 0.4, 1.0, 2, long, within(rng, 5, 9)))
    solids.append(cylinder(2 * ri * 0.55, 2, long, "brass", around=40))
    end = washer(wide * 0.94, 4, 0, 2.0, "rubber")
    solids.append(end.of("coloured_rubber", tint=tint) if tint else end)
    return solids, long


def _timer(
    rng: np.random.Generator, minor: float, tint: tuple[float, float, float] | None
) -> tuple[list[Solid], float]:
    """Delay cartridge: moulded chamber with ribs and a bleed hole, lip seal about it, seat disc on a short stem."""
    long, wide = within(rng, 16, 34), minor * within(rng, 0.86, 0.99)
    case = pick(rng, {"white_plastic": 0.3, "black_plastic": 0.3, "coloured_plastic": 0.25, "brass": 0.15})
    shade = plastic_tint(rng) if case == "coloured_plastic" else None
    z, r = within(rng, 4, 8), wide / 2
    disc = cylinder(wide * within(rng, 0.6, 0.9), 0, within(rng, 2, 3.5), "rubber", chamfer_mm=0.6)
    solids = [disc.of("coloured_rubber", tint=tint) if tint else disc, cylinder(within(rng, 4, 7), 1, z + 1, "brass")]
    grooves = int(rng.integers(1, 4))
    profile = [(r - 1.2, z), (r, z + 1.2)]
    for k in range(grooves):
        at, deep = z + (long - z) * (k + 0.6) / (grooves + 0.6), within(rng, 0.8, 2.0)
        profile += [(r, at - 1.2), (r - deep, at - 1.1), (r - deep, at + 1.1), (r, at + 1.2)]
        if rng.random() < 0.6:
            solids.append(tinted_ring(rng, wide + 0.2, min(2.4, 2 * deep), at, 0.3))
    solids.append(lathe([*profile, (r, long + 1)], case).of(case, tint=shade))
    lip = lathe([(r - 0.6, z + 0.6), (r + 0.25, z + 2.2), (r - 0.4, z + 3.0)], "rubber")
    if not lost(rng):
        solids.append(lip.of("coloured_rubber", tint=tint) if tint else lip)
    return solids, long


def _flush(rng: np.random.Generator, z: float, barrel: float, metal: str) -> list[Solid]:
    """Button that sits in a collar: ring of metal, disc of metal or plastic with a dimple or a raised dot in it."""
    high, wide = within(rng, 3, 9), barrel * within(rng, 0.95, 1.3)
    face, rise = wide * within(rng, 0.6, 0.85), within(rng, -0.8, 5.0)
    bore, rim = face / 2 + 0.3, wide / 2
    collar = hoop([(bore, z - 0.5), (rim, z - 0.5), (rim, z + high - 0.8), (rim - 0.8, z + high), (bore, z + high)],
                  pick(rng, {"chrome": 0.6, metal: 0.4}))  # fmt: skip
    made = pick(rng, {"chrome": 0.4, metal: 0.25, "coloured_plastic": 0.2, "black_plastic": 0.15})
    tint = plastic_tint(rng) if made == "coloured_plastic" else None
    top, edge = z + high + rise, within(rng, 0.5, 1.5)
    button = lathe([(face / 2, z - 0.4), (face / 2, top - edge), (face / 2 - edge, top), (face * 0.2, top + 0.2)], made,
                   crease_deg=40)  # fmt: skip
    solids = [collar, button.of(made, tint=tint)]
    if rng.random() < 0.4:
        mark = cylinder(face * within(rng, 0.2, 0.4), top - 0.3, top + 0.45, "coloured_plastic", around=32)
        solids.insert(0, mark.of("coloured_plastic", tint=plastic_tint(rng)))
    return solids


def _boot(z: float, stem: float, out: float) -> list[Solid]:
    """Rubber bellows over the plunger's foot."""
    r, folds = stem / 2 + 1.0, 4
    steps = [(r + (2.2 if k % 2 else 0.6), z + out * 0.7 * k / (2 * folds)) for k in range(2 * folds + 1)]
    return [lathe(steps, "rubber", crease_deg=50)]


def _top(rng: np.random.Generator, z: float, barrel: float, metal: str) -> list[Solid]:
    """Plunger that is pushed: a bare stem on a spring, a mushroom button or a cap."""
    kind = pick(rng, {"stem": 0.38, "button": 0.25, "cap": 0.2, "flush": 0.17})
    if kind == "flush":
        return _flush(rng, z, barrel, metal)
    solids: list[Solid] = []
    stem = within(rng, 6, min(12, barrel * 0.7))
    out = within(rng, 8, 22)
    if kind == "stem":
        if rng.random() < 0.12:
            solids += _boot(z, stem, out)
        elif rng.random() < 0.65:
            wire = within(rng, 0.9, 1.6)
            solids.append(
                spring(min(stem + 2 * wire + 2, barrel - 0.5), wire, z - 0.2, z + out * 0.8, within(rng, 3, 7))
            )
            solids.append(washer(min(stem + 7, barrel), stem, z + out * 0.8, z + out * 0.8 + 1.0, "steel"))
        tip = within(rng, 0.3, 1.2)
        solids.append(lathe([(stem / 2, z - 1), (stem / 2, z + out - tip), (stem / 2 - tip, z + out)],
                            pick(rng, {"brass": 0.5, "steel": 0.35, "white_plastic": 0.15})))  # fmt: skip
        return solids
    wide = within(rng, 0.75, 1.35) * barrel if kind == "button" else barrel * within(rng, 1.05, 1.5)
    high = within(rng, 5, 10) if kind == "button" else within(rng, 10, 24)
    gap = within(rng, 2, 7)
    solids.append(cylinder(stem, z - 1, z + gap + 2, "brass", around=40))
    if rng.random() < 0.5:
        solids.append(spring(min(stem + 5, barrel - 0.5), 1.1, z - 0.2, z + gap + 0.5, within(rng, 2, 4)))
    dish, rise = wide / 2, within(rng, 0.1, 0.25) * high
    material = pick(rng, {"chrome": 0.6, metal: 0.25, "coloured_plastic": 0.15})
    cap = lathe([(dish - 0.6, z + gap), (dish, z + gap + 0.6), (dish, z + gap + high - rise - 1), (dish * 0.9, z + gap +
                 high - rise * 0.6), (dish * 0.55, z + gap + high)], material, crease_deg=40)  # fmt: skip
    solids.append(cap.of(material, tint=plastic_tint(rng) if material == "coloured_plastic" else None))
    return solids
