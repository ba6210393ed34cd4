"""Taps out of a wall that work one supply: bib and garden taps, wall sets, wall taps.

Sizes are common practice, no source.
"""

from __future__ import annotations

from data_synthetic import mesh
from data_synthetic.mesh import Array, Solid
from data_synthetic.tap_heads import PUSH, QUARTER, SCREW, head_pair
from data_synthetic.tap_shapes import (
    Finish,
    Rng,
    Solids,
    Tap,
    along,
    between,
    bezier,
    draw_finish,
    flange,
    loft,
    moved,
    outlet,
    outward,
    pick,
    taper,
)


def _hose_tail(rng: Rng, finish: Finish, path: Array) -> Solids:
    """Hose union at the outlet of a garden tap: nut, thread and ribbed tail; or a bare nozzle."""
    kind = pick(rng, ("union", "thread", "plain"), (0.5, 0.25, 0.25))
    d = between(rng, 20, 24)
    if kind == "plain":
        return outlet(path, finish, diameter_mm=d * 0.9, long_mm=6)
    thread = [(d / 2 + (0.6 if k % 2 else -0.4), -2 + k * 0.9) for k in range(14)]
    male = mesh.lathe(
        [(d / 2 - 1, -4.0), *thread, (d / 2 - 2, 10.8), (d / 2 - 3, 10.8), (d / 2 - 3, 7.0)], "brass", crease_deg=20
    )
    if kind == "thread":
        return finish.on(along(path, male))
    nut = mesh.lathe([(d / 2 + 2, 2), (d / 2 + 4, 3), (d / 2 + 4, 12), (d / 2 + 2, 14), (6, 14)], "brass")
    nut = nut if rng.random() < 0.5 else mesh.hexagon(d + 6, 2, 14, "brass")
    barbs = [p for k in range(4) for p in ((5.2, 16 + 6 * k), (6.8, 17 + 6 * k), (5.4, 21 + 6 * k))]
    tail = mesh.lathe([(5.5, 12), *barbs, (4.5, 40), (3.2, 40), (3.2, 36)], "brass")
    plastic = rng.random() < 0.25
    pieces = (
        (nut, tail) if not plastic else (nut.of("coloured_plastic", tint=(0.85, 0.5, 0.05)), tail.of("black_plastic"))
    )
    made = tuple(along(path, piece) for piece in pieces)
    return (*finish.on(along(path, male)), *(made if plastic else finish.on(*made)))


def _barrel(rng: Rng, finish: Finish, r: float, stand: float) -> Solids:
    """Plate, hexagon and horizontal neck of a bib tap, out of the wall."""
    neck = mesh.lathe([(r * 0.9, 0), (r * 0.9, stand * 0.3), (r, stand * 0.4), (r, stand)], "brass")
    grip = mesh.hexagon(between(rng, 22, 27), stand * 0.25, stand * 0.5, "brass")
    return outward(finish.on(flange(rng, between(rng, 24, 34), r * 0.8), neck, grip))


def _knuckle(r: float) -> Solid:
    """Swelling where a bib tap's head meets its barrel."""
    below = [(2, -r * 1.15), (r * 0.9, -r * 1.05), (r * 1.2, -r * 0.3)]
    above = [(r * 1.25, r * 0.5), (r * 1.1, r * 1.2), (r, r * 1.5), (2, r * 1.5)]
    return mesh.lathe(below + above, "brass", around=56, crease_deg=50)


