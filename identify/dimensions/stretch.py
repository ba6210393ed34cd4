"""Which stretch of a lying part is its thread, and which its body: a small network looks along the unrolled surface.

Fine turns are not resolved, and a smooth stretch may have a listed size by chance, but what a thread looks like, what
stands beside it and where it sits on the part tell it. The network gives odds for every station. It was trained on
rendered pictures (``training.fit_stretches``); the card beside the model file says on how many.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from identify import weights
from identify.dimensions.axis import Profile
from identify.dimensions.lying import crest_line
from identify.dimensions.thread import unrolled_rgb
from identify.geometry import coin_edge
from identify.geometry.camera import camera_place_mm
from identify.model import Array, Camera, Photo, Pose

NAME = "part_stretch.onnx"
STEP_MM = 0.2  # from row to row of what is given
SHRUNK = 2  # rows for one row of odds
ROWS = 8  # the rows given are a multiple of this
ANGLES = 24
TURN_RAD = math.radians(75)  # the surface is looked at this far to either side of the line facing the camera
UNIT_MM = 20.0  # radii are given in this unit
RIPPLE_UNIT_MM = 0.3  # and what they differ from the surface's own radius in this one
LINES = 7  # of what is given along the part besides the light and its place
KINDS = ("neither", "thread", "body")


@dataclass(frozen=True, slots=True, eq=False)
class Along:
    """What is given of a part: stations (M,) [mm], light (M, ANGLES, 3) as square roots, lines (M, LINES)."""

    station_mm: Array
    light: NDArray[np.float32]
    lines: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Odds:
    """Probability (M, 3) that each station (M,) is neither, in the thread, in the body."""

    station_mm: Array
    share: Array

    def thread_at(self, station_mm: Array) -> Array:
        """Probability (N,) of the thread at stations (N,) [mm]; 0 beyond the part."""
        return np.interp(station_mm, self.station_mm, self.share[:, 1], left=0.0, right=0.0)

    def seen(self, station_mm: Array, usable: NDArray[np.bool_]) -> float:
        """Share of the thread's probability along stations (N,) [mm] that lies on those that are usable (N,)."""
        thread = self.thread_at(station_mm)
        return float(thread[usable].sum()) / max(float(thread.sum()), 1e-9)

    def body_at(self, station_mm: Array) -> Array:
        """Probability (N,) of the body at stations (N,) [mm]; 0 beyond the part."""
        return np.interp(station_mm, self.station_mm, self.share[:, 2], left=0.0, right=0.0)


def along(photo: Photo, camera: Camera, pose: Pose, profile: Profile, usable: NDArray[np.bool_]) -> Along | None:
    """What the network is given of a part; None where too little of it is usable."""
    order = np.argsort(profile.station_mm)
    kept = order[usable[order]]
    if len(kept) < 24:
        return None
    low, high = profile.station_mm[kept[[0, -1]]]
    if high - low < ROWS * SHRUNK * STEP_MM:
        return None
    station = np.arange(low, high, STEP_MM)
    left, right = (
        np.interp(station, profile.station_mm[kept], side[kept]) for side in (profile.left_mm, profile.right_mm)
    )
    found = np.interp(station, profile.station_mm[order], usable[order].astype(float))
    surface = gaussian_filter1d(crest_line((left + right) / 2, station, 1.0), 0.8 / STEP_MM)
    angles = np.linspace(-TURN_RAD, TURN_RAD, ANGLES)
    light = np.sqrt(np.clip(unrolled_rgb(photo, camera, pose, profile, surface, station, angles), 0, 1))
    sight = camera_place_mm(pose) - profile.axis.at(station)
    distance = np.linalg.norm(sight, axis=1)
    slant = sight @ profile.axis.along / distance
    finest = photo.reduced * distance / camera.focal_px  # size of a pixel
    lines = np.column_stack(
        [
            np.ones_like(surface),  # rows beyond the part have nothing
            surface / UNIT_MM,
            (left - surface) / RIPPLE_UNIT_MM,
            (right - surface) / RIPPLE_UNIT_MM,
            found,
            np.abs(slant),
            np.log(finest / STEP_MM),
        ]
    )
    return Along(station, light.astype(np.float32), lines.astype(np.float32))


def given(seen: Along) -> NDArray[np.float32]:
    """What the network is given for one part (1, 4 + LINES, R, ANGLES): light, place across, lines along."""
    count = len(seen.station_mm)
    made = np.zeros((1, 4 + LINES, -(-count // ROWS) * ROWS, ANGLES), np.float32)
    made[0, :3, :count] = np.moveaxis(seen.light, 2, 0)
    made[0, 3, :count] = np.linspace(-1, 1, ANGLES)
    made[0, 4:, :count] = seen.lines.T[:, :, None]
    return made


def places(first_mm: float, count: int) -> Array:
    """Stations (N,) of ``count`` rows of odds where the first row given is at ``first_mm`` [mm]."""
    return np.asarray(first_mm + STEP_MM * (SHRUNK * np.arange(count) + (SHRUNK - 1) / 2))


def odds(photo: Photo, camera: Camera, pose: Pose, profile: Profile, usable: NDArray[np.bool_]) -> Odds | None:
    """What each stretch of a part is; None where too little of it is usable."""
    seen = along(photo, camera, pose, profile, usable)
    if seen is None:
        return None
    logs = coin_edge.load(weights.shipped(NAME)).run(None, {"unrolled": given(seen)})[0][0]
    station = places(seen.station_mm[0], logs.shape[1])
    keep = station <= seen.station_mm[-1] + STEP_MM
    return Odds(station[keep], np.exp(logs.T[keep]))
