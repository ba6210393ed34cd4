"""Single-lever ceramic cartridges: flat or raised base, ports with seals, pegs, lugs, hot-limit ring, tilted stem."""

from __future__ import annotations

import numpy as np

from data_synthetic.boolean import combined
from data_synthetic.insert import finished
from data_synthetic.mesh import (
    Part,
    Solid,
    cylinder,
    hoop,
    lathe,
    o_ring,
    prism,
    rotation_about,
    rounded_box,
    splined,
    washer,
)  # fmt: skip
from data_synthetic.spindle import drilled, lost, pick, plastic_tint, within
from data_synthetic.thread import threaded

CLASS = "single-lever-cartridge"
SIZES_MM = {25: 0.12, 26: 0.04, 28: 0.06, 35: 0.36, 40: 0.26, 42: 0.05, 43: 0.02, 45: 0.04, 46: 0.02, 47: 0.03}


def build(rng: np.random.Generator) -> Part:
    """One cartridge, ports down."""
    nominal = float(pick(rng, {str(size): share for size, share in SIZES_MM.items()}))
    diameter = nominal + float(rng.normal(0, 0.12))
    r = diameter / 2
    body, tint = _plastic(rng)
    raised = rng.random() < 0.42
    ring = rng.random() < 0.45
    solids, z = _base(rng, r, body, tint, raised=raised)
    more, z = _shell(rng, r, z, body, tint)
    solids += more
    neck_r = r * within(rng, 0.55, 0.86)
    collar = within(rng, 4, 11)
    neck_tint = tint if rng.random() < 0.6 else plastic_tint(rng)
    neck_style = pick(rng, {"plain": 0.45, "brass-thread": 0.12, "stepped": 0.43})
    if neck_style == "brass-thread":
        solids.append(threaded(2 * neck_r, 1.0, z - 1, z + collar, "brass", form="metric"))
    elif neck_style == "stepped":
        step = neck_r * within(rng, 0.75, 0.92)
        profile = [(neck_r, z - 0.5), (neck_r, z + collar * 0.5), (step, z + collar * 0.55), (step, z + collar - 0.4),
                   (step - 0.4, z + collar)]  # fmt: skip
        solids.append(lathe(profile, body).of(body, tint=neck_tint))
        neck_r = step
    else:
        solids.append(cylinder(2 * neck_r, z - 0.5, z + collar, body, chamfer_mm=0.6).of(body, tint=neck_tint))
    if ring:
        solids += _limit_ring(rng, neck_r, z + within(rng, 0, max(collar - 3.5, 0.1)))
    z += collar
    stem, across = _stem(rng, z, r, neck_r)
    solids += stem
    dimensions = {"body_diameter": diameter} | ({} if across is None else {"stem_square": across})
    variety = {"base": "raised" if raised else "flat", "hot_limit_ring": "with" if ring else "without"}
    solids += _dirt(rng, r) if rng.random() < 0.1 else []
    rim = _widest(solids, r)
    return finished(CLASS, f"{nominal:.0f} {variety['base']}", solids, dimensions_mm=dimensions, variety=variety,
                    rim_z_mm=rim, stands_on=("seat",))  # fmt: skip


def _plastic(rng: np.random.Generator) -> tuple[str, tuple[float, float, float] | None]:
    name = pick(rng, {"white_plastic": 0.32, "grey_plastic": 0.2, "black_plastic": 0.2, "coloured_plastic": 0.22,
                      "clear_plastic": 0.06})  # fmt: skip
    return name, plastic_tint(rng) if name == "coloured_plastic" else None


def _widest(solids: list[Solid], r: float) -> tuple[float, float]:
    """Lowest and highest place where the body has its full diameter."""
    points = np.concatenate([piece.vertices_mm for piece in solids])
    full = points[np.abs(np.hypot(points[:, 0], points[:, 1]) - r) < 0.02]
    return float(full[:, 2].min()), float(full[:, 2].max())


