"""Coins: found, measured, chosen and refused, on drawn scenes and on a photo that scikit-image ships."""

import importlib.util
import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data

from identify import reference, tables
from identify.errors import UsageError
from identify.model import NotMeasured, Photo, Reference
from identify.reference import coin, rims
from identify.reference.rims import find_rims

_SPEC = importlib.util.spec_from_file_location("scenes", Path(__file__).parents[1] / "scenes.py")
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)

EURO = tables.load().reference("eur-1")
HALF = tables.load().reference("eur-50c")


def photo_of(rgb, focal35_mm=26.0):
    return Photo("made", "0" * 64, np.ascontiguousarray(rgb), rgb.shape[1], rgb.shape[0], focal35_mm)


def scene(coins, *, tilt_deg=10.0, ringed=False, texture=0.02, seed=0, **camera):
    seen, pose = scenes.camera_over_bench(tilt_deg=tilt_deg, **camera)
    return seen, pose, scenes.drawn_coins(seen, pose, coins, ringed=ringed, texture=texture, seed=seed)


def test_all_24_coins_of_the_scikit_image_photo():
    # skimage.data.coins(): Greek coins from Pompeii, Brooklyn Museum Collection, 24 of them in four rows of six
    grey = cv2.resize(data.coins(), None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)
    found = coin.find_coins(photo_of(np.repeat(grey[..., None], 3, axis=2)))
    centres = np.array([[each.x_px, each.y_px] for each in found]) / 2.5
    assert len(found) == 24
    rows = np.sort(centres[:, 1]).reshape(4, 6)
    assert np.all(np.diff(rows.mean(axis=1)) > 50)
    radii = np.array([each.major_px for each in found]) / 2.5
    assert radii.min() > 15
    assert radii.max() < 35


@pytest.mark.parametrize(
    ("tilt_deg", "texture"), [(0, 0.01), (15, 0.01), (30, 0.01), (45, 0.01), (0, 0.06), (30, 0.06)]
)
def test_rim_to_a_fraction_of_a_pixel(tilt_deg, texture):
    place = (-25.0, 10.0)
    camera, pose, photo = scene([(*place, 24.25, 2.38)], tilt_deg=tilt_deg, texture=texture, seed=tilt_deg)
    (rim,) = find_rims(photo)
    true = scenes.circle_px(camera, pose, place, 24.25, 2.38)
    centre = true.mean(axis=0)
    # the major axis lies across the tilt, where no wall shows; along the tilt the wall may be in it, up to its width
    across = np.ptp(true[:, 0]) / 2
    wall = 2.38 * math.sin(math.radians(tilt_deg)) * camera.focal_px / 300
    assert rim.ellipse.major_px == pytest.approx(across, rel=0.012)
    assert math.hypot(rim.ellipse.x_px - centre[0], rim.ellipse.y_px - centre[1]) < 0.6 + wall
    assert rim.support > 0.6


def test_the_outer_rim_of_a_two_metal_coin():
    camera, pose, photo = scene([(0.0, 0.0, 23.25, 2.33)], ringed=True)
    found = coin.find(photo, EURO)
    true = scenes.circle_px(camera, pose, (0.0, 0.0), 23.25, 2.33)
    assert found.ellipse.major_px == pytest.approx(np.ptp(true[:, 0]) / 2, rel=0.012)


def test_reference_carries_the_tables_size_and_its_doubt():
    _, _, photo = scene([(0.0, 0.0, 24.25, 2.38)])
    found = reference.find(photo, "eur-50c")
    assert (found.kind, found.id, found.diameter_mm, found.thickness_mm) == ("coin", "eur-50c", 24.25, 2.38)
    (rim,) = find_rims(photo)
    assert 0 < rim.u_rel < 0.02
    assert found.u_size_rel == pytest.approx(math.hypot(HALF.u_mm / 24.25, rim.u_rel))
    assert 0.1 < found.u_px < 1.0
    assert len(found.outline_px) >= 36
    assert not found.on_part
    assert reference.find(photo, "coin:24.25", on_part=True).on_part


