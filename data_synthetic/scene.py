"""A bench with a part, a reference object and clutter, or an installed tap: what the renderer needs, with truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np

from data_synthetic import clutter, drops, hands, lights, photographer, references, textures
from data_synthetic.camera import View, held
from data_synthetic.finish import Surface, Wear, any_wear, surface
from data_synthetic.footprint import hull_xy, overlap
from data_synthetic.framing import cut_out, framed, inside, whole_size
from data_synthetic.laying import Laid, lay_reference
from data_synthetic.mesh import Array, InstalledScene, Part, Solid, rotation_about
from data_synthetic.render import Plane, Setting
from data_synthetic.rest import Placed, at_rest
from data_synthetic.spindle import pick, within

VARIANTS_PER_FAMILY = 6
REACH_MM = 3000.0


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A setting seen from a view, with what is true of it."""

    setting: Setting
    view: View
    white: Array
    truth: dict[str, Any]


def texture_side(width_px: int, height_px: int, *, near: bool) -> int:
    """Side [px] of the pictures on benches and walls that a picture of this size shows sharply enough."""
    return 768 if near else 1024 if max(width_px, height_px) > 400 else 448


@lru_cache(maxsize=96)
def _texture(family: str, variant: int, size: int) -> textures.Texture:
    rng = np.random.default_rng([variant, size, sum(map(ord, family))])
    return next(found[family] for found in textures.FAMILIES.values() if family in found)(rng, size)


def bench(rng: np.random.Generator, split: str, size: int) -> tuple[Plane, str]:
    """A textured bench top under everything, at any turn, and its family."""
    family = str(rng.choice(list(textures.FAMILIES[split])))
    made = _texture(family, int(rng.integers(VARIANTS_PER_FAMILY)), size)
    tint = within(rng, 0.8, 1.12) * (1 + rng.uniform(-0.03, 0.03, 3) * (made.metal < 0.5))
    picture = np.clip(made.picture * tint.astype(np.float32) if made.metal < 0.5 else made.picture, 0.01, 0.98)
    if rng.random() < 0.22 and made.metal < 0.5:
        picture = _with_papers(rng, picture)
    turn = rotation_about("z", within(rng, 0, 360))
    shift = np.append(rng.uniform(-textures.SPAN_MM, textures.SPAN_MM, 2), 0.0)
    corners = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * REACH_MM @ turn.T + shift
    repeat = 2 * REACH_MM / textures.SPAN_MM
    rough = np.clip(made.roughness * within(rng, 0.85, 1.2), 0.08, 1.0)
    return Plane(corners, picture, made.normals, rough, made.metal, repeat), family


