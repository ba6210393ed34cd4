"""How often the teeth on a stem's end are counted right, by how many pixels the end is across.

    python -m training.measure_stems --drawn 200
    python -m training.measure_stems --rendered 40

Drawn stems have 8 to 44 teeth, and one in six has none (round or many flats), which must be refused. Rendered ones are
the splined ends of the generator's own standing heads, path-traced from above with true pose, worn and lit as in its
evaluation pictures; each is rendered once and made smaller for the smaller sizes. A count is either given or refused
with a reason: "exact" is of those that are given, "counted" how many of the splined ends get one at all.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from identify.dimensions import stem
from identify.model import Array, Camera, NotMeasured, Photo, Pose
from training import drawn_stems
from training.figures import upper_bound

SIZES_PX = (60, 90, 120, 160, 220)
NONE = 0  # teeth of an end that has none
HEADS = ("quarter-turn-ceramic", "compression-screw", "thermostatic")
AROUND = 3.2  # side of the rendered frame in diameters of the end
RENDERED_PX = 160
U_AXIS_MM = 0.5  # error given to the foot of the axis


@dataclass(frozen=True, slots=True)
class Count:
    """One end: its size [px across], its true number of teeth, and what was said, None for a refusal."""

    across_px: float
    teeth: int
    said: int | None


def counted(photo: Photo, camera: Camera, pose: Pose, foot_mm: Array) -> int | None:
    """The number of teeth that the product gives."""
    found = stem.read(photo, camera, pose, foot_mm, u_size_rel=0.001)
    return None if isinstance(found, NotMeasured) else round(found[stem.COUNT].estimate.value)


def drawn(number: int, across_px: float, seed: int) -> Count:
    """One drawn end."""
    rng = np.random.default_rng([seed, number, int(across_px)])
    diameter, teeth = float(rng.uniform(7.0, 10.0)), int(rng.integers(8, 45))
    section = drawn_stems.splined_xy(teeth, diameter)
    if rng.random() < 1 / 6:
        teeth, section = NONE, drawn_stems.regular_xy(int(rng.choice((4, 6, 8, 12, 200))), diameter)
    focal_px = drawn_stems.over_the_bench(0.0, 300.0)[0].focal_px
    distance = drawn_stems.END_MM + focal_px * diameter / across_px
    camera, pose = drawn_stems.over_the_bench(float(rng.uniform(0, 14)), distance)
    photo = drawn_stems.drawn(
        section, camera, pose, seed=int(rng.integers(2**31)), bored=rng.random() < 0.6,
        blur_px=float(rng.uniform(0.5, 1.6)), noise=float(rng.uniform(0.004, 0.02)),
    )  # fmt: skip
    return Count(across_px, teeth, counted(photo, camera, pose, rng.normal(0, U_AXIS_MM, 2)))


def rendered(number: int, sizes_px: tuple[float, ...], seed: int) -> Iterator[Count]:
    """One rendered end at each size."""
    from data_synthetic import camera as phone
    from data_synthetic import generate, lights, photographer, render, rest, scene
    from data_synthetic.finish import any_wear, surface

    rng = np.random.default_rng([seed, number])
    part = generate.FAMILIES[HEADS[number % len(HEADS)]](rng)
    while "spline_count" not in part.dimensions_mm or "seat" not in part.stands_on:
        part = generate.FAMILIES[HEADS[number % len(HEADS)]](rng)
    placed = rest.standing(replace(part, stands_on=("seat",)), rng)
    assert placed is not None
    top, diameter = float(placed.points_mm()[:, 2].max()), part.dimensions_mm["spline_diameter"]
    distance = float(rng.uniform(150, 280))
    side = round(AROUND * RENDERED_PX)
    focal35 = RENDERED_PX * distance / diameter * 43.2666 / float(np.hypot(side, side))
    view = phone.held(
        rng, np.array([0.0, 0.0, top]), focal35_mm=focal35, distance_mm=distance, tilt_deg=float(rng.uniform(0, 14)),
        azimuth_deg=float(rng.uniform(0, 360)), roll_deg=float(rng.uniform(0, 360)), width_px=side, height_px=side,
    )  # fmt: skip
    plane, _ = scene.bench(rng, "evaluation", 448)
    light = lights.lit(rng, str(rng.choice(list(lights.FAMILIES["evaluation"]))))
    setting = render.Setting(
        part=surface(placed.solids(), rng, wear=any_wear(rng)), reference=None, picture=None, clutter=None, bench=plane,
        wall=None, environment=photographer.mirrored(light.environment, view, rng), flash=light.flash,
    )  # fmt: skip
    margin = 2 * view.margin_px
    raw, labels = render.render(
        setting, view.lens, width_px=side + margin, height_px=side + margin, spp=32, seed=number
    )
    linear, _ = phone.bent(phone.cleaned(raw, 32), labels, view)
    white = light.environment[: lights.HEIGHT // 2].reshape(-1, 3).mean(0) + light.flash * 3e-6
    rgb = phone.developed(linear, rng, white=np.asarray(white, float))
    pose = Pose(view.lens.rotation, view.lens.translation_mm, np.eye(7) * 1e-8)
    for across in sizes_px:
        if across > RENDERED_PX:
            continue
        factor = across / RENDERED_PX
        small = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA) if factor < 1 else rgb
        high, wide = small.shape[:2]
        camera = replace(
            view.camera, focal_px=view.camera.focal_px * wide / side, centre_xy_px=((wide - 1) / 2, (high - 1) / 2)
        )
        photo = Photo("rendered", "0" * 64, np.ascontiguousarray(small), wide, high, None)
        said = counted(photo, camera, pose, rng.normal(0, U_AXIS_MM, 2))
        yield Count(across, int(part.dimensions_mm["spline_count"]), said)


def summary(counts: list[Count]) -> list[dict[str, float | int | None]]:
    """One row a size: how many splined ends were counted, how many of all counts given are exact, and a bound."""
    rows: list[dict[str, float | int | None]] = []
    for size in sorted({one.across_px for one in counts}):
        own = [one for one in counts if one.across_px == size]
        splined = [one for one in own if one.teeth != NONE]
        given = [one for one in own if one.said is not None]
        wrong = sum(one.said != one.teeth for one in given)
        rows.append(
            {
                "across_px": size,
                "splined": len(splined),
                "counted": float(np.mean([one.said is not None for one in splined])) if splined else None,
                "counted_right": float(np.mean([one.said == one.teeth for one in splined])) if splined else None,
                "without_teeth": len(own) - len(splined),
                "given": len(given),
                "wrong": wrong,
                "exact": 1 - wrong / len(given) if given else None,
                "wrong_at_most": upper_bound(wrong, len(given), 0.05),
            }
        )
    return rows


def main(arguments: list[str] | None = None) -> int:
    """Count, print a row a size, and every wrong count."""
    parser = argparse.ArgumentParser(prog="python -m training.measure_stems", description=__doc__.splitlines()[0])
    parser.add_argument("--drawn", type=int, default=0, metavar="N", help="drawn ends at each size")
    parser.add_argument("--rendered", type=int, default=0, metavar="N", help="rendered ends")
    parser.add_argument("--px", type=float, nargs="+", default=list(SIZES_PX), help="sizes of the end [px across]")
    parser.add_argument("--seed", type=int, default=5)
    options = parser.parse_args(arguments)
    if options.drawn + options.rendered < 1:
        parser.error("Say how many ends: --drawn N or --rendered N.")
    counts = [drawn(n, size, options.seed) for size in options.px for n in range(options.drawn)]
    for number in range(options.rendered):
        counts += rendered(number, tuple(options.px), options.seed)
    for one in counts:
        if one.said is not None and one.said != one.teeth:
            print(f"wrong: {one.said} for {one.teeth} teeth at {one.across_px:g} px", file=sys.stderr)
    for row in summary(counts):
        print(json.dumps(row))
    return 0


if __name__ == "__main__":
    sys.exit(main())
