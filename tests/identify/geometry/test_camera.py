"""Steps of camera and pose together."""

import numpy as np
import pytest

from identify.geometry.camera import moved, project
from identify.model import Camera
from training.drawn_parts import look_at


@pytest.mark.parametrize("log_focal", [-0.5, 0.1, 0.5])
def test_a_step_away_along_with_the_focal_length_leaves_sizes_across_the_sight(log_focal: float) -> None:
    """Similar triangles: size in the picture is f / Z times the size."""
    camera, pose = Camera(1200.0, (0.0, 0.0), 0.3, "prior"), look_at(300, 0)
    ends = np.array([[-10.0, 0, 0], [10.0, 0, 0]])
    step = np.array([log_focal, 0, 0, 0, 0, 0, 300 * log_focal])
    assert project(*moved(camera, pose, step), ends) == pytest.approx(project(camera, pose, ends), abs=1e-6)
