"""Parts of sensor taps: solenoid valve, sensing eye on its cable, battery box, control box, turbine generator."""

from __future__ import annotations

import numpy as np

from data_synthetic.boolean import combined
from data_synthetic.insert import finished
from data_synthetic.mesh import (
    Part,
    Solid,
    cylinder,
    hexagon,
    hoop,
    lathe,
    o_ring,
    rotation_about,
    rounded_box,
    tube,
    washer,
)  # fmt: skip
from data_synthetic.spindle import pick, plastic_tint, within
from data_synthetic.thread import PIPE_THREADS, pipe_thread, threaded

CLASS = "sensor"
ALONG_X = rotation_about("y", 90)


def build(rng: np.random.Generator) -> Part:
    """One part of a sensor tap."""
    kind = pick(rng, {"solenoid": 0.46, "eye": 0.26, "battery": 0.1, "control": 0.1, "turbine": 0.08})
    return {"solenoid": _solenoid, "eye": _eye, "battery": _battery, "control": _control, "turbine": _turbine}[kind](
        rng
    )


def cable(rng: np.random.Generator, start: np.ndarray, heading: np.ndarray, *, floor_mm: float) -> list[Solid]:
    """A lead from ``start`` that runs off along ``heading``, sags to the floor height and ends in a plug."""
    thick, long = within(rng, 2.4, 4.8), within(rng, 35, 110)
    t = np.linspace(0, 1, 46)
    side = np.array([-heading[1], heading[0], 0.0])
    curl = within(rng, -0.5, 0.5) * long
    path = start + np.outer(long * t, heading) + np.outer(curl * t**2 * np.sin(within(rng, 1, 3) * t), side)
    path[:, 2] = start[2] + (floor_mm + thick / 2 - start[2]) * np.clip(t * 2.2, 0, 1) ** 2 * (
        3 - 2 * np.clip(t * 2.2, 0, 1)
    )
    material = pick(rng, {"cable": 0.65, "white_plastic": 0.2, "grey_plastic": 0.15})
    solids = [tube(path, thick, material)]
    if rng.random() < 0.75:
        ahead = (path[-1] - path[-3]) / np.linalg.norm(path[-1] - path[-3])
        turn = rotation_about("z", float(np.degrees(np.arctan2(ahead[1], ahead[0]))))
        size = (within(rng, 8, 15), within(rng, 5, 9), min(within(rng, 4, 6), thick + 3))
        plug = rounded_box(size, pick(rng, {"black_plastic": 0.6, "white_plastic": 0.4}), radius_mm=0.5)
        solids.append(plug.moved((path[-1, 0], path[-1, 1], floor_mm), rotation=turn))
    return solids


def _solenoid(rng: np.random.Generator) -> Part:
    """Valve body with two ports, a diaphragm bonnet and a coil; flow along x."""
    size = pick(rng, {"G1/2": 0.55, "G3/8": 0.3, "G3/4": 0.15})
    major, pitch = PIPE_THREADS[size]
    plastic = rng.random() < 0.5
    body = pick(rng, {"black_plastic": 0.3, "white_plastic": 0.45, "grey_plastic": 0.25}) if plastic else pick(
        rng, {"brass": 0.75, "chrome": 0.25})  # fmt: skip
    diameter = max(within(rng, 26, 44), major + 6)
    floor, half = major * 0.5 + within(rng, 0.5, 4), diameter / 2 + within(rng, 8, 18)
    high = within(rng, 10, 18)
    piped = rng.random() < 0.35  # a straight pipe, the works on a saddle
    low, start = floor - high / 2, diameter / 2 - 4
    solids: list[Solid] = []
    if piped:
        half = max(half, within(rng, 30, 42))
        low, start = floor + major * within(rng, 0.0, 0.3), half - within(rng, 10, 16)
        pipe = cylinder(major * within(rng, 0.75, 1.02), -start - 1, start + 1, body)
        solids.append(pipe.moved((0, 0, floor), rotation=ALONG_X))
    solids.append(cylinder(diameter, low, low + high, body, chamfer_mm=0.8))
    ends = 1 if not piped and rng.random() < 0.25 else 2
    bore = cylinder(major * 0.62, half - 12, half + 1, body, around=40)
    port = combined(pipe_thread(size, start, half, body), "minus", bore).of(body)
    angled = not piped and ends == 2 and rng.random() < 0.2
    between = 90.0 if angled else 180.0  # angled bodies turn the flow by a corner
    for k in range(ends):
        collar = cylinder(major + within(rng, 0.5, 4), start - 3 if piped else 0, start + 5 - 4.5 * piped, body)
        turn = rotation_about("z", between * k) @ ALONG_X
        solids += [piece.moved((0, 0, floor), rotation=turn) for piece in (port, collar)]
    if ends == 1:
        tail = pipe_thread(size, 0, within(rng, 10, 16), body)
        solids.append(tail.moved((0, 0, -within(rng, 6, 9)), rotation=np.eye(3)))
    z = low + high
    bonnet = diameter * within(rng, 0.8, 1.0)
    thick = within(rng, 2.5, 6)
    solids.append(cylinder(bonnet, z, z + thick, pick(rng, {"black_plastic": 0.45, body: 0.35, "steel": 0.2})))
    for k in range(4 if rng.random() < 0.5 else 0):
        angle = np.pi / 4 + k * np.pi / 2
        screw = cylinder(4.5, z + thick - 0.5, z + thick + 1.8, "steel", around=20)
        solids.append(screw.moved((bonnet * 0.38 * np.cos(angle), bonnet * 0.38 * np.sin(angle), 0)))
    solids += _coil(rng, z + thick, diameter)
    dimensions = {"body_diameter": diameter, "thread_major_diameter": major, "thread_pitch": pitch}
    if ends == 2 and between == 180.0:
        dimensions["overall_length"] = 2 * half
    return finished(CLASS, f"solenoid valve {size}", solids, dimensions_mm=dimensions, variety={},
                    rim_z_mm=(low, low + high), stands_on=(), axial=False)  # fmt: skip


