"""Materials and wear: other materials leave the shape alone, dirt settles where geometry says a recess is."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="the render extra is not installed")

from data_synthetic import cartridge, finish, liveries, quarter_turn
from data_synthetic.finish import LOOKS, Wear, surface
from data_synthetic.mesh import cylinder, lathe

pytestmark = pytest.mark.render


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


@pytest.mark.parametrize("seed", range(6))
def test_other_materials_leave_the_shape_and_the_kind_alone(seed: int) -> None:
    before = quarter_turn.build(rng(3)).solids
    after = liveries.restyled(before, rng(seed))
    assert len(after) == len(before)
    for old, new in zip(before, after, strict=True):
        assert new.vertices_mm is old.vertices_mm
        assert new.faces is old.faces
        if new.material != "paint":  # a black coat is a paint over metal
            assert liveries.GROUP_OF[new.material] == liveries.GROUP_OF[old.material]


def test_colour_does_not_tell_the_part() -> None:
    """The darkest and the brightest drawn body of one cartridge are far apart, and so are those of a brass head."""
    for part in (cartridge.build(rng(1)), quarter_turn.build(rng(1))):
        tones = [surface(part.solids, rng(seed), restyle=1.0).base.mean() for seed in range(24)]
        assert max(tones) > 2 * min(tones)


def test_every_livery_has_a_look() -> None:
    assert set(liveries.GROUP_OF) <= set(LOOKS)
    assert set(liveries.METALS) - {"black", "gunmetal"} <= set(LOOKS)


def test_dirt_settles_in_the_waist_of_a_bobbin() -> None:
    bobbin = lathe([(10, 0), (10, 8), (4, 9), (4, 21), (10, 22), (10, 30)], "brass")
    away, height = np.hypot(*bobbin.vertices_mm[:, :2].T), bobbin.vertices_mm[:, 2]
    middle = (height > 9.5) & (height < 20.5)
    rim = (away > 9.9) & ((height < 8) | (height > 22))
    likely = np.mean([finish.places(bobbin.vertices_mm, rng(seed)) for seed in range(30)], axis=0)
    alike = np.mean(
        [finish.places(bobbin.vertices_mm + np.array([40, -20, 7]), rng(seed)) for seed in range(30)], axis=0
    )
    assert likely[middle].mean() > likely[rim].mean()
    assert likely == pytest.approx(alike, abs=1e-6)


def test_wear_grows_and_a_new_part_has_none() -> None:
    pieces = (cylinder(20.0, 0.0, 30.0, "brass"),)
    new, light, heavy = (
        surface(pieces, rng(5), wear=Wear(scale=amount), restyle=0.0).metal.mean() for amount in (0.0, 0.5, 1.0)
    )
    assert new == pytest.approx(1.0)
    assert heavy < light <= new
