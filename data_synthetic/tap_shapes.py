"""What installed taps are made of: a finish, the Tap record, lofted spouts, flanges and lobed knobs.

Frame of a tap on a deck: the hole in the deck is the origin, z up, the spout points to -y (to the viewer).
Frame of a tap on a wall: the wall's face is y = 0, the tap stands out to -y, z up. Everything in mm.
Shapes and sizes are common practice, no source: they are ranges to draw from, not values to rely on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from data_synthetic import mesh
from data_synthetic.mesh import Array, Solid

Rng = np.random.Generator
Solids = tuple[Solid, ...]
Tint = tuple[float, float, float]

RED: Tint = (0.72, 0.06, 0.06)
BLUE: Tint = (0.05, 0.16, 0.62)
PALE: Tint = (0.9, 0.9, 0.88)
DARK: Tint = (0.02, 0.02, 0.022)


@dataclass(frozen=True, slots=True)
class Finish:
    """The metal or paint of a whole fitting."""

    material: str
    tint: Tint | None = None
    roughness: float | None = None

    def on(self, *pieces: Solid) -> Solids:
        """The pieces in this finish."""
        return tuple(piece.of(self.material, tint=self.tint, roughness=self.roughness) for piece in pieces)


@dataclass(frozen=True, slots=True, eq=False)
class Tap:
    """One fitting in its own frame.

    Parameters
    ----------
    mount : "deck" or "wall".
    rooms : settings where it is usual: basin, sink, bath, worktop, wall, outdoor, shower.
    reach_mm, height_mm : how far it stands out to -y and up.
    partner : the other tap of a pair (the hot one, to stand on the left), or none.
    spacing_mm : between the holes of a pair, or of this fitting's own legs.
    around : hoses, pipes and rails that belong to it but are not the fitting.
    """

    subtype: str
    solids: Solids
    mount: str
    rooms: tuple[str, ...]
    reach_mm: float
    height_mm: float
    partner: Solids = ()
    spacing_mm: float = 0.0
    around: Solids = ()
    variety: dict[str, str] = field(default_factory=dict)


def draw_finish(rng: Rng) -> Finish:
    """A finish as met in buildings: mostly chrome."""
    grey = float(rng.uniform(0.0, 1.0))
    black, white = 0.015 + 0.03 * grey, 0.8 + 0.12 * grey
    kinds = (
        (0.56, Finish("chrome", roughness=float(rng.uniform(0.03, 0.16)))),
        (0.10, Finish("satin_nickel", roughness=float(rng.uniform(0.2, 0.42)))),
        (0.06, Finish("steel", roughness=float(rng.uniform(0.18, 0.4)))),
        (0.07, Finish("bright_brass")),
        (0.05, Finish("brass")),
        (0.04, Finish("gold")),
        (0.03, Finish("bronze")),
        (0.07, Finish("paint", (black, black, black * 1.05), float(rng.uniform(0.25, 0.6)))),
        (0.02, Finish("paint", (white, white, white * 0.98), float(rng.uniform(0.1, 0.35)))),
    )
    weights = np.array([weight for weight, _ in kinds])
    return kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))][1]


def between(rng: Rng, low: float, high: float) -> float:
    """Uniform draw as a plain float."""
    return float(rng.uniform(low, high))


def pick(rng: Rng, options: Sequence[str], weights: Sequence[float] | None = None) -> str:
    """One of the options, by weight."""
    share = None if weights is None else np.asarray(weights) / np.sum(weights)
    return options[int(rng.choice(len(options), p=share))]


def pick_maker(rng: Rng, makers: Sequence[tuple[Callable[..., Tap], float]]) -> Callable[..., Tap]:
    """One of the builders by its share."""
    shares = np.array([share for _, share in makers])
    return makers[int(rng.choice(len(makers), p=shares / shares.sum()))][0]


def moved(pieces: Iterable[Solid], shift_mm: Sequence[float], *, rotation: Array | None = None) -> Solids:
    """All pieces turned about the origin, then shifted."""
    return tuple(piece.moved(np.asarray(shift_mm, float), rotation=rotation) for piece in pieces)


def outward(pieces: Iterable[Solid]) -> Solids:
    """Pieces built up along z laid over so that they stand out of the wall (z becomes -y, y becomes z)."""
    return moved(pieces, (0, 0, 0), rotation=mesh.rotation_about("x", 90))


def bezier(points: Sequence[Sequence[float]], *, count: int = 28) -> Array:
    """Bezier curve (count, D) through its first and last control points."""
    layers = np.asarray(points, float)
    t = np.linspace(0, 1, count)[:, None, None]
    stack = np.broadcast_to(layers, (count, *layers.shape))
    while stack.shape[1] > 1:
        stack = stack[:, :-1] * (1 - t) + stack[:, 1:] * t
    return stack[:, 0]


def arch(rise_mm: float, radius_mm: float, sweep_deg: float, drop_mm: float) -> Array:
    """Path (K, 2) in (y, z): straight up, an arc over to -y, then straight on for ``drop_mm``."""
    up = np.column_stack([np.zeros(8), np.linspace(0, rise_mm, 8)])
    turn = np.radians(np.linspace(0, sweep_deg, 26))[1:]
    over = np.column_stack([-radius_mm * (1 - np.cos(turn)), rise_mm + radius_mm * np.sin(turn)])
    last = turn[-1]
    ahead = np.array([-math.sin(last), math.cos(last)])
    down = over[-1] + np.linspace(0, max(drop_mm, 1.0), 6)[1:, None] * ahead
    return np.concatenate([up, over, down])


def _section(squareness: float, half_x: float, half_y: float, around: int) -> tuple[Array, Array]:
    """Unit superellipse (around,), its points close at the corners and yet spread along the flat sides."""
    angle = np.linspace(0, 2 * np.pi, 1441)
    u = np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** (2 / squareness)
    v = np.sign(np.sin(angle)) * np.abs(np.sin(angle)) ** (2 / squareness)
    steps = np.hypot(np.diff(u) * half_x, np.diff(v) * half_y)
    length = np.concatenate([[0.0], np.cumsum(steps)]) / steps.sum()
    mixed = 0.55 * length + 0.45 * angle / (2 * np.pi)
    turn = np.interp((np.arange(around) + 0.5) / around, mixed, angle)
    cosine, sine = np.cos(turn), np.sin(turn)
    bend = 2 / squareness
    return np.sign(cosine) * np.abs(cosine) ** bend, np.sign(sine) * np.abs(sine) ** bend


def loft(
    path_yz: Array,
    width_mm: Array | float,
    depth_mm: Array | float,
    material: str = "chrome",
    *,
    squareness: float = 2.0,
    hollow_mm: float = 0.0,
    rounded_mm: float = 0.0,
    around: int = 40,
) -> Solid:
    """Bar along a path (K, 2) in the (y, z) plane: ``width_mm`` across x, ``depth_mm`` in the plane.

    ``squareness`` 2 gives ellipses, 5 and more rounded rectangles. ``hollow_mm`` sinks the far end (an outlet);
    ``rounded_mm`` eases its edge instead.
    """
    path = np.column_stack([np.zeros(len(path_yz)), np.asarray(path_yz, float)])
    ahead = np.gradient(path, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    across = np.array([1.0, 0.0, 0.0])
    around = max(around, 64) if squareness > 3 else around
    width = np.broadcast_to(np.asarray(width_mm, float), len(path)) / 2
    depth = np.broadcast_to(np.asarray(depth_mm, float), len(path)) / 2
    u, v = _section(squareness, float(width.mean()), float(depth.mean()), around)
    up = np.cross(ahead, across)
    sections = u[None, :, None] * width[:, None, None] * across + v[None, :, None] * depth[:, None, None] * up[:, None]
    rows = [*(path[:, None] + sections)]
    if hollow_mm:
        edge = 1 - min(1.6 / width[-1], 0.4)
        rows.append(path[-1] + edge * sections[-1])
        rows.append(path[-1] + edge * sections[-1] - hollow_mm * ahead[-1])
    ease = min(rounded_mm, 0.45 * min(width[-1], depth[-1]))
    for turn in np.linspace(0.3, np.pi / 2, 5) if ease else ():
        inset = 1 - ease * (1 - math.cos(turn)) / min(width[-1], depth[-1])
        rows.append(path[-1] + inset * sections[-1] + ease * math.sin(turn) * ahead[-1])
    crease = 50 if squareness < 3 else 32
    return mesh.rings(np.array(rows), material, crease_deg=crease)


def folded(tall_mm: float, reach_mm: float, corner_mm: float, slope_mm: float) -> Array:
    """Path (K, 2) in (y, z): straight up, a tight corner, then out to -y, gaining ``slope_mm`` on the way."""
    rise = np.column_stack([np.zeros(24), np.linspace(0, tall_mm - corner_mm, 24)])
    gain = slope_mm / reach_mm
    bend = bezier([(0, tall_mm - corner_mm), (0, tall_mm), (-corner_mm, tall_mm + gain * corner_mm)], count=10)
    out = np.linspace(corner_mm, reach_mm, 28)
    run = np.column_stack([-out, tall_mm + gain * out])
    return np.concatenate([rise, bend[1:], run[1:]])


def raised(path_yz: Array, z_mm: float) -> Array:
    """The path (K, 2) lifted by ``z_mm``."""
    return np.asarray(path_yz, float) + np.array([0.0, z_mm])


def taper(start_mm: float, end_mm: float, count: int, *, power: float = 1.0) -> Array:
    """Widths (count,) from start to end; ``power`` below 1 changes early."""
    return start_mm + (end_mm - start_mm) * np.linspace(0, 1, count) ** power


def along(path_yz: Array, piece: Solid, *, back_mm: float = 0.0) -> Solid:
    """A piece built up along z, set on the end of a (y, z) path with its z axis along the path's way."""
    end, ahead = np.asarray(path_yz[-1]), np.asarray(path_yz[-1]) - np.asarray(path_yz[-2])
    ahead = ahead / np.linalg.norm(ahead)
    lean = math.degrees(math.atan2(-ahead[0], ahead[1]))
    seat = end - back_mm * ahead
    return piece.moved((0.0, seat[0], seat[1]), rotation=mesh.rotation_about("x", lean))


