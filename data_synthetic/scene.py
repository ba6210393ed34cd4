"""A bench with a part, a reference object and clutter, or an installed tap: what the renderer needs, with truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np

from data_synthetic import clutter, lights, photographer, references, textures
from data_synthetic.camera import View, held
from data_synthetic.finish import Surface, Wear, any_wear, surface
from data_synthetic.footprint import hull_xy, overlap
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


def moved_surface(piece: Surface, turn: Array, shift_mm: Array) -> Surface:
    """A surface turned, then shifted [mm]."""
    return replace(piece, vertices_mm=piece.vertices_mm @ turn.T + shift_mm, normals=piece.normals @ turn.T)


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A reference object in its place."""

    surface: Surface
    object: references.Object
    outline_mm: Array
    marks_mm: Array | None
    footprint_xy: Array
    on_part: bool


def lay_reference(rng: np.random.Generator, kind: str, placed: Placed, *, detail: int) -> Laid:
    """A reference beside the part at a random turn, never overlapping it; or a coin on the part's level top."""
    made = {"coin": lambda: references.coin(rng, detail=detail), "card": lambda: references.card(rng),
            "ruler": lambda: references.ruler(rng), "sheet": lambda: references.sheet(rng)}[kind]()  # fmt: skip
    turn = rotation_about("z", within(rng, 0, 360))
    base, points = made.surface.vertices_mm @ turn.T, placed.points_mm()
    top = float(points[:, 2].max())
    level = points[points[:, 2] > top - 0.05]
    if kind == "sheet":
        beneath = np.append(hull_xy(points).mean(0) + rng.normal(0, 9, 2), 0.0)
        return _put(made, turn, beneath, on_part=False)
    if kind == "coin" and placed.part.class_id != "none" and rng.random() < 0.12 and len(level) > 8:
        plateau = hull_xy(level)
        if cv2.contourArea(plateau) > 110:
            return _put(made, turn, np.array([*plateau.mean(0), top]), on_part=True)
    footprint = hull_xy(points, gap_mm=within(rng, 2, 28))
    angle, own = within(rng, 0, 2 * np.pi), hull_xy(base)
    away = np.array([np.cos(angle), np.sin(angle)])
    slide = np.array([-away[1], away[0]]) * (rng.uniform(-60, 60) if kind == "ruler" else rng.uniform(-12, 12))
    reach = 0.0
    while overlap(footprint, own + footprint.mean(0) + reach * away + slide):
        reach += 1.5
    place = footprint.mean(0) + reach * away + slide
    return _put(made, turn, np.array([*place, 0.0]), on_part=False)


def _put(made: references.Object, turn: Array, shift: Array, *, on_part: bool) -> Laid:
    placed = moved_surface(made.surface, turn, shift)
    marks = None if made.marks_mm is None else made.marks_mm @ turn.T + shift
    return Laid(placed, made, made.outline_mm @ turn.T + shift, marks, hull_xy(placed.vertices_mm), on_part)


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


def seen_apart(view: View, part_mm: Array, laid: Laid) -> bool:
    """Whether the part hides nothing of the reference from this view (or the coin lies on the part)."""
    if laid.on_part or laid.object.kind == "sheet":
        return True
    front, behind = (cv2.convexHull(view.project(p).astype(np.float32)).reshape(-1, 2)
                     for p in (part_mm, laid.surface.vertices_mm))  # fmt: skip
    return not overlap(front, behind)


def inside(view: View, points_mm: Array, *, border_px: float = 2.0) -> bool:
    """Whether all points fall into the picture."""
    xy = view.project(points_mm)
    limit = np.array([view.width_px, view.height_px]) - 1 - border_px
    return bool(np.all((xy > border_px) & (xy < limit)))


def _mostly_inside(view: View, points_mm: Array) -> bool:
    xy = view.project(points_mm[::7])
    return bool(np.mean(np.all((xy > 0) & (xy < [view.width_px - 1, view.height_px - 1]), axis=1)) > 0.85)


