"""What a label map says of where a reference is."""

import numpy as np
import pytest

from identify.model import Ellipse, Photo
from identify.reference import blobs, coin
from identify.reference.rims import Rim
from identify.tables import load

SIZE = (800, 600)


def box_labels():
    """A map an eighth as large as the picture, with a box from (160, 160) to (480, 400) px."""
    labels = np.zeros((75, 100), np.uint8)
    labels[20:50, 20:60] = 2
    return labels


@pytest.mark.parametrize(("shift_px", "share"), [(0, 1.0), (160, 1 / 3), (400, 0.0)])
def test_a_quadrilateral_and_the_named_area_cover_each_other(shift_px, share):
    quad = np.array([[160, 160], [480, 160], [480, 400], [160, 400]]) + np.array([shift_px, 0])
    assert blobs.covered(box_labels(), quad, SIZE) == pytest.approx(share, abs=0.06)  # a pixel of the map


def test_lines_on_the_named_area_and_along_its_border_are_beside_it():
    pieces = np.array(
        [[[200, 162], [400, 158]], [[470, 200], [484, 300]], [[600, 200], [700, 300]], [[20, 20], [90, 20]]]
    )
    assert blobs.beside(box_labels(), pieces.astype(float), SIZE).tolist() == [True, True, False, False]


def test_pebbles_beside_a_named_coin_do_not_take_from_it():
    """A coin that pebbles touch, against a ring apart from them that is named in part."""
    rows, columns = np.mgrid[:75, :100] * 8.0 + 3.5
    labels = np.zeros((75, 100), np.uint8)
    labels[np.hypot(columns - 200, rows - 300) < 40] = 2
    labels[(np.hypot(columns - 600, rows - 300) < 40) & (rows > 285)] = 2

    def rim(x_px, support):
        return Rim(Ellipse(x_px, 300.0, 40.0, 40.0, 0.0), np.zeros((0, 2)), 0.1, support, 0.3, 0.006)

    rims = [rim(200.0, 0.9), rim(280.0, 0.9), rim(600.0, 0.92)]
    photo = Photo("pebbles", "", np.zeros((600, 800, 3), np.uint8), *SIZE, 26.0)
    found = coin.choose(photo, rims, load().reference("eur-1"), labels=labels)
    assert found.ellipse.x_px == 200.0
