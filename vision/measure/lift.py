"""Lift or movement: a surface that lies higher than stated shows the mark away from the camera.

One capture sees them alike but for the mark's size, which grows with a lift.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import K95, Quantity
from vision.measure.offsets import Offset
from vision.measure.scale import Strain

Array = NDArray[np.float64]

# 95 % quantiles of chi-square with two and three degrees of freedom.
_CHI2_2, _CHI2_3 = 5.991, 7.815
# Thin sheets bow up by as much in the heat of a burn (common practice, no source).
_HIGHEST_MM = 3.0


def lift_instead(moved: Offset, by_lift: Array, strain: Strain | None) -> Quantity | None:
    """Return how much higher than stated a surface would lie that shows the same as a displacement.

    None where nothing is surely displaced, or no lift would show it: it points elsewhere or turns,
    it would take more than a sheet bows, or the mark's size tells otherwise.

    Parameters
    ----------
    moved
        The displacement.
    by_lift
        (3,) displacement that a surface shows which lies one millimetre higher than stated.
    strain
        How the mark is stretched; None where that is not known.
    """
    weight = np.linalg.inv(moved.covariance)
    if float(moved.vector @ weight @ moved.vector) < _CHI2_3:
        return None
    told = float(by_lift @ weight @ by_lift)
    if told <= 0:
        return None
    lift_mm, sigma_mm = float(by_lift @ weight @ moved.vector) / told, told**-0.5
    left = moved.vector - by_lift * lift_mm
    if float(left @ weight @ left) > _CHI2_2 or not 0 < lift_mm <= _HIGHEST_MM:
        return None
    by_size = None if strain is None else strain.lift_mm
    if (
        by_size is not None
        and by_size.value is not None
        and by_size.u95 is not None
        and abs(lift_mm - by_size.value) > np.hypot(K95 * sigma_mm, by_size.u95)
    ):
        return None
    return Quantity.from_sigma(lift_mm, sigma_mm)
