"""Lens, pose and places of a board on the bed, as a linear least squares about a state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Linear:
    """The problem about a state: what pixels ask for, and what is known beforehand.

    Attributes
    ----------
    matrix, side
        (count, count) J'J and (count,) J'r of the pixels.
    known, pull
        (count, count) and (count,) the same of the priors, in standard deviations.
    pixels, misfit
        Sums of squares of the residuals (px^2) and of what the priors miss.
    residuals
        (n, 2) found minus projected, per photo.
    together
        (count, count) variance of J'e for errors of unit variance (see `ties`).
    jacobian, whole
        (m, count) d(projected) / d(parameter) and (m,) residuals of the corners that count.
    """

    matrix: Array
    side: Array
    known: Array
    pull: Array
    pixels: float
    misfit: float
    residuals: list[Array]
    together: Array
    jacobian: Array
    whole: Array

    def normal(self, variance: float) -> tuple[Array, Array]:
        """Return (count, count) and (count,) of the normal equations."""
        return self.matrix / variance + self.known, self.side / variance + self.pull

    def noise(self, variance: float, least: float) -> tuple[float, float]:
        """Return the variance of a pixel by itself, at the least so much.

        And how many times as much of it gets into the fit as if pixels were independent: 1 where
        neighbours share nothing, up to 2 where all that is fitted varies slowly. What gets into the
        fit is left in the residuals less.
        """
        inverse = np.linalg.inv(self.normal(variance)[0])
        taken, alone = (
            float((inverse * each).sum()) / variance for each in (self.together, self.matrix)
        )
        degrees = max(len(self.whole) - taken, 1.0)
        return max(self.pixels / degrees, least), taken / alone

    def scatter(self, variance: float, alone: float, shared: float) -> Array:
        """Return (count, count) the covariance of what is fitted (a sandwich)."""
        inverse = np.linalg.inv(self.normal(variance)[0])
        noise = (alone * self.together + shared * self.matrix) / variance**2
        return np.asarray(inverse @ (noise + self.known) @ inverse)

    def cost(self, variance: float) -> float:
        """Return the sum of squares, in standard deviations."""
        return self.pixels / variance + self.misfit
