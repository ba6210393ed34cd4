"""How the marks of a ruler lean in the picture, and with that the tilt across it.

Marks are square to the edge in space. With the focal length and the edge's vanishing point their slopes in the
picture, linear along the edge, hang on one number: the turn of the ruler's plane about its edge. It is told by all
marks' ink at once, by the ruler's two ends, by how people hold a camera, and where these leave it open by the bench's
own lines and texture.
"""

from __future__ import annotations

import numpy as np

from identify.geometry import normals
from identify.model import Array, Bytes, Camera
from identify.reference import scales
from identify.reference.ruler_ends import Edge, End
from identify.reference.scales import Reading

WIDEST_DEG = 50.0  # turn of the ruler's plane about its edge
USUAL_NORMAL, U_NORMAL = (0.0, -0.17), 0.25  # x and y of the bench's, seen by people who hold a camera (own estimate)
ROUGH = (0.15, 0.05)  # odds that an end's slope is seen less surely, by a shadow or what lies on it; how surely then
OTHER_LINE = 0.05  # odds that a line at the ruler's end is another thing's, over the slopes that it may have


class Lean:
    """The slopes that a ruler's marks may have, and what is known of them.

    Parameters
    ----------
    edge : the ruler's edge [px]
    scale : the marks beside it
    focal_px, size_px : focal length, width and height of the picture [px]
    """

    def __init__(self, edge: Edge, scale: Reading, focal_px: float, size_px: tuple[int, int]) -> None:
        self._scale = scale
        self._centre = (np.array(size_px) - 1) / 2
        self._focal_px = focal_px
        comb, start = scale.comb, edge.origin - self._centre
        if abs(comb.c) * edge.length < 1e-4 * abs(comb.a):
            axis = np.array([*edge.along, 0.0])
        else:
            axis = np.array([*(start + comb.a / comb.c * edge.along), focal_px])
            axis /= np.linalg.norm(axis)
        first = np.cross(axis, [0.0, 0.0, 1.0])
        first /= np.linalg.norm(first)
        turns = np.radians(np.arange(-WIDEST_DEG, WIDEST_DEG + 0.5))
        square = np.cos(turns)[:, None] * first + np.sin(turns)[:, None] * np.cross(axis, first)
        depth = square[:, :2] @ edge.inward * focal_px - square[:, 2] * (start @ edge.inward)
        self._s1 = -square[:, 2] / depth
        self._s0 = (square[:, :2] @ edge.along * focal_px - square[:, 2] * (start @ edge.along)) / depth
        upright = np.cross(axis, square)
        self._normals = upright * -np.sign(upright[:, 2:])
        self._seen = np.zeros(len(turns))

    def of_marks(self, flat: Array, stops: list[list[End]]) -> Reading:
        """The reading with the slope that its marks' ink (D, L) and the lines at its ends tell.

        Each of ``stops`` holds lines of which one, or none, is an end.
        """
        self._seen = scales.ink_odds(flat, self._scale, self._s0, self._s1)
        for lines in stops:
            told = np.zeros(len(self._s0))
            for line in lines:
                away = self._s0 + self._s1 * line.foot - line.slope
                close = np.exp(-0.5 * (away / line.u) ** 2) / line.u
                told += (close + ROUGH[0] * np.exp(-0.5 * (away / ROUGH[1]) ** 2) / ROUGH[1]) / len(lines)
            self._seen += np.log(told + OTHER_LINE)
        usual = -0.5 * np.sum(((self._normals[:, :2] - USUAL_NORMAL) / U_NORMAL) ** 2, axis=1)
        return scales.leaned(self._scale, self._s0, self._s1, self._seen + usual)

    def on_bench(self, rgb: Bytes, outline_px: Array) -> Reading:
        """The same where the bench's lines outside the ruler (M, 2), and its texture, count too."""
        camera = Camera(self._focal_px, (float(self._centre[0]), float(self._centre[1])), 0.0, "EXIF")
        likely = normals.likely(rgb, camera, outline_px)(self._normals, 0.0)
        return scales.leaned(self._scale, self._s0, self._s1, self._seen + np.log(np.maximum(likely, 1e-9)))
