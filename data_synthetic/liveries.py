"""Other materials that the same object might be made of, so that colour and polish never tell what a thing is.

The palette is common practice, no source: finishes of the trade for metals, moulding colours for plastics and rubbers.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from data_synthetic.mesh import Solid
from data_synthetic.spindle import pick, within

Tint = tuple[float, float, float] | None

METALS = {
    "brass": 0.19, "bright_brass": 0.1, "chrome": 0.2, "satin_nickel": 0.12, "steel": 0.1, "bronze": 0.05,
    "gold": 0.05, "copper": 0.05, "zinc": 0.07, "black": 0.04, "gunmetal": 0.03,
}  # fmt: skip
PLASTICS = {
    (0.91, 0.90, 0.87): 0.2, (0.85, 0.80, 0.68): 0.08, (0.52, 0.53, 0.54): 0.12, (0.32, 0.33, 0.35): 0.08,
    (0.09, 0.09, 0.10): 0.2, (0.70, 0.12, 0.11): 0.08, (0.12, 0.28, 0.58): 0.08, (0.13, 0.47, 0.28): 0.06,
    (0.85, 0.70, 0.16): 0.05, (0.84, 0.43, 0.13): 0.03, (0.62, 0.78, 0.84): 0.02,
}  # fmt: skip
RUBBERS = {
    (0.09, 0.09, 0.09): 0.52, (0.62, 0.14, 0.12): 0.1, (0.14, 0.42, 0.25): 0.09, (0.86, 0.85, 0.81): 0.12,
    (0.44, 0.45, 0.46): 0.09, (0.14, 0.28, 0.55): 0.05, (0.45, 0.24, 0.15): 0.03,
}  # fmt: skip
CERAMICS = {(0.92, 0.92, 0.90): 0.5, (0.86, 0.82, 0.70): 0.3, (0.25, 0.25, 0.27): 0.2}
GROUPS = {
    "metal": ("brass", "bright_brass", "bronze", "copper", "chrome", "satin_nickel", "steel", "zinc", "gold"),
    "plastic": ("white_plastic", "grey_plastic", "black_plastic", "coloured_plastic", "clear_plastic"),
    "rubber": ("rubber", "coloured_rubber", "fibre"),
    "ceramic": ("ceramic", "ceramic_disc"),
}
GROUP_OF = {name: group for group, names in GROUPS.items() for name in names}


def _metal(rng: np.random.Generator) -> tuple[str, Tint, float]:
    name = pick(rng, METALS)
    rough = float(np.exp(within(rng, np.log(0.09), np.log(0.6))))  # polished to sand-blasted
    if name == "black":
        return "paint", (0.1, 0.1, 0.105), max(rough, 0.15)
    if name == "gunmetal":
        return "steel", (0.36, 0.36, 0.38), rough
    return name, None, rough


def _tinted(rng: np.random.Generator, palette: dict[tuple[float, float, float], float]) -> tuple[float, float, float]:
    colours, shares = list(palette), np.array(list(palette.values()))
    colour = np.array(colours[int(rng.choice(len(colours), p=shares / shares.sum()))])
    return tuple(float(v) for v in np.clip(colour * rng.uniform(0.85, 1.1) + rng.normal(0, 0.015, 3), 0.03, 0.97))


def _drawn(rng: np.random.Generator, group: str) -> tuple[str, Tint, float]:
    """Material, tint and roughness for a group."""
    if group == "metal":
        return _metal(rng)
    if group == "plastic":
        return "coloured_plastic", _tinted(rng, PLASTICS), within(rng, 0.12, 0.6)
    if group == "rubber":
        return "coloured_rubber", _tinted(rng, RUBBERS), within(rng, 0.3, 0.7)
    return "ceramic", _tinted(rng, CERAMICS), within(rng, 0.05, 0.35)


def restyled(solids: tuple[Solid, ...], rng: np.random.Generator) -> tuple[Solid, ...]:
    """The same shapes in other materials of the same kind; equal pieces stay equal.

    Sometimes all metals become one, sometimes each becomes its own, and sometimes the pieces from some place on (the
    spindle and cap, say) differ from those before it.
    """
    one_metal = _metal(rng) if rng.random() < 0.35 else None
    split = int(rng.integers(len(solids))) if rng.random() < 0.3 and solids else 0
    swapped = {group: rng.random() < share for group, share in
               {"metal": 0.8, "plastic": 0.75, "rubber": 0.45, "ceramic": 0.5}.items()}  # fmt: skip
    drawn: dict[tuple[str, Tint, bool], tuple[str, Tint, float]] = {}
    pieces = []
    for place, piece in enumerate(solids):
        group = GROUP_OF.get(piece.material)
        if group is None or not swapped[group]:
            pieces.append(piece)
            continue
        key = (piece.material, piece.tint, place >= split)
        if key not in drawn:
            drawn[key] = one_metal if one_metal is not None and group == "metal" else _drawn(rng, group)
        material, tint, rough = drawn[key]
        pieces.append(replace(piece, material=material, tint=tint, roughness=rough))
    return tuple(pieces)
