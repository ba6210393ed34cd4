"""The form of a thread: how deep the silhouette of its turns lies below its crests, by where it is seen from."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from identify.model import Array

DEPTH = 0.640327  # of the pitch: ISO 228-1; the 60 degree form of ISO 68-1 has 0.6134
FLANK_RAD = math.radians(27.5)  # ISO 228-1
ROUND = 0.137329  # of the pitch: radius of crest and root, ISO 228-1


@lru_cache(maxsize=4096)
def level_drop(major_mm: float, pitch_mm: float, slant_deg: int) -> float:
    """Mean depth of a thread's silhouette below its crests [mm], on one side, seen ``slant_deg`` off square.

    Seen square it is half the depth, by the form of ISO 228-1.
    """
    return float(np.mean(silhouette_mm(major_mm, pitch_mm, slant_deg)))


@lru_cache(maxsize=512)
def silhouette_mm(major_mm: float, pitch_mm: float, slant_deg: int) -> Array:
    """Depths (32,) of a thread's silhouette below its crests over one pitch, seen ``slant_deg`` off square [mm].

    Each point of the silhouette is the outermost of all points of the helix on its line of sight; seen at a slant, the
    crests hide part of the valleys. Form: ISO 228-1.
    """
    slant = math.radians(slant_deg)
    turn = np.linspace(-0.7, 0.7, 141)[None, :]
    place = np.linspace(-0.5, 0.5, 32, endpoint=False)[:, None] * pitch_mm
    along = place - 0.5 * major_mm * np.sin(turn) * math.tan(slant)
    depth = _depth(along / pitch_mm + turn / (2 * math.pi), pitch_mm)
    reach = (0.5 * major_mm - depth) * np.cos(turn)
    return np.asarray(0.5 * major_mm - reach.max(axis=1))


def _depth(turns: Array, pitch_mm: float) -> Array:
    """Depth below the crest at places along the axis, in pitches from a crest (ISO 228-1)."""
    away = np.abs(turns - np.round(turns)) * pitch_mm
    radius, tangent = ROUND * pitch_mm, ROUND * pitch_mm * math.cos(FLANK_RAD)

    def rounded(reach: Array) -> Array:
        return radius - np.sqrt(np.maximum(radius**2 - np.minimum(reach, tangent) ** 2, 0.0))

    flank = radius * (1 - math.sin(FLANK_RAD)) + (away - tangent) / math.tan(FLANK_RAD)
    other = pitch_mm / 2 - away
    full = DEPTH * pitch_mm
    return np.where(away < tangent, rounded(away), np.where(other < tangent, full - rounded(other), flank))
