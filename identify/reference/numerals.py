"""A ruler whose marks are too fine to be seen, read by its numerals: one every centimetre.

In a picture of 2 px a millimetre, out of focus or overexposed, the row of numerals is often all that is left. They
are taken only on what a label map calls a reference object, and only where they stand as close together, for the
ruler's width, as numerals of centimetres do: those of inches stand further apart.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from identify.geometry.edges import linear_light
from identify.geometry.pyramid import reduced
from identify.geometry.ticks import Comb, find_combs, fit, flatten, peaks
from identify.model import Array, Bytes
from identify.reference.ruler_ends import Edge
from identify.reference.scales import Reading

WIDE_PX = 56  # rows in which the ruler's width is looked at
WIDTHS = (1.7, 4.5)  # of rulers, in centimetres; of 25 to 43 mm, in inches 1.0 to 1.7
TALL, STEP = 7, 3  # rows of a band, and from one band to the next
MIDDLE = (0.18, 0.82)  # shares of the width between which numerals stand and marks of 5 mm do not reach
TWICE = 1.7  # times the step of marks of 5 mm is that of numerals
FEWEST = 6
COHERENT = 0.2  # share of the band's energy in the comb's first harmonic
UNEVEN = 0.06  # largest scatter of the numerals, in steps: digits differ in width
SEEN = 0.75  # least share of the places between the outermost numerals at which one is seen
U_LEAN = 0.3  # numerals say nothing of the slope of the marks
NEARLY = 1.5  # times as fine as the band is the picture that it is taken from
STEP_MM = 10.0
SOFT, ALTERNATE, EQUAL = 1.5, 6.0, 0.2  # of ink in every second place: its blur [rows], standard errors, and ink
NONE, MARKS = "No evenly spaced numerals are seen.", "Long and short marks alternate."


def read(rgb: Bytes, edge: Edge, width_px: float) -> tuple[Reading, Array] | str:
    """Read the row of numerals on a ruler.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
    edge : one of its long edges [px of rgb]
    width_px : the ruler's width

    Returns
    -------
    The reading, and the flattened light (D, L) beside the edge for each pixel of ``rgb``; NONE where no evenly spaced
    numerals are seen, MARKS where long and short marks reach as far as numerals and could pass for them.
    """
    small, factor = reduced(rgb, max(rgb.shape[:2]) * min(1.0, WIDE_PX / width_px) * NEARLY)
    near = edge.scaled(1 / factor)
    scale = WIDE_PX / width_px
    size = (int(edge.length * scale), WIDE_PX)
    to_picture = np.column_stack([near.along / (scale * factor), near.inward / (scale * factor), near.origin])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    strip = cv2.warpAffine(small, to_picture, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    light = linear_light(np.asarray(strip, np.uint8)).mean(axis=2)
    flat = flatten(light, wide_px=WIDE_PX / 4)
    best: tuple[float, Comb, Array, Array, float, float] | None = None
    for middle in np.arange(MIDDLE[0] * WIDE_PX, MIDDLE[1] * WIDE_PX, STEP):
        top = int(middle - TALL / 2)
        band = flat[top : top + TALL].mean(axis=0)
        found = _row(band)
        if found is not None and _alternate(band, *found[1:4]):
            return MARKS
        if found is not None and (best is None or _rather(found, best[:2])):
            best = (*found, top + TALL / 2)
    if best is None:
        return NONE
    score, comb, numbers, places, rms, depth = best
    flat_px = np.asarray(cv2.resize(flat, (int(edge.length), int(width_px)), interpolation=cv2.INTER_LINEAR), float)
    full = Comb(comb.a / scale, comb.b / scale, comb.c, coherence=comb.coherence, ink=comb.ink)
    return Reading(full, numbers, places / scale, STEP_MM, 0, rms / scale, score, depth / scale, U_LEAN), flat_px


def _rather(found: tuple[float, Comb, Array, Array, float], best: tuple[float, Comb]) -> bool:
    """Whether a row is rather the numerals' than the best so far: not that of marks between them."""
    one, other = abs(found[1].a), abs(best[1].a)
    return one > TWICE * other or (one > other / TWICE and found[0] > best[0])


def _alternate(profile: Array, comb: Comb, numbers: Array, places: Array) -> bool:
    """Whether every second place has more ink than those between: marks of 10 and 5 mm do, numerals do not."""
    ink = np.interp(places, np.arange(len(profile)), gaussian_filter1d(comb.ink * profile, SOFT))
    one, other = (ink[numbers % 2 == parity] for parity in (0, 1))
    u = float(np.hypot(*(np.std(each) / max(len(each), 1) ** 0.5 for each in (one, other))))
    return bool(abs(one.mean() - other.mean()) > ALTERNATE * u + EQUAL)


def _row(profile: Array) -> tuple[float, Comb, Array, Array, float] | None:
    """Coherence, comb, numbers and places (K,) and their scatter, of a band in which numerals stand; else None."""
    spacing = WIDE_PX / WIDTHS[1], WIDE_PX / WIDTHS[0]
    soft = gaussian_filter1d(np.asarray(profile, float), 0.1 * spacing[0])
    comb = find_combs(soft, spacings=spacing)[0]
    if comb.coherence < COHERENT:
        return None
    first, last = sorted(comb.number(np.array([1.0, len(profile) - 2.0])))
    numbers = np.arange(np.ceil(first), np.floor(last) + 1)
    if len(numbers) < FEWEST:
        return None
    for _ in range(2):
        places = peaks(soft[None], comb, np.zeros(1), numbers)
        seen = np.isfinite(places[:, 0])
        if np.count_nonzero(seen) < FEWEST:
            return None
        comb, away, _ = fit(comb, numbers, places, np.zeros(1))
    step = float(np.median(comb.spacing(numbers)))
    kept = seen & (np.abs(np.nan_to_num(away[:, 0], nan=np.inf)) < 3 * UNEVEN * step)
    if np.count_nonzero(kept) < FEWEST or not spacing[0] < step < spacing[1]:
        return None
    rms = float(np.sqrt(np.mean(away[kept, 0] ** 2)))
    among = np.ptp(numbers[kept]) + 1
    if rms > UNEVEN * step or np.count_nonzero(kept) < SEEN * among:
        return None
    return comb.coherence, comb, numbers[kept], places[kept, 0], rms