def _coil(rng: np.random.Generator, z: float, diameter: float) -> list[Solid]:
    """Armature tube with a square or round coil, spade tabs or a lead."""
    tall, wide = within(rng, 16, 32), within(rng, 0.55, 0.85) * diameter
    material = pick(rng, {"black_plastic": 0.5, "coloured_plastic": 0.3, "grey_plastic": 0.2})
    tint = plastic_tint(rng) if material == "coloured_plastic" else None
    solids: list[Solid] = [cylinder(wide * 0.5, z - 0.5, z + tall + 3, "steel", around=40)]
    if rng.random() < 0.55:
        box = rounded_box(
            (wide, wide * within(rng, 0.8, 1.2), tall), material, radius_mm=1.2, corner_mm=within(rng, 1, 5)
        )
        solids.append(box.of(material, tint=tint).moved((0, 0, z + 1)))
    else:
        solids.append(cylinder(wide, z + 1, z + 1 + tall, material, chamfer_mm=1.2).of(material, tint=tint))
    if rng.random() < 0.3:
        solids.append(rounded_box((wide * 1.06, wide * 0.5, tall * 0.8), "steel", radius_mm=0.4).moved((0, 0, z + 2)))
    if rng.random() < 0.45:
        for side in (-1, 1):
            tab = rounded_box((9, 0.8, 6.3), "steel", radius_mm=0.1)
            solids.append(tab.moved((wide / 2 + 3, side * wide * 0.18, z + tall * 0.6)))
    else:
        for side in (-1.0, 1.0):
            t = np.linspace(0, 1, 26)
            reach = within(rng, 25, 60)
            path = np.column_stack([wide / 2 - 1 + reach * t, side * 2 + within(rng, -14, 14) * t**2,
                                    z + tall * 0.5 - (z + tall * 0.5) * within(rng, 0.3, 0.9) * t**2])  # fmt: skip
            wire = tube(path, within(rng, 1.3, 2.0), "coloured_plastic", around=8)
            solids.append(wire.of("coloured_plastic", tint=plastic_tint(rng)))
    return solids


