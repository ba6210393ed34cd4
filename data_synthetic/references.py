"""Reference objects that lie beside a part: coins, ID-1 cards and rulers, all of invented design and true size.

Sources of sizes: coins: EUR-Lex summaries of Regulations (EC) 975/98 and (EU) 729/2014; US Mint, Coin Specifications;
secondary coin pages for the United Kingdom; Japan Mint. Card: ISO/IEC 7810 ID-1, 85.60 x 53.98 x 0.76, corner 3.18.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from data_synthetic.creases import creased
from data_synthetic.finish import Surface, noise
from data_synthetic.mesh import Array, Solid, grid_faces, prism
from data_synthetic.spindle import within
from data_synthetic.textures import cloud

#: id: diameter, thickness [mm], tone of the rim, tone of the core
COINS = {
    "eur-1c": (16.25, 1.67, "copper", "copper"), "eur-2c": (18.75, 1.67, "copper", "copper"),
    "eur-5c": (21.25, 1.67, "copper", "copper"), "eur-10c": (19.75, 1.93, "gold", "gold"),
    "eur-50c": (24.25, 2.38, "gold", "gold"), "eur-1": (23.25, 2.33, "gold", "silver"),
    "eur-2": (25.75, 2.20, "silver", "gold"), "usd-1c": (19.05, 1.52, "copper", "copper"),
    "usd-5c": (21.21, 1.95, "silver", "silver"), "usd-10c": (17.91, 1.35, "silver", "silver"),
    "usd-25c": (24.26, 1.75, "silver", "silver"), "usd-50c": (30.61, 2.15, "silver", "silver"),
    "usd-1": (26.49, 2.00, "gold", "gold"), "gbp-1p": (20.30, 1.65, "copper", "copper"),
    "gbp-2p": (25.90, 1.85, "copper", "copper"), "gbp-5p": (18.00, 1.70, "silver", "silver"),
    "gbp-10p": (24.50, 1.85, "silver", "silver"), "gbp-2": (28.40, 2.50, "gold", "silver"),
    "jpy-1": (20.00, 1.50, "aluminium", "aluminium"), "jpy-10": (23.50, 1.50, "copper", "copper"),
    "jpy-100": (22.60, 1.70, "silver", "silver"), "jpy-500": (26.50, 1.80, "gold", "gold"),
}  # fmt: skip
TONES = {"copper": (0.52, 0.28, 0.18), "gold": (0.62, 0.46, 0.20), "silver": (0.56, 0.54, 0.50),
         "aluminium": (0.66, 0.66, 0.66)}  # fmt: skip
CARD_MM, CARD_THICK_MM, CARD_CORNER_MM = (85.60, 53.98), 0.76, 3.18
PX_PER_MM = 10  # of the ruler's texture


@dataclass(frozen=True, slots=True, eq=False)
class Object:
    """A reference on z = 0, centred on the origin.

    ``outline_mm`` (K, 3): points whose projections outline it (a coin's top rim, a card's or ruler's sharp corners of
    the top face, counter-clockwise); ``marks_mm`` (2, 3): first and last graduation of a ruler, ``span_mm`` apart.
    """

    surface: Surface
    picture: NDArray[np.float32]
    kind: str
    id: str
    diameter_mm: float | None
    thickness_mm: float
    outline_mm: Array
    marks_mm: Array | None = None
    span_mm: float | None = None


def coin(rng: np.random.Generator, name: str | None = None, *, detail: int = 96) -> Object:
    """A coin of a real size with an invented relief; worn, tarnished or bright."""
    name = str(rng.choice(list(COINS))) if name is None else name
    diameter, thick, rim_tone, core_tone = COINS[name]
    relief = _relief(rng, detail)
    rings, around, r = 40, 144, diameter / 2
    rim = within(rng, 0.035, 0.08)
    radius = np.concatenate([np.linspace(0.02, 1 - rim, rings - 6), np.linspace(1 - rim + 0.012, 1 - 0.006, 6)]) * r
    angle = 2 * np.pi * np.arange(around) / around
    x, y = radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle)
    inside = (radius < (1 - rim) * r)[:, None]
    at = lambda v: np.clip(((v / diameter + 0.5) * (detail - 1)).astype(int), 0, detail - 1)  # noqa: E731
    deep = within(rng, 0.08, 0.2)
    top = np.where(inside, thick - deep + deep * 0.9 * relief[at(-y), at(x)], thick)
    top[-1] = thick - 0.05
    side_z = np.array([thick - 0.14, 0.14, 0.0])
    side_r = np.array([r, r, r - 0.14])
    points = np.concatenate([
        np.stack([x, y, top], -1),
        np.stack([side_r[:, None] * np.cos(angle), side_r[:, None] * np.sin(angle),
                  np.broadcast_to(side_z[:, None], (3, around))], -1),
    ])  # fmt: skip
    faces = grid_faces(len(points), around, wrap=True)[:, ::-1]
    centre = np.array([[0, 0, top[0].mean()], [0, 0, 0.0]])
    j, base = np.arange(around), (len(points) - 1) * around
    k, low = (j + 1) % around, len(points) * around
    caps = np.concatenate(
        [np.stack([j, k, np.full(around, low)], -1), np.stack([base + k, base + j, np.full(around, low + 1)], -1)]
    )
    vertices, faces, normals = creased(np.concatenate([points.reshape(-1, 3), centre]), np.concatenate([faces, caps]))
    picture = _coin_picture(rng, relief, TONES[rim_tone], TONES[core_tone], bimetal=rim_tone != core_tone)
    uv = _uv(vertices, diameter / 0.985, diameter / 0.985)
    count = len(vertices)
    rough = np.clip(within(rng, 0.16, 0.42) + 0.05 * noise(vertices, 5, rng), 0.08, 0.8)
    surface = Surface(vertices, faces, normals, np.full((count, 3), 0.5), rough, np.full(count, 1.0), uv)
    circle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    outline = np.column_stack([r * np.cos(circle), r * np.sin(circle), np.full(72, thick - 0.14)])
    return Object(surface, picture, "coin", name, diameter, thick, outline)


def _relief(rng: np.random.Generator, size: int) -> NDArray[np.float32]:
    """Invented relief 0..1: a figure, a number, rays, dots or stars."""
    board = np.zeros((size, size), np.uint8)
    c, kind = size // 2, int(rng.integers(4))
    if kind == 0:
        cv2.putText(board, str(int(rng.choice([1, 2, 5, 10, 20, 50]))), (int(size * 0.2), int(size * 0.65)),
                    cv2.FONT_HERSHEY_TRIPLEX, size / 55, 220, 2, cv2.LINE_AA)  # fmt: skip
    elif kind == 1:
        outline = [(c + (0.22 + 0.08 * np.sin(3 * a + rng.uniform(0, 6)) + 0.05 * rng.normal()) * size * np.cos(a),
                    c + (0.28 + 0.06 * rng.normal()) * size * np.sin(a)) for a in np.linspace(0, 6.28, 18)]  # fmt: skip
        cv2.fillPoly(board, [np.array(outline, np.int32)], 200)
    elif kind == 2:
        for a in np.linspace(0, 2 * np.pi, int(rng.integers(6, 16)), endpoint=False):
            cv2.line(board, (c, c), (int(c + 0.33 * size * np.cos(a)), int(c + 0.33 * size * np.sin(a))), 190, 3)
        cv2.circle(board, (c, c), int(size * 0.13), 240, -1)
    else:
        cv2.ellipse(board, (c, int(size * 0.44)), (int(size * 0.15), int(size * 0.2)), 0, 0, 360, 220, -1)
        cv2.ellipse(board, (c, int(size * 0.78)), (int(size * 0.24), int(size * 0.16)), 0, 0, 360, 200, -1)
    dots = int(rng.integers(0, 16))
    for a in np.linspace(0, 2 * np.pi, dots, endpoint=False) if dots > 5 else ():
        cv2.circle(board, (int(c + 0.4 * size * np.cos(a)), int(c + 0.4 * size * np.sin(a))), 2, 200, -1)
    return cv2.GaussianBlur(board.astype(np.float32) / 255, (0, 0), 0.9)


def _coin_picture(
    rng: np.random.Generator, relief: np.ndarray, rim: tuple[float, ...], core: tuple[float, ...], *, bimetal: bool
) -> NDArray[np.float32]:
    size = 2 * len(relief)
    y, x = (np.mgrid[:size, :size] + 0.5) / size * 2 - 1
    picture = np.broadcast_to(np.array(core, np.float32), (size, size, 3)).copy()
    if bimetal:
        outside = np.hypot(x, y) > within(rng, 0.66, 0.74)
        picture[outside] = rim
        picture[np.abs(np.hypot(x, y) - 0.70) < 0.008] *= 0.6
    tarnish = within(rng, 0, 0.45)
    dirt = np.clip(0.5 + 0.4 * cloud(rng, size, 4), 0, 1) * (1 - 0.7 * cv2.resize(relief, (size, size)))
    linear = picture * (1 - tarnish * dirt)[..., None] * within(rng, 0.85, 1.1)
    return np.clip(linear, 0.01, 0.95).astype(np.float32) ** np.float32(1 / 2.2)


def _uv(vertices_mm: Array, width_mm: float, length_mm: float) -> Array:
    """Picture coordinates from above; the sides slope a little so that no face lacks area there."""
    below = 1e-3 * (vertices_mm[:, 2].max() - vertices_mm[:, 2])
    return np.column_stack([vertices_mm[:, 0] / width_mm + 0.5 + below, 0.5 - vertices_mm[:, 1] / length_mm + below])


def _slab(width: float, length: float, thick: float, corner: float) -> Solid:
    quarter = np.linspace(0, np.pi / 2, 8)
    across, along = width / 2 - corner, length / 2 - corner
    outline = np.array([
        (cx * across + corner * np.cos(start + q), cy * along + corner * np.sin(start + q))
        for cx, cy, start in ((1, 1, 0.0), (-1, 1, np.pi / 2), (-1, -1, np.pi), (1, -1, 1.5 * np.pi)) for q in quarter
    ])  # fmt: skip
    return prism(outline, 0, thick, "paper", chamfer_mm=min(0.08, thick / 5))


def _textured(slab: Solid, width: float, length: float, rough: float, metal: float) -> Surface:
    vertices, count = slab.vertices_mm, len(slab.vertices_mm)
    uv = _uv(vertices, width, length)
    return Surface(vertices, slab.faces, slab.normals, np.full((count, 3), 0.5), np.full(count, rough),
                   np.full(count, metal), uv)  # fmt: skip


def _corners(width: float, length: float, z: float) -> Array:
    signs = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    return np.column_stack([signs * (width / 2, length / 2), np.full(4, z)])


def card(rng: np.random.Generator) -> Object:
    """An ID-1 card with a chip, a stripe, blocks of number-like marks; no brand, no readable number."""
    (wide, tall), px = CARD_MM, 8
    w, h = round(wide * px), round(tall * px)
    first, second = rng.uniform(0.05, 0.95, (2, 3)) * rng.uniform(0.5, 1.0)
    if rng.random() < 0.25:
        first = second = np.full(3, rng.uniform(0.75, 0.95))
    y, x = np.mgrid[:h, :w].astype(np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    blend = np.clip(0.5 + ((x / w - 0.5) * np.cos(turn) + (y / h - 0.5) * np.sin(turn)) * rng.uniform(0, 1.3), 0, 1)
    if rng.random() < 0.4:
        blend = np.clip(0.5 + 0.4 * np.sin(blend * rng.uniform(6, 30) + cloud(rng, w, 3)[:h, :w]), 0, 1)
    board = np.ascontiguousarray((first * blend[..., None] + second * (1 - blend[..., None])) * 255).astype(np.uint8)
    ink = [int(v) for v in (np.full(3, 235) if board.mean() < 130 else np.full(3, 40))]
    if rng.random() < 0.7:
        _card_front(rng, board, ink, px)
    else:
        top = int(rng.uniform(4, 7) * px)
        cv2.rectangle(board, (0, top), (w, top + int(rng.uniform(10, 13) * px)), (18, 18, 20), -1)
        cv2.rectangle(board, (3 * px, 22 * px), (58 * px, 30 * px), (232, 230, 225), -1)
        for k in range(int(rng.integers(1, 4))):
            cv2.rectangle(
                board, (3 * px, (34 + 3 * k) * px), (int(rng.uniform(30, 75)) * px, (35 + 3 * k) * px), ink, -1
            )
    if rng.random() < 0.5:
        board = np.ascontiguousarray(board[::-1, ::-1])
    surface = _textured(_slab(wide, tall, CARD_THICK_MM, CARD_CORNER_MM), wide, tall, within(rng, 0.18, 0.45), 0.0)
    picture = np.clip(board / 255, 0.02, 0.97).astype(np.float32)
    return Object(surface, picture, "card", "card", None, CARD_THICK_MM, _corners(wide, tall, CARD_THICK_MM))


def _card_front(rng: np.random.Generator, board: np.ndarray, ink: list[int], px: int) -> None:
    if rng.random() < 0.85:
        left, top = int(9.5 * px), int(18.5 * px)
        gold = [int(v) for v in rng.choice([[205, 170, 95], [190, 190, 192]])]
        cv2.rectangle(board, (left, top), (left + 13 * px, top + 11 * px), gold, -1)
        for k in (1, 2):
            level = top + k * 11 * px // 3
            cv2.line(board, (left, level), (left + 13 * px, level), (90, 80, 60), 2)
        cv2.rectangle(board, (left + 4 * px, top + 3 * px), (left + 9 * px, top + 8 * px), (90, 80, 60), 2)
    for group in range(4):
        for digit in range(4):
            x = int((8 + group * 18 + digit * 3.7) * px)
            tall = rng.uniform(2.4, 3.6)
            cv2.rectangle(board, (x, int((34 - tall / 2) * px)), (x + int(2.3 * px), int((34 + tall / 2) * px)), ink,
                          2 if rng.random() < 0.6 else -1)  # fmt: skip
    for k in range(2):
        cv2.rectangle(board, (8 * px, (43 + 4 * k) * px), (int(rng.uniform(25, 55)) * px, (44 + 4 * k) * px), ink, -1)
    if rng.random() < 0.5:
        at = (int(rng.uniform(66, 78) * px), int(rng.uniform(8, 44) * px))
        cv2.circle(board, at, int(rng.uniform(3, 6) * px), [int(v) for v in rng.integers(0, 255, 3)], -1, cv2.LINE_AA)


def ruler(rng: np.random.Generator) -> Object:
    """A steel, wooden or plastic ruler with 1 mm graduations; the graduations are exactly 1 mm apart."""
    kind = str(rng.choice(["steel", "wood", "plastic"], p=[0.5, 0.2, 0.3]))
    span = int(rng.choice([150, 200, 300], p=[0.6, 0.15, 0.25]))
    wide = {"steel": within(rng, 14, 22), "wood": within(rng, 24, 32), "plastic": within(rng, 26, 36)}[kind]
    thick = {"steel": within(rng, 0.5, 1.0), "wood": within(rng, 2.0, 4.0), "plastic": within(rng, 1.5, 2.6)}[kind]
    lead = 0.0 if kind == "steel" and rng.random() < 0.6 else within(rng, 3, 7)
    tail = within(rng, 3, 12) if kind == "steel" else lead
    total = lead + span + tail
    board, lead_px = _ruler_board(rng, kind, span, wide, total, lead)
    lead = lead_px / PX_PER_MM
    tone = 1.0 if kind == "steel" else 0.0
    rough = {"steel": within(rng, 0.2, 0.4), "wood": 0.5, "plastic": within(rng, 0.15, 0.35)}[kind]
    length = board.shape[1] / PX_PER_MM
    width = board.shape[0] / PX_PER_MM
    surface = _textured(_slab(length, width, thick, 0.6 if kind != "plastic" else 1.5), length, width, rough, tone)
    marks = np.array([[lead - length / 2, width / 2, thick], [lead + span - length / 2, width / 2, thick]])
    return Object(surface, (board / 255).astype(np.float32), "ruler", "ruler", None, thick,
                  _corners(length, width, thick), marks, float(span))  # fmt: skip


def _ruler_board(
    rng: np.random.Generator, kind: str, span: int, wide: float, total: float, lead: float
) -> tuple[np.ndarray, int]:
    """The printed face, row 0 the graduated edge; also the first graduation's place in px of ``PX_PER_MM``."""
    h, w, zero = round(wide * PX_PER_MM), round(total * PX_PER_MM), round(lead * PX_PER_MM)
    if kind == "steel":
        face = np.full((h, w, 3), (196, 197, 196), np.float32) * (1 + 0.02 * rng.normal(size=(h, 1, 1)))
        ink = 40
    elif kind == "wood":
        grain = cv2.resize(cloud(rng, 256, 40, stretch=20), (w, h))
        face = np.clip(np.array((212, 178, 122)) * (1 + 0.06 * grain[..., None]), 0, 255)
        ink = 30
    else:
        colour = ((238, 238, 234), (240, 205, 60), (225, 240, 245), (60, 120, 190), (235, 120, 40))[
            int(rng.integers(5))
        ]
        face = np.full((h, w, 3), colour, np.float32)
        ink = 25
    board = np.ascontiguousarray(face.astype(np.uint8))
    long_mm = within(rng, 5.0, 7.0)
    thick_px = int(rng.choice([2, 4]))
    for k in range(span + 1):
        reach = long_mm if k % 10 == 0 else long_mm * 0.75 if k % 5 == 0 else long_mm * 0.5
        tick(board, zero + k * PX_PER_MM, round(reach * PX_PER_MM), thick_px, ink)
        if k % 10 == 0:
            text, scale = str(k if kind == "steel" else k // 10), wide / 22
            size = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 2)[0]
            at = (zero + k * PX_PER_MM - size[0] // 2, round((long_mm + 1.2) * PX_PER_MM) + size[1])
            cv2.putText(board, text, at, cv2.FONT_HERSHEY_SIMPLEX, scale, (ink, ink, ink), 2, cv2.LINE_AA)
    if kind != "wood" and rng.random() < 0.4:
        for k in range(span * 2 // 3 + 1):
            reach = 3.0 if k % 4 else 4.5
            column = zero + round(k * 25.4 / 16 * PX_PER_MM)
            if column < w - 4:
                board[h - round(reach * PX_PER_MM) :, column - 1 : column + 1] = ink
    return board, zero


@cache
def _page(paper: str) -> NDArray[np.float32]:
    from identify.reference import sheet as printed

    return np.repeat(printed.board_picture(paper, 5.0)[..., None] / 255, 3, axis=2).astype(np.float32)


@cache
def prints_sheets() -> bool:
    """Whether this machine's OpenCV can draw the sheet's markers."""
    return hasattr(cv2, "aruco") and hasattr(cv2.aruco, "CharucoBoard")


def sheet(rng: np.random.Generator) -> Object:
    """The printed scale sheet: its upper face is z = 0, so that a part stands on it; centred on the free area."""
    from identify.reference import sheet as printed

    layout = printed.layout("a4" if rng.random() < 0.7 else "letter")
    wide, tall = layout.size_mm
    page = _slab(wide, tall, 0.1, 0.15)
    surface = _textured(page, wide, tall, within(rng, 0.5, 0.8), 0.0)
    left, top, free_wide, free_tall = layout.free_mm
    shift = np.array([wide / 2 - left - free_wide / 2, top + free_tall / 2 - tall / 2, 0.0])
    surface = replace(surface, vertices_mm=surface.vertices_mm + shift - [0, 0, 0.1])
    picture = np.clip(_page("a4" if layout.id == "sheet" else "letter") * within(rng, 0.82, 0.95), 0.03, 0.97)
    return Object(surface, picture, "sheet", layout.id, None, 0.0, _corners(wide, tall, 0.0) + shift)


def tick(board: np.ndarray, column_px: int, reach_px: int, thick_px: int, ink: int) -> None:
    """One graduation centred on the left edge of ``column_px``, drawn from row 0."""
    low = max(0, column_px - thick_px // 2)
    board[:reach_px, low : low + thick_px] = ink
