"""Numbers and directions in the user's words."""

from __future__ import annotations

import math

import numpy as np

from calibration.quantity import CHI2_SURELY, Quantity
from vision.result import Displacement

# What is called a movement is seen once in a thousand still jobs: quantile of the normal
# distribution as a share of the 95 % one.
ONE_SURELY = 3.29 / 1.96


def millimetres(quantity: Quantity) -> str:
    """Return "0.31 ± 0.04 mm", or "between 0.00 and 0.05 mm" for a length near zero."""
    if quantity.value is None or quantity.u95 is None:
        return f"not measured ({quantity.why})"
    if quantity.low is not None and quantity.high is not None and quantity.low <= 0.0:
        return f"at most {quantity.high:.2f} mm"
    return f"{quantity.value:.2f} ± {quantity.u95:.2f} mm"


def degrees(quantity: Quantity) -> str:
    """Return "0.40 ± 0.03 degrees counter-clockwise"."""
    if quantity.value is None or quantity.u95 is None:
        return f"not measured ({quantity.why})"
    way = "counter-clockwise" if quantity.value >= 0 else "clockwise"
    return f"{abs(quantity.value):.2f} ± {quantity.u95:.2f} degrees {way}"


def direction(dx_mm: float, dy_mm: float) -> str:
    """Return the direction of a shift on the bed: right, left, to the back, to the front."""
    across = "right" if dx_mm > 0 else "left"
    along = "to the back" if dy_mm > 0 else "to the front"
    if abs(dx_mm) >= 3 * abs(dy_mm):
        return across
    if abs(dy_mm) >= 3 * abs(dx_mm):
        return along
    return f"{across} and {along}"


def seen_to_differ(displacement: Displacement | None) -> bool:
    """Tell whether a displacement is surely not nothing, in shift or in turn."""
    if displacement is None or not displacement.measured:
        return False
    statistical, systematic = (
        displacement.covariance_statistical,
        displacement.covariance_systematic,
    )
    if statistical is None or systematic is None:
        return displacement.worst_mm.interval[0] > 0.0
    vector = np.array(
        [
            displacement.dx_mm.value,
            displacement.dy_mm.value,
            math.radians(displacement.rotation_deg.value or 0.0),
        ]
    )
    return float(vector @ np.linalg.solve(statistical + systematic, vector)) > CHI2_SURELY


def turned(displacement: Displacement | None) -> bool:
    """Tell whether a displacement surely has a turn in it."""
    if displacement is None or displacement.rotation_deg.value is None:
        return False
    rotation = displacement.rotation_deg
    return abs(rotation.value or 0.0) > ONE_SURELY * (rotation.u95 or 0.0)
