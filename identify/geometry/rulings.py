"""The tilt of a bench from its own straight lines: boards, tiles, a mat's grid, the sides of sheets of paper.

Most long lines on a bench run along one direction or square to it. Seen from a trial normal they are laid flat, and at
the true tilt their directions, a quarter turn counted as none, fall together; at another they scatter (rectification
by orthogonal lines: Liebowitz and Zisserman, CVPR 1998). A picture without such lines says nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from identify.geometry.bows import frames
from identify.geometry.camera import rays
from identify.geometry.pencils import lines
from identify.geometry.tilted import Tilted
from identify.model import Array, Bytes, Camera

WIDEST_DEG, STEP_DEG = 50.0, 2.0
BINS = 90  # of directions over a quarter turn
SPREAD_BINS = 1.5  # of lines of one direction: 1.5 degrees
BY_CHANCE = 0.1  # share of scattered lines about the best direction
MOST = 160  # lines that are looked at
AT_ONCE = 128  # normals: what is worked out for them stays in the processor's cache
FEWEST = 5
INDEPENDENT, MOST_INDEPENDENT = 1.0, 16.0  # of the lines: several are one thing's
ODDS = 0.9  # that lines which fall together do so on the bench


def look(rgb: Bytes, cameras: Sequence[Camera], skip_px: Array) -> list[Tilted] | None:
    """Lay the lines of a photo (H, W, 3) flat at every tilt, as each camera sees them; None where there are too few.

    Parameters
    ----------
    cameras : that may have taken it, equally likely
    skip_px : (M, 2) polygon whose lines do not count [px]
    """
    ends, lengths = lines(rgb, skip_px)
    longest = np.argsort(-lengths)[:MOST]
    ends, lengths = ends[longest], lengths[longest]
    if len(ends) < FEWEST:
        return None
    side = np.arange(-WIDEST_DEG, WIDEST_DEG + STEP_DEG / 2, STEP_DEG)
    tilts = np.radians(np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2))
    angle = np.linalg.norm(tilts, axis=1)
    sine = np.sin(angle) / np.maximum(angle, 1e-9)
    normals = np.column_stack([tilts * sine[:, None], -np.cos(angle)])
    share = np.stack([_together(ends, lengths, camera, normals) for camera in cameras])
    share = np.clip(share, BY_CHANCE, 1 - 1e-6)
    told = share * np.log(share / BY_CHANCE) + (1 - share) * np.log((1 - share) / (1 - BY_CHANCE))
    many = min(INDEPENDENT * lengths.sum() ** 2 / np.sum(lengths**2), MOST_INDEPENDENT)
    log = many * told.reshape(-1, len(side), len(side))
    likelihood = np.exp(log - log.max())
    return [Tilted(each, STEP_DEG) for each in np.log(ODDS * likelihood / likelihood.mean() + 1 - ODDS)]


def _together(ends: Array, lengths: Array, camera: Camera, normals: Array) -> Array:
    """Share (N,) of the lines' length about the direction that most of them have when laid flat from normals (N, 3)."""
    first, second, _ = np.moveaxis(frames(normals), 2, 0)
    turned = _turned(ends, 1e-3)
    planes, other = (np.cross(rays(camera, each[:, 0]), rays(camera, each[:, 1])) for each in (ends, turned))
    bins = np.minimum(np.arange(BINS), BINS - np.arange(BINS))
    bell = np.exp(-0.5 * (bins / SPREAD_BINS) ** 2)[np.subtract.outer(np.arange(BINS), np.arange(BINS))]
    counts = np.concatenate(
        [
            _directed(np.stack([first[part], -second[part]]), planes, other, lengths)
            for part in (slice(start, start + AT_ONCE) for start in range(0, len(normals), AT_ONCE))
        ]
    )
    return np.asarray((counts @ bell).max(axis=1) / lengths.sum())


def _directed(axes: Array, planes: Array, other: Array, lengths: Array) -> Array:
    """Length of the lines by their direction over a quarter turn (N, BINS), laid flat on ``axes`` (2, N, 3).

    ``other`` are the planes of the lines, turned by 1e-3.
    """
    (y, x), (y_other, x_other) = axes @ planes.T, axes @ other.T
    step = np.abs(y_other * x - x_other * y) / np.maximum(np.abs(x * x_other + y * y_other), 1e-300)
    weight = lengths * np.minimum(step / 1e-3, 1.0)  # where directions crowd together in any case they say less
    crossed = BINS * ((x < 0) != (y < 0))
    angle = np.arctan2(np.abs(y).astype(np.float32), np.abs(x).astype(np.float32))  # a third of the time of doubles
    place = np.abs(crossed - angle * (BINS / (math.pi / 2)))
    below = place.astype(np.int64)
    over = weight * (place - below)
    pitch = BINS + 2  # what is counted beyond a quarter turn is counted from zero on
    at = (below + pitch * np.arange(len(below))[:, None]).ravel()
    counts = np.bincount(at, (weight - over).ravel(), pitch * len(below))
    counts += np.bincount(at + 1, over.ravel(), len(counts))
    counts = counts.reshape(-1, pitch)
    counts[:, :2] += counts[:, BINS:]
    return np.asarray(counts[:, :BINS])


def _turned(ends: Array, angle_rad: float) -> Array:
    """Lines (N, 2, 2) turned about their middles."""
    middle = ends.mean(axis=1, keepdims=True)
    cos, sin = math.cos(angle_rad), math.sin(angle_rad)
    return np.asarray(middle + (ends - middle) @ np.array([[cos, sin], [-sin, cos]]))
