"""Where the artwork should lie: p_bed = at + R(turn) (p_page - anchor)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.errors import WitmarkError

# Anchor names: place in the artwork's box as fractions of its width and height.
ANCHORS: dict[str, tuple[float, float]] = {
    "centre": (0.5, 0.5),
    "lower-left": (0.0, 0.0),
    "lower-right": (1.0, 0.0),
    "upper-left": (0.0, 1.0),
    "upper-right": (1.0, 1.0),
    "left": (0.0, 0.5),
    "right": (1.0, 0.5),
    "bottom": (0.5, 0.0),
    "top": (0.5, 1.0),
}


@dataclass(frozen=True)
class Rigid:
    """A rigid motion of the plane: p -> R(angle) p + shift.

    Attributes
    ----------
    x_mm, y_mm
        The shift in millimetres.
    angle_rad
        Counter-clockwise angle in radians.
    mirrored
        Whether x is negated first (p -> R(angle) diag(-1, 1) p + shift).
    """

    x_mm: float
    y_mm: float
    angle_rad: float
    mirrored: bool = False

    @property
    def matrix(self) -> NDArray[np.float64]:
        """The (2, 2) matrix of the motion."""
        c, s = math.cos(self.angle_rad), math.sin(self.angle_rad)
        rotation = np.array([[c, -s], [s, c]])
        return rotation @ np.diag([-1.0, 1.0]) if self.mirrored else rotation

    @property
    def shift_mm(self) -> NDArray[np.float64]:
        """The (2,) shift."""
        return np.array([self.x_mm, self.y_mm])

    def apply(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map (n, 2) points."""
        return np.asarray(points_mm @ self.matrix.T + self.shift_mm)

    def invert(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map (n, 2) points back."""
        return np.asarray((points_mm - self.shift_mm) @ self.matrix)


def bed_from_page(
    box_mm: tuple[float, float, float, float],
    at_mm: tuple[float, float],
    turn_deg: float,
    anchor: str | None,
    mirror: bool,
) -> Rigid:
    """Return the motion that puts the artwork on the bed where it should be.

    Parameters
    ----------
    box_mm
        The artwork's box on the page (x_min, y_min, x_max, y_max).
    at_mm
        Bed place of the anchor; of the page origin where `anchor` is None.
    turn_deg
        Counter-clockwise turn about the anchor, degrees.
    anchor
        One of ANCHORS, or None for the page origin.
    mirror
        Artwork mirrored left to right within its box, as on a stamp or the back of glass.
    """
    point = anchor_point(box_mm, anchor, mirror)
    turned = Rigid(0.0, 0.0, math.radians(turn_deg), mirror)
    shift = np.array(at_mm) - turned.matrix @ point
    return Rigid(float(shift[0]), float(shift[1]), turned.angle_rad, mirror)


def anchor_point(
    box_mm: tuple[float, float, float, float], anchor: str | None, mirror: bool
) -> NDArray[np.float64]:
    """Return the page's point that lies at the told place, (x, y) in mm."""
    x_min, y_min, x_max, y_max = box_mm
    if anchor is None:
        point = np.zeros(2)
    elif anchor in ANCHORS:
        across, up = ANCHORS[anchor]
        point = np.array([x_min + across * (x_max - x_min), y_min + up * (y_max - y_min)])
    else:
        raise WitmarkError(
            f"--anchor {anchor}", "is not a place of the box", f"use one of {', '.join(ANCHORS)}"
        )
    # Mirroring happens within the box: the mirrored artwork keeps its box on the page, so the
    # linear part carries x -> (x_min + x_max) - x.
    if mirror:
        point = np.array([x_min + x_max - point[0], point[1]])
    return point
