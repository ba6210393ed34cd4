"""What about the photo spoils the answer, and how to take a better one.

A threshold says where a fault begins to cost accuracy; it stops nothing, the road goes on with a remark.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.model import Array, Bytes, Photo, Plane, Reference, Remark

Mask = NDArray[np.bool_]
Box = tuple[int, int, int, int]

STRAIGHT_DOWN = "Hold the phone level above the part and shoot straight down."
MAX_TILT_DEG = 30.0
NEAR_MM, FAR_MM = 200.0, 600.0
MIN_PART_PX = 250
BLUR_PX, BLUR_SHARE = 6.0, 0.012  # an edge wider than both, in pixels and in lengths of the part, blurs the outline
DARK_GREY, BRIGHT_GREY, WHITE = 45, 235, 250
GLARE_SHARE = 0.15
BLUR_CROP_PX = 1000
EDGE_REACH_PX = 16
LEAST_SLOPE = 4.0  # of an edge [codes a pixel]
MOST_EDGES, FEWEST_EDGES = 400, 60  # places of one direction that are looked at, of which there must be so many
SAMPLED = (5, 3)  # rows and columns of which one tells how steep edges are


def assess(
    photo: Photo, *, part_mask: Mask | None = None, reference: Reference | None = None, plane: Plane | None = None
) -> tuple[Remark, ...]:
    """What the user can mend about this photo.

    Parameters
    ----------
    part_mask : (h, w) bool map over the whole photo, at any size; without it the middle of the photo is looked at.
    reference, plane : as found; without them nothing is said of the reference, tilt, distance and focal length.
    """
    seen = part_mask if part_mask is not None and part_mask.any() else None
    box = _part_box(photo, seen)
    remarks = [] if seen is None else _framing_remarks(photo, seen, box)
    remarks += _light_remarks(*_part_pixels(photo, seen, box))
    remarks += _blur_remarks(photo, box)
    remarks += _reference_remarks(photo, reference) if reference is not None else []
    remarks += _plane_remarks(plane) if plane is not None else []
    return tuple(remarks)


def _part_box(photo: Photo, part_mask: Mask | None) -> Box:
    """Left, top, right, bottom of the part in ``photo.rgb``; the middle two thirds without a mask."""
    height, width = photo.rgb.shape[:2]
    if part_mask is None:
        return width // 6, height // 6, width * 5 // 6, height * 5 // 6
    rows, columns = np.flatnonzero(part_mask.any(axis=1)), np.flatnonzero(part_mask.any(axis=0))
    down, across = height / part_mask.shape[0], width / part_mask.shape[1]
    left, top = int(columns[0] * across), int(rows[0] * down)
    return left, top, math.ceil((columns[-1] + 1) * across), math.ceil((rows[-1] + 1) * down)


def _part_pixels(photo: Photo, part_mask: Mask | None, box: Box) -> tuple[Bytes, Bytes]:
    """Grey and least-channel values (N,) of the part's pixels, thinned out."""
    left, top, right, bottom = box
    step = max(1, max(right - left, bottom - top) // 300)
    ys, xs = np.arange(top, bottom, step), np.arange(left, right, step)
    if part_mask is None:
        pixels = photo.rgb[top:bottom:step, left:right:step].reshape(1, -1, 3)  # one row: OpenCV takes time over each
    else:
        height, width = photo.rgb.shape[:2]
        rows, columns = ys * part_mask.shape[0] // height, xs * part_mask.shape[1] // width
        down, across = np.nonzero(part_mask[rows][:, columns])
        pixels = photo.rgb.reshape(-1, 3).take(ys[down] * width + xs[across], axis=0)[None]
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).ravel()
    return np.asarray(grey, np.uint8), np.minimum(np.minimum(*pixels[0, :, :2].T), pixels[0, :, 2])


