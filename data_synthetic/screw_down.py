"""Screw-down (compression) heads: jumper and washer, threaded bonnet, hexagon, gland nut or O-ring, spindle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_synthetic.insert import finished
from data_synthetic.mesh import (
    Part,
    Solid,
    cylinder,
    hexagon,
    lathe,
    polygon_xy,
    prism,
    rotation_about,
    rounded_box,
    washer,
)
from data_synthetic.spindle import End, lost, pick, plastic_tint, sleeve, spindle_end, tinted_ring, within
from data_synthetic.thread import PIPE_THREADS, depth_mm, pipe_thread, threaded

CLASS = "compression-screw"


@dataclass(frozen=True, slots=True)
class Look:
    """The metals of one head."""

    body: str
    top: str
    nut: str
    spindle: str


def build(rng: np.random.Generator) -> Part:
    """One screw-down head, seat end down."""
    size = pick(rng, {"G1/2": 0.68, "G3/4": 0.24, "G3/8": 0.08})
    major, pitch = PIPE_THREADS[size]
    concealed = rng.random() < 0.35
    rising = rng.random() < 0.6
    gland = rng.random() < (0.65 if rising else 0.15)
    look = _look(rng)
    solids, z = _jumper(rng, major, pitch, rising=rising, look=look)
    thread_bottom, thread_top = z, z + within(rng, 7, 14) * (1.15 if size == "G3/4" else 1.0)
    solids.append(pipe_thread(size, z, thread_top, look.body))
    z = thread_top
    flange = major + within(rng, 1.5, 7.0)
    if rng.random() < 0.6 and not lost(rng):
        thick = within(rng, 1.0, 2.4)
        solids.append(washer(flange * within(rng, 0.97, 1.06), major - 1, z, z + thick,
                             pick(rng, {"fibre": 0.6, "rubber": 0.4})))  # fmt: skip
        z += thick
    flats = _flats(rng, major)
    layout = pick(rng, {"flange": 0.5, "hex": 0.5})
    collar = look.top if rng.random() < 0.5 else look.body  # plated from here up, or from the hexagon's top
    if layout == "flange":
        thick = within(rng, 1.5, 3.5)
        solids.append(cylinder(max(flange, flats * 1.02), z, z + thick, collar))
        z += thick
    high = within(rng, 5, 10)
    solids.append(hexagon(flats, z, z + high, collar, sides=8 if rng.random() < 0.06 else 6))
    z += high
    more, z = _bonnet(rng, z, major, look, concealed=concealed)
    solids += more
    shaft = within(rng, 7.0, 10.5) * (1.1 if size == "G3/4" else 1.0)
    more, z = _packing(rng, z, shaft, look, gland=gland)
    solids += more
    end, length = _spindle(rng, z, shaft, look, rising=rising, concealed=concealed)
    solids += length
    solids += end.solids
    if rng.random() < 0.15:
        solids += _ptfe(rng, thread_top, major)
    dimensions = {"thread_major_diameter": major, "thread_pitch": pitch, "hex_across_flats": flats, **end.dimensions_mm}
    variety = {
        "spindle": "concealed" if concealed else "exposed",
        "packing": "gland" if gland else "o-ring",
        "spindle_motion": "rising" if rising else "non-rising",
    }
    subtype = f"{size} {variety['spindle']} {variety['packing']}"
    rim = (thread_bottom + depth_mm(pitch), thread_top - depth_mm(pitch))
    return finished(CLASS, subtype, solids, dimensions_mm=dimensions, variety=variety, rim_z_mm=rim)


def _look(rng: np.random.Generator) -> Look:
    kind = pick(rng, {"brass": 0.4, "two-tone": 0.25, "chrome": 0.13, "nickel": 0.14, "bronze": 0.08})
    spindle = pick(rng, {"brass": 0.6, "bright_brass": 0.2, "steel": 0.2})
    return {
        "brass": Look("brass", "brass", pick(rng, {"brass": 0.8, "chrome": 0.2}), spindle),
        "two-tone": Look("brass", pick(rng, {"chrome": 0.7, "satin_nickel": 0.3}), "chrome", spindle),
        "chrome": Look("chrome", "chrome", "chrome", pick(rng, {"chrome": 0.5, "brass": 0.5})),
        "nickel": Look("satin_nickel", "satin_nickel", "satin_nickel", pick(rng, {"satin_nickel": 0.4, "brass": 0.6})),
        "bronze": Look("bronze", "bronze", "bronze", "brass"),
    }[kind]


def _flats(rng: np.random.Generator, major: float) -> float:
    sizes = {True: (22, 24, 25.4, 27, 28, 30, 32), False: (17, 18, 19, 20, 21, 22, 23, 24, 25, 27)}[major > 24]
    fitting = [s for s in sizes if s > major * 0.86]
    return float(rng.choice(fitting))


def _jumper(
    rng: np.random.Generator, major: float, pitch: float, *, rising: bool, look: Look
) -> tuple[list[Solid], float]:
    """Washer, plate and stem below the thread; returns the height where the thread begins."""
    minor = major - 2 * depth_mm(pitch)
    if lost(rng, 0.06):
        return _bare_stem(rng, minor, look)
    rubber, seal = within(rng, 0.76, 0.97) * minor, within(rng, 2.2, 5.5)
    solids: list[Solid] = []
    z = 0.0
    if rng.random() < 0.6:
        nut = within(rng, 1.8, 3.2)
        across = within(rng, 6.0, 8.0)
        solids.append(hexagon(across, 0, nut, "brass") if rng.random() < 0.7 else cylinder(across, 0, nut, "brass"))
        if rng.random() < 0.5:
            solids.append(cylinder(3.8, -within(rng, 0.3, 1.0), nut, "brass", around=24).moved((0, 0, 1.0)))
        z = nut
    if not lost(rng):
        solids.append(_washer(rng, rubber, z, z + seal))
        z += seal
    plate = within(rng, 1.2, 2.8)
    wide, hold = rubber * within(rng, 0.98, 1.08), within(rng, 0.2, 0.6) * min(seal, z)
    if rng.random() < 0.3:  # a cup: its rim runs down over the washer
        wide, hold = max(wide, rubber + 1.2), within(rng, 0.4, 0.8) * min(seal, z)
    solids.append(cylinder(min(wide, minor), z - hold, z + plate, look.body))
    z += plate
    gap = within(rng, 0.5, 9.0) if rng.random() < 0.7 else within(rng, 6.0, 16.0)
    if rising and rng.random() < 0.2:
        solids.append(threaded(within(rng, 8.0, min(13.0, minor * 0.8)), within(rng, 1.8, 2.8), z, z + gap + 4,
                               look.spindle, form="metric", around=48))  # fmt: skip
    elif rising:
        solids.append(cylinder(within(rng, 5.0, 9.5), z, z + gap + 4, look.spindle, around=48))
    elif rng.random() < 0.6:
        solids.append(hexagon(minor * within(rng, 0.72, 0.82), z, z + gap + 4, look.body))
    else:
        solids.append(cylinder(minor * within(rng, 0.75, 0.9), z, z + gap + 4, look.body))
    z += gap
    if rng.random() < 0.5:
        skirt = within(rng, 1.0, 4.0)
        solids.append(cylinder(minor * within(rng, 0.93, 0.99), z, z + skirt + 1, look.body))
        z += skirt
    return solids, z


def _washer(rng: np.random.Generator, outer: float, z0: float, z1: float) -> Solid:
    """Tap washer from z0 to z1: flat with a hole, flat and whole, or domed to the seat."""
    kind = pick(rng, {"holed": 0.55, "whole": 0.2, "domed": 0.25})
    if kind == "holed":
        made = washer(outer, 4.0, z0, z1, "rubber")
    elif kind == "whole":
        made = cylinder(outer, z0, z1, "rubber", chamfer_mm=0.5)
    else:
        turns, deep = np.linspace(0.12, np.pi / 2, 7), 0.65 * (z1 - z0)
        rim = [(outer / 2 * float(np.sin(t)), z0 + deep * (1 - float(np.cos(t)))) for t in turns]
        made = lathe([*rim, (outer / 2, z1 - 0.3), (outer / 2 - 0.3, z1)], "rubber", crease_deg=45)
    material = pick(rng, {"rubber": 0.74, "coloured_rubber": 0.18, "fibre": 0.08})
    return made.of(material, tint=plastic_tint(rng) if material == "coloured_rubber" else None)


def _bare_stem(rng: np.random.Generator, minor: float, look: Look) -> tuple[list[Solid], float]:
    """The jumper has dropped out: the hollow end of the body, with the spindle's stump in it or not."""
    rim, deep = within(rng, 1.5, 8.0), within(rng, 6.0, 9.0)
    body = cylinder(minor * within(rng, 0.9, 0.99), 0.0, rim + 1.0, look.body)
    stump = washer(deep + 2.0, deep, -within(rng, 0.3, 2.5), rim, look.spindle)
    hole = cylinder(deep, -0.05, 0.03, "black_plastic", chamfer_mm=0.01)
    return [body, stump, hole], rim


