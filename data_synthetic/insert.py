"""The last step of every builder: a part that stands on z = 0 with its true overall length."""

from __future__ import annotations

from data_synthetic.mesh import Part, Solid


def finished(
    class_id: str, subtype: str, solids: list[Solid] | tuple[Solid, ...], *, dimensions_mm: dict[str, float],
    variety: dict[str, str], rim_z_mm: tuple[float, float], stands_on: tuple[str, ...] = ("seat",),
    axial: bool = True,
) -> Part:  # fmt: skip
    """A part shifted so that its lowest point is z = 0; ``axial`` parts get overall_length along their axis."""
    low = min(float(piece.vertices_mm[:, 2].min()) for piece in solids)
    high = max(float(piece.vertices_mm[:, 2].max()) for piece in solids)
    shifted = tuple(piece.moved((0.0, 0.0, -low)) for piece in solids)
    sizes = dict(dimensions_mm)
    if axial:
        sizes["overall_length"] = high - low
    return Part(class_id, subtype, shifted, sizes, variety, (rim_z_mm[0] - low, rim_z_mm[1] - low), stands_on)
