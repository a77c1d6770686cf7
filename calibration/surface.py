"""The surface hides whether the work is flat or round: after it, all is mm on the surface."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Surface(Protocol):
    """Map between image pixels (u right, v down, centres at integers) and surface mm."""

    @property
    def image_size(self) -> tuple[int, int]:
        """Width and height in pixels of the captures that the map is for."""
        ...

    def px_from_mm(self, points_mm: Array) -> Array:
        """Map (n, 2) surface mm to (n, 2) pixels; NaN where the camera cannot see the point."""
        ...

    def mm_from_px(self, points_px: Array) -> Array:
        """Map (n, 2) pixels to (n, 2) surface mm; NaN where the ray misses the surface."""
        ...

    def jacobian_px_per_mm(self, points_mm: Array) -> Array:
        """Return (n, 2, 2) d(u, v) / d(x, y) at surface points."""
        ...

    def calibration_jacobian_mm(self, points_mm: Array) -> Array:
        """Return (n, 2, p): how a measured point moves, in mm, with each parameter.

        Signed so that `mm_from_px` of a fixed pixel changes by this much per unit of parameter.
        """
        ...

    @property
    def calibration_covariance(self) -> Array:
        """(p, p) covariance of the calibration parameters (lens, pose, place of the board)."""
        ...

    def height_jacobian_mm(self, points_mm: Array) -> Array:
        """Return (n, 2): how far a measured point moves per mm of greater assumed height."""
        ...
