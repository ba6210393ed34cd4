"""Quarter-turn ceramic heads: bottom seal, windowed housing with ceramic discs, thread, hexagon, splined spindle."""

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
    rotation_about,
    rounded_box,
    splined,
    washer,
)
from data_synthetic.spindle import (
    SPLINE_COUNTS,
    lost,
    pick,
    plastic_tint,
    sleeve,
    spindle_end,
    tinted_ring,
    within,
)
from data_synthetic.thread import PIPE_THREADS, depth_mm, pipe_thread, threaded

CLASS = "quarter-turn-ceramic"


def build(rng: np.random.Generator) -> Part:
    """One ceramic head, seat end down."""
    size = pick(rng, {"G1/2": 0.72, "G3/4": 0.2, "G3/8": 0.08})
    major, pitch = PIPE_THREADS[size]
    metal = pick(rng, {"brass": 0.5, "chrome": 0.25, "satin_nickel": 0.15, "bright_brass": 0.1})
    top = metal if rng.random() < 0.6 else pick(rng, {"chrome": 0.6, "brass": 0.4})
    minor = major - 2 * depth_mm(pitch)
    solids, z = _housing(rng, minor * within(rng, 0.88, 0.99), metal)
    thread_bottom, thread_top = z, z + within(rng, 6.5, 13)
    solids.append(pipe_thread(size, z, thread_top, metal))
    z = thread_top
    if rng.random() < 0.55:
        if not lost(rng):
            solids.append(tinted_ring(rng, major + within(rng, 0.5, 2.5), within(rng, 1.6, 2.4), z + 0.9, 0.35))
        solids.append(cylinder(minor, z - 0.5, z + 2.0, metal))
        z += 1.6
    flange = major + within(rng, 1.0, 6.0)
    flats = float(rng.choice({True: (24, 25, 27, 28, 30), False: (17, 18, 19, 20, 21, 22, 24)}[major > 24]))
    if flats < major or rng.random() < 0.5:
        thick = within(rng, 1.4, 3.5)
        solids.append(cylinder(max(flange, flats * 1.05), z, z + thick, metal))
        z += thick
    high = within(rng, 4.5, 9)
    solids.append(hexagon(flats, z, z + high, top))
    z += high
    long = rng.random() < 0.3
    shaft = within(rng, 7.2, 9.8)
    more, z = _neck(rng, z, min(flats * 0.9, major), shaft, top, long=long)
    solids += more
    spindle = pick(rng, {"brass": 0.62, "bright_brass": 0.18, "chrome": 0.1, "white_plastic": 0.1})
    reach = within(rng, 0.8, 6)
    solids.append(cylinder(shaft * 0.96, z - 2, z + reach, spindle, around=48))
    kind = pick(rng, {"spline": 0.88, "square": 0.07, "flatted": 0.05})
    count = int(rng.choice(SPLINE_COUNTS, p=(0.1, 0.45, 0.05, 0.2, 0.12, 0.04, 0.04)))
    end = spindle_end(rng, kind, z + reach, within(rng, 6, 12), spindle, shaft_mm=shaft, count=count)
    solids += end.solids
    dimensions = {"thread_major_diameter": major, "thread_pitch": pitch, "hex_across_flats": flats, **end.dimensions_mm}
    subtype = f"{size} {kind} {'long' if long else 'short'}"
    rim = (thread_bottom + depth_mm(pitch), thread_top - depth_mm(pitch))
    variety = {"spindle": "concealed" if long else "exposed"}
    return finished(CLASS, subtype, solids, dimensions_mm=dimensions, variety=variety, rim_z_mm=rim)


def _housing(rng: np.random.Generator, outer: float, metal: str) -> tuple[list[Solid], float]:
    """Seal ring, windowed cage and the discs inside; returns where the thread begins."""
    proud, high = within(rng, 0.8, 2.6), within(rng, 9, 18)
    solids = [] if lost(rng) else _seal(rng, outer, proud)
    cage_material = metal if rng.random() < 0.75 else pick(rng, {"white_plastic": 0.5, "black_plastic": 0.3,
                                                                 "grey_plastic": 0.2})  # fmt: skip
    ro, ri = outer / 2, outer / 2 - within(rng, 1.2, 1.8)
    cage = hoop([(ri, proud), (ro - 0.3, proud), (ro, proud + 0.3), (ro, proud + high), (ri, proud + high)],
                cage_material)  # fmt: skip
    for k in range(int(rng.choice((0, 1, 2), p=(0.5, 0.4, 0.1)))):
        groove = within(rng, 0.25, 0.5)
        solids.append(tinted_ring(rng, outer + groove, 1.6, proud + high - within(rng, 1.2, 2.5) - 2.2 * k, 0.4))
    base = proud + within(rng, 1.0, 2.5)
    tall = high * within(rng, 0.38, 0.62)
    solids.append(_windowed(rng, cage, outer, base, tall).of(cage_material))
    inner = 2 * ri - 0.2
    low, disc = base + within(rng, -0.6, 0.6), within(rng, 2.5, 4)
    solids.append(washer(inner, inner * 0.6, proud + 0.3, low + 0.4, "rubber", around=48))
    half = within(rng, 0, 90)
    if not lost(rng):
        solids.append(_disc(inner, low, low + disc, half))
    solids.append(_disc(inner, low + disc, low + 2 * disc, half + within(rng, 0, 90)))
    carrier = pick(rng, {"white_plastic": 0.4, "brass": 0.6})
    solids.append(cylinder(inner * 0.9, low + 2 * disc, proud + high + 2, carrier, chamfer_mm=0.2))
    return solids, proud + high


