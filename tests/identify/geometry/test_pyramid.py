"""Reduced pictures against means that are worked out here."""

import gc
import weakref

import numpy as np
import pytest

from identify.geometry.pyramid import halved, reduced


def test_halving_takes_means_of_four():
    picture = np.arange(6 * 10 * 3, dtype=np.uint8).reshape(6, 10, 3)
    means = picture.reshape(3, 2, 5, 2, 3).mean(axis=(1, 3))
    assert np.abs(halved(picture) - means).max() <= 0.5


def test_odd_last_row_and_column_are_left_out():
    picture = np.full((7, 9), 100, np.uint8)
    picture[6], picture[:, 8] = 255, 255
    assert halved(picture).shape == (3, 4)
    assert (halved(picture) == 100).all()


@pytest.mark.parametrize(("size", "long_side_px"), [((3000, 4000), 1000), ((1200, 1600), 1000), ((751, 1021), 1000)])
def test_places_are_kept(size, long_side_px):
    # a step edge through the middle of pixel 600.5: its place in the small picture follows from the factor alone
    picture = np.zeros(size, np.uint8)
    picture[:, 601:] = 200
    small, factor = reduced(picture, long_side_px)
    assert max(small.shape) <= 1.1 * long_side_px
    edge = len(small[0]) - small[0].astype(float).sum() / 200 - 0.5
    assert (edge + 0.5) * factor - 0.5 == pytest.approx(600.5, abs=0.02 * factor)


def test_a_reduced_picture_is_made_once_and_goes_with_its_picture():
    picture = np.random.default_rng(0).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    half = halved(picture)
    assert halved(picture) is half
    assert reduced(picture, 150)[0] is reduced(picture, 150)[0]
    gone = weakref.ref(half)
    del picture, half
    gc.collect()
    assert gone() is None


def test_another_picture_in_the_same_place_is_not_taken_for_the_first():
    for shade in range(20):  # a picture's memory, and so its identity, is used again
        assert (halved(np.full((60, 80), shade, np.uint8)) == shade).all()
