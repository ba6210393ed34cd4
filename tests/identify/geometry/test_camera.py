"""Steps of camera and pose together."""

import numpy as np
import pytest

from identify.geometry.camera import moved, project, rotation_from_vector, seen_from
from identify.model import Camera, Pose
from training.drawn_parts import look_at


@pytest.mark.parametrize("log_focal", [-0.5, 0.1, 0.5])
def test_a_step_away_along_with_the_focal_length_leaves_sizes_across_the_sight(log_focal: float) -> None:
    """Similar triangles: size in the picture is f / Z times the size."""
    camera, pose = Camera(1200.0, (0.0, 0.0), 0.3, "prior"), look_at(300, 0)
    ends = np.array([[-10.0, 0, 0], [10.0, 0, 0]])
    step = np.array([log_focal, 0, 0, 0, 0, 0, 300 * log_focal])
    assert project(*moved(camera, pose, step), ends) == pytest.approx(project(camera, pose, ends), abs=1e-6)


def test_seen_from_many_steps_as_from_each():
    camera = Camera(900.0, (400.0, 300.0), 0.02, "EXIF", 0.01)
    pose = Pose(rotation_from_vector(np.array([3.0, 0.2, 0.1])), np.array([5.0, -8.0, 310.0]), np.zeros((7, 7)))
    rng = np.random.default_rng(0)
    steps = rng.normal(0, 1, (4, 7)) * (0.02, 0.01, 0.01, 0.01, 1.0, 1.0, 3.0)
    points = rng.normal(0, 30, (4, 9, 3))
    seen = seen_from(camera, pose, steps, points)
    for step, own, found in zip(steps, points, seen, strict=True):
        assert found == pytest.approx(project(*moved(camera, pose, step), own), abs=1e-9)