def outlet(path_yz: Array, finish: Finish, *, diameter_mm: float, long_mm: float) -> Solids:
    """Aerator ring with its dark mesh at the end of a spout."""
    r = diameter_mm / 2
    ring = mesh.lathe(
        [
            (r * 0.9, -long_mm * 0.4),
            (r, -long_mm * 0.2),
            (r, long_mm * 0.75),
            (r * 0.95, long_mm),
            (r * 0.8, long_mm),
            (r * 0.78, long_mm - 1.5),
        ],
        "chrome",
    )
    grid = mesh.cylinder(diameter_mm * 0.76, long_mm - 2.5, long_mm - 1.2, "grey_plastic", around=32)
    grid = grid.of("grey_plastic", tint=(0.12, 0.12, 0.12))
    return (*finish.on(along(path_yz, ring)), along(path_yz, grid))


def lobed(
    profile_rz: list[tuple[float, float]],
    lobes: int,
    depth: float,
    material: str,
    *,
    pinch: float = 1.0,
    around: int = 96,
) -> Solid:
    """Turned shape of a (radius, z) profile whose radius waves ``lobes`` times round by the part ``depth``."""
    profile = np.asarray(profile_rz, float)
    steps = np.maximum(1, np.ceil(np.linalg.norm(np.diff(profile, axis=0), axis=1) / 2.0).astype(int))
    fine = [profile[i] + (profile[i + 1] - profile[i]) * t / n for i, n in enumerate(steps) for t in range(n)]
    rz = np.array([*fine, profile[-1]])
    angle = 2 * np.pi * np.arange(around) / around
    wave = np.abs(np.cos(lobes * angle / 2)) ** pinch
    reach = np.maximum(rz[:, :1], 1e-4) * (1 - depth * (1 - wave)[None, :])
    z = np.broadcast_to(rz[:, 1:], reach.shape)
    return mesh.rings(np.stack([reach * np.cos(angle), reach * np.sin(angle), z], -1), material, crease_deg=38)


