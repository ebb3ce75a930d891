"""The case's sides: found beside stronger edges, left out where there are none, and what they say of the depth."""

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from tests.vision.render import World, render, setup_table
from vision import adjust, markers, outline, rim, segment, setup_from_mapping
from vision.optics import project
from vision.pose import Pose, fit_pose

WORLD = World(height=3.0, elevation=6.0, offset=4.0)


def _fit(rgb: npt.NDArray[np.uint8]) -> tuple[rim.Rim, Pose]:
    setup = setup_from_mapping(setup_table(WORLD))
    seen = markers.find(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), setup.target, setup.camera)
    assert seen is not None
    pose = fit_pose(seen, setup.camera)
    assert pose is not None
    view = segment.look(rgb, pose.vector, setup.camera, -setup.target.depth_offset_mm, (0.0, 0.0))
    rough = outline.rough(view)
    assert rough is not None
    found = rim.fit(rgb, pose, view, rough, setup.geometry, setup.camera)
    assert found is not None
    return found, pose


def _depth_error(found: rim.Rim) -> float:
    """How far behind its true place the rim's centre is found, mm: the tip stands ``tip_y`` behind it."""
    return float(found.q[7] - (-WORLD.offset - WORLD.tip_y))


def test_both_sides_tell_the_depth() -> None:
    found, _ = _fit(render(WORLD))
    assert found.sides == (1, 1)
    assert abs(_depth_error(found)) < 1.0


@pytest.mark.parametrize("side", [-1, 1])
def test_a_stronger_edge_beside_a_side_is_not_taken(side: int) -> None:
    rgb = render(WORLD)
    clean, pose = _fit(rgb)
    foot = adjust.side_line(clean.q, clean.problem, side, np.array([2.0, -8.0])) + np.array([side * 2.0, 0, 0])
    a, b = np.round(project(foot, pose.vector, clean.problem.camera)).astype(int)
    cv2.line(rgb, (int(a[0]), int(a[1])), (int(b[0]), int(b[1])), (0, 0, 0), 4)
    found, _ = _fit(rgb)
    assert abs(_depth_error(found)) < min(3.5, 2.5 * float(np.sqrt(found.covariance[7, 7])))  # were it taken: 13 mm


def test_a_side_that_is_hidden_is_left_out() -> None:
    rgb = render(WORLD)
    clean, pose = _fit(rgb)
    top = adjust.side_line(clean.q, clean.problem, 1, np.array([0.5, -9.0]))
    at = np.round(project(top, pose.vector, clean.problem.camera)).astype(int)
    x, y0, y1 = int(at[:, 0].mean()), int(at[0, 1]), int(at[1, 1])
    rgb[y0:y1, x - 40 : x + 40] = rgb[y0:y1, x - 41 : x - 40]
    found, _ = _fit(rgb)
    assert found.sides[1] == 0
    assert found.covariance[7, 7] > 2 * clean.covariance[7, 7]
