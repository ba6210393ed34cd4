"""What a label map says of where a reference is."""

import numpy as np
import pytest

from identify.model import Ellipse, Photo, Reference
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


@pytest.mark.parametrize(("wide", "high", "taken"), [(2, 1, True), (40, 4, False)])
def test_specks_of_reference_elsewhere_do_not_rule_out_a_sure_coin(wide, high, taken):
    labels = np.zeros((75, 100), np.uint8)
    labels[5 : 5 + high, :wide] = 2
    labels[35:40, 20:26] = 1  # two fifths of the coin are called part
    photo = Photo("specks", "", np.zeros((600, 800, 3), np.uint8), *SIZE, 26.0)
    sure = Rim(Ellipse(200.0, 300.0, 40.0, 40.0, 0.0), np.zeros((0, 2)), 0.1, 0.93, 0.3, 0.006)
    assert isinstance(coin.choose(photo, [sure], load().reference("eur-1"), labels=labels), Reference) == taken


def disc_labels(*discs):
    """A map an eighth as large as the picture, with discs of (x, y, radius) [px] called reference."""
    rows, columns = np.mgrid[:75, :100] * 8.0 + 3.5
    labels = np.zeros((75, 100), np.uint8)
    for x, y, radius in discs:
        labels[np.hypot(columns - x, rows - y) < radius] = 2
    return labels


def circle(x, y, radius):
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


@pytest.mark.parametrize(("radius", "share"), [(120, 1.0), (60, 0.25), (170, (120 / 170) ** 2)])
def test_a_curve_and_its_own_blob_cover_each_other(radius, share):
    named = blobs.Blobs(disc_labels((300, 300, 120), (650, 300, 90)), 2, SIZE)
    assert named.cover(circle(300, 300, radius)) == pytest.approx(share, abs=0.08)  # a pixel of the map
    assert named.cover(circle(100, 500, 40)) == 0.0


def test_a_blob_beside_all_curves_is_uncovered():
    named = blobs.Blobs(disc_labels((300, 300, 120), (650, 300, 90)), 2, SIZE)
    both = [circle(300, 300, 115), circle(650, 300, 95)]
    assert not named.uncovered(both, least=8)
    assert named.uncovered(both[:1], least=8)
    assert not named.uncovered(both[:1], least=100_000)


def seen_rim(x_px, support=0.9, radius=40.0):
    return Rim(Ellipse(x_px, 300.0, radius, radius, 0.0), np.zeros((0, 2)), 0.1, support, 0.3, 0.006)


def chosen(rims, labels):
    photo = Photo("made", "", np.zeros((600, 800, 3), np.uint8), *SIZE, 26.0)
    return coin.choose(photo, rims, load().reference("eur-1"), labels=labels)


def test_a_round_head_of_a_larger_named_thing_is_not_the_coin():
    labels = disc_labels((200, 300, 40), (560, 300, 40))
    labels[34:42, 70:95] = 2  # the head's blade
    assert chosen([seen_rim(560.0, 0.92), seen_rim(200.0, 0.9)], labels).ellipse.x_px == 200.0


def test_pebbles_do_not_tell_the_bench_where_the_map_names_the_coin():
    rims = [seen_rim(200.0), seen_rim(420.0), seen_rim(640.0)]
    assert chosen(rims, disc_labels((200, 300, 40))).others == ()
    assert len(chosen(rims, disc_labels((200, 300, 40), (640, 300, 40))).others) == 1
    assert len(chosen(rims, None).others) == 2


def test_a_circle_that_only_a_coin_almost_touching_the_lens_would_make_is_refused():
    assert isinstance(chosen([seen_rim(400.0, 0.93, radius=40.0)], disc_labels((400, 300, 40))), Reference)
    assert not chosen([seen_rim(400.0, 0.93, radius=240.0)], disc_labels((400, 300, 240)))
