"""How a mark is bent against its artwork, as the fit's pixels show it.

What is left beside a rigid motion and a strain is told as a polynomial of second and third degree:
a sheet that bows like a parabola (its height of second degree) is seen moved away from below the
camera by its height times its distance from there. All layers share it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.register.fitted import Fit
from vision.register.further import further_step

Array = NDArray[np.float64]

# Degrees of x and y in each term.
_POWERS = ((2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
_STRAINS = 3
# No sheet that could be burned is bent by more (standard deviation of each term at the mark's rim).
_MOST_MM = 1.0


@dataclass(frozen=True, eq=False)
class Bend:
    """How a mark is bent.

    Attributes
    ----------
    middle_mm, reach_mm
        Surface place from which places are counted, and the length that they are counted in.
    value
        (14,) coefficients, mm: those of x, then those of y, in the order of `field`.
    covariance
        (14, 14) statistical covariance.
    gaps
        (14, m) answers to fills that stop one millimetre short, as in `Fit.gap`.
    """

    middle_mm: tuple[float, float]
    reach_mm: float
    value: Array
    covariance: Array
    gaps: Array

    def field(self, points_mm: Array) -> Array:
        """Return (n, 2, 14) how surface places (n, 2) are moved per unit of each coefficient."""
        terms = _terms(*((points_mm - self.middle_mm) / self.reach_mm).T)
        out = np.zeros((len(points_mm), 2, 2 * len(terms)))
        out[:, 0, : len(terms)] = out[:, 1, len(terms) :] = np.transpose(terms)
        return out


def bend_of(fit: Fit, layers: Sequence[int]) -> Bend:
    """Return how layers of a fit (their numbers) are bent, all alike."""
    region = fit.setting.scene.region
    reach = region.reach_mm / 2
    x, y = (
        ((places - middle) / reach).astype(np.float32)
        for places, middle in zip(region.centre_places(), fit.pivot_mm, strict=True)
    )
    along_x = np.sum([fit.moves[3 * index] for index in layers], axis=0)
    along_y = np.sum([fit.moves[3 * index + 1] for index in layers], axis=0)
    strains = [along_x * x, along_y * y, (along_x * y + along_y * x) / 2]
    bends = [along * term for along in (along_x, along_y) for term in _terms(x, y)]
    told = further_step(fit, np.array([*strains, *bends], np.float32), _MOST_MM)
    own = slice(_STRAINS, None)
    return Bend(fit.pivot_mm, reach, told.value[own], told.covariance[own, own], told.gaps[own])


def _terms(x: NDArray[Any], y: NDArray[Any]) -> list[NDArray[Any]]:
    return [x**i * y**j for i, j in _POWERS]