def _bonnet(
    rng: np.random.Generator, z: float, major: float, look: Look, *, concealed: bool
) -> tuple[list[Solid], float]:
    """Body above the hexagon."""
    if concealed and rng.random() < 0.4:
        solid, top = sleeve(rng, z, major, look.top)
        return [solid], top
    r0 = major / 2 * within(rng, 0.72, 1.0)
    high = within(rng, 3.5, 13)
    kind = pick(rng, {"straight": 0.3, "dome": 0.27, "taper": 0.18, "stepped": 0.15, "collared": 0.1})
    r1 = r0 * {"straight": 1.0, "dome": within(rng, 0.6, 0.8), "taper": within(rng, 0.65, 0.9), "stepped": 0.8,
               "collared": within(rng, 0.7, 0.9)}[kind]  # fmt: skip
    if kind == "dome":
        arc = np.linspace(0, np.pi / 2, 9)
        profile = [(r1 + (r0 - r1) * float(np.cos(a)), z + high * (0.4 + 0.6 * float(np.sin(a)))) for a in arc]
        profile = [(r0, z - 0.5), *profile]
    elif kind == "stepped":
        profile = [
            (r0, z - 0.5),
            (r0, z + high * 0.45),
            (r1, z + high * 0.5),
            (r1, z + high - 0.4),
            (r1 - 0.4, z + high),
        ]
    elif kind == "collared":
        lip = within(rng, 1.2, 3.0)
        profile = [(r1, z - 0.5), (r1, z + high - lip - 0.3), (r0, z + high - lip), (r0, z + high - 0.4),
                   (r0 - 0.4, z + high)]  # fmt: skip
    else:
        profile = [(r0, z - 0.5), (r1, z + high - 0.5), (r1 - 0.5, z + high)]
    solids = [lathe(profile, look.top)]
    z += high
    if concealed:
        reach = within(rng, 12, 42)
        kind = pick(rng, {"threaded": 0.4, "plain": 0.35, "half": 0.25})
        if kind == "half":
            outer, part = 2 * r1 * within(rng, 0.9, 1.05), within(rng, 0.35, 0.7)
            top = z + reach * part
            solids.append(cylinder(outer * 0.9, z - 1, top + 1, look.top, chamfer_mm=0.5))
            solids.append(threaded(outer, within(rng, 0.9, 1.6), top, z + reach, look.top, form="metric"))
            if rng.random() < 0.4:
                nut_z = within(rng, top, max(z + reach - 5, top + 0.1))
                solids.append(hexagon(outer * within(rng, 1.2, 1.45), nut_z, nut_z + within(rng, 3, 5), look.nut))
        elif kind == "threaded":
            outer = 2 * r1 * within(rng, 0.95, 1.15)
            solids.append(threaded(outer, within(rng, 0.9, 1.6), z - 1, z + reach, look.top, form="metric"))
        else:
            outer = 2 * r1 * within(rng, 0.75, 1.0)
            solids.append(cylinder(outer, z - 1, z + reach, look.top, chamfer_mm=0.6))
        z += reach
    return solids, z