def bib(class_id: str, rng: Rng) -> Tap:
    """Bib (garden) tap out of a wall: horizontal barrel, head upright or leaning, outlet turned down."""
    garden = rng.random() < {SCREW: 0.75, QUARTER: 0.55}.get(class_id, 0.0)
    plain = Finish(pick(rng, ("brass", "bronze", "chrome", "satin_nickel"), (0.5, 0.15, 0.2, 0.15)))
    metal = plain if garden else draw_finish(rng)
    r, stand = between(rng, 11, 15), between(rng, 34, 60)
    lean = between(rng, 0, 38) if rng.random() < 0.45 else 0.0
    hot, cold = head_pair(class_id, rng, metal, r * 1.05, garden=garden)
    reach, drop = between(rng, 32, 60), between(rng, 26, 48)
    path = bezier([(-stand, 0), (-stand - reach * 0.7, 4), (-stand - reach, 0), (-stand - reach, -drop)], count=30)
    spout = loft(path, taper(2 * r, between(rng, 17, 21), 30), taper(2.1 * r, between(rng, 17, 21), 30), hollow_mm=5)
    nose = _hose_tail(rng, metal, path) if garden else outlet(path, metal, diameter_mm=20, long_mm=7)
    body = (*_barrel(rng, metal, r, stand), *metal.on(spout), *nose)
    turn = mesh.rotation_about("x", lean)
    one, twin = (
        (*body, *moved((*metal.on(_knuckle(r)), *moved(head, (0, 0, r * 1.4))), (0, -stand, 0), rotation=turn))
        for head in (cold, hot)
    )
    out = stand + reach
    if not garden and rng.random() < 0.3:
        space = between(rng, 150, 210)
        return Tap("bib-pair", one, "wall", ("wall", "sink_wall"), out, 80, partner=twin, spacing_mm=space)
    return Tap("bib", one, "wall", ("outdoor", "outdoor", "wall") if garden else ("wall", "sink_wall"), out, 80)


def wall_spout(class_id: str, rng: Rng) -> Tap:
    """Wall-mounted: two heads straight out of the wall with a spout between, or one tap with its head in front."""
    finish = draw_finish(rng)
    if class_id == PUSH or rng.random() < 0.45:
        return _wall_single(class_id, rng, finish)
    space, out = between(rng, 150, 210), between(rng, 12, 40)
    r = between(rng, 13, 18)
    hot, cold = head_pair(class_id, rng, finish, r * 0.9)
    base = (flange(rng, between(rng, 26, 34), r), mesh.lathe([(r, 0), (r * 0.92, out + 1), (2, out + 1)], "chrome"))
    sides = tuple(
        moved(outward((*finish.on(*base), *moved(face, (0, 0, out)))), (x, 0, 0))
        for face, x in ((hot, -space / 2), (cold, space / 2))
    )
    reach, d = between(rng, 120, 200), between(rng, 18, 26)
    dip = between(rng, 0, 30)
    path = bezier(
        [(0, 0), (-reach * 0.6, between(rng, 0, 14)), (-reach, between(rng, 0, 10)), (-reach, -dip - 6)], count=34
    )
    spout = (*outward([flange(rng, between(rng, 24, 32), d / 2)]), loft(path, d, taper(d, d * 0.8, 34), hollow_mm=5))
    nose = outlet(path, finish, diameter_mm=d * 0.95, long_mm=6)
    return Tap(
        "wall-set",
        (*sides[0], *sides[1], *finish.on(*spout), *nose),
        "wall",
        ("wall", "sink_wall", "bath_wall"),
        reach,
        60,
    )


def _wall_single(class_id: str, rng: Rng, finish: Finish) -> Tap:
    r, out = between(rng, 16, 22), between(rng, 38, 70)
    barrel = (
        flange(rng, between(rng, 28, 40), r),
        mesh.lathe([(r, 0), (r, out), (r * 0.92, out + 2), (2, out + 2)], "chrome"),
    )
    hot, cold = head_pair(class_id, rng, finish, r * 0.9)
    face = cold if rng.random() < 0.5 else hot
    solids = outward((*finish.on(*barrel), *moved(face, (0, 0, out + 1))))
    reach, y = between(rng, 30, 75), -out * between(rng, 0.5, 0.75)
    path = bezier(
        [(y, 0), (y - 2, -r - 8), (y - reach * 0.7, -r - 14), (y - reach, -r - between(rng, 22, 40))], count=26
    )
    spout = loft(path, taper(r * 1.5, 17, 26), taper(r * 1.4, 17, 26), hollow_mm=4)
    return Tap(
        "wall-tap",
        (*solids, *finish.on(spout), *outlet(path, finish, diameter_mm=19, long_mm=6)),
        "wall",
        ("wall", "sink_wall"),
        out + reach,
        60,
    )
