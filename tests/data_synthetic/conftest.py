"""What several tests of solids ask."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest


def _sound(vertices_mm: np.ndarray, faces: np.ndarray) -> bool:
    a, b, c = (vertices_mm[faces[:, k]] for k in range(3))
    outward = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) > 0  # its volume is positive (divergence theorem)
    _, welded = np.unique(np.round(vertices_mm, 5), axis=0, return_inverse=True)
    joined = welded.reshape(-1)[faces]
    edges = np.sort(np.concatenate([joined[:, [0, 1]], joined[:, [1, 2]], joined[:, [2, 0]]]), axis=1)
    _, uses = np.unique(edges, axis=0, return_counts=True)
    return outward and bool(np.isfinite(vertices_mm).all()) and bool((uses == 2).all())


@pytest.fixture
def sound() -> Callable[[np.ndarray, np.ndarray], bool]:
    """Whether a mesh, vertices (N, 3) [mm] and faces (M, 3), is closed and its faces look outward."""
    return _sound
