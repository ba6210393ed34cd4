"""Installed taps as a surveyor finds them: a fitting of a class in a room with the things that stand about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from data_synthetic import bridge_mixers, household, mesh, mixers, pillar_taps, rooms, sensor_taps, shower_valves
from data_synthetic.mesh import InstalledScene
from data_synthetic.rooms import Room
from data_synthetic.tap_shapes import Rng, Solids, Tap, between, moved, pick

#: Classes that ``build`` can place, "none" for a room without a tap.
CLASSES = (
    "compression-screw",
    "quarter-turn-ceramic",
    "push-non-hold-open",
    "single-lever-cartridge",
    "thermostatic",
    "sensor",
    "none",
)


def fitting(class_id: str, rng: Rng) -> Tap:
    """One fitting of the class in its own frame, without a room.

    Raises
    ------
    ValueError : if ``class_id`` is not a class of installed fittings.
    """
    if class_id in ("compression-screw", "quarter-turn-ceramic", "push-non-hold-open"):
        if rng.random() < {"quarter-turn-ceramic": 0.3, "compression-screw": 0.16}.get(class_id, 0.0):
            return bridge_mixers.build(class_id, rng)
        if class_id == "push-non-hold-open" and rng.random() < 0.22:
            return shower_valves.build_shower_push(rng)
        return pillar_taps.build(class_id, rng)
    makers = {
        "single-lever-cartridge": mixers.build,
        "thermostatic": shower_valves.build_thermostatic,
        "sensor": sensor_taps.build,
    }
    if class_id not in makers:
        raise ValueError(f"No installed fitting of class {class_id!r}; take one of installed.CLASSES.")
    return makers[class_id](rng)


def build(class_id: str, rng: Rng) -> InstalledScene:
    """A fitting of the class in a room ("none": a room without one), ready for the camera."""
    if class_id == "none":
        return _without_tap(rng)
    tap = fitting(class_id, rng)
    name = pick(rng, tap.rooms)
    solids, spread = _placed(tap)
    if tap.mount == "deck":
        room = rooms.for_deck(rng, name, holes_mm=spread, height_mm=tap.height_mm)
        bowl_before = name == "worktop" and any(piece.material == "ceramic" for piece in room.solids)
        elevation, azimuth = (28.0 if bowl_before else 8.0, 68.0), (-60.0, 60.0)
    else:
        room = rooms.for_wall(rng, name)
        elevation, azimuth = (-12.0, 45.0), (-55.0, 55.0)
        if room.solids and name in ("sink_wall", "bath_wall"):
            elevation = (5.0, 50.0)
    around: Solids = (*room.solids, *tap.around)
    if tap.mount == "wall" and tap.subtype.startswith("bib") and rng.random() < 0.5:
        around = (*around, *household.feed_pipe(rng, spread if tap.partner else 0.0))
    around = (*around, *_things(rng, room, tap, spread))
    low, high = _extent(solids)
    size = float(np.linalg.norm(high - low))
    target = (low + high) / 2 + rng.normal(0, 0.05, 3) * size
    distance = (max(1.1 * size, 170.0), max(2.5 * size, 400.0))
    return InstalledScene(
        class_id,
        tap.subtype,
        solids,
        around,
        room.deck_z_mm,
        room.wall_y_mm,
        (float(target[0]), float(target[1]), float(target[2])),
        distance,
        elevation,
        azimuth,
        dict(tap.variety),
    )


def _placed(tap: Tap) -> tuple[Solids, float]:
    """The fitting, or the pair with hot on the left, and the spread of its holes."""
    if not tap.partner:
        return tap.solids, tap.spacing_mm if tap.mount == "deck" else 0.0
    half = tap.spacing_mm / 2
    return (*moved(tap.partner, (-half, 0, 0)), *moved(tap.solids, (half, 0, 0))), tap.spacing_mm


def _extent(solids: Solids) -> tuple[np.ndarray, np.ndarray]:
    low = np.min([s.vertices_mm.min(0) for s in solids], axis=0)
    high = np.max([s.vertices_mm.max(0) for s in solids], axis=0)
    return low, high


def _things(rng: Rng, room: Room, tap: Tap, spread_mm: float) -> Solids:
    """Small things on the shelf beside the tap, and sometimes something on the wall."""
    pieces: list[mesh.Solid] = []
    if room.shelf_z_mm is not None and rng.random() < 0.6:
        near, far = room.shelf_x_mm
        if tap.mount == "wall":
            own = np.abs(np.concatenate([s.vertices_mm[:, 0] for s in (*tap.solids, *tap.partner)])).max()
            near = max(near, float(own) + spread_mm / 2 + 20.0)
        for side in (-1, 1):
            if rng.random() < 0.6 and far > near:
                thing = household.SMALL[int(rng.integers(len(household.SMALL)))](rng)
                low, high = _extent(thing)
                half = float(max(high[0] - low[0], high[1] - low[1])) / 2
                x = side * (between(rng, near, far) + half)
                y = between(rng, *room.shelf_y_mm) if room.shelf_y_mm[1] > room.shelf_y_mm[0] else room.shelf_y_mm[0]
                wall = room.wall_y_mm
                y = y if wall is None else min(y, wall - half - 12)
                pieces += moved(thing, (x, y, room.shelf_z_mm))
    if tap.mount == "wall" and room.wall_y_mm is not None and rng.random() < 0.2:
        thing = household.ON_WALL[int(rng.integers(len(household.ON_WALL)))](rng)
        low, high = _extent(thing)
        side = 1 if rng.random() < 0.5 else -1
        own_low, own_high = _extent((*tap.solids, *tap.around))
        half = float(own_high[0] - own_low[0]) / 2 + spread_mm / 2 + float(high[0] - low[0]) / 2
        pieces += moved(thing, (side * (half + between(rng, 40, 160)), 0, between(rng, -60, 160)))
    return tuple(pieces)


def _without_tap(rng: Rng) -> InstalledScene:
    """A room where there is no fitting to name: bare basin, sink, bath, tiles, or another thing on the wall."""
    kind = pick(rng, ("deck", "wall", "bare"), (0.42, 0.45, 0.13))
    if kind == "deck":
        return _bare_deck(rng)
    room = rooms.for_wall(rng, pick(rng, ("wall", "outdoor", "sink_wall", "bath_wall", "shower")))
    scene = InstalledScene(
        "none", "no-tap-wall", (), room.solids, room.deck_z_mm, room.wall_y_mm, (0.0, 0.0, 0.0), (300.0, 1000.0),
        (-5.0, 40.0), (-50.0, 50.0),
    )  # fmt: skip
    if kind == "bare":
        return scene
    maker = household.ON_WALL[int(rng.integers(len(household.ON_WALL)))]
    thing = maker(rng)
    reach = 140.0 if maker in (household.radiator_valve, household.pipes) else 300.0
    low, high = (np.clip(corner, -reach, reach) for corner in _extent(thing))
    x, y, z = (low + high) / 2
    size = float(np.linalg.norm(high - low))
    return replace(
        scene, subtype=maker.__name__.replace("_", "-"), surroundings=(*room.solids, *thing),
        camera_target_mm=(float(x), float(y), float(z)), camera_distance_mm=(size * 1.3, size * 2.8),
    )  # fmt: skip


def _bare_deck(rng: Rng) -> InstalledScene:
    """Basin, sink, bath or worktop without a tap; perhaps a covered hole and one small thing."""
    name = pick(rng, ("basin", "sink", "bath", "worktop"))
    room = rooms.for_deck(rng, name, holes_mm=100.0, height_mm=float(rng.choice([100.0, 260.0])))
    pieces: list[mesh.Solid] = [*room.solids]
    if name != "worktop" and rng.random() < 0.5:
        cover = mesh.lathe([(24, 0), (24, 2), (18, 4), (2, 5)], "chrome", around=48)
        pieces.append(cover if rng.random() < 0.5 else mesh.cylinder(34, -0.6, 0.15, "rubber"))
    if rng.random() < 0.7:
        thing = household.SMALL[int(rng.integers(len(household.SMALL)))](rng)
        low, high = _extent(thing)
        half = float(max(high[0] - low[0], high[1] - low[1])) / 2
        y = 0.0 if room.wall_y_mm is None else min(0.0, room.wall_y_mm - half - 12)
        pieces += moved(thing, (between(rng, -150, 150), y, room.shelf_z_mm or 0.0))
    return InstalledScene(
        "none", f"no-tap-{name}", (), tuple(pieces), room.deck_z_mm, room.wall_y_mm, (0.0, -60.0, 20.0),
        (350.0, 900.0), (15.0, 65.0), (-55.0, 55.0),
    )  # fmt: skip
