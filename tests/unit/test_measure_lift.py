"""A displacement that a lifted surface would show as well."""

import numpy as np
import pytest

from vision.measure.lift import lift_instead
from vision.measure.offsets import Offset
from vision.measure.scale import Strain

# At 450 mm, 150 mm off the point below the camera, one millimetre of lift gives 0.33 mm there and
# 0.22 % of false size (similar triangles).
BY_LIFT = np.array([0.33, 0.0, 0.0])
SIGMA = np.diag([0.02, 0.02, 3e-4])


def moved(x_mm, y_mm, turn_rad=0.0):
    at = np.array([350.0, 150.0])
    return Offset(np.array([x_mm, y_mm, turn_rad]), at, SIGMA**2, np.zeros((3, 3)))


def stretched(lift_mm, sigma):
    """Return the strain of a mark at that lift, its size known to a share of sigma."""
    by_lift = np.array([0.0022, 0.0022, 0.0])
    return Strain(by_lift * lift_mm, np.eye(3) * sigma**2, np.zeros((3, 3)), by_lift, 0.1)


def test_a_displacement_away_from_below_the_camera_may_be_a_lift():
    told = lift_instead(moved(0.40, 0.01), BY_LIFT, None)
    assert told.value == pytest.approx(0.40 / 0.33, abs=1e-6)
    assert told.u95 == pytest.approx(1.96 * 0.02 / 0.33, rel=1e-3)


@pytest.mark.parametrize(
    ("x_mm", "y_mm", "turn_rad"),
    [
        (0.01, 0.01, 0.0),  # nothing that is sure
        (-0.40, 0.0, 0.0),  # toward the point below the camera
        (0.40, 0.20, 0.0),  # elsewhere
        (0.40, 0.0, 0.002),  # turned
        (1.20, 0.0, 0.0),  # farther than a bowed sheet shows
    ],
)
def test_what_no_lift_shows_is_none(x_mm, y_mm, turn_rad):
    assert lift_instead(moved(x_mm, y_mm, turn_rad), BY_LIFT, None) is None


def test_the_mark_s_size_tells_a_lift_from_a_movement():
    shift = moved(0.40, 0.0)
    assert lift_instead(shift, BY_LIFT, stretched(0.0, 2e-4)) is None
    assert lift_instead(shift, BY_LIFT, stretched(1.2, 2e-4)) is not None
    # Of a small mark the size is not known well enough.
    assert lift_instead(shift, BY_LIFT, stretched(0.0, 3e-3)) is not None