def _with_papers(rng: np.random.Generator, picture: np.ndarray) -> np.ndarray:
    """Sheets of paper lying flat on the bench, some with lines or print-like strokes."""
    board, size = picture.copy(), len(picture)
    scale = size / textures.SPAN_MM
    for _ in range(int(rng.integers(1, 3))):
        wide, tall = (148, 210) if rng.random() < 0.5 else (210, 297)
        sheet = np.full((int(tall * scale), int(wide * scale), 3), within(rng, 0.82, 0.95), np.float32)
        sheet *= 1 + rng.uniform(-0.03, 0.03, 3).astype(np.float32)
        if rng.random() < 0.6:
            for y in range(int(20 * scale), len(sheet) - 4, max(3, int(within(rng, 5, 9) * scale))):
                end = int(within(rng, 0.4, 0.92) * sheet.shape[1])
                cv2.line(sheet, (int(12 * scale), y), (end, y), [within(rng, 0.25, 0.6)] * 3, 1, cv2.LINE_AA)
        turn = cv2.getRotationMatrix2D((sheet.shape[1] / 2, len(sheet) / 2), within(rng, 0, 360), 1.0)
        room = min(0.5, 0.5 * float(np.hypot(wide, tall)) / textures.SPAN_MM)
        turn[:, 2] += rng.uniform(room, 1 - room, 2) * size - (sheet.shape[1] / 2, len(sheet) / 2)
        cover = cv2.warpAffine(np.ones(sheet.shape[:2], np.float32), turn, (size, size), flags=cv2.INTER_LINEAR)
        laid = cv2.warpAffine(sheet, turn, (size, size), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        board = board * (1 - cover[..., None]) + laid * cover[..., None]
    return board


def scatter(
    rng: np.random.Generator, taken: list[Array], centre_xy: Array, *, spread_mm: float, count: int
) -> tuple[list[Solid], list[Array]]:
    """Clutter round a centre that touches nothing already there."""
    solids: list[Solid] = []
    taken = list(taken)
    for _ in range(count):
        things = clutter.thing(rng)
        points = np.concatenate([piece.vertices_mm for piece in things])
        for _ in range(6):
            angle, reach = within(rng, 0, 2 * np.pi), spread_mm * within(rng, 0.3, 1.4)
            shift = np.array([centre_xy[0] + reach * np.cos(angle), centre_xy[1] + reach * np.sin(angle), 0.0])
            outline = hull_xy(points + shift, gap_mm=1.0)
            if not any(overlap(outline, other) for other in taken):
                solids += [piece.moved(shift) for piece in things]
                taken.append(outline)
                break
    return solids, taken


def on_bench(
    part: Part | None, rng: np.random.Generator, *, split: str, width_px: int, height_px: int, natural: bool,
    rest: str | None = None, near: bool = False,
) -> Scene:  # fmt: skip
    """A bench picture; ``part`` None leaves the bench empty but for clutter, ``rest`` is lying or standing.

    ``near``: what a near look cuts out of a natural picture, a square of ``width_px`` px.
    """
    size = texture_side(width_px, height_px, near=near)
    plane, family = bench(rng, split, size)
    room = pick(rng, dict.fromkeys(lights.FAMILIES[split], 1.0))
    light = lights.lit(rng, room)
    part = part if part is not None and part.solids else None
    placed = None if part is None else at_rest(part, rng, view=rest)
    kind = pick(
        rng, {"coin": 0.4, "card": 0.18, "ruler": 0.17, "sheet": 0.07 * references.prints_sheets(), "none": 0.18}
    )
    laid = None
    if placed is not None and kind != "none":
        laid = lay_reference(rng, kind, placed, detail=96 if size > 500 else 64)
    points = np.zeros((2, 3)) + np.array([[-30.0, -30, 0], [30, 30, 20]]) if placed is None else placed.points_mm()
    wide, tall = whole_size(width_px, height_px, near=near)
    view = framed(rng, points, laid, width_px=wide, height_px=tall, natural=natural or near)
    taken = [hull_xy(points, gap_mm=1.0)] if placed is not None else []
    taken += [laid.footprint_xy] if laid is not None else []
    if placed is not None and placed.support:
        taken.append(hull_xy(np.concatenate([piece.vertices_mm for piece in placed.support]), gap_mm=1.0))
    count = int(rng.poisson(1.3)) if placed is not None else int(rng.integers(0, 5))
    spread = view.distance_mm * 43.2666 / view.focal35_mm * 0.33
    things, _ = scatter(rng, taken, points[:, :2].mean(0), spread_mm=max(spread, 45.0), count=count)
    things += list(placed.support) if placed is not None else []
    water = None
    if placed is not None and split == "training":
        things, plane, water = _handled(rng, placed, laid, things, plane)
    things += photographer.shading(light.environment, view, points.mean(0), rng)
    wear = any_wear(rng)
    if laid is not None and laid.object.kind == "sheet":
        plane = replace(plane, corners_mm=plane.corners_mm - [0, 0, 0.1])
    setting = Setting(
        part=None if placed is None else surface(placed.solids(), rng, wear=wear),
        reference=None if laid is None else laid.surface,
        picture=None if laid is None else laid.object.picture,
        clutter=_calm(surface(tuple(things), rng, wear=Wear(dull=within(rng, 0, 0.7)))) if things else None,
        bench=plane, wall=None, environment=photographer.mirrored(light.environment, view, rng), flash=light.flash,
        water=water,
    )  # fmt: skip
    view = cut_out(rng, view, points, side_px=width_px) if near else view
    truth = _truth(part, placed, laid, view) | {"bench": family, "light": room}
    return Scene(setting, view, _white(light), truth)


def _handled(
    rng: np.random.Generator, placed: Placed, laid: Laid | None, things: list[Solid], plane: Plane
) -> tuple[list[Solid], Plane, Surface | None]:
    """Hands and water about a part: everything beside it, the bench, and the drops.

    They draw nothing from what the other splits draw from. A part in a palm is held above the bench, alone.
    """
    own, damp, open_hand = rng.spawn(3)
    points, solids = placed.points_mm(), placed.solids()
    alone = placed.view == "lying" and laid is None and not placed.support
    if alone and (held_in := hands.palm(open_hand, points)):
        lower = replace(plane, corners_mm=plane.corners_mm - [0, 0, within(open_hand, 40, 250)])
        return list(held_in), lower, drops.wet(damp, solids, None)
    kept = [] if laid is None or laid.object.kind == "sheet" else [laid.footprint_xy]
    return [*things, *hands.reaching(own, points, kept)], plane, drops.wet(damp, solids, 0.0)


def _calm(piece: Surface) -> Surface:
    """Surroundings without mirror-smooth metal, whose caustics would take too many samples."""
    return replace(piece, rough=np.where(piece.metal > 0.5, np.maximum(piece.rough, 0.16), piece.rough))


def _white(light: lights.Light) -> Array:
    upper = light.environment[: lights.HEIGHT // 2].reshape(-1, 3).mean(0) + light.flash * 3e-6
    return np.asarray(upper, float)


def _rounded(values: Array, digits: int = 3) -> list:
    return np.round(np.asarray(values, float), digits).tolist()


def _truth(part: Part | None, placed: Placed | None, laid: Laid | None, view: View) -> dict[str, Any]:
    """The manifest's keys that the scene knows."""
    camera = {"focal_px": round(view.camera.focal_px, 3), "focal35_mm": round(view.focal35_mm, 3),
              "k1": round(view.camera.k1, 6), "tilt_deg": round(view.tilt_deg, 3),
              "distance_mm": round(view.distance_mm, 2), "rotation": _rounded(view.lens.rotation, 7),
              "translation_mm": _rounded(view.lens.translation_mm)}  # fmt: skip
    truth: dict[str, Any] = {"class": "none", "subtype": "", "variety": {}, "view": "lying", "dimensions_mm": {},
                             "height_mm": None, "pose": {}, "reference": None, "camera": camera}  # fmt: skip
    if part is not None and placed is not None:
        axis = placed.axis_mm()
        truth |= {"class": part.class_id, "subtype": part.subtype, "variety": dict(part.variety), "view": placed.view,
                  "dimensions_mm": {k: round(float(v), 4) for k, v in part.dimensions_mm.items()},
                  "height_mm": None if placed.rim_height_mm is None else round(placed.rim_height_mm, 3)}  # fmt: skip
        truth["pose"] = {"axis_mm": _rounded(axis), "axis_px": _rounded(view.project(axis), 2),
                         "rotation": _rounded(placed.rotation, 7), "shift_mm": _rounded(placed.shift_mm),
                         "leaning": bool(placed.support), "cut_off": not inside(view, placed.points_mm(),
                                                                                border_px=0)}  # fmt: skip
        if "overall_length" in part.dimensions_mm:  # turned about its long axis
            truth["pose"]["measured_mm"] = _rounded(part.rim_z_mm)
    if laid is not None:
        truth["reference"] = {
            "kind": laid.object.kind, "id": laid.object.id, "diameter_mm": laid.object.diameter_mm,
            "thickness_mm": round(laid.object.thickness_mm, 3), "on_part": laid.on_part,
            "height_mm": round(float(laid.outline_mm[0, 2]), 3),
            "outline_px": _rounded(view.project(laid.outline_mm), 2),
        }  # fmt: skip
        if laid.marks_mm is not None:
            truth["reference"] |= {"marks_px": _rounded(view.project(laid.marks_mm), 2), "span_mm": laid.object.span_mm}
    return truth


def in_building(
    tap: InstalledScene, rng: np.random.Generator, *, split: str, width_px: int, height_px: int, near: bool = False
) -> Scene:
    """An installed tap in its surroundings; ``near`` as :func:`on_bench` has it."""
    size = texture_side(width_px, height_px, near=near)
    room = pick(rng, dict.fromkeys(lights.FAMILIES[split], 1.0))
    light = lights.lit(rng, room)
    deck = wall = None
    if tap.deck_z_mm is not None:
        plane, _ = bench(rng, split, size)
        deck = replace(plane, corners_mm=plane.corners_mm * (0.3, 0.3, 1) + [0, 0, tap.deck_z_mm],
                       repeat=plane.repeat * 0.3)  # fmt: skip
    if tap.wall_y_mm is not None:
        wall = _wall(rng, split, size, tap.wall_y_mm, 0.0 if tap.deck_z_mm is None else tap.deck_z_mm)
    elevation = within(rng, *tap.camera_elevation_deg)
    target = np.array(tap.camera_target_mm) + rng.normal(0, 9, 3)
    distance = within(rng, *tap.camera_distance_mm)
    focal35 = within(rng, 24, 28) if rng.random() < 0.6 else within(rng, 34, 56)
    wide, tall = whole_size(width_px, height_px, near=near)
    view = held(rng, target, focal35_mm=focal35, distance_mm=distance * focal35 / 30, tilt_deg=90 - elevation,
                azimuth_deg=-90 + within(rng, *tap.camera_azimuth_deg), roll_deg=float(rng.normal(0, 5)),
                width_px=wide, height_px=tall)  # fmt: skip
    setting = Setting(
        part=surface(tap.solids, rng, wear=any_wear(rng)) if tap.solids else None, reference=None, picture=None,
        clutter=_calm(surface(tap.surroundings, rng)) if tap.surroundings else None,
        bench=deck, wall=wall, environment=photographer.mirrored(light.environment, view, rng), flash=light.flash,
        water=drops.wet(rng.spawn(1)[0], tap.solids, None) if split == "training" else None,
    )  # fmt: skip
    if near:
        points = [piece.vertices_mm for piece in tap.solids] or [target + 60 * np.array([[-1, -1, -1], [1, 1, 1]])]
        view = cut_out(rng, view, np.concatenate(points), side_px=width_px)
    truth = _truth(None, None, None, view) | {
        "class": tap.class_id, "subtype": tap.subtype, "variety": dict(tap.variety), "view": "installed",
        "bench": "building", "light": room}  # fmt: skip
    return Scene(setting, view, _white(light), truth)


def _wall(rng: np.random.Generator, split: str, size: int, y_mm: float, foot_mm: float) -> Plane:
    kind = str(rng.choice(["tiles", "plain", "stone"]))
    made = _wall_texture(kind, int(rng.integers(10)), size, split == "evaluation")
    half = 900.0
    corners = np.array([[-half, y_mm, foot_mm - 0.2 * half], [half, y_mm, foot_mm - 0.2 * half],
                        [half, y_mm, foot_mm + 1.8 * half], [-half, y_mm, foot_mm + 1.8 * half]])  # fmt: skip
    return Plane(corners, made.picture, made.normals, made.roughness, 0.0, 2 * half / textures.SPAN_MM)


@lru_cache(maxsize=32)
def _wall_texture(kind: str, variant: int, size: int, held_back: bool) -> textures.Texture:
    rng = np.random.default_rng([variant, size, held_back])
    if kind == "tiles":
        return textures.tiles(rng, size, brick=held_back)
    return textures.laminate(rng, size) if kind == "plain" else textures.marble(rng, size)