def _eye(rng: np.random.Generator) -> Part:
    """Sensing eye: threaded barrel or bezel with a dark window, nut, lead out of the back."""
    if rng.random() < 0.3:
        return _flat_eye(rng)
    diameter, long = within(rng, 14, 34), within(rng, 16, 42)
    r = diameter / 2
    body = pick(rng, {"black_plastic": 0.45, "chrome": 0.35, "white_plastic": 0.2})
    solids: list[Solid] = []
    if rng.random() < 0.6:
        solids.append(threaded(2 * r * 0.86, within(rng, 1.0, 1.8), 2, long - 3, body, form="metric"))
        solids.append(cylinder(2 * r * 0.82, 0, 3, body))
    else:
        solids.append(cylinder(2 * r * 0.86, 0, long - 3, body, chamfer_mm=0.6))
    solids.append(cylinder(diameter, long - 3.5, long, pick(rng, {"chrome": 0.6, body: 0.4}), chamfer_mm=0.8))
    window = cylinder(diameter * within(rng, 0.6, 0.82), long - 1, long + 0.25, "glass", chamfer_mm=0.2)
    solids.append(window.of("glass", tint=(0.12, 0.04, 0.05), roughness=0.05))
    for side in (-1, 1):
        dot = cylinder(diameter * 0.17, long, long + 0.32, "black_plastic", around=24, chamfer_mm=0.05)
        solids.append(dot.moved((side * diameter * 0.18, 0, 0)))
    if rng.random() < 0.6:
        nut_z = within(rng, 4, max(long - 12, 4.5))
        nut = hexagon(min(diameter * 1.2, 36), nut_z, nut_z + 5, pick(rng, {"white_plastic": 0.4, "black_plastic": 0.3,
                                                                            "brass": 0.3}))  # fmt: skip
        solids.append(nut)
    if rng.random() < 0.5:
        solids.append(o_ring(diameter * 0.98, 2.0, long - 4.6))
    lying = [piece.moved((0, 0, r * 1.2), rotation=ALONG_X) for piece in solids]
    lead = cable(rng, np.array([1.5, 0.0, r * 1.2]), np.array([-1.0, 0.0, 0.0]), floor_mm=within(rng, 0, r * 0.6))
    return finished(CLASS, "sensing eye", [*lying, *lead], dimensions_mm={"body_diameter": diameter}, variety={},
                    rim_z_mm=(0.0, 0.0), stands_on=(), axial=False)  # fmt: skip


def _flat_eye(rng: np.random.Generator) -> Part:
    """Sensing eye in a flat moulded case: dark window with two lenses in its face, lead out of one end."""
    size = (within(rng, 20, 45), within(rng, 12, 24), within(rng, 6, 16))
    material = pick(rng, {"black_plastic": 0.6, "grey_plastic": 0.2, "white_plastic": 0.2})
    solids = [rounded_box(size, material, radius_mm=1.0, corner_mm=within(rng, 1, size[1] * 0.48))]
    pane = rounded_box((size[0] * 0.7, size[1] * 0.7, 0.8), "glass", radius_mm=0.2, corner_mm=within(rng, 0.5, 3))
    solids.append(pane.of("glass", tint=(0.12, 0.04, 0.05), roughness=0.05).moved((0, 0, size[2] - 0.4)))
    lens = within(rng, 3, 5.5)
    for side in (-1, 1):
        top = size[2] + 0.1
        dome = lathe([(lens / 2, top - 0.3), (lens * 0.4, top + 0.6), (lens * 0.15, top + 1.0)], "glass", around=24,
                     crease_deg=60)  # fmt: skip
        solids.append(dome.moved((side * size[0] * 0.18, 0, 0)))
    for side in (-1, 1) if rng.random() < 0.4 else ():
        ear = rounded_box((8, 8, 2), material, radius_mm=0.4, corner_mm=3.5)
        hole = cylinder(3.2, -1, 4, material, around=20)
        ear = combined(ear, "minus", hole).of(material)
        solids.append(ear.moved((0, side * (size[1] / 2 + 3), 0)))
    solids += cable(rng, np.array([size[0] / 2 - 1, 0.0, size[2] / 2]), np.array([1.0, 0.0, 0.0]), floor_mm=0.0)
    return finished(CLASS, "flat sensing eye", solids, dimensions_mm={}, variety={}, rim_z_mm=(0.0, 0.0),
                    stands_on=(), axial=False)  # fmt: skip


def _battery(rng: np.random.Generator) -> Part:
    """Battery holder or sealed battery box with a lead."""
    tint = plastic_tint(rng)
    if rng.random() < 0.5:
        size = (within(rng, 55, 75), within(rng, 55, 70), within(rng, 16, 22))
        tray = rounded_box(size, "black_plastic", radius_mm=1.5)
        hollow = rounded_box((size[0] - 4, size[1] - 4, size[2]), "black_plastic", radius_mm=1).moved((0, 0, 2.5))
        solids = [combined(tray, "minus", hollow)]
        for k in range(4):
            cell = cylinder(14.2, -24.5, 24.5, "paint").of("paint", tint=tint, roughness=0.25)
            y = (k - 1.5) * 14.6 * min(1.0, (size[1] - 6) / 60)
            solids.append(cell.moved((0, y, 9.8), rotation=ALONG_X))
            tip = cylinder(5, 24, 26, "steel", around=24)
            solids.append(tip.moved((0, y, 9.8), rotation=ALONG_X if k % 2 else rotation_about("y", -90)))
    else:
        size = (within(rng, 60, 95), within(rng, 45, 65), within(rng, 22, 36))
        material = pick(rng, {"black_plastic": 0.45, "grey_plastic": 0.3, "white_plastic": 0.25})
        solids = [rounded_box(size, material, radius_mm=2.5, corner_mm=within(rng, 3, 9))]
        solids.append(
            rounded_box((size[0] * 0.86, size[1] * 0.82, 1.5), material, radius_mm=0.5).moved((0, 0, size[2] - 0.7))
        )
        for x, y in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            screw = cylinder(5, size[2] - 0.5, size[2] + 0.9, "steel", around=20)
            solids.append(screw.moved((x * size[0] * 0.39, y * size[1] * 0.36, 0)))
    solids += cable(rng, np.array([size[0] / 2 - 1, 0.0, 6.0]), np.array([1.0, 0.0, 0.0]), floor_mm=0.0)
    return finished(CLASS, "battery box", solids, dimensions_mm={}, variety={"supply": "battery"}, rim_z_mm=(0.0, 0.0),
                    stands_on=(), axial=False)  # fmt: skip


