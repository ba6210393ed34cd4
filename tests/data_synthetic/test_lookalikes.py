"""Look-alikes of class none: sound meshes that stand on the bench, of an insert's size, varied and repeatable."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="the render extra is not installed")

from data_synthetic import lookalikes
from data_synthetic.mesh import Solid

pytestmark = pytest.mark.render

INDICES = range(len(lookalikes.KINDS))


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


def volume_mm3(piece: Solid) -> float:
    a, b, c = (piece.vertices_mm[piece.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


@pytest.mark.parametrize("index", INDICES, ids=lambda k: lookalikes.KINDS[k].maker.__name__)
@pytest.mark.parametrize("seed", range(2))
def test_object_is_sound_and_rests_on_the_bench(index: int, seed: int) -> None:
    part = lookalikes.build_kind(index, rng(seed))
    assert part.class_id == "none"
    for piece in part.solids:
        assert np.isfinite(piece.vertices_mm).all()
        assert piece.faces.min() >= 0
        assert piece.faces.max() < len(piece.vertices_mm)
        assert np.linalg.norm(piece.normals, axis=1) == pytest.approx(1.0, abs=1e-6)
        assert volume_mm3(piece) > 0
    points = part.points_mm()
    assert points[:, 2].min() == pytest.approx(0.0, abs=1e-9)
    assert 2 < np.ptp(points, axis=0).max() < 190
    assert np.abs(points[:, :2].mean(0)).max() < 60


@pytest.mark.parametrize("index", INDICES, ids=lambda k: lookalikes.KINDS[k].maker.__name__)
def test_same_seed_same_object_other_seed_other_object(index: int) -> None:
    first, again, other = (lookalikes.build_kind(index, rng(seed)) for seed in (7, 7, 8))
    np.testing.assert_array_equal(first.points_mm(), again.points_mm())
    assert first.points_mm().shape != other.points_mm().shape or not np.allclose(first.points_mm(), other.points_mm())


def test_draws_cover_the_kinds_and_the_empty_bench() -> None:
    parts = [lookalikes.build(rng(seed)) for seed in range(110)]
    empty = [part for part in parts if not part.solids]
    assert 2 <= len(empty) <= 20, "about 8 % of 110"
    assert len({part.subtype for part in parts}) >= 0.8 * (len(lookalikes.KINDS) - len(lookalikes.UNSEEN))
    assert all(part.class_id == "none" and not part.dimensions_mm for part in parts)


def test_flat_things_do_not_stand_on_edge() -> None:
    makers = [kind.maker.__name__ for kind in lookalikes.KINDS]
    ring = lookalikes.build_kind(makers.index("bearing"), rng(1))
    bolt = lookalikes.build_kind(makers.index("bolt"), rng(1))
    assert ring.stands_on == ()
    assert bolt.stands_on == ("seat",)


@cache
def hose_tail_crests_mm() -> np.ndarray:
    index = [kind.maker for kind in lookalikes.KINDS].index(lookalikes.hose_tail)
    threads = [lookalikes.build_kind(index, rng(seed)).solids[0] for seed in range(12)]
    return np.array([2 * np.linalg.norm(thread.vertices_mm[:, :2], axis=1).max() for thread in threads])


@pytest.mark.parametrize(("size", "major_mm"), [("G3/8", 16.662), ("G1/2", 20.955), ("G3/4", 26.441)])
def test_hose_tail_threads_have_the_diameters_of_iso_228_1(size: str, major_mm: float) -> None:
    """Major diameters of the parallel pipe threads: ISO 228-1:1994, table 1."""
    assert np.abs(hose_tail_crests_mm() - major_mm).min() < 0.005, size


def test_kinds_kept_from_training_are_drawn_only_when_asked_for() -> None:
    kept = {maker.__name__.replace("_", "-") for maker in lookalikes.UNSEEN}
    usual = {lookalikes.build(rng(seed)).subtype for seed in range(60)}
    unseen = {lookalikes.build(rng(seed), unseen=True).subtype for seed in range(60)}
    assert not usual & kept
    assert unseen
    assert unseen <= kept
