from __future__ import annotations

import cv2
import numpy as np
import pytest

from identify import outline
from identify.model import NotMeasured, Outline, Photo, Reference


def drawn(centre_xy: tuple[float, float] = (200.3, 150.6), radius: float = 60.0, *, ground: float = 0.5) -> Photo:
    """A bright disc on a plain ground with exact partial areas, blurred and noisy, in sRGB."""
    finer = 6
    canvas = np.zeros((300 * finer, 400 * finer), np.uint8)
    centre = [round(((c + 0.5) * finer - 0.5) * 16) for c in centre_xy]
    cv2.circle(canvas, centre, round(radius * finer * 16), 255, -1, cv2.LINE_8, 4)
    cover = cv2.resize(canvas.astype(np.float32) / 255, (400, 300), interpolation=cv2.INTER_AREA)
    cover = cv2.GaussianBlur(cover, (0, 0), 0.7)[..., None]
    linear = cover * np.array([0.75, 0.45, 0.1]) + (1 - cover) * ground * np.array([0.5, 0.52, 0.55])
    linear = linear + np.random.default_rng(2).normal(0, 0.004, linear.shape)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-6) ** (1 / 2.4) - 0.055)
    return Photo("drawn", "", np.clip(np.round(coded * 255), 0, 255).astype(np.uint8), 400, 300)


def disc_labels(step: int = 8, grow: float = 0.0) -> np.ndarray:
    rows, columns = np.mgrid[0 : 300 // step, 0 : 400 // step] * step + (step - 1) / 2
    return (np.hypot(columns - 200.3, rows - 150.6) < 60 + grow).astype(np.uint8)


def radii(found: Outline) -> np.ndarray:
    return np.hypot(*(found.contour_px - (200.3, 150.6)).T)


@pytest.mark.parametrize("grow", [-3.0, 0.0, 3.0])
def test_labels_give_a_sub_pixel_outline(grow: float) -> None:
    found = outline.trace(drawn(), labels=disc_labels(grow=grow))
    assert isinstance(found, Outline)
    assert np.median(radii(found)) == pytest.approx(60.0, abs=0.08)
    assert np.percentile(np.abs(radii(found) - 60), 95) < 0.4
    assert not found.cut_off


def test_without_labels_the_object_that_stands_out_is_taken() -> None:
    found = outline.trace(drawn())
    assert isinstance(found, Outline)
    assert np.median(radii(found)) == pytest.approx(60.0, abs=0.15)


def test_the_mask_is_the_part() -> None:
    found = outline.trace(drawn(), labels=disc_labels())
    assert isinstance(found, Outline)
    area = float(found.inside.sum()) * found.mask_step**2
    assert area == pytest.approx(np.pi * 60**2, rel=0.02)


def test_a_reduced_photo_gives_full_photo_pixels() -> None:
    whole = drawn()
    reduced = Photo("half", "", whole.rgb, 800, 600, reduced=2)
    found = outline.trace(reduced, labels=disc_labels())
    assert isinstance(found, Outline)
    far = np.hypot(*(found.contour_px - ((200.3 + 0.5) * 2 - 0.5, (150.6 + 0.5) * 2 - 0.5)).T)
    assert np.median(far) == pytest.approx(120.0, abs=0.2)


def test_the_reference_is_kept_out_of_the_part() -> None:
    square = np.array([[120, 60], [280, 60], [280, 240], [120, 240]], float)
    reference = Reference("card", "card", square, 0.2)
    assert isinstance(outline.trace(drawn(), reference=reference, labels=disc_labels()), NotMeasured)


def test_a_part_at_the_border_is_cut_off() -> None:
    photo = drawn((5.0, 150.0))
    rows, columns = np.mgrid[0:37, 0:50] * 8 + 3.5
    labels = (np.hypot(columns - 5, rows - 150) < 60).astype(np.uint8)
    found = outline.trace(photo, labels=labels)
    assert isinstance(found, Outline)
    assert found.cut_off


@pytest.mark.parametrize("labels", [np.zeros((60, 80), np.uint8), None])
def test_a_bare_bench_has_no_part(labels: np.ndarray | None) -> None:
    plain = Photo("bare", "", np.full((300, 400, 3), 150, np.uint8), 400, 300)
    found = outline.trace(plain, labels=labels)
    assert isinstance(found, NotMeasured)
    assert "retake" in found.advice


def test_a_clear_edge_leaves_less_doubt_than_a_faint_one() -> None:
    """A disc on a ground of nearly its own light might end elsewhere."""
    doubts = []
    for ground in (0.5, 0.86):
        found = outline.trace(drawn(ground=ground), labels=disc_labels())
        assert isinstance(found, Outline)
        assert found.doubt_px is not None
        doubts.append(float(np.median(found.doubt_px)))
    assert 0 <= doubts[0] < doubts[1]