def test_labels_show_a_coin_where_no_ellipse_was_found(monkeypatch):
    _, _, photo = scene([(-25.0, 10.0, 24.25, 2.38)], tilt_deg=0)
    (rim,) = find_rims(photo)
    monkeypatch.setattr(rims, "_ellipses", lambda picture: [])  # as on newsprint, whose edges break the rim's chains
    assert find_rims(photo) == []
    labels = np.zeros((300, 400), np.uint8)
    middle = (round(rim.ellipse.x_px / 4), round(rim.ellipse.y_px / 4))
    cv2.circle(labels, middle, round(rim.ellipse.major_px / 4), 2, -1)
    found = coin.find(photo, HALF, labels=labels)
    assert (found.ellipse.x_px, found.ellipse.y_px) == pytest.approx((rim.ellipse.x_px, rim.ellipse.y_px), abs=0.5)
    assert found.ellipse.major_px == pytest.approx(rim.ellipse.major_px, rel=0.005)


def test_of_two_coins_the_labels_choose():
    _, _, photo = scene([(-35.0, 0.0, 24.25, 2.38), (35.0, 0.0, 24.25, 2.38)], tilt_deg=0)
    labels = np.zeros((300, 400), np.uint8)
    labels[:, 200:] = 1
    beside = coin.find(photo, HALF, labels=labels)
    on_top = coin.find(photo, HALF, labels=labels, on_part=True)
    assert beside.ellipse.x_px < 800 < on_top.ellipse.x_px
    assert len(coin.find(photo, HALF).others) == 1
    assert any("Several coins" in remark.text for remark in coin.find(photo, HALF).remarks)
    assert on_top.others == ()


def test_a_ring_and_a_hole_are_no_coins():
    # an O-ring: the ground shows through it
    _, _, photo = scene([])
    rgb = photo.rgb.copy()
    cv2.circle(rgb, (800, 600), 60, (30, 30, 30), 9, cv2.LINE_AA)
    assert coin.find_coins(photo_of(rgb)) == []


@pytest.mark.parametrize(
    "shape",
    [
        lambda rgb: cv2.rectangle(rgb, (700, 500), (820, 600), (30, 30, 30), -1),
        lambda rgb: cv2.ellipse(rgb, (800, 600), (90, 30), 20, 0, 360, (30, 30, 30), -1),
        lambda rgb: cv2.ellipse(rgb, (800, 600), (60, 60), 0, 0, 150, (30, 30, 30), 3),
        lambda rgb: rgb,
    ],
    ids=["rectangle", "flat ellipse", "arc", "nothing"],
)
def test_what_is_no_coin_is_not_found(shape):
    _, _, photo = scene([])
    rgb = photo.rgb.copy()
    shape(rgb)
    photo = photo_of(rgb)
    assert coin.find_coins(photo) == []
    refused = coin.find(photo, EURO)
    assert isinstance(refused, NotMeasured)
    assert "coin" in refused.reason
    assert "beside the part" in refused.advice


def test_auto_asks_for_the_coins_name():
    _, _, photo = scene([(0.0, 0.0, 24.25, 2.38)])
    refused = reference.find(photo, "auto")
    assert isinstance(refused, NotMeasured)
    assert "which coin" in refused.reason


@pytest.mark.parametrize("scale", ["doubloon", "coin:", "coin:900"])
def test_unknown_names_are_usage_errors(scale):
    _, _, photo = scene([])
    with pytest.raises(UsageError, match=scale):
        reference.find(photo, scale)


