"""Whether two photos are nearly the same picture: 64 signs of the lowest frequencies of the small grey picture.

The signs of the cosine transform against their median survive another exposure, size and compression (Zauner 2010,
Implementation and benchmarking of perceptual image hash functions, 3.2.1).
"""

from __future__ import annotations

import cv2
import numpy as np

from identify.geometry.pyramid import halved
from identify.model import Bytes

SIDE_PX, KEPT = 32, 8
NEAR_BITS = 10  # of 64: pictures that have nothing in common differ in 32 ± 4 (binomial), so this is five sigma off


def print_of(rgb: Bytes) -> str:
    """16 hexadecimal digits for a picture (H, W, 3)."""
    while max(rgb.shape[:2]) >= 16 * SIDE_PX:
        rgb = halved(rgb)
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA).astype(np.float32)
    low = cv2.dct(small)[:KEPT, :KEPT].reshape(-1)
    signs = low > np.median(low[1:])  # the first one is the picture's mean, which exposure changes
    signs[0] = False
    return f"{int(''.join('1' if sign else '0' for sign in signs), 2):0{KEPT * KEPT // 4}x}"


def alike(one: str, other: str) -> bool:
    """Whether two prints are of nearly the same picture.

    Examples
    --------
    >>> alike("00000000000003ff", "0" * 16), alike("00000000000007ff", "0" * 16)
    (True, False)
    """
    return (int(one, 16) ^ int(other, 16)).bit_count() <= NEAR_BITS