def _framing_remarks(photo: Photo, part_mask: Mask, box: Box) -> list[Remark]:
    remarks = []
    border = np.concatenate([part_mask[0], part_mask[-1], part_mask[:, 0], part_mask[:, -1]])
    if border.mean() > 0.01:
        advice = "Move back a little until the whole part is in the picture, with a hand's width around it."
        remarks.append(Remark("cut off", "The part runs out of the picture.", advice))
    long_px = max(box[2] - box[0], box[3] - box[1]) * photo.reduced
    if long_px < MIN_PART_PX:
        text = f"The part is only {long_px} px long in this photo."
        remarks.append(Remark("resolution", text, "Go nearer (30 to 40 cm), and send the original, not a preview."))
    return remarks


def _light_remarks(grey: Bytes, least: Bytes) -> list[Remark]:
    if len(grey) == 0:
        return []
    if np.percentile(grey, 90) < DARK_GREY:
        return [
            Remark("dark", "The part is too dark to see its edges.", "Take the photo by a window or lamp, no flash.")
        ]
    if np.median(grey) > BRIGHT_GREY:
        return [Remark("bright", "The part is over-exposed.", "Tap on the part on the phone's screen before shooting.")]
    glaring = float((least >= WHITE).mean())
    if glaring > GLARE_SHARE:
        text = f"Glare covers {glaring:.0%} of the part."
        return [Remark("glare", text, "Turn the flash off and move the lamp, or shade the part with a sheet of paper.")]
    return []


def _blur_remarks(photo: Photo, box: Box) -> list[Remark]:
    left, top, right, bottom = box
    long_px = max(right - left, bottom - top)
    margin = max(8, long_px // 12)
    middle_x, middle_y, half = (left + right) // 2, (top + bottom) // 2, BLUR_CROP_PX // 2
    rows = slice(max(0, top - margin, middle_y - half), min(bottom + margin, middle_y + half))
    columns = slice(max(0, left - margin, middle_x - half), min(right + margin, middle_x + half))
    width_px = edge_width_px(photo.rgb[rows, columns])
    if width_px is None or width_px < max(BLUR_PX, BLUR_SHARE * long_px):
        return []
    text = f"The picture is blurred: edges at the part are {width_px * photo.reduced:.0f} px wide."
    return [Remark("blur", text, "Rest the phone on something, tap on the part to focus, and wipe the lens.")]


def edge_width_px(rgb: Bytes) -> float | None:
    """Width of the sharpest quarter of the edges (step height over steepest slope) [px], or None without edges.

    In the direction that is blurred most, since a shake blurs one direction only. A step blurred by a Gaussian
    of standard deviation s has the width sqrt(2 pi) s.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
    """
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.float32)
    grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), 0.6), np.float32)
    across, down = (np.asarray(cv2.Sobel(grey, cv2.CV_32F, *way, scale=1 / 8), np.float32) for way in ((1, 0), (0, 1)))
    slope = np.asarray(cv2.magnitude(across, down), np.float32)
    edge = EDGE_REACH_PX
    slope[:edge] = slope[-edge:] = 0
    slope[:, :edge] = slope[:, -edge:] = 0
    for least in (_steep(slope), LEAST_SLOPE):
        places = np.flatnonzero(slope > least)
        steepness, right, below = (each.ravel().take(places) for each in (slope, across, down))
        sectors = _sectors(right, below)
        if least == LEAST_SLOPE or all(len(members) >= 3 * MOST_EDGES for members in sectors):
            break
    chosen = [_steepest(steepness, members) for members in sectors if len(members) >= FEWEST_EDGES]
    if not chosen:
        return None
    steep = np.concatenate(chosen)
    directions = np.column_stack([right[steep], below[steep]]).astype(float) / steepness[steep, None]
    ys, xs = np.divmod(places[steep], slope.shape[1])
    wide = _step_heights(grey, np.column_stack([xs, ys]).astype(float), directions) / steepness[steep]
    return max(float(np.percentile(each, 25)) for each in np.split(wide, np.cumsum([len(one) for one in chosen[:-1]])))


