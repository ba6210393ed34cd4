"""Edges against drawn pictures whose edge is known to a thousandth of a pixel."""

import math

import numpy as np
import pytest
from scipy.special import erf

from identify.geometry.edges import linear_light, sample_places, sample_profiles
from identify.geometry.lines import refine_edge


def to_srgb(linear: np.ndarray) -> np.ndarray:
    # IEC 61966-2-1
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.clip(linear, 0, None) ** (1 / 2.4) - 0.055)
    return np.round(255 * np.clip(coded, 0, 1)).astype(np.uint8)


def step_picture(*, offset_px: float, angle_deg: float, blur_px: float, low: float, high: float) -> np.ndarray:
    """A straight blurred edge through (40 + offset, 40), its normal at ``angle_deg``."""
    y, x = np.mgrid[0:81, 0:81].astype(float)
    angle = math.radians(angle_deg)
    distance = (x - 40) * math.cos(angle) + (y - 40) * math.sin(angle) - offset_px
    share = 0.5 * (1 + erf(distance / (blur_px * math.sqrt(2))))
    grey = low + (high - low) * share
    noisy = to_srgb(np.repeat(grey[..., None], 3, axis=2)) + np.random.default_rng(5).normal(0, 1, (81, 81, 3))
    return np.clip(np.round(noisy), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("code", "linear"),
    # IEC 61966-2-1: linear below 0.04045, then a power law; 188 is the sRGB code of half light (from the formula)
    [(0, 0.0), (10, 10 / 255 / 12.92), (188, 0.5029), (255, 1.0)],
)
def test_linear_light(code, linear):
    assert linear_light(np.full((1, 1, 3), code, np.uint8)) == pytest.approx(linear, abs=5e-4)


@pytest.mark.parametrize("offset_px", [-1.7, -0.5, 0.0, 0.31, 1.25])
@pytest.mark.parametrize("angle_deg", [0, 30, 77, 135])
@pytest.mark.parametrize(
    ("low", "high", "mean_within_px", "spread_px"),
    [(0.02, 0.8, 0.05, 0.12), (0.9, 0.1, 0.05, 0.12), (0.3, 0.5, 0.08, 0.25), (0.3, 0.36, 0.2, 0.5)],
)
def test_edge_is_found_to_a_twentieth_of_a_pixel(offset_px, angle_deg, low, high, mean_within_px, spread_px):
    # the noise is one code: for steps of 0.2 and 0.06 (39 and 13 codes) four standard errors are 0.08 and 0.2 px
    picture = step_picture(offset_px=offset_px, angle_deg=angle_deg, blur_px=1.0, low=low, high=high)
    normal = np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])
    along = np.array([-normal[1], normal[0]])
    middle = np.array([40.0, 40.0])
    line, share = refine_edge(picture, middle - 30 * along, middle + 30 * along, reach_px=4.0)
    assert share > 0.9
    assert (line.point_px - middle) @ normal == pytest.approx(offset_px, abs=mean_within_px)
    assert line.rms_px < spread_px


def test_gamma_would_move_the_edge():
    # the reason for linear light: the half level in coded pixels lies elsewhere
    picture = step_picture(offset_px=0.0, angle_deg=0, blur_px=1.5, low=0.01, high=0.9)
    row = picture[40, :, 0].astype(float)
    half = (row.max() + row.min()) / 2
    coded = np.interp(half, row, np.arange(81.0)) - 40
    line, _ = refine_edge(picture, np.array([40.0, 10.0]), np.array([40.0, 70.0]), reach_px=4.0)
    assert abs(coded) > 0.4
    assert abs(line.point_px[0] - 40) < 0.05


def test_no_edge_on_a_blank_picture_or_beyond_the_reach():
    blank = np.full((81, 81, 3), 128, np.uint8)
    far = step_picture(offset_px=20.0, angle_deg=0, blur_px=1.0, low=0.1, high=0.9)
    start, end = np.array([40.0, 10.0]), np.array([40.0, 70.0])
    assert refine_edge(blank, start, end, reach_px=4.0) is None
    seen = refine_edge(far, start, end, reach_px=4.0)
    assert seen is None or seen[1] < 0.5


@pytest.mark.parametrize("count", [1, 40000])
def test_profiles_read_the_picture(count):
    ramp = np.tile(np.arange(200, dtype=np.uint8)[None, :, None], (60, 1, 3))
    stations = np.tile([[50.0, 30.0]], (count, 1))
    profile = sample_profiles(ramp, stations, np.tile([[1.0, 0.0]], (count, 1)), np.array([-3.0, 0.0, 4.0]))
    assert profile.shape == (count, 3, 3)
    expected = linear_light(np.array([[[47] * 3, [50] * 3, [54] * 3]], np.uint8))[0, :, 0]
    assert profile[-1, :, 0] == pytest.approx(expected)


@pytest.mark.parametrize("angle_deg", [0, 37, 90])
def test_profiles_of_a_long_line_are_those_of_its_stations(angle_deg):
    picture = np.random.default_rng(1).integers(0, 255, (700, 900, 3), dtype=np.uint8)
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    stations = (450.0, 350.0) + np.linspace(-330, 330, 601)[:, None] * along
    normals = np.tile([-along[1], along[0]], (601, 1))
    offsets = np.arange(-6, 6.5, 0.5)
    together = sample_profiles(picture, stations, normals, offsets)
    for index in (0, 17, 300, 600):
        alone = sample_profiles(picture, stations[index : index + 1], normals[index : index + 1], offsets)
        assert together[index] == pytest.approx(alone[0], abs=2e-5)


def test_single_places_are_sampled_as_profiles_are():
    rgb = np.random.default_rng(3).integers(0, 256, (60, 80, 3)).astype(np.uint8)
    places = np.random.default_rng(4).uniform(-3, (83, 63), (500, 2))
    profiles = sample_profiles(rgb, places, np.zeros_like(places), np.zeros(1))[:, 0]
    assert sample_places(rgb, places) == pytest.approx(profiles, abs=1e-5)
