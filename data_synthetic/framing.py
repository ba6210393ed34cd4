"""Where the phone is held for a bench picture, and what of the whole photo becomes the picture."""

from __future__ import annotations

import cv2
import numpy as np

from data_synthetic.camera import View, held, nearer
from data_synthetic.footprint import overlap
from data_synthetic.laying import Laid
from data_synthetic.mesh import Array
from data_synthetic.spindle import within

WHOLE_WH_PX = (1024, 768)  # of the photo that a near picture is cut out of
NEAR_SHARES = (0.45, 0.97)  # of its side that the part fills


def seen_apart(view: View, part_mm: Array, laid: Laid) -> bool:
    """Whether the part hides nothing of the reference from this view (or the coin lies on the part)."""
    if laid.on_part or laid.object.kind == "sheet":
        return True
    front, behind = (cv2.convexHull(view.project(p).astype(np.float32)).reshape(-1, 2)
                     for p in (part_mm, laid.surface.vertices_mm))  # fmt: skip
    return not overlap(front, behind)


def inside(view: View, points_mm: Array, *, border_px: float = 2.0) -> bool:
    """Whether all points fall into the picture."""
    xy = view.project(points_mm)
    limit = np.array([view.width_px, view.height_px]) - 1 - border_px
    return bool(np.all((xy > border_px) & (xy < limit)))


def _mostly_inside(view: View, points_mm: Array) -> bool:
    xy = view.project(points_mm[::7])
    return bool(np.mean(np.all((xy > 0) & (xy < [view.width_px - 1, view.height_px - 1]), axis=1)) > 0.85)


def framed(
    rng: np.random.Generator, part_mm: Array, laid: Laid | None, *, width_px: int, height_px: int, natural: bool
) -> View:
    """A view of the part and its reference.

    ``natural``: a phone's field of view at 180-450 mm with all in the picture. Otherwise the part takes 25-90 % of
    the frame by a lens that may stand for a crop, and the reference may run out of the frame.
    """
    low, high = part_mm.min(0), part_mm.max(0)
    middle, extent = (low + high) / 2, float(np.linalg.norm(high - low))
    view = None
    share = within(rng, 0.25, 0.9)
    for attempt in range(40):
        share = share if attempt < 25 else within(rng, 0.15, 0.7)
        tilt = within(rng, 0, 40) if rng.random() < 0.85 else within(rng, 0, 12)
        focal35 = within(rng, 24, 28) if rng.random() < 0.75 else within(rng, 48, 56)
        if natural:
            distance = within(rng, 180, 450) * (1 + 0.01 * attempt)
        else:
            ideal = extent * focal35 / 43.2666 * np.hypot(width_px, height_px) / (share * max(width_px, height_px))
            distance = float(np.clip(ideal, 170, 450))
            focal35 = focal35 * distance / ideal
        target = middle * (1, 1, 0.5)
        if laid is not None and not laid.on_part:
            other = np.append(laid.footprint_xy.mean(0), 0.0)
            target = target + (other - target) * within(
                rng, *((0.2, 0.6) if natural else (0.0, 0.5 * max(0.0, 1 - attempt / 15)))
            )
        frame = distance / (focal35 / 43.2666 * np.hypot(width_px, height_px)) * min(width_px, height_px)
        target = target + np.append(rng.normal(0, 0.09, 2) * frame * (1 - 0.02 * attempt), 0.0)
        view = held(rng, target, focal35_mm=focal35, distance_mm=distance, tilt_deg=tilt,
                    azimuth_deg=within(rng, 0, 360), roll_deg=within(rng, 0, 360), width_px=width_px,
                    height_px=height_px)  # fmt: skip
        apart = laid is None or seen_apart(view, part_mm, laid)
        whole = inside(view, part_mm)
        ruler = laid is not None and laid.object.kind == "ruler"
        whole = whole or (not natural and attempt >= 12 and _mostly_inside(view, part_mm))
        held_in = not natural or laid is None or (ruler and rng.random() < 0.9) or inside(view, laid.outline_mm)
        if apart and whole and held_in:
            return view
    assert view is not None
    return view


def whole_size(width_px: int, height_px: int, *, near: bool) -> tuple[int, int]:
    """Width and height [px] of the photo that is taken, of which a ``near`` picture is only a part."""
    return WHOLE_WH_PX if near else (width_px, height_px)


def cut_out(rng: np.random.Generator, view: View, points_mm: Array, *, side_px: int) -> View:
    """The square about points (N, 3) [mm] that a near look may cut out of a photo."""
    return nearer(view, points_mm, share=within(rng, *NEAR_SHARES), side_px=side_px)
