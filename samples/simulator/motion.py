"""Rigid motions of the bed's plane."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Motion:
    """p -> R(angle) p + shift, counter-clockwise, millimetres."""

    angle_rad: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0

    @property
    def matrix(self) -> Array:
        """The (3, 3) homogeneous matrix."""
        c, s = math.cos(self.angle_rad), math.sin(self.angle_rad)
        return np.array([[c, -s, self.x_mm], [s, c, self.y_mm], [0.0, 0.0, 1.0]])

    def apply(self, points_mm: Array) -> Array:
        """Map (..., 2) points."""
        matrix = self.matrix
        return np.asarray(points_mm @ matrix[:2, :2].T + matrix[:2, 2])

    def after(self, first: Motion) -> Motion:
        """Return this motion after another one: p -> self(first(p))."""
        shift = self.apply(np.array([first.x_mm, first.y_mm]))
        return Motion(self.angle_rad + first.angle_rad, float(shift[0]), float(shift[1]))

    def inverse(self) -> Motion:
        """Return the motion back."""
        turned = Motion(-self.angle_rad).apply(np.array([-self.x_mm, -self.y_mm]))
        return Motion(-self.angle_rad, float(turned[0]), float(turned[1]))


def about(point_mm: tuple[float, float], dx_mm: float, dy_mm: float, rotation_deg: float) -> Motion:
    """Return a turn about a point followed by a shift of that point."""
    angle = math.radians(rotation_deg)
    point = np.array(point_mm)
    shift = point + np.array([dx_mm, dy_mm]) - Motion(angle).apply(point)
    return Motion(angle, float(shift[0]), float(shift[1]))


def placed(at_mm: tuple[float, float], turn_deg: float) -> Motion:
    """Return p -> at + R(turn) p."""
    return Motion(math.radians(turn_deg), at_mm[0], at_mm[1])
