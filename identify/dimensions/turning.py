"""How much of the light on a lying part turns with a thread: it changes once a pitch along it, by a turn about it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from identify.dimensions.axis import Profile
from identify.dimensions.thread import RINGS, RIPPLE_MM, TURN_RAD, banded, twisted, unrolled_light
from identify.model import Array, Camera, Photo, Pose

DETUNED = np.linspace(0.94, 1.06, 9)  # turns nearer or further apart than listed, by pose and by lean
TURNED = 11  # directions about the axis along which the light is read


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """The light and both edges along the part (M, TURNED + 2), evened, and as they turn with a thread (M, 6)."""

    angles_rad: Array
    bands: Array
    twisted: NDArray[np.complex128]


def light(
    photo: Photo, camera: Camera, pose: Pose, profile: Profile, radius_mm: Array, station_mm: Array, edges_mm: Array
) -> Light:
    """The light at stations (M,) of a surface of ``radius_mm`` (M,), with both edges (M, 2) [mm]."""
    angles = np.linspace(-TURN_RAD, TURN_RAD, TURNED)
    seen = unrolled_light(photo, camera, pose, profile, radius_mm, station_mm, angles)
    bands = np.concatenate([banded(seen, station_mm), banded(edges_mm, station_mm, floor=RIPPLE_MM)], axis=1)
    return Light(angles, bands, twisted(bands, angles, 1))


def explained(light: Light, station_mm: Array, starts: NDArray[np.int64], count: int, pitch_mm: float) -> Array:
    """How much of the light's variance, and of the edges', a thread of about the pitch explains: features (W, 3).

    Windows are ``count`` stations from each of ``starts`` (W,); the light's share is given twice, once where it is low.
    """
    weight = np.sin(math.pi * (np.arange(count) + 0.5) / count) ** 2
    weight /= weight.sum()
    facing = np.cos(light.angles_rad) ** 0.5
    whole = light.bands[:, :-2] ** 2 @ (facing / facing.sum()), np.mean(light.bands[:, -2:] ** 2, axis=1)
    waves = np.exp(-2j * math.pi / pitch_mm * DETUNED[None, :] * station_mm[:, None])
    moved = (waves[:, :, None] * light.twisted[:, None, :]).reshape(len(waves), -1)
    summed = np.array([weight @ moved[one : one + count] for one in starts])
    power = np.abs(summed.reshape(len(starts), len(DETUNED), 6)) ** 2
    shares = []
    for part, own in ((power[..., :3], whole[0]), (power[..., 3:], whole[1])):
        thread = np.max(np.maximum(part[..., 0], part[..., 2]) - RINGS * part[..., 1], axis=1)
        shares.append(thread / (sliding_window_view(own, count)[starts] @ weight + 1e-9))
    seen = np.log(np.maximum(shares[0], 0.003) / 0.02)
    return np.column_stack([seen, np.minimum(seen, 0), np.log(np.maximum(shares[1], 0.01) / 0.05)])
