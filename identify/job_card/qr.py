"""A QR code (ISO/IEC 18004) as rows of dark squares, to be drawn by whoever lays out the card."""

from __future__ import annotations

from functools import lru_cache

import segno

QUIET = 4  # empty squares around it, as the standard asks


@lru_cache(maxsize=64)
def runs(text: str) -> tuple[int, tuple[tuple[int, int, int], ...]]:
    """Squares along a side with the quiet zone, and the dark runs (x, y, length) in squares."""
    matrix = segno.make_qr(text, error="m").matrix
    found: list[tuple[int, int, int]] = []
    for y, row in enumerate(matrix):
        x = 0
        while x < len(row):
            length = next((at for at in range(x, len(row)) if not row[at]), len(row)) - x
            if length:
                found.append((x + QUIET, y + QUIET, length))
            x += max(1, length)
    return len(matrix) + 2 * QUIET, tuple(found)