def _control(rng: np.random.Generator) -> Part:
    """Control box or mains unit with two leads."""
    size = (within(rng, 50, 90), within(rng, 35, 60), within(rng, 20, 34))
    material = pick(rng, {"white_plastic": 0.4, "black_plastic": 0.35, "grey_plastic": 0.25})
    solids = [rounded_box(size, material, radius_mm=2, corner_mm=within(rng, 2, 8))]
    label = rounded_box((size[0] * 0.6, size[1] * 0.5, 0.3), "paper", radius_mm=0.1)
    solids.append(label.moved((0, 0, size[2])))
    for k in range(5):
        bar = rounded_box((within(rng, 0.2, 0.5) * size[0], 1.0, 0.1), "black_plastic", radius_mm=0.02, corner_mm=0.1)
        solids.append(bar.moved((0, size[1] * (0.16 - 0.08 * k), size[2] + 0.28)))
    if rng.random() < 0.5:
        lamp = cylinder(3, size[2] - 1, size[2] + 1, "coloured_plastic", around=20).of(
            "coloured_plastic", tint=(0.8, 0.1, 0.1)
        )
        solids.append(lamp.moved((size[0] * 0.4, size[1] * 0.35, 0)))
    solids += cable(rng, np.array([size[0] / 2 - 1, 0.0, 7.0]), np.array([1.0, 0.0, 0.0]), floor_mm=0.0)
    solids += cable(rng, np.array([-size[0] / 2 + 1, 0.0, 7.0]), np.array([-1.0, 0.0, 0.0]), floor_mm=0.0)
    return finished(CLASS, "control box", solids, dimensions_mm={}, variety={}, rim_z_mm=(0.0, 0.0), stands_on=(),
                    axial=False)  # fmt: skip


def _turbine(rng: np.random.Generator) -> Part:
    """In-line flow turbine: round generator housing across a threaded pipe, with a lead."""
    size = pick(rng, {"G1/2": 0.6, "G3/8": 0.4})
    major, pitch = PIPE_THREADS[size]
    diameter, wide = within(rng, 34, 50), within(rng, 18, 28)
    floor = diameter / 2
    body = pick(rng, {"black_plastic": 0.4, "white_plastic": 0.35, "brass": 0.25})
    solids: list[Solid] = [cylinder(diameter, floor - wide / 2, floor + wide / 2, body, chamfer_mm=1.0)]
    solids.append(
        washer(diameter * 0.8, diameter * 0.5, floor + wide / 2 - 0.2, floor + wide / 2 + 1.2, "grey_plastic")
    )
    solids.append(lathe([(diameter * 0.2, floor + wide / 2 - 0.2), (diameter * 0.2, floor + wide / 2 + 4),
                         (diameter * 0.12, floor + wide / 2 + 5)], body))  # fmt: skip
    reach = diameter / 2 + within(rng, 10, 20)
    for k in range(2):
        solids.append(pipe_thread(size, diameter / 2 - 6, reach, pick(rng, {body: 0.6, "brass": 0.4})).moved(
            (0, 0, floor), rotation=rotation_about("z", 180.0 * k) @ ALONG_X))  # fmt: skip
    solids.append(hoop([(major / 2 - 1, -reach + 3), (major / 2 + 2, -reach + 3), (major / 2 + 2, -reach + 7),
                        (major / 2 - 1, -reach + 7)], "brass").moved((0, 0, floor), rotation=ALONG_X))  # fmt: skip
    low = floor - wide / 2
    solids += cable(rng, np.array([0.0, diameter / 2 - 1, floor]), np.array([0.0, 1.0, 0.0]), floor_mm=low)
    dimensions = {"body_diameter": diameter, "thread_major_diameter": major, "thread_pitch": pitch}
    return finished(CLASS, f"flow turbine {size}", solids, dimensions_mm=dimensions, variety={"supply": "turbine"},
                    rim_z_mm=(low, floor + wide / 2), stands_on=(), axial=False)  # fmt: skip
