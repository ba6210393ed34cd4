"""Whether two photos show one thing: by their small grey pictures, and by what the network makes of the whole photos.

Of the grey picture, 64 signs of its lowest frequencies: the signs of the cosine transform against their median survive
another exposure, size and compression (Zauner 2010, Implementation and benchmarking of perceptual image hash
functions, 3.2.1), but not another hand. Of the network's features, 256 signs against random planes: the share of signs
that differ is the angle between two features over pi (Charikar 2002, Similarity estimation techniques from rounding
algorithms, 3), and a step to the side changes it little. The thresholds are those of ``training.second_shots``.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry.pyramid import halved
from identify.model import Bytes

SIDE_PX, KEPT = 32, 8
PRINT_BITS, TRAIT_BITS = KEPT * KEPT, 256
NEAR_BITS = 10  # of 64: pictures that have nothing in common differ in 32 ± 4 (binomial), so this is five sigma off
FAR_TRAITS = 0.3  # of pi: with nearly the same grey picture, features at this angle are of something else
NEAR_TRAITS = 0.09  # of pi: with features this near, the same thing from a step aside
WORD_BITS = 64


def print_of(rgb: Bytes) -> str:
    """16 hexadecimal digits for a picture (H, W, 3)."""
    while max(rgb.shape[:2]) >= 16 * SIDE_PX:
        rgb = halved(rgb)
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA).astype(np.float32)
    low = cv2.dct(small)[:KEPT, :KEPT].reshape(-1)
    signs = low > np.median(low[1:])  # the first one is the picture's mean, which exposure changes
    signs[0] = False
    return np.packbits(signs).tobytes().hex()


def traits_of(features: NDArray[np.float32]) -> str:
    """64 hexadecimal digits for the features (F,) of a picture; their common size and level do not matter."""
    return np.packbits(features @ _planes(len(features)) > 0).tobytes().hex()


@lru_cache(maxsize=1)
def _planes(length: int) -> NDArray[np.float32]:
    """The same random planes in every process; each through the line of equal features."""
    drawn = np.random.default_rng(20020519).standard_normal((length, TRAIT_BITS)).astype(np.float32)
    return np.asarray(drawn - drawn.mean(axis=0), np.float32)


class Marks:
    """The prints and traits of pictures seen so far, to be compared with one more at once."""

    def __init__(self) -> None:
        self._count = 0
        self._words = np.zeros((16, (PRINT_BITS + TRAIT_BITS) // WORD_BITS), np.uint64)
        self._known = np.zeros(16, np.bool_)

    def add(self, seen: str, traits: str) -> None:
        """Remember a picture: its print, and its traits, which may be empty."""
        if self._count == len(self._words):
            self._words = np.concatenate([self._words, np.zeros_like(self._words)])
            self._known = np.concatenate([self._known, np.zeros_like(self._known)])
        self._words[self._count], self._known[self._count] = _words(seen, traits), bool(traits)
        self._count += 1

    def like(self, seen: str, traits: str) -> list[int]:
        """Numbers of those that show the same thing as one more picture, from 0 in the order of :meth:`add`."""
        differ = np.bitwise_count(self._words[: self._count] ^ _words(seen, traits))
        near = differ[:, 0] <= NEAR_BITS
        if traits:
            angle = differ[:, 1:].sum(axis=1) / TRAIT_BITS
            known = self._known[: self._count]
            near = (near & (~known | (angle <= FAR_TRAITS))) | (known & (angle <= NEAR_TRAITS))
        return [int(number) for number in np.flatnonzero(near)]


def _words(seen: str, traits: str) -> NDArray[np.uint64]:
    text = seen + (traits or "0" * (TRAIT_BITS // 4))
    return np.frombuffer(bytes.fromhex(text), ">u8").astype(np.uint64)


def alike(one: tuple[str, str], other: tuple[str, str]) -> bool:
    """Whether two pictures, each a print and traits, show one thing.

    Examples
    --------
    >>> alike(("00000000000003ff", ""), ("0" * 16, "")), alike(("00000000000007ff", ""), ("0" * 16, ""))
    (True, False)
    """
    marks = Marks()
    marks.add(*one)
    return bool(marks.like(*other))