def _base(
    rng: np.random.Generator, r: float, body: str, tint: tuple[float, float, float] | None, *, raised: bool
) -> tuple[list[Solid], float]:
    """Base with three ports, their seals, and pegs; a raised base is a smaller step with a ring round it."""
    solids: list[Solid] = []
    base_tint = tint if rng.random() < 0.6 else plastic_tint(rng)
    seal_tint = plastic_tint(rng) if rng.random() < 0.45 else None
    high = within(rng, 4.5, 9) if raised else within(rng, 1.5, 4)
    step = r * (within(rng, 0.8, 0.93) if raised else within(rng, 0.93, 0.998))
    peg_high = within(rng, 1.2, 3.2)
    disc = cylinder(2 * step, peg_high, peg_high + high, body, chamfer_mm=0.4)
    start = within(rng, 0, 360)
    port = r * within(rng, 0.2, 0.28)
    count = 2 if rng.random() < (0.35 if raised else 0.1) else 3  # a raised base may let the mixed water out sideways
    ports = [(120.0 * k + start, r * within(rng, 0.46, 0.52)) for k in range(count)]
    unsealed = lost(rng, 0.05)
    for k, (angle, reach) in enumerate(ports):
        turn = np.radians(angle)
        place = np.array([reach * np.cos(turn), reach * np.sin(turn), 0.0])
        wide = port * (1.15 if k == 2 and not raised else 1.0)
        hole = cylinder(2 * wide, peg_high - 1, peg_high + high * 0.7, body, around=32).moved(place)
        disc = combined(disc, "minus", hole)
        proud = within(rng, 0.35, 1.0)
        if unsealed or lost(rng, 0.03):
            continue
        seal = washer(2 * wide + 3.0, 2 * wide - 0.4, peg_high - proud, peg_high + 1.0, "rubber", around=40)
        solids.append((seal.of("coloured_rubber", tint=seal_tint) if seal_tint else seal).moved(place))
    solids.append(disc.of(body, tint=base_tint))
    solids.append(cylinder(2 * step * 0.9, peg_high + high * 0.75, peg_high + high + 1, "black_plastic"))
    if raised and not lost(rng):
        cord = within(rng, 2.0, 3.0)
        ring = o_ring(2 * step + within(rng, 0.8, 1.8), cord, peg_high + high * within(rng, 0.35, 0.75))
        solids.append(ring.of("coloured_rubber", tint=seal_tint) if seal_tint and rng.random() < 0.5 else ring)
    out, thick = r * within(rng, 0.66, 0.76), within(rng, 2.6, 5.0)
    for side in (90.0, 270.0):
        angle = np.radians(start + side + within(rng, -8, 8) + 30)
        place = (out * np.cos(angle), out * np.sin(angle), 0.0)
        peg = cylinder(thick, 0, peg_high + 1, body, chamfer_mm=0.3, around=24)
        solids.append(peg.of(body, tint=base_tint).moved(place))
    return solids, peg_high + high


def _shell(
    rng: np.random.Generator, r: float, z: float, body: str, tint: tuple[float, float, float] | None
) -> tuple[list[Solid], float]:
    """The main barrel: plain, waisted, slotted or flanged, with clips and lugs."""
    high = within(rng, 15, 27) * (0.8 + 0.2 * r / 17.5)
    kind = pick(rng, {"plain": 0.3, "flanged": 0.4, "waisted": 0.3})
    r_low = r
    if kind == "plain":
        profile = [(r - 0.5, z), (r, z + 0.5), (r, z + high - 0.8), (r - 0.8, z + high)]
    elif kind == "flanged":
        lip, narrow = within(rng, 3, 6), r - within(rng, 0.8, 2.4)
        first = [
            (narrow, z),
            (narrow, z + high - lip),
            (r, z + high - lip + 0.3),
            (r, z + high - 0.4),
            (r - 0.4, z + high),
        ]
        second = [(r, z), (r, z + lip), (narrow, z + lip + 0.3), (narrow, z + high - 0.5), (narrow - 0.5, z + high)]
        profile = first if rng.random() < 0.55 else second
        r_low = narrow
    else:
        narrow, edge = r - within(rng, 0.8, 2.0), within(rng, 2.5, 6)
        profile = [(r, z), (r, z + edge), (narrow, z + edge + 0.4), (narrow, z + high - edge - 0.4),
                   (r, z + high - edge), (r, z + high - 0.5), (r - 0.5, z + high)]  # fmt: skip
        r_low = narrow
    shell = lathe(profile, body)
    for k in range(int(rng.integers(0, 5))):
        wide, tall = within(rng, 3, 9), within(rng, 4, high * 0.6)
        cut = rounded_box((4.0, wide, tall), body, radius_mm=0.3)
        place = np.array([r_low + within(rng, 0.2, 1.2), 0, z + within(rng, 1, max(high - tall - 1, 1.1))])
        shell = combined(shell, "minus", cut.moved(place).moved((0, 0, 0), rotation=rotation_about("z", 90.0 * k + 20)))
    solids = [shell.of(body, tint=tint)]
    if r_low < r - 0.5 and rng.random() < 0.7:
        for k in range(int(rng.integers(1, 4))):
            lug = rounded_box((2.0, within(rng, 3, 6), within(rng, 4, 9)), body, radius_mm=0.4).of(body, tint=tint)
            place = (min(r_low + 0.2, r - 1.05), 0.0, z + high * within(rng, 0.1, 0.5))
            solids.append(
                lug.moved(place).moved((0, 0, 0), rotation=rotation_about("z", 120.0 * k + within(rng, 0, 60)))
            )
    if rng.random() < 0.25:
        solids.append(o_ring(2 * r_low + 0.4, 2.0, z + high * within(rng, 0.2, 0.8)))
    return solids, z + high


