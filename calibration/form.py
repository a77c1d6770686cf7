"""The form of a machine's millimetres: axes that differ in scale and are not quite square."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def form_matrix(form: Array) -> Array:
    """Return (2, 2) right-angled millimetres from those of axes that differ in scale and angle.

    Parameters
    ----------
    form
        (2,) scale of X over that of Y less one, and the angle by which Y leans toward X (rad).
    """
    stretch, skew = form / 2
    return np.array([[1.0 + stretch, skew], [skew, 1.0 - stretch]])


def per_form(points_mm: Array) -> Array:
    """Return (n, 2, 2) d(right-angled x, y) / d(form) of (n, 2) points."""
    x, y = points_mm.T / 2
    return np.stack([np.stack([x, y], axis=1), np.stack([-y, x], axis=1)], axis=1)
