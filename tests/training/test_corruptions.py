"""The common corruptions: as strong as published, and summed up rightly."""

import json
from pathlib import Path

import numpy as np
import pytest

from training import corruptions
from training.corruptions import KINDS, brought, corrupted, summary

EVALUATION = Path(__file__).parents[1] / "evaluation"


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    """A chart of grey steps, coloured stripes and a disc."""
    v, u = np.mgrid[:120, :160]
    rgb = np.stack([u * 255 // 160, (u // 8 % 2) * 200, v * 255 // 120], -1)
    rgb[np.hypot(u - 80, v - 60) < 25] = (230, 190, 90)
    return rgb.astype(np.uint8)


def test_the_fifteen_kinds_are_there() -> None:
    assert len(KINDS) == 15  # Hendrycks & Dietterich 2019, figure 1
    assert {"gaussian_noise", "glass_blur", "frost", "elastic_transform", "jpeg_compression"} <= set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_changes_the_picture_and_is_repeatable(kind: str, picture: np.ndarray) -> None:
    first, again = (corrupted(picture, kind, np.random.default_rng(4)) for _ in range(2))
    assert first.shape == picture.shape
    assert first.dtype == np.uint8
    assert np.array_equal(first, again)
    assert 2.0 < np.abs(first.astype(int) - picture).mean() < 130


def test_noise_is_as_strong_as_published() -> None:
    grey = np.full((200, 200, 3), 128, np.uint8)
    normal, shots, impulses = (
        corrupted(grey, kind, np.random.default_rng(1)) / 255 for kind in ("gaussian_noise", "shot_noise",
                                                                           "impulse_noise"))  # fmt: skip
    assert normal.std() == pytest.approx(0.18, rel=0.03)
    assert shots.std() == pytest.approx(np.sqrt(0.5 / 12), rel=0.03)
    assert np.mean((impulses == 0) | (impulses == 1)) == pytest.approx(0.09, abs=0.005)


def test_contrast_and_pixels_are_as_published(picture: np.ndarray) -> None:
    pale = corrupted(picture, "contrast", np.random.default_rng(0))
    assert pale.std((0, 1)) == pytest.approx(0.2 * picture.std((0, 1)), rel=0.03)
    coarse = corrupted(picture, "pixelate", np.random.default_rng(0))
    edges = np.any(np.diff(coarse.astype(int), axis=1) != 0, axis=(0, 2)).sum()
    assert edges == pytest.approx(0.4 * picture.shape[1], abs=2)


def test_a_blur_keeps_the_mean_and_lowers_the_detail(picture: np.ndarray) -> None:
    for kind in ("defocus_blur", "motion_blur", "glass_blur"):
        soft = corrupted(picture, kind, np.random.default_rng(0))
        assert soft.mean() == pytest.approx(picture.mean(), rel=0.03)
        steps, before = (np.diff(one.astype(float), axis=1) ** 2 for one in (soft, picture))
        assert steps.mean() < 0.5 * before.mean()


def test_large_pictures_are_brought_to_the_common_size() -> None:
    assert brought(np.zeros((960, 1280, 3), np.uint8)).shape == (480, 640, 3)
    assert brought(np.zeros((100, 80, 3), np.uint8)).shape == (100, 80, 3)


def test_the_summary_of_two_kinds_by_hand() -> None:
    clean = {"top1": 0.9, "answered": 0.8, "answered_wrongly": 0.01, "wrong_among_answered": 0.0125}
    kinds = {
        "fog": {"top1": 0.7, "answered": 0.5, "answered_wrongly": 0.02, "wrong_among_answered": 0.04},
        "snow": {"top1": 0.8, "answered": 0.6, "answered_wrongly": 0.04, "wrong_among_answered": 0.07},
    }
    found = summary(clean, kinds)
    assert found["mean_drop"] == pytest.approx(0.15)
    assert found["worst"] == "fog"
    assert found["answered_wrongly"] == pytest.approx(0.03)
    assert found["most_answered_wrongly"] == pytest.approx(0.04)


def test_the_command_scores_the_shipped_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wanted = ["--pictures", str(EVALUATION), "--every", "16", "--kinds", "contrast", "--out", str(tmp_path)]
    corruptions.main(wanted)
    found = json.loads((tmp_path / "corruptions.json").read_text())
    assert found["pictures"] == 3
    assert set(found["kinds"]) == {"contrast"}
    assert found["mean_drop"] == pytest.approx(found["clean"]["top1"] - found["kinds"]["contrast"]["top1"])
    assert "mean_drop" in capsys.readouterr().out