def _seal(rng: np.random.Generator, outer: float, proud: float) -> list[Solid]:
    """Seal ring at the seat: flat, or with a lip that narrows to the seat; coloured as often as black."""
    wide, bore = outer * within(rng, 0.78, 0.98), outer * within(rng, 0.42, 0.6)
    if rng.random() < 0.65:
        seal = washer(wide, bore, 0, proud + 1.5, "rubber")
    else:
        lip = within(rng, 0.82, 0.94) * wide / 2
        seal = hoop([(bore / 2, 0.4), (lip - 0.8, 0.0), (lip, 0.5), (wide / 2, proud), (wide / 2, proud + 1.5),
                     (bore / 2, proud + 1.5)], "rubber", crease_deg=40)  # fmt: skip
    return [seal.of("coloured_rubber", tint=plastic_tint(rng)) if rng.random() < 0.55 else seal]


def _windowed(rng: np.random.Generator, cage: Solid, outer: float, base: float, tall: float) -> Solid:
    """The cage with its water ways: two or four square windows, or round ports."""
    if rng.random() < 0.78:
        wide = outer * within(rng, 0.4, 0.7)
        slot = rounded_box((wide, outer * 2, tall), cage.material, radius_mm=0.3, corner_mm=0.4).moved((0, 0, base))
    else:
        port = min(tall * 1.1, outer * within(rng, 0.4, 0.6))
        bore = cylinder(port, -outer, outer, cage.material, around=32)
        slot = bore.moved((0, 0, base + port / 2), rotation=rotation_about("x", 90))
    turns = pick(rng, {"0": 0.7, "0 90": 0.22, "0 60 120": 0.08})
    for turn in turns.split():
        cage = combined(cage, "minus", slot.moved((0, 0, 0), rotation=rotation_about("z", float(turn))))
    return cage


def _disc(diameter: float, z0: float, z1: float, turn_deg: float) -> Solid:
    disc = cylinder(diameter, z0, z1, "ceramic_disc", chamfer_mm=0.15, around=48)
    notch = rounded_box((diameter, diameter * 0.42, z1 - z0 + 2), "ceramic_disc", radius_mm=0.2)
    spin = rotation_about("z", turn_deg)
    return combined(disc, "minus", notch.moved((diameter * 0.55, 0, z0 - 1)).moved((0, 0, 0), rotation=spin))


def _neck(
    rng: np.random.Generator, z: float, widest: float, shaft: float, metal: str, *, long: bool
) -> tuple[list[Solid], float]:
    """Stem housing above the hexagon: plain, stepped or threaded, with a clip ring and sometimes a stop."""
    if long and rng.random() < 0.4:
        solid, top = sleeve(rng, z, widest, metal)
        return [solid], top
    r0, r1 = widest / 2 * within(rng, 0.75, 0.98), shaft / 2 + within(rng, 1.2, 3.0)
    high = within(rng, 4, 12) + (within(rng, 12, 52) if long else 0)
    kind = pick(rng, {"plain": 0.3, "stepped": 0.4, "threaded": 0.3})
    metal = (
        metal if rng.random() < 0.9 else pick(rng, {"grey_plastic": 0.4, "white_plastic": 0.3, "black_plastic": 0.3})
    )
    if kind == "threaded":
        r0 = max(r0, r1 + 0.8)
        solids: list[Solid] = [threaded(2 * r0, within(rng, 0.8, 1.5), z - 1, z + high, metal, form="metric")]
    elif kind == "stepped":
        step = z + high * within(rng, 0.3, 0.7)
        profile = [(r0, z - 0.5), (r0, step - 0.4), (r0 - 0.4, step), (r1, step + 0.01), (r1, z + high - 0.3),
                   (r1 - 0.3, z + high)]  # fmt: skip
        solids = [lathe(profile, metal)]
    else:
        solids = [lathe([(r0, z - 0.5), (r0, z + high - 0.5), (r0 - 0.5, z + high)], metal)]
    z += high
    if rng.random() < 0.6:
        solids.append(washer(shaft + within(rng, 1.8, 3.2), shaft * 0.8, z + 0.2, z + 1.1, "steel"))
        z += 1.0
    if rng.random() < 0.1:  # splined carrier that a stop ring sits on
        solids.append(splined(int(rng.integers(24, 40)), 2 * r1 + 1.2, z - 3.5, z, metal, depth_mm=0.5))
    if rng.random() < 0.25:
        lug = rounded_box((r1 * 0.8, r1 * 0.7, within(rng, 1.5, 3)), metal, radius_mm=0.3)
        solids.append(lug.moved((r1 * 0.8, 0, z - 0.5)))
    return solids, z
