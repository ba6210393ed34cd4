"""Mixers with two heads and one spout: bridge, three-hole, one-foot, and on two wall unions.

The heads are screw-down or quarter-turn ones; sizes are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from data_synthetic import handles, mesh
from data_synthetic.mesh import Array
from data_synthetic.tap_heads import QUARTER, head_pair
from data_synthetic.tap_shapes import (
    Finish,
    Rng,
    Solids,
    Tap,
    arch,
    between,
    bezier,
    draw_finish,
    flange,
    hot_cold,
    loft,
    moved,
    outlet,
    pick,
    pick_maker,
    raised,
)
from data_synthetic.wall_mixers import bath_spout, legs, shower_hose


def build(class_id: str, rng: Rng) -> Tap:
    """Two-head mixer with screw-down or quarter-turn heads, for a sink, basin, bath or wall."""
    makers = ((_on_posts, 0.5), (_one_foot, 0.28), (_on_unions, 0.22))
    return pick_maker(rng, makers)(class_id, rng)


def _spout(rng: Rng, finish: Finish, base_mm: float, *, low: bool) -> tuple[Solids, Array]:
    """Swivel spout from the middle of a mixer, swan-necked or low; pieces and path."""
    d = between(rng, 17, 23)
    if low:
        reach, rise = between(rng, 110, 170), between(rng, 15, 45)
        path = bezier(
            [(0, base_mm), (-reach * 0.3, base_mm + rise * 1.6), (-reach, base_mm + rise), (-reach, base_mm - 8)],
            count=36,
        )
    else:
        swing = arch(between(rng, 60, 180), between(rng, 55, 95), between(rng, 130, 185), between(rng, 5, 40))
        path = raised(swing, base_mm)
    nose = outlet(path, finish, diameter_mm=d * 1.12, long_mm=10)
    return (*finish.on(loft(path, d, d, hollow_mm=4)), *nose), path


def _heads(class_id: str, rng: Rng, finish: Finish, radius_mm: float) -> tuple[Solids, Solids]:
    """Hot and cold head from z = 0; levers of a quarter-turn pair mirror each other."""
    if class_id != QUARTER:
        return head_pair(class_id, rng, finish, radius_mm)
    yaw, state = between(rng, 20, 100), int(rng.integers(2**32))
    hot, cold = (
        handles.lever(np.random.default_rng(state), finish, mark, yaw_deg=side * yaw)
        for mark, side in zip(hot_cold(rng), (-1, 1), strict=True)
    )
    return hot, cold


def _on_posts(class_id: str, rng: Rng) -> Tap:
    """Two posts on the deck; a bridge between them or a third hole carries the spout."""
    finish, kind = draw_finish(rng), pick(rng, ("bridge", "three-hole"))
    space, h, r = between(rng, 150, 220), between(rng, 45, 80), between(rng, 14, 19)
    body = mesh.lathe([(r, 0), (r * 0.85, h * 0.4), (r, h * 0.75), (r, h), (2, h)], "chrome")
    post = finish.on(flange(rng, between(rng, 23, 28), r), body)
    pieces: Solids = ()
    for head, side in zip(_heads(class_id, rng, finish, r), (-1, 1), strict=True):
        pieces = (*pieces, *moved((*post, *moved(head, (0, 0, h))), (side * space / 2, 0, 0)))
    if kind == "bridge":
        bar = mesh.cylinder(between(rng, 16, 22), -space / 2, space / 2, "chrome")
        hub = mesh.lathe([(2, h * 0.3), (13, h * 0.34), (16, h * 0.5), (16, h * 0.7), (12, h * 0.95), (2, h)], "chrome")
        middle = (bar.moved((0, 0, h * 0.55), rotation=mesh.rotation_about("y", 90)), hub)
    else:
        middle = (flange(rng, 26, 14), mesh.cylinder(30, 0, h * 0.6, "chrome", chamfer_mm=2))
    spout, path = _spout(rng, finish, h * 0.6, low=rng.random() < 0.3)
    rooms = ("sink", "basin", "worktop", "bath")
    return _tap(f"{kind}-mixer", (*pieces, *finish.on(*middle), *spout), rooms, path, space)


def _one_foot(class_id: str, rng: Rng) -> Tap:
    """One foot with an arm to either side, its heads pointing outward."""
    finish = draw_finish(rng)
    space, h, r = between(rng, 90, 130), between(rng, 45, 80), between(rng, 14, 19)
    d = between(rng, 34, 44)
    foot = (flange(rng, d * 0.62, d / 2), mesh.cylinder(d, 0, h, "chrome", chamfer_mm=2))
    up = between(rng, 0.6, 1.0)
    arm = mesh.cylinder(2 * r * 0.9, 0, space / 2, "chrome", chamfer_mm=1)
    pieces = finish.on(*foot)
    if class_id == QUARTER:
        lean, state = between(rng, 0, 75), int(rng.integers(2**32))
        marks = hot_cold(rng)
        pair = [
            handles.lever(np.random.default_rng(state), finish, mark, yaw_deg=turn)
            for mark, turn in zip(marks, (lean, -lean), strict=True)
        ]
    else:
        pair = list(head_pair(class_id, rng, finish, r))
    for head, side in zip(pair, (-1, 1), strict=True):
        out = (*finish.on(arm), *moved(head, (0, 0, space / 2 - 0.5)))
        pieces = (*pieces, *moved(out, (0, 0, h * 0.55), rotation=mesh.rotation_about("y", 90.0 * side * up)))
    spout, path = _spout(rng, finish, h * 0.6, low=rng.random() < 0.15)
    return _tap("mono-mixer", (*pieces, *spout), ("sink", "basin", "worktop"), path, 0.0)


def _on_unions(class_id: str, rng: Rng) -> Tap:
    """Exposed on two wall unions: heads in front of or at the ends of the body, bath spout or shower hose below."""
    finish = draw_finish(rng)
    space, out, r = between(rng, 140, 160), between(rng, 40, 62), between(rng, 15, 20)
    centre, half = -out - r * 0.4, space / 2 + between(rng, 4, 14)
    across = mesh.rotation_about("y", 90)
    bar = mesh.cylinder(2 * r, -half, half, "chrome", chamfer_mm=2).moved((0, centre, 0), rotation=across)
    pieces = (*legs(rng, finish, space, out), *finish.on(bar))
    front, lean = rng.random() < 0.5, between(rng, 20, 90)
    for head, side in zip(head_pair(class_id, rng, finish, r), (-1, 1), strict=True):
        if front:
            collar = finish.on(mesh.cylinder(1.9 * r, 0, r + 8, "chrome"))
            turned = moved((*collar, *moved(head, (0, 0, r + 7))), (0, 0, 0), rotation=mesh.rotation_about("x", lean))
            pieces = (*pieces, *moved(turned, (side * space / 2, centre, 0)))
        else:
            turned = moved(head, (0, 0, half - 0.5), rotation=None)
            pieces = (*pieces, *moved(turned, (0, centre, 0), rotation=mesh.rotation_about("y", 90.0 * side)))
    spout, reach = bath_spout(rng, finish, centre, r)
    pieces = (*pieces, *spout)
    around: Solids = ()
    if rng.random() < 0.45:
        nipple = mesh.cylinder(19, -r - 18, -r * 0.3, "chrome").moved((0, centre, 0))
        pieces, around = (*pieces, *finish.on(nipple)), shower_hose(rng, (0.0, centre, -r - 14))
    return Tap("union-mixer", pieces, "wall", ("bath_wall", "bath_wall", "sink_wall"), out + reach, 90, around=around)


def _tap(subtype: str, solids: Solids, rooms: tuple[str, ...], path: Array, space: float) -> Tap:
    reach, height = float(-path[:, 0].min()), float(path[:, 1].max())
    return Tap(subtype, solids, "deck", rooms, reach, height, spacing_mm=space)
