"""A faint ring beside a standing body's rim: a lip as light as the bench, which the outline left off.

A dark ring on top of a light body has the stronger edge, and the outline may run along it. A lip beyond shows as a
band lighter than the bench, as wide all round; a shadow is darker, and stands on one side.
"""

from __future__ import annotations

import numpy as np

from identify.geometry.edges import sample_profiles
from identify.model import Array, Photo

SECTORS = 8
LEAST_POINTS = 30
NEAR_PX, STEP_PX = 1.0, 0.5
REACH_PX, REACH_REL = (6.0, 12.0), 0.05  # how far out a lip is looked for: least and most, and of the outline's size
LEAST_PX = 2.2  # a narrower band is what sharpening leaves beside any edge
FAINTEST, FAINTEST_REL = 0.03, 0.10  # of the square root of linear light, and of the rim's own step
EDGE = 0.5  # of the band's height: where its outer edge is
ALIKE, ALIKE_PX, ALIKE_REL = 0.85, 1.0, 0.3  # share of the sectors whose bands are so nearly as wide


def width_px(photo: Photo, rim_px: Array, outward: Array, size_px: float) -> float | None:
    """Width [px] of a band all round the rim; None where there is none.

    Parameters
    ----------
    rim_px, outward : (N, 2) points of the outline along the rim [px], in turn, and unit normals out of the body.
    size_px : extent of the outline.
    """
    if len(rim_px) < LEAST_POINTS:
        return None
    reach = float(np.clip(REACH_REL * size_px, *REACH_PX)) / photo.reduced
    out = np.arange(NEAR_PX, reach + 0.01, STEP_PX)
    within = [-2.0, -1.5]
    at = (rim_px + 0.5) / photo.reduced - 0.5
    light = np.sqrt(np.clip(sample_profiles(photo.rgb, at, outward, np.array([*within, *out])), 0, 1)).mean(axis=2)
    parts = [part.mean(axis=0) for part in np.array_split(light, SECTORS)]
    widths = np.array([_band(part[2:], float(part[:2].mean()), out) for part in parts])
    told = widths[np.isfinite(widths)]
    if len(told) < SECTORS - 1:
        return None
    width = float(np.median(told))
    alike = np.abs(told - width) <= max(ALIKE_PX, ALIKE_REL * width)
    return width * photo.reduced if width >= LEAST_PX and float(alike.mean()) >= ALIKE else None


def _band(light: Array, within: float, out_px: Array) -> float:
    """How far out [px] a band lighter than what is beyond it ends; nan where there is none."""
    bench = float(light[-3:].mean())
    over = light - bench
    top = int(np.argmax(over[: len(over) // 2]))
    if over[top] < max(FAINTEST, FAINTEST_REL * abs(bench - within)):
        return float("nan")
    below = np.nonzero(over[top:] < EDGE * over[top])[0]
    if not len(below):
        return float("nan")
    last = top + int(below[0]) - 1
    share = (over[last] - EDGE * over[top]) / (over[last] - over[last + 1])
    return float(out_px[last] + share * (out_px[last + 1] - out_px[last]))