def _limit_ring(rng: np.random.Generator, neck_r: float, z: float) -> list[Solid]:
    """Toothed ring that limits how far the lever turns to hot."""
    count, high = int(rng.integers(24, 48)), within(rng, 2.2, 4.0)
    tint = plastic_tint(rng)
    over = 2 * neck_r + within(rng, 2.0, 4.0)
    ring = splined(count, over, z, z + high, "coloured_plastic", depth_mm=0.7).of("coloured_plastic", tint=tint)
    tab = rounded_box((within(rng, 3, 5), within(rng, 2.5, 5), high + within(rng, 0.5, 2)), "coloured_plastic",
                      radius_mm=0.3).of("coloured_plastic", tint=tint)  # fmt: skip
    return [ring, tab.moved((over / 2 - 1.2, 0, z))]


def _stem(rng: np.random.Generator, z: float, r: float, neck_r: float) -> tuple[list[Solid], float | None]:
    """Lever stem, tilted about a pivot just below the neck's top, with a slot or a screw hole.

    Returns its size across the flats when it is square or nearly so.
    """
    across = within(rng, 6.5, 8.2) if r < 15 else within(rng, 7.4, 10.0)
    across = min(across, neck_r * 0.9)
    long, material = within(rng, 12, 24), pick(rng, {"steel": 0.3, "zinc": 0.28, "brass": 0.22, "white_plastic": 0.1,
                                                     "black_plastic": 0.1})  # fmt: skip
    shape = pick(rng, {"square": 0.72, "blade": 0.12, "half-moon": 0.08, "stepped": 0.08})
    deep = across * (within(rng, 0.35, 0.6) if shape == "blade" else pick_ratio(rng))
    half = np.array(
        [[across / 2, -deep / 2], [across / 2, deep / 2], [-across / 2, deep / 2], [-across / 2, -deep / 2]]
    )
    bevel = 0.12 * across
    outline = []
    for k, corner in enumerate(half):
        before, after = half[k - 1] - corner, half[(k + 1) % 4] - corner
        outline += [corner + before / np.linalg.norm(before) * bevel, corner + after / np.linalg.norm(after) * bevel]
    if shape == "half-moon":
        turn = np.linspace(-np.pi / 2, np.pi / 2, 13)
        outline = [*(np.column_stack([np.cos(turn) - 0.4, np.sin(turn)]) * across * 0.6)]
    bar = prism(np.array(outline), -6.0, long, material, chamfer_mm=0.5)
    if shape == "stepped":
        slim = rounded_box((2 * across, across * 0.5, long), material, radius_mm=0.2)
        low = long * within(rng, 0.4, 0.6)
        for side in (-1, 1):
            bar = combined(bar, "minus", slim.moved((0, side * across * 0.6, low)))
    if rng.random() < 0.5:
        bar = drilled(bar, long, within(rng, 3, 4.5), within(rng, 5, 9))
    if rng.random() < 0.4:
        hole = cylinder(within(rng, 2.5, 4), -20, 20, material, around=24)
        bar = combined(bar, "minus", hole.moved((0, 0, long * within(rng, 0.4, 0.7)), rotation=rotation_about("x", 90)))
    tilt = rotation_about("y", within(rng, -25, 25)) if rng.random() < 0.8 else np.eye(3)
    spin = rotation_about("z", within(rng, 0, 360))
    well = hoop([(neck_r * 0.78, z - 0.1), (neck_r * 0.98, z - 0.1), (neck_r * 0.95, z + 0.8), (neck_r * 0.8, z + 0.8)],
                "black_plastic")  # fmt: skip
    dome = lathe(
        [(across * 0.85, z - 1.5), (across * 0.8, z + 0.6), (across * 0.5, z + 1.6)], "black_plastic", around=40
    )
    solids = [bar.moved((0, 0, 0), rotation=spin @ tilt).moved((0, 0, z - 1)), well, dome]
    return solids, across if shape in ("square", "stepped") else None


def pick_ratio(rng: np.random.Generator) -> float:
    """Depth over width of a stem: mostly a true square."""
    return 1.0 if rng.random() < 0.7 else within(rng, 0.7, 1.0)


def _dirt(rng: np.random.Generator, r: float) -> list[Solid]:
    crumbs = []
    for _ in range(int(rng.integers(2, 6))):
        angle, size = within(rng, 0, 6.28), within(rng, 0.5, 1.6)
        crumbs.append(cylinder(size, 0.5, 0.5 + size, "limescale", around=8).moved(
            (r * 0.6 * np.cos(angle), r * 0.6 * np.sin(angle), 0)))  # fmt: skip
    return crumbs
