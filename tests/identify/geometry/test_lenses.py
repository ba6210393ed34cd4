"""Which lens a photo was taken with, by how large a millimetre is in it."""

import math

import numpy as np
import pytest

from identify.geometry import lenses
from identify.geometry.camera import focal_px_from_35mm

SIZE = (4000, 3000)


def told(true35_mm, distance_mm):
    """Focal length and standard uncertainty of a camera that looks straight down from a distance."""
    usual = focal_px_from_35mm(lenses.USUAL35_MM, *SIZE)
    shift, u = lenses.of_scale(usual, focal_px_from_35mm(true35_mm, *SIZE) / distance_mm)
    return lenses.USUAL35_MM * math.exp(shift), u


@pytest.mark.parametrize("distance_mm", [250, 300, 400])
def test_main_cameras_and_their_crops_are_told_apart_at_usual_distances(distance_mm):
    main, u_main = told(26.0, distance_mm)
    assert main == pytest.approx(26.0, rel=0.12)
    crop, _ = told(52.0, 300)
    assert crop == pytest.approx(52.0, rel=0.05)
    assert u_main < 0.31  # what is known without the scale


def test_the_doubt_covers_the_other_lens_where_both_are_likely():
    for true35_mm, distance_mm in ((26.0, 200), (52.0, 380), (26.0, 450), (52.0, 250)):
        focal, u = told(true35_mm, distance_mm)
        assert abs(math.log(true35_mm / focal)) < 2.5 * u, (true35_mm, distance_mm, focal, u)


def test_shares_are_probabilities_and_distances_are_likeliest_in_the_middle():
    assert sum(lenses.SHARES) == pytest.approx(1.0)
    odds = lenses.log_odds_of_distance(np.array([150.0, 300.0, 600.0]))
    assert odds[1] == 0.0
    assert odds[0] == pytest.approx(odds[2])