def _steep(slope: NDArray[np.float32]) -> float:
    """A slope that some ten times as many places exceed as are looked at, if the picture has so many edges."""
    some = slope[:: SAMPLED[0], :: SAMPLED[1]].ravel()
    rank = len(some) - max(1, 40 * MOST_EDGES // (SAMPLED[0] * SAMPLED[1]))
    return max(LEAST_SLOPE, float(np.partition(some, rank)[rank])) if rank > 0 else LEAST_SLOPE


def _sectors(right: NDArray[np.float32], below: NDArray[np.float32]) -> list[NDArray[np.intp]]:
    """Which slopes run across, falling, down and rising, each within 22.5 degrees."""
    level, upright = (
        np.abs(one) < math.tan(math.pi / 8) * np.abs(other) for one, other in ((below, right), (right, below))
    )
    slanting, falling = ~(level | upright), right * below > 0
    return [np.flatnonzero(each) for each in (level, slanting & falling, upright, slanting & ~falling)]


def _steepest(steepness: NDArray[np.float32], members: NDArray[np.intp]) -> NDArray[np.intp]:
    """The steepest third of some places, or as many as are looked at."""
    count = min(MOST_EDGES, len(members) // 3)
    return members[np.argpartition(steepness[members], -count)[-count:]]


def _step_heights(grey: NDArray[np.float32], points_px: Array, directions: Array) -> Array:
    """Rise (N,) of the grey level along each direction while it keeps rising [grey levels]."""
    reach = np.arange(-EDGE_REACH_PX, EDGE_REACH_PX + 1)
    where = (points_px[:, None] + reach[None, :, None] * directions[:, None]).astype(np.float32)
    profiles = cv2.remap(grey, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    stays = np.ones((len(profiles), 2 * EDGE_REACH_PX + 2), bool)  # an end stops a rise too
    stays[:, 1:-1] = profiles[:, 1:] - profiles[:, :-1] <= 0.3
    before = stays[:, EDGE_REACH_PX::-1].argmax(axis=1)
    after = stays[:, EDGE_REACH_PX + 1 :].argmax(axis=1)
    rows = np.arange(len(profiles))
    return np.asarray(profiles[rows, EDGE_REACH_PX + after] - profiles[rows, EDGE_REACH_PX - before], float)


def _reference_remarks(photo: Photo, reference: Reference) -> list[Remark]:
    remarks = list(reference.remarks)
    low, high = reference.outline_px.min(axis=0), reference.outline_px.max(axis=0)
    if min(low) < 1 or high[0] > photo.width_px - 2 or high[1] > photo.height_px - 2:
        text = f"The {reference.kind} runs out of the picture."
        remarks.append(
            Remark("cut off", text, f"Move back a little until the whole {reference.kind} is in the picture.")
        )
    return remarks


def _plane_remarks(plane: Plane) -> list[Remark]:
    remarks = list(plane.remarks)
    if plane.tilt_deg > MAX_TILT_DEG and not plane.remarks:
        text = f"The camera was tilted by {plane.tilt_deg:.0f}°, which costs accuracy."
        remarks.append(Remark("tilt", text, STRAIGHT_DOWN))
    if plane.distance_mm < NEAR_MM:
        text = f"The camera was only {plane.distance_mm:.0f} mm away, so heights weigh heavily."
        remarks.append(Remark("distance", text, "Take the photo from 30 to 40 cm."))
    if plane.distance_mm > FAR_MM:
        text = f"The camera was {plane.distance_mm:.0f} mm away, so edges are coarse."
        remarks.append(Remark("distance", text, "Take the photo from 30 to 40 cm."))
    if plane.camera.focal_source == "prior":
        text = "The photo doesn't say its focal length, so a usual phone camera was assumed."
        advice = "Send the original file (messengers strip it), or use a bank card or our printed sheet as the scale."
        remarks.append(Remark("focal length", text, advice))
    return remarks
