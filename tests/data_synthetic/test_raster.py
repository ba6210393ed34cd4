"""The rasteriser against exact projection, textbook radiometry and the path tracer's labels."""

from __future__ import annotations

import json

import numpy as np
import pytest

pytest.importorskip("moderngl")
pytest.importorskip("manifold3d")

from data_synthetic import film, generate, graphics, raster, studio
from data_synthetic.camera import looking
from data_synthetic.finish import surface
from data_synthetic.mesh import Solid, cylinder, lathe
from data_synthetic.render import Lens, Plane, Setting

pytestmark = pytest.mark.render
W, H = 320, 240
UP = np.array([0.0, 0.0, 1.0])


@pytest.fixture(scope="module", autouse=True)
def _card() -> None:
    try:
        graphics.card()
    except RuntimeError as error:
        pytest.skip(str(error))


@pytest.fixture(autouse=True)
def _no_studio(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(studio, "STUDIO_SHARE", 0.0)


def lens(eye_mm: tuple[float, float, float], target_mm: tuple[float, float, float]) -> Lens:
    rotation, translation = looking(np.array(eye_mm, float), np.array(target_mm, float), 20.0)
    return Lens(rotation, translation, 300.0)


def board(picture: np.ndarray, side_mm: float = 400.0) -> Plane:
    corners = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * side_mm / 2
    flat = np.zeros((4, 4, 3), np.float32) + UP.astype(np.float32)
    return Plane(corners, picture.astype(np.float32), flat, np.ones((4, 4), np.float32))


def world(part: Solid | None, *, picture: np.ndarray | None = None, room: np.ndarray | None = None) -> Setting:
    grey = np.full((8, 8, 3), 0.5) if picture is None else picture
    even = np.ones((96, 192, 3), np.float32) if room is None else room
    body = None if part is None else surface((part,), np.random.default_rng(0))
    return Setting(body, None, None, None, board(grey), None, even)


def rays(view: Lens) -> np.ndarray:
    """Directions (H, W, 3) of the pixels' centres in the camera's frame, by the pinhole model."""
    x, y = np.meshgrid(np.arange(W), np.arange(H))
    return np.stack([(x - (W - 1) / 2) / view.focal_px, (y - (H - 1) / 2) / view.focal_px, np.ones((H, W))], -1)


def pixel(view: Lens, point_mm: np.ndarray) -> tuple[int, int]:
    """Row and column of a world point."""
    x, y, z = view.rotation @ point_mm + view.translation_mm
    return round(y / z * view.focal_px + (H - 1) / 2), round(x / z * view.focal_px + (W - 1) / 2)


def test_silhouette_of_a_sphere() -> None:
    # a ray meets a sphere of radius r about c if (d.c)^2 >= |d|^2 (|c|^2 - r^2): analytic geometry
    radius, turn = 30.0, np.linspace(-np.pi / 2, np.pi / 2, 361)
    ball = lathe([(radius * np.cos(a), 40 + radius * np.sin(a)) for a in turn], "steel", around=360)
    view = lens((160.0, -90.0, 170.0), (30.0, 15.0, 0.0))
    _, labels = raster.render(world(ball), view, width_px=W, height_px=H)
    ray, centre = rays(view), view.rotation @ (0.0, 0.0, 40.0) + view.translation_mm
    along, off = (ray @ centre) ** 2, (ray**2).sum(-1)
    inner, outer = (along >= off * (centre @ centre - (radius + step) ** 2) for step in (-0.02, 0.02))
    assert inner.sum() > 2000
    assert not (inner & (labels != 1)).any()
    assert not (~outer & (labels == 1)).any()


def test_pictures_on_planes_lie_in_perspective() -> None:
    picture = np.zeros((64, 256, 3))
    picture[:, 64:] = 0.9  # the edge is the line x = -100 mm of the board
    view = lens((40.0, -230.0, 120.0), (-60.0, 0.0, 0.0))
    light, _ = raster.render(world(None, picture=picture), view, width_px=W, height_px=H)
    for y_mm in (-80.0, 0.0, 80.0, 150.0):
        left, right = (light[pixel(view, np.array([x, y_mm, 0.0]))].mean() for x in (-104.0, -96.0))
        assert left < 0.2 * right
        middle = light[pixel(view, np.array([-100.0, y_mm, 0.0]))].mean()
        assert left < middle < right


def test_even_light_on_a_matt_board() -> None:
    # a matt surface of reflectance a under an even sky of radiance 1 sends a back (Lambert); 4 % gloss comes on top
    light, _ = raster.render(world(None), lens((0.0, -60.0, 200.0), (0.0, 0.0, 0.0)), width_px=W, height_px=H)
    linear = 0.21404  # sRGB 0.5 by IEC 61966-2-1
    assert light.min() > linear
    assert light.max() < linear + 0.06


def test_what_stands_on_the_board_darkens_it_near_by_only() -> None:
    view = lens((0.0, -120.0, 260.0), (0.0, 0.0, 0.0))
    bare, _ = raster.render(world(None), view, width_px=W, height_px=H)
    held, _ = raster.render(world(cylinder(40.0, 0.0, 25.0, "white_plastic")), view, width_px=W, height_px=H)
    near, far = pixel(view, np.array([21.5, 0.0, 0.0])), pixel(view, np.array([90.0, 0.0, 0.0]))
    assert held[near].mean() < 0.85 * bare[near].mean()
    assert held[far].mean() == pytest.approx(bare[far].mean(), rel=0.02)


def test_shadow_falls_where_the_lamp_throws_it() -> None:
    # lamp at 45 degrees: a rod's shadow is as long as the rod is high
    way = studio.towards(0.0, np.pi / 4)
    room = 0.05 + 200.0 * studio.soft_box((96, 192), way, 0.08, 0.08)[..., None] * np.ones(3, np.float32)
    view = lens((0.0, -60.0, 300.0), (0.0, 0.0, 0.0))
    bare, _ = raster.render(world(None, room=room), view, width_px=W, height_px=H)
    rod = cylinder(16.0, 0.0, 50.0, "rubber")
    held, _ = raster.render(world(rod, room=room), view, width_px=W, height_px=H)
    share = {x: float(held[at].mean() / bare[at].mean())
             for x in (-75.0, -45.0, -25.0, 25.0) for at in [pixel(view, np.array([x, 0.0, 0.0]))]}  # fmt: skip
    assert share[-25.0] < 0.4
    assert share[-45.0] < 0.4
    assert share[-75.0] > 0.95
    assert share[25.0] > 0.9


def test_lamps_and_the_rest_add_up() -> None:
    room = generate.scene.lights.desk_lamp(np.random.default_rng(3)).environment
    rest, lamps = studio.without_lamps(room)
    _, solid = studio.directions(*room.shape[:2])
    assert lamps
    whole = sum(lamp.irradiance for lamp in lamps) + np.einsum("hwc,hw->c", rest, solid)
    assert whole == pytest.approx(np.einsum("hwc,hw->c", room, solid), rel=1e-3)
    assert studio.irradiance(np.ones((96, 192, 3), np.float32), UP) == pytest.approx(np.pi, rel=1e-3)


@pytest.mark.parametrize(("number", "installed"), [(0, False), (2, False), (3, True)])
def test_labels_agree_with_the_path_tracer(number: int, installed: bool) -> None:
    pytest.importorskip("mitsuba")
    from data_synthetic import render

    made, _ = generate.composed(
        generate.Job(".", W, H, 1, 2, "evaluation", generate.INSTALLED_SHARE * installed, True), number
    )
    light, ours = raster.render(made.setting, made.view.lens, width_px=W, height_px=H, seed=number)
    _, theirs = render.render(made.setting, made.view.lens, width_px=W, height_px=H, spp=1, seed=1, bounces=2)
    part = theirs == 1
    assert part.sum() > 100
    assert (ours == 1)[part].mean() > 0.99
    assert (theirs == 1)[ours == 1].mean() > 0.99
    assert np.isfinite(light).all()
    assert light.min() >= 0
    assert light[part].std() > 0.02 * light[part].mean()


def test_a_run_by_the_rasteriser(tmp_path) -> None:
    folder = ["--out", str(tmp_path), "--count", "1", "--size", "96x64", "--renderer", "raster"]
    with pytest.raises(SystemExit, match="evaluation only"):
        generate.main(folder)
    generate.main([*folder, "--split", "evaluation"])
    line = json.loads((tmp_path / "manifest.jsonl").read_text())
    assert (line["renderer"], line["split"]) == ("raster", "evaluation")


def test_brighter_light_never_comes_out_darker() -> None:
    light = np.linspace(0, 20, 500, dtype=np.float32)
    for curve in (film.filmic, film.rolled):
        assert (np.diff(curve(light)) >= -1e-6).all()