def _label_map(photo, camera, pose, places):
    labels = np.zeros((photo.height_px // 4, photo.width_px // 4), np.uint8)
    for (x, y), value in places:
        rim = (scenes.circle_px(camera, pose, (x, y), 25.0, 2.0) + 0.5) / 4 - 0.5
        cv2.fillPoly(labels, [np.round(rim).astype(np.int32)], value)
    return labels


def test_circles_on_the_part_are_not_looked_at_where_a_reference_is_marked(monkeypatch):
    places = [(-35.0, 0.0), (35.0, 0.0)]
    camera, pose, photo = scene([(*place, 24.25, 2.38) for place in places])
    marked = _label_map(photo, camera, pose, zip(places, (coin.REFERENCE, coin.PART), strict=True))
    looked = []
    edges = rims.coin_edge.edges
    monkeypatch.setattr(rims.coin_edge, "edges", lambda rgb, starts, **_: looked.extend(starts) or edges(rgb, starts))
    found = reference.find(photo, "eur-50c", labels=marked)
    assert found.ellipse.x_px < photo.width_px / 2
    scale = rims.SEARCH_PX[0] / photo.width_px
    assert all(start.x_px < max(scale, 1) * photo.width_px / 2 for start in looked)
    looked.clear()
    only_part = _label_map(photo, camera, pose, zip(places, (0, coin.PART), strict=True))
    reference.find(photo, "eur-50c", labels=only_part)  # nothing is marked: every circle may be the coin
    assert any(start.x_px > min(scale, 1) * photo.width_px / 2 for start in looked)


def test_a_coin_is_in_view_or_not():
    camera, pose, photo = scene([(0.0, 0.0, 24.25, 2.38)])
    assert coin.in_view(photo)
    on_part = _label_map(photo, camera, pose, [((0.0, 0.0), coin.PART), ((60.0, 60.0), coin.REFERENCE)])
    assert not coin.in_view(photo, on_part)
    assert not coin.in_view(photo_of(np.full((600, 800, 3), 120, np.uint8)))


@pytest.mark.parametrize(
    ("box", "order"),
    [
        (None, ["sheet", "card", "ruler"]),
        ((10, 10, 190, 30), ["ruler", "sheet", "card"]),
        ((60, 60, 104, 90), ["card", "sheet", "ruler"]),
        ((10, 10, 150, 130), ["sheet", "card", "ruler"]),
    ],
)
def test_what_the_map_makes_likely_is_looked_for_first(monkeypatch, box, order):
    labels = np.zeros((150, 200), np.uint8)
    if box is not None:
        left, top, right, bottom = box
        labels[top:bottom, left:right] = coin.REFERENCE
    tried = []

    def looking_for(name):
        def find(*_given, **_named):
            tried.append(name)
            return NotMeasured("reference", "none", "none")

        return find

    for name in order:
        monkeypatch.setattr(getattr(reference, name), "find", looking_for(name))
    assert not reference.find(photo_of(np.full((600, 800, 3), 120, np.uint8)), "auto", labels=labels)
    assert tried == order


def test_a_sure_coin_is_taken_where_the_label_map_names_something_else():
    _, _, photo = scene([(-25.0, 10.0, 24.25, 2.38)], tilt_deg=0)
    (rim,) = find_rims(photo)
    labels = np.zeros((300, 400), np.uint8)
    cv2.circle(labels, (330, 240), 12, 2, -1)  # a stain on the bench
    found = coin.find(photo, HALF, labels=labels)
    assert isinstance(found, Reference), found
    assert found.ellipse.major_px == pytest.approx(rim.ellipse.major_px, rel=0.01)
    labels[:] = 1
    cv2.circle(labels, (330, 240), 12, 2, -1)
    assert not coin.find(photo, HALF, labels=labels)  # a circle on the part itself


def test_a_coin_named_in_part_is_found_beside_the_part_that_is_named(monkeypatch):
    """A network's near look ends in the middle of the coin, and edges alone show nothing."""
    camera, pose, photo = scene([(0.0, 0.0, 24.25, 2.38)])
    labels = _label_map(photo, camera, pose, [((0.0, 0.0), coin.REFERENCE)])
    labels[: int(np.argwhere(labels).mean(axis=0)[0])] = 0
    (rim,) = find_rims(photo)
    for name in ("_grey", "_coloured"):
        monkeypatch.setattr(rims, name, lambda _: [])
    found = coin.find(photo, HALF, labels=labels)
    assert isinstance(found, Reference), found
    assert found.ellipse.major_px == pytest.approx(rim.ellipse.major_px, rel=0.01)


def test_a_named_coin_is_looked_at_before_any_edges_are_drawn(monkeypatch):
    camera, pose, photo = scene([(0.0, 0.0, 24.25, 2.38)])
    labels = _label_map(photo, camera, pose, [((0.0, 0.0), coin.REFERENCE)])
    monkeypatch.setattr(rims, "_ellipses", lambda _: pytest.fail("edges were drawn"))
    assert isinstance(coin.find(photo, HALF, labels=labels), Reference)


def test_a_coin_as_bright_as_its_bench_is_found_by_its_colour():
    copper, ground = np.array([184, 113, 80]), np.array([130, 130, 130])
    weights = np.array([0.299, 0.587, 0.114])  # Rec. ITU-R BT.601, as the grey picture is made
    assert abs((copper - ground) @ weights) < 1.0
    rgb = np.full((900, 1200, 3), ground, np.uint8)
    cv2.circle(rgb, (600, 450), 60, copper.tolist(), -1, cv2.LINE_AA)
    photo = photo_of(cv2.GaussianBlur(rgb, (0, 0), 0.8))
    assert find_rims(photo) == []
    found = coin.find(photo, HALF)
    assert isinstance(found, Reference), found
    assert found.ellipse.major_px == pytest.approx(60.0, rel=0.02)
