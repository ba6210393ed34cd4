"""How the rings of a lying part bow in the photo: the angle at which the camera looks along the part's axis.

Shoulders, grooves and thread turns are circles about the axis. Unrolled with the right angle between axis and line of
sight they are straight across the part; with a wrong one they bow, by radius times the slope's error. So they tell
the tilt along the axis where a coin alone can't, and on which of its sides a part lies.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from identify.dimensions.axis import Axis, Profile
from identify.dimensions.lying import crest_line
from identify.dimensions.thread import unrolled_light
from identify.geometry.camera import camera_place_mm
from identify.model import Array, Camera, Photo, Pose

TURN_RAD = math.radians(65)
SLOPES = np.linspace(-0.6, 0.6, 121)
CLEAR = 1.5  # times the usual power: a lower peak is no ring
LEAST_RADIUS_MM = 3.0
U_SLOPE = 0.02  # of one part's bow at best: chamfers and helices are no circles


def sight_slope(axis: Axis, pose: Pose, station_mm: float) -> float:
    """Tangent of the angle by which the line of sight leans along the axis, from square to it."""
    sight = axis.at(np.array([station_mm]))[0] - camera_place_mm(pose)
    along = float(sight @ axis.along)
    return along / float(np.linalg.norm(sight - along * axis.along))


def find(
    photo: Photo, camera: Camera, pose: Pose, profile: Profile, usable: NDArray[np.bool_], px_mm: float
) -> tuple[float, float] | None:
    """By how much ``sight_slope`` must change for the rings to be straight, and its standard uncertainty; or None."""
    order = np.argsort(profile.station_mm)
    order = order[usable[order] & (profile.radius_mm[order] > LEAST_RADIUS_MM)]
    if len(order) < 40:
        return None
    at = profile.station_mm[order]
    station = np.arange(at[0], at[-1], max(0.5 * px_mm, float(np.ptp(at)) / 1200))
    step = float(station[1] - station[0])
    radius = np.interp(station, at, profile.radius_mm[order])
    surface = gaussian_filter1d(crest_line(radius, station, 0.7), 0.5 / step)
    angles = np.linspace(-TURN_RAD, TURN_RAD, 21)
    light = unrolled_light(photo, camera, pose, profile, surface, station, angles)
    light = gaussian_filter1d(light, 0.7 * px_mm / step, axis=0)
    bands = light - uniform_filter1d(light, 2 * round(1.5 / step) + 1, axis=0, mode="nearest")
    bands = np.clip(bands / (3 * float(np.median(np.abs(bands))) + 1e-9), -3, 3)
    power = np.array([_straight(bands, station, surface, angles, slope) for slope in SLOPES])
    top = int(np.argmax(power))
    if top in (0, len(SLOPES) - 1) or power[top] < CLEAR * float(np.median(power)):
        return None
    bend = power[top - 1] - 2 * power[top] + power[top + 1]
    slope = float(SLOPES[top] + 0.5 * (power[top - 1] - power[top + 1]) / bend * (SLOPES[1] - SLOPES[0]))
    wide = float(np.mean(power > power[top] - 0.25 * (power[top] - np.median(power)))) * float(np.ptp(SLOPES))
    return slope, float(np.hypot(U_SLOPE, 0.25 * wide))


def _straight(bands: Array, station: Array, radius: Array, angles: Array, slope: float) -> float:
    """Power of the bands' mean over the angles once each is shifted by ``slope`` times its height over the axis."""
    total = np.zeros(len(station))
    for column, angle in zip(bands.T, angles, strict=True):
        total += np.interp(station + slope * radius * math.cos(angle), station, column)
    return float(np.mean((total / len(angles)) ** 2))