def framed(
    rng: np.random.Generator, part_mm: Array, laid: Laid | None, *, width_px: int, height_px: int, natural: bool
) -> View:
    """A view of the part and its reference.

    ``natural``: a phone's field of view at 180-450 mm with all in the picture. Otherwise the part takes 25-90 % of
    the frame by a lens that may stand for a crop, and the reference may run out of the frame.
    """
    low, high = part_mm.min(0), part_mm.max(0)
    middle, extent = (low + high) / 2, float(np.linalg.norm(high - low))
    view = None
    share = within(rng, 0.25, 0.9)
    for attempt in range(40):
        share = share if attempt < 25 else within(rng, 0.15, 0.7)
        tilt = within(rng, 0, 40) if rng.random() < 0.85 else within(rng, 0, 12)
        focal35 = within(rng, 24, 28) if rng.random() < 0.75 else within(rng, 48, 56)
        if natural:
            distance = within(rng, 180, 450) * (1 + 0.01 * attempt)
        else:
            ideal = extent * focal35 / 43.2666 * np.hypot(width_px, height_px) / (share * max(width_px, height_px))
            distance = float(np.clip(ideal, 170, 450))
            focal35 = focal35 * distance / ideal
        target = middle * (1, 1, 0.5)
        if laid is not None and not laid.on_part:
            other = np.append(laid.footprint_xy.mean(0), 0.0)
            target = target + (other - target) * within(
                rng, *((0.2, 0.6) if natural else (0.0, 0.5 * max(0.0, 1 - attempt / 15)))
            )
        frame = distance / (focal35 / 43.2666 * np.hypot(width_px, height_px)) * min(width_px, height_px)
        target = target + np.append(rng.normal(0, 0.09, 2) * frame * (1 - 0.02 * attempt), 0.0)
        view = held(rng, target, focal35_mm=focal35, distance_mm=distance, tilt_deg=tilt,
                    azimuth_deg=within(rng, 0, 360), roll_deg=within(rng, 0, 360), width_px=width_px,
                    height_px=height_px)  # fmt: skip
        apart = laid is None or seen_apart(view, part_mm, laid)
        whole = inside(view, part_mm)
        ruler = laid is not None and laid.object.kind == "ruler"
        whole = whole or (not natural and attempt >= 12 and _mostly_inside(view, part_mm))
        held_in = not natural or laid is None or (ruler and rng.random() < 0.9) or inside(view, laid.outline_mm)
        if apart and whole and held_in:
            return view
    assert view is not None
    return view


def on_bench(
    part: Part | None, rng: np.random.Generator, *, split: str, width_px: int, height_px: int, natural: bool,
    rest: str | None = None,
) -> Scene:  # fmt: skip
    """A bench picture; ``part`` None leaves the bench empty but for clutter, ``rest`` is lying or standing."""
    size = 1024 if max(width_px, height_px) > 400 else 448
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
    view = framed(rng, points, laid, width_px=width_px, height_px=height_px, natural=natural)
    taken = [hull_xy(points, gap_mm=1.0)] if placed is not None else []
    taken += [laid.footprint_xy] if laid is not None else []
    if placed is not None and placed.support:
        taken.append(hull_xy(np.concatenate([piece.vertices_mm for piece in placed.support]), gap_mm=1.0))
    count = int(rng.poisson(1.3)) if placed is not None else int(rng.integers(0, 5))
    spread = view.distance_mm * 43.2666 / view.focal35_mm * 0.33
    things, _ = scatter(rng, taken, points[:, :2].mean(0), spread_mm=max(spread, 45.0), count=count)
    things += list(placed.support) if placed is not None else []
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
    )  # fmt: skip
    truth = _truth(part, placed, laid, view) | {"bench": family, "light": room}
    return Scene(setting, view, _white(light), truth)


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


def in_building(tap: InstalledScene, rng: np.random.Generator, *, split: str, width_px: int, height_px: int) -> Scene:
    """An installed tap in its surroundings."""
    size = 1024 if max(width_px, height_px) > 400 else 448
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
    view = held(rng, target, focal35_mm=focal35, distance_mm=distance * focal35 / 30, tilt_deg=90 - elevation,
                azimuth_deg=-90 + within(rng, *tap.camera_azimuth_deg), roll_deg=float(rng.normal(0, 5)),
                width_px=width_px, height_px=height_px)  # fmt: skip
    setting = Setting(
        part=surface(tap.solids, rng, wear=any_wear(rng)) if tap.solids else None, reference=None, picture=None,
        clutter=_calm(surface(tap.surroundings, rng)) if tap.surroundings else None,
        bench=deck, wall=wall, environment=photographer.mirrored(light.environment, view, rng), flash=light.flash,
    )  # fmt: skip
    truth = _truth(None, None, None, view) | {
        "class": tap.class_id, "subtype": tap.subtype, "variety": dict(tap.variety), "view": "installed",
        "bench": "building", "light": room}  # fmt: skip
    return Scene(setting, view, _white(light), truth)


def _wall(rng: np.random.Generator, split: str, size: int, y_mm: float, foot_mm: float) -> Plane:
    kind = str(rng.choice(["tiles", "plain", "stone"]))
    draw = np.random.default_rng([int(rng.integers(10)), size, split == "evaluation"])
    made = {
        "tiles": lambda: textures.tiles(draw, size, brick=split == "evaluation"),
        "plain": lambda: textures.laminate(draw, size),
        "stone": lambda: textures.marble(draw, size),
    }[kind]()
    half = 900.0
    corners = np.array([[-half, y_mm, foot_mm - 0.2 * half], [half, y_mm, foot_mm - 0.2 * half],
                        [half, y_mm, foot_mm + 1.8 * half], [-half, y_mm, foot_mm + 1.8 * half]])  # fmt: skip
    return Plane(corners, made.picture, made.normals, made.roughness, 0.0, 2 * half / textures.SPAN_MM)
