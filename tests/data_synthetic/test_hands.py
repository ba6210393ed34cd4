"""Hands at a part: of a hand's size, sound, beside the part and not in it, and in training pictures alone."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="the render extra is not installed")

from data_synthetic import generate, hands, rest, scene
from data_synthetic.footprint import hull_xy, overlap
from data_synthetic.mesh import Part, Solid

pytestmark = pytest.mark.render


@cache
def part() -> Part:
    return generate.FAMILIES["compression-screw"](np.random.default_rng(3))


@cache
def lying_mm() -> np.ndarray:
    placed = rest.lying(part(), np.random.default_rng(1))
    assert placed is not None
    return placed.points_mm()


def made(count: int, kept: list[np.ndarray] | None = None) -> list[tuple[Solid, ...]]:
    drawn = [hands.reaching(np.random.default_rng(seed), lying_mm(), kept or []) for seed in range(count)]
    return [one for one in drawn if one]


def test_so_many_parts_have_a_hand() -> None:
    # of 600 draws at 14 %, 51 to 117 with 99.99 % (binomial)
    assert 51 <= len(made(600)) <= 117


def test_pieces_are_closed_and_of_a_hand_s_size(sound: Callable[..., bool]) -> None:
    # breadth of a forefinger at the joint next to the tip 13 to 20 mm: from memory of hand anthropometry, not looked up
    flesh = hands.finger(np.zeros(3), np.array([1.0, 0.2, 0.3]), long_mm=75, wide_mm=16, bend_deg=20,
                         tint=(0.8, 0.6, 0.5), nail=True)  # fmt: skip
    long_mm = np.linalg.norm(np.ptp(flesh[0].vertices_mm, axis=0))
    assert 70 < long_mm < 100
    palm = next(one for seed in range(20) if (one := hands.palm(np.random.default_rng(seed), lying_mm())))
    for piece in (*flesh, *palm, *(piece for one in made(60) for piece in one)):
        assert sound(piece.vertices_mm, piece.faces)


def test_a_part_lies_in_the_palm_and_sinks_by_a_millimetre_or_so() -> None:
    drawn = [hands.palm(np.random.default_rng(seed), lying_mm()) for seed in range(200)]
    held = [one for one in drawn if one]
    assert 66 <= len(held) <= 134  # of 200 draws at 50 %, with 99.999 % (binomial)
    middle = (lying_mm()[:, :2].min(0) + lying_mm()[:, :2].max(0)) / 2
    for one in held[:40]:
        under = one[0].vertices_mm
        near = np.hypot(*(under[:, :2] - middle).T) < 15
        assert 0.0 < under[near, 2].max() < 2.0
        assert under[:, 2].min() < -20  # a hand is some 25 to 30 mm thick: from memory
        assert len(one) == 6  # the palm, four fingers, the thumb


def test_fingers_end_at_the_part_and_not_in_it() -> None:
    outline = hull_xy(lying_mm())
    for one in made(60):
        for piece in one:
            inside = [cv2.pointPolygonTest(outline, (float(x), float(y)), True) for x, y, z in piece.vertices_mm
                      if z < lying_mm()[:, 2].max()]  # fmt: skip
            assert max(inside, default=-1.0) < 9.0  # a tip may bend about an edge, by less than a finger's breadth


def test_what_is_measured_by_is_not_covered() -> None:
    beside = hull_xy(lying_mm()) + np.float32([60, 0])
    for one in made(80, [beside]):
        assert not any(overlap(hull_xy(piece.vertices_mm), beside) for piece in one)


@pytest.mark.parametrize(("split", "asked"), [("training", 1), ("evaluation", 0), ("calibration", 0)])
def test_hands_are_in_training_pictures_and_draw_nothing_from_the_rest(
    split: str, asked: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[int] = []

    def hand(rng: np.random.Generator, *_: object) -> tuple[Solid, ...]:
        rng.random(100)
        calls.append(1)
        return ()

    given = {"split": split, "width_px": 128, "height_px": 128, "natural": False}
    monkeypatch.setattr(hands, "reaching", hand)
    first = scene.on_bench(part(), np.random.default_rng(9), **given)
    assert len(calls) == asked
    monkeypatch.setattr(hands, "reaching", lambda *_: ())
    second = scene.on_bench(part(), np.random.default_rng(9), **given)
    assert first.truth == second.truth
    assert (first.setting.environment == second.setting.environment).all()
