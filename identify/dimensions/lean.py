"""Whether a short wide part has tipped onto its stem: its end faces are then seen more open than on a lying part.

A round end seen at a slant shows as an ellipse: from where its edges are as far apart as the body is wide the outline
goes on by the radius times the tangent of the slant. Where the part lies along the bench the slant is known. Which way
and how far it has tipped is not told well enough to be put right, but that its size is less sure is.
"""

from __future__ import annotations

import math

import numpy as np

from identify.dimensions.axis import Profile, unrolled
from identify.geometry.camera import camera_place_mm
from identify.model import Array, Camera, Outline, Pose

WIDTHS = (0.85, 0.4)  # of the body, between which the end's ellipse is read
SURPLUS_RAD = math.radians(15)  # pegs, seals and steps make a face look this much more open; calibration split


def tipped(outline: Outline, profile: Profile, widest_mm: float, camera: Camera, pose: Pose) -> bool:
    """Whether the blunter end of a part whose widest radius is ``widest_mm`` is seen more open than it lets it."""
    at, side = unrolled(profile.axis, camera, pose, outline.contour_px)
    between = camera_place_mm(pose) - profile.axis.foot_mm
    over = float(between @ profile.axis.along)
    away = float(np.linalg.norm(between - over * profile.axis.along))
    seen = []
    for sign in (-1.0, 1.0):
        reached = [_reached(sign * at, side, share * widest_mm) for share in WIDTHS]
        if None in reached:
            continue
        wide, slim = np.array(reached, float)
        open_ = float(slim - wide) / (math.sqrt(1 - WIDTHS[1] ** 2) - math.sqrt(1 - WIDTHS[0] ** 2))
        end = sign * (float(wide) - open_ * math.sqrt(1 - WIDTHS[0] ** 2))
        seen.append((math.atan(open_ / widest_mm), abs(math.atan((end - over) / away))))
    return bool(seen) and min(seen)[0] - min(seen)[1] > SURPLUS_RAD


def _reached(outward_mm: Array, side_mm: Array, width_mm: float) -> float | None:
    """Mean of how far out both edges of an outline (N,) are as far from the axis as ``width_mm``; None if one never."""
    ends = [outward_mm[sign * side_mm >= width_mm] for sign in (-1.0, 1.0)]
    return float(np.mean([one.max() for one in ends])) if all(len(one) for one in ends) else None
