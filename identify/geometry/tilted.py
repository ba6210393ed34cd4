"""What a bench's own lines or texture say of its tilt: a grid of log likelihoods over tilts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from identify.model import Array


@dataclass(frozen=True, slots=True, eq=False)
class Tilted:
    """Log likelihood of tilts on a square grid (2 K + 1, 2 K + 1) of (y, x), in steps of ``step_deg``."""

    log_likelihood: Array
    step_deg: float

    def likelihood(self, normals: Array) -> Array:
        """Likelihood (N,) of normals (N, 3) against the mean over all tilts."""
        angle = np.degrees(np.arccos(np.clip(-normals[:, 2], -1, 1)))
        per_sine = angle / np.maximum(np.hypot(normals[:, 0], normals[:, 1]), 1e-9) / self.step_deg
        middle = (len(self.log_likelihood) - 1) / 2
        at = [normals[:, 1] * per_sine + middle, normals[:, 0] * per_sine + middle]
        return np.asarray(np.exp(map_coordinates(self.log_likelihood, at, order=1, mode="nearest")))