def _packing(rng: np.random.Generator, z: float, shaft: float, look: Look, *, gland: bool) -> tuple[list[Solid], float]:
    """Gland nut, or a plain collar with an O-ring or clip in sight."""
    solids: list[Solid] = []
    if gland:
        neck = within(rng, 0.5, 3.5)
        solids.append(threaded(shaft + within(rng, 3, 5), 1.0, z - 1.5, z + neck + 1, look.top, form="metric"))
        z += neck
        flats, high = shaft + within(rng, 5.0, 9.0), within(rng, 5, 9)
        solids.append(hexagon(flats, z, z + high, look.nut))
        z += high
        if rng.random() < 0.5:
            lip = within(rng, 0.8, 2.5)
            solids.append(cylinder(shaft + within(rng, 2, 4), z - 0.2, z + lip, look.nut))
            z += lip
        return solids, z
    high = within(rng, 1.5, 7)
    collar = shaft + within(rng, 2.5, 6)
    solids.append(cylinder(collar, z - 0.5, z + high, look.top))
    if rng.random() < 0.15:  # stop lug on the rim
        lug = rounded_box((collar * 0.25, collar * 0.3, within(rng, 1, 2.5)), look.top, radius_mm=0.3)
        turn = rotation_about("z", within(rng, 0, 360))
        solids.append(lug.moved((collar * 0.36, 0, z + high - 0.2)).moved((0, 0, 0), rotation=turn))
    z += high
    if rng.random() < 0.42:
        solids.append(tinted_ring(rng, shaft + 1.6, 1.8, z + 0.6, 0.25))
    if rng.random() < 0.46:
        z_clip = z + within(rng, 1.5, 2.5)
        solids.append(washer(shaft + within(rng, 2, 4), shaft - 1.0, z_clip, z_clip + 0.9, "steel"))
    return solids, z