def flange(rng: Rng, radius_mm: float, inner_mm: float, *, style: str | None = None) -> Solid:
    """Cover plate round a pipe or a tap's foot, standing on z = 0: flat, domed, stepped or conical."""
    kind = style or pick(rng, ("flat", "dome", "step", "cone"))
    h = between(rng, 3.0, 5.0) if kind == "flat" else between(rng, 6.0, 13.0)
    profiles = {
        "flat": [(radius_mm - 0.6, 0.0), (radius_mm, 0.8), (radius_mm, h - 1), (radius_mm - 1, h), (inner_mm, h)],
        "dome": [
            (radius_mm, 0.0),
            (radius_mm, 1.0),
            (radius_mm * 0.94, h * 0.45),
            (radius_mm * 0.8, h * 0.75),
            (max(inner_mm, radius_mm * 0.6), h * 0.95),
            (inner_mm, h),
        ],
        "step": [
            (radius_mm, 0.0),
            (radius_mm, h * 0.3),
            (radius_mm * 0.84, h * 0.42),
            (radius_mm * 0.8, h * 0.8),
            (max(inner_mm, radius_mm * 0.7), h),
            (inner_mm, h),
        ],
        "cone": [(radius_mm, 0.0), (radius_mm, h * 0.15), (max(inner_mm, radius_mm * 0.62), h), (inner_mm, h)],
    }
    return mesh.lathe(profiles[kind], "chrome", around=80)


def index_mark(radius_mm: float, z_mm: float, colour: Tint, *, thick_mm: float = 1.2) -> Solid:
    """Hot or cold disc let into the top of a handle."""
    disc = mesh.cylinder(2 * radius_mm, z_mm - 0.4, z_mm + thick_mm, "coloured_plastic", chamfer_mm=0.4, around=36)
    return disc.of("coloured_plastic", tint=colour, roughness=0.2)


def hot_cold(rng: Rng) -> tuple[Tint, Tint]:
    """Index colours of the hot and the cold tap of a pair: red and blue, or both without colour."""
    plain = (PALE, (0.25, 0.25, 0.26), (0.75, 0.76, 0.78))
    if rng.random() < 0.35:
        same = plain[int(rng.integers(len(plain)))]
        return same, same
    return RED, BLUE
