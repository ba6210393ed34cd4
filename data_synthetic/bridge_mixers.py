"""Mixers with two quarter-turn levers and one spout: bridge, three-hole, one-foot.

Sizes are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from data_synthetic import handles, mesh
from data_synthetic.tap_shapes import (
    Rng,
    Solids,
    Tap,
    arch,
    between,
    draw_finish,
    flange,
    hot_cold,
    loft,
    moved,
    outlet,
    pick,
    raised,
)


def build(rng: Rng) -> Tap:
    """Two quarter-turn levers and one spout: on a bridge, in three holes, or on one foot."""
    finish = draw_finish(rng)
    kind = pick(rng, ("bridge", "three-hole", "mono"), (0.35, 0.3, 0.35))
    space = between(rng, 90, 130) if kind == "mono" else between(rng, 150, 220)
    hot_mark, cold_mark = hot_cold(rng)
    state = int(rng.integers(2**32))
    yaw = -between(rng, 0, 75) if kind == "mono" else between(rng, 20, 100)
    hot, cold = (
        handles.lever(np.random.default_rng(state), finish, mark, yaw_deg=side * yaw)
        for mark, side in ((hot_mark, -1), (cold_mark, 1))
    )
    h, r = between(rng, 45, 80), between(rng, 14, 19)
    post = (
        flange(rng, between(rng, 23, 28), r),
        mesh.lathe([(r, 0), (r * 0.85, h * 0.4), (r, h * 0.75), (r, h), (2, h)], "chrome"),
    )
    valve = {-1: (*finish.on(*post), *moved(hot, (0, 0, h))), 1: (*finish.on(*post), *moved(cold, (0, 0, h)))}
    pieces: Solids = ()
    if kind == "mono":
        d = between(rng, 34, 44)
        foot = (flange(rng, d * 0.62, d / 2), mesh.cylinder(d, 0, h, "chrome", chamfer_mm=2))
        arm = mesh.cylinder(2 * r * 0.9, -space / 2, space / 2, "chrome", chamfer_mm=1).moved(
            (0, 0, h * 0.6), rotation=mesh.rotation_about("y", 90)
        )
        for side, lever in ((-1, hot), (1, cold)):
            face = mesh.rotation_about("y", 90.0 * side * between(rng, 0.6, 1.0))
            pieces = (*pieces, *moved(lever, (side * space / 2 * 0.96, 0, h * 0.6), rotation=face))
        pieces = (*pieces, *finish.on(*foot, arm))
    else:
        for side, one in valve.items():
            pieces = (*pieces, *moved(one, (side * space / 2, 0, 0)))
        if kind == "bridge":
            bar = mesh.cylinder(between(rng, 16, 22), -space / 2, space / 2, "chrome").moved(
                (0, 0, h * 0.55), rotation=mesh.rotation_about("y", 90)
            )
            hub = mesh.lathe(
                [(2, h * 0.3), (13, h * 0.34), (16, h * 0.5), (16, h * 0.7), (12, h * 0.95), (2, h)], "chrome"
            )
            pieces = (*pieces, *finish.on(bar, hub))
        else:
            pieces = (*pieces, *finish.on(flange(rng, 26, 14), mesh.cylinder(30, 0, h * 0.6, "chrome", chamfer_mm=2)))
    d = between(rng, 17, 23)
    path = raised(
        arch(between(rng, 60, 180), between(rng, 55, 95), between(rng, 130, 185), between(rng, 5, 40)), h * 0.6
    )
    nose = outlet(path, finish, diameter_mm=d * 1.12, long_mm=10)
    pieces = (*pieces, *finish.on(loft(path, d, d, hollow_mm=4)), *nose)
    return Tap(
        f"{kind}-mixer",
        pieces,
        "deck",
        ("sink", "basin", "worktop"),
        float(-path[:, 0].min()),
        float(path[:, 1].max()),
        spacing_mm=space,
    )
