"""Cases made by hand for the tests of the outputs; no step of the road is run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from identify import rules, tables
from identify.model import (
    BudgetLine,
    Camera,
    Case,
    Ellipse,
    Measurement,
    NotMeasured,
    Outline,
    Photo,
    PhotoFacts,
    Plane,
    Pose,
    Recognition,
    Reference,
    Remark,
    Variety,
)

SHA = "0123456789abcdef" * 4
SIZE = (1600, 1200)


def photo(size: tuple[int, int] = SIZE, seed: int = 3) -> Photo:
    rng = np.random.default_rng(seed)
    rgb = rng.integers(90, 160, (size[1] // 8, size[0] // 8, 3), np.uint8).repeat(8, axis=0).repeat(8, axis=1)
    return Photo("bench.jpg", SHA, rgb, size[0], size[1], 26.0)


def ring(centre: tuple[float, float], half: tuple[float, float], count: int = 240) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([centre[0] + half[0] * np.cos(turn), centre[1] + half[1] * np.sin(turn)])


def coin(at: tuple[float, float] = (1200.0, 800.0), radius: float = 90.0) -> Reference:
    name = next(name for name, row in tables.load().references.items() if row.kind == "coin")
    rim = Ellipse(at[0], at[1], radius, radius, 0.0)
    return Reference("coin", name, ring(at, (radius, radius)), 0.1, ellipse=rim, diameter_mm=20.0)


def plane() -> Plane:
    camera = Camera(1200.0, (799.5, 599.5), 0.02, "EXIF")
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 312.4]), np.eye(7) * 1e-6)
    return Plane(camera, (pose,), 8.26, 312.44)


def recognition(answer: str, view: str = "lying", share: float = 0.91) -> Recognition:
    names = list(tables.load().classes)
    rest = (1 - share) / (len(names) - 1)
    probabilities = {name: share if name == answer else rest for name in names}
    kept = (answer,) if answer in names else tuple(names[:2])
    varieties = {}
    if answer in names:
        varieties = {name: Variety(said[0], 0.8) for name, said in tables.load().fitting(answer).varieties.items()}
    return Recognition(answer, probabilities, kept, view, varieties, None, SHA)


def measurement(quantity: str, value: float, u95: float, line: object = None, unit: str = "mm") -> Measurement:
    budget = (BudgetLine("edge", u95 / 2 * 0.8), BudgetLine("reference size", u95 / 2 * 0.6))
    at = None if line is None else np.array(line, float)
    return Measurement(quantity, value, u95, unit, "lying, both edges", budget, at)


def case(
    answer: str | None = None,
    *,
    view: str = "lying",
    measured: bool = True,
    shot: Photo | None = None,
    remarks: tuple[Remark, ...] = (),
) -> Case:
    """A whole case; the first class of the tables where none is named."""
    known = tables.load()
    answer = answer or next(iter(known.classes))
    seen = recognition(answer, view)
    shot = shot or photo()
    wanted = known.fitting(answer).quantities if answer in known.classes else ("overall_length",)
    found: list[Measurement] = []
    missed: list[NotMeasured] = []
    for at, quantity in enumerate(wanted):
        x = 380.0 + 60 * at
        unit = known.quantities[quantity].unit
        if measured and at < 4:
            line = [[x, 420.0], [x, 780.0]] if unit == "mm" and at < 3 else None
            found.append(
                measurement(quantity, 20.93 + at if unit == "mm" else 20, 0.2134 if unit == "mm" else 1, line, unit)
            )
        else:
            missed.append(NotMeasured(quantity, "No coin found.", "Lay one flat beside the part and retake."))
    measured = bool(found)
    made = Case(
        photos=(PhotoFacts(shot.file, shot.sha256, shot.width_px, shot.height_px, shot.focal35_mm),),
        recognition=seen,
        reference=coin() if measured else None,
        plane=plane() if measured else None,
        measurements=tuple(found),
        not_measured=tuple(missed),
        verdict=rules.judge(seen, tuple(found)),
        remarks=remarks,
        tables_version=known.version,
    )
    if not measured:
        return made
    inside = np.zeros((SIZE[1] // 4, SIZE[0] // 4), bool)
    return replace(made, outline=Outline(ring((500.0, 600.0), (240.0, 180.0)), inside, 4, 0.15, False, "drawn"))
