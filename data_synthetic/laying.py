"""A reference object laid beside a part, beneath it, or on its level top."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from data_synthetic import references
from data_synthetic.finish import Surface
from data_synthetic.footprint import hull_xy, overlap
from data_synthetic.mesh import Array, rotation_about
from data_synthetic.rest import Placed
from data_synthetic.spindle import within


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
