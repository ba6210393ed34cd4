"""Water drops: closed domes of a drop's height, on the part and the bench, in training pictures alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="the render extra is not installed")

from data_synthetic import drops, generate, render, scene
from data_synthetic.mesh import Part, cylinder

pytestmark = pytest.mark.render


def test_a_drop_is_closed_and_as_high_as_its_contact_angle_says(sound: Callable[..., bool]) -> None:
    for seed in range(20):
        made = drops.drop(np.random.default_rng(seed), 2.0)
        assert sound(made.vertices_mm, made.faces)
        # a spherical cap of contact angle t is as high as its radius times tan(t / 2): Weisstein, MathWorld
        assert 2.0 * np.tan(np.radians(20)) * 0.99 < made.vertices_mm[:, 2].max() < 2.0 * np.tan(np.radians(40))


def test_drops_lie_on_the_side_that_holds_them() -> None:
    rod = cylinder(20.0, 0.0, 30.0, "chrome")
    for piece in drops._lying_on(np.random.default_rng(1), [rod], 40):
        centre = piece.vertices_mm.mean(0)
        out = max(np.hypot(*centre[:2]) - 10.0, centre[2] - 30.0)
        assert 0.0 < out < 2.0  # outside of the rod, by less than a drop is high
        assert centre[2] > 0.0, "nothing hangs below a level face"


def test_so_many_parts_are_wet() -> None:
    rod = [cylinder(20.0, 0.0, 30.0, "chrome")]
    wet = sum(drops.wet(np.random.default_rng(seed), rod, 0.0) is not None for seed in range(600))
    assert 33 <= wet <= 91  # of 600 draws at 10 %, with 99.99 % (binomial)


def test_a_drop_has_the_label_of_what_it_lies_on() -> None:
    labels = np.zeros((6, 9), np.uint8)
    labels[:, 3:6], labels[:, 6:] = render.PART, render.REFERENCE
    wet = labels.copy()
    wet[2, 1], wet[3:5, 4], wet[1, 7:] = render.WATER, render.WATER, render.WATER
    assert np.array_equal(render.seen_through(wet), labels)
    assert np.array_equal(render.seen_through(labels), labels)
    assert not render.seen_through(np.full((2, 2), render.WATER, np.uint8)).any()


@pytest.fixture(scope="module")
def part() -> Part:
    return generate.FAMILIES["compression-screw"](np.random.default_rng(3))


@pytest.mark.parametrize(("split", "wet"), [("training", True), ("evaluation", False), ("calibration", False)])
def test_drops_are_in_training_pictures_and_draw_nothing_from_the_rest(
    part: Part, split: str, wet: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    def made(share: float) -> scene.Scene:
        monkeypatch.setattr(drops, "WET_SHARE", share)
        return scene.on_bench(part, np.random.default_rng(5), split=split, width_px=96, height_px=96, natural=False)

    dry, other = made(0.0), made(1.0)
    assert dry.setting.water is None
    assert (other.setting.water is not None) == wet
    assert dry.truth == other.truth
    assert np.array_equal(dry.setting.environment, other.setting.environment)


def test_a_drop_is_seen_and_its_label_is_the_part_s(part: Part, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drops, "WET_SHARE", 1.0)
    wet = scene.on_bench(part, np.random.default_rng(5), split="training", width_px=96, height_px=96, natural=False)
    dry = replace(wet.setting, water=None)
    given = {"width_px": 96, "height_px": 96, "spp": 8, "seed": 1}
    (light, labels), (other, plain) = (render.render(one, wet.view.lens, **given) for one in (wet.setting, dry))
    assert np.isfinite(light).all()
    assert 0.002 < np.mean(np.abs(light - other).max(2) > 0.1 * other.max(2)) < 0.9
    assert labels.max() < render.WATER
    assert np.mean(labels != plain) < 0.01  # an edge that a drop hangs over
    assert np.count_nonzero(labels == render.PART) > 300