def _spindle(
    rng: np.random.Generator, z: float, shaft: float, look: Look, *, rising: bool, concealed: bool
) -> tuple[End, list[Solid]]:
    reach = within(rng, 2.5, 12) + (within(rng, 5, 25) if concealed else 0.0)
    if rising and rng.random() < 0.4:
        coarse = min(within(rng, 5, 10), reach)
        solids = [threaded(shaft, within(rng, 1.8, 2.6), z - 2, z + coarse, look.spindle, form="metric"),
                  cylinder(shaft * 0.86, z, z + reach, look.spindle, around=48)]  # fmt: skip
    else:
        solids = [cylinder(shaft, z - 2, z + reach, look.spindle, chamfer_mm=0.4, around=48)]
    kind = pick(rng, {"square": 0.28, "taper-square": 0.17, "spline": 0.4, "hexagon": 0.07, "flatted": 0.08})
    end = spindle_end(rng, kind, z + reach, within(rng, 7, 13), look.spindle, shaft_mm=shaft)
    return end, solids


def _ptfe(rng: np.random.Generator, thread_top: float, major: float) -> list[Solid]:
    """A ragged wrap of PTFE tape over part of the thread, under its crests' envelope."""
    low = thread_top - within(rng, 4, 7)
    sides = int(rng.integers(30, 50))
    outline = polygon_xy(sides, major - 0.25, per_side=2)
    return [prism(outline, low, low + within(rng, 2, 4), "tape", chamfer_mm=0.1)]
