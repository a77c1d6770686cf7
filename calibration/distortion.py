"""How a lens bends a ray: from straight directions (x / z, y / z) to where the picture shows them.

Models, each with its own coefficients, in OpenCV's order and convention (`calib3d` documentation):

* brown-conrady: k1 k2 p1 p2 k3 (D. C. Brown, "Close-range camera calibration", Photogrammetric
  Engineering 37 (1971), 855-866);
* rational: the same with a denominator, k1 k2 p1 p2 k3 k4 k5 k6 (D. Claus and A. Fitzgibbon, "A
  rational function lens distortion model for general cameras", CVPR 2005);
* fisheye: the field angle t becomes t (1 + k1 t^2 + k2 t^4 + k3 t^6 + k4 t^8) (J. Kannala and S.
  Brandt, "A generic camera model and calibration method", IEEE TPAMI 28 (2006), 1335-1340).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Model = Literal["brown-conrady", "rational", "fisheye"]

# From the fewest coefficients to the most.
COEFFICIENTS: dict[Model, tuple[str, ...]] = {
    "fisheye": ("k1", "k2", "k3", "k4"),
    "brown-conrady": ("k1", "k2", "p1", "p2", "k3"),
    "rational": ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"),
}
# Room for the coefficients of any model.
ROOM = max(len(names) for names in COEFFICIENTS.values())
# So near the axis a fisheye's series says more than its quotients.
_ON_AXIS = 1e-8


@dataclass(frozen=True, eq=False)
class Distortion:
    """One way of bending.

    Attributes
    ----------
    model
        Its name.
    coefficients
        (8,) its coefficients; those that the model has no use for are zero.
    """

    model: Model
    coefficients: Array

    @cached_property
    def monotone_radius(self) -> float:
        """Largest undistorted radius (tangent of the field angle) up to which the image grows.

        Beyond it the model folds back and one pixel would belong to two rays.
        """
        if self.model == "fisheye":
            k1, k2, k3, k4 = self.coefficients[:4]
            folds = _positive_roots([9 * k4, 7 * k3, 5 * k2, 3 * k1, 1.0])
            angle = math.sqrt(min(folds, default=math.inf))
            return math.tan(angle) if angle < math.pi / 2 else math.inf
        k1, k2, _, _, k3, k4, k5, k6 = self.coefficients
        over = np.polynomial.Polynomial([1.0, k1, k2, k3])
        under = np.polynomial.Polynomial([1.0, k4, k5, k6])
        square = np.polynomial.Polynomial([0.0, 1.0])
        # d/dr of r over(s) / under(s), s = r^2, times under^2.
        growth = (over + 2 * square * over.deriv()) * under - 2 * square * over * under.deriv()
        folds = [*_positive_roots(growth.coef[::-1]), *_positive_roots(under.coef[::-1])]
        return math.sqrt(min(folds, default=math.inf))

    def bend(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return the bent directions of straight ones, wherever the formula leads."""
        r2 = x * x + y * y
        radial, _ = self._radial(r2)
        if self.model == "fisheye":
            return x * radial, y * radial
        p1, p2 = self.coefficients[2:4]
        xy2 = 2 * x * y
        return (
            x * radial + p1 * xy2 + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + p2 * xy2,
        )

    def bend_radius(self, radius: Array) -> Array:
        """Return the bent radii of straight ones, without what a lens that sits askew adds."""
        return radius * self._radial(radius * radius)[0]

    def by_direction(self, x: Array, y: Array) -> tuple[Array, Array, Array, Array]:
        """d(xd, yd) / d(x, y) as four (n,) arrays, row by row."""
        radial, slope = self._radial(x * x + y * y)
        p1, p2 = (0.0, 0.0) if self.model == "fisheye" else self.coefficients[2:4]
        mixed = 2 * (x * y * slope + p1 * x + p2 * y)
        return (
            radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x,
            mixed,
            mixed,
            radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x,
        )

    def by_coefficient(self, x: Array, y: Array) -> Array:
        """Return (n, 2, 8) d(xd, yd) / d(coefficients); nothing where the model has no use."""
        r2 = x * x + y * y
        out = np.zeros((len(x), 2, ROOM))
        if self.model == "fisheye":
            r = np.sqrt(r2)
            angle = np.arctan(r)
            per_radius = _over(angle, r, 1.0)
            for column in range(4):
                scaled = per_radius * angle ** (2 * column + 2)
                out[:, 0, column], out[:, 1, column] = x * scaled, y * scaled
            return out
        radial, _ = self._radial(r2)
        under = 1.0 + r2 * self._poly((5, 6, 7), r2)
        for column, power in ((0, 1), (1, 2), (4, 3)):
            out[:, 0, column] = x * r2**power / under
            out[:, 1, column] = y * r2**power / under
        out[:, 0, 2] = 2 * x * y
        out[:, 1, 2] = r2 + 2 * y * y
        out[:, 0, 3] = r2 + 2 * x * x
        out[:, 1, 3] = 2 * x * y
        for column, power in ((5, 1), (6, 2), (7, 3)) if self.model == "rational" else ():
            out[:, 0, column] = -x * radial * r2**power / under
            out[:, 1, column] = -y * radial * r2**power / under
        return out

    def _radial(self, r2: Array) -> tuple[Array, Array]:
        """Return the factor of the radius, and its derivative by the squared radius."""
        if self.model == "fisheye":
            k1, k2, k3, k4 = self.coefficients[:4]
            r = np.sqrt(r2)
            t = np.arctan(r)
            t2 = t * t
            bent = t * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4))))
            by_angle = 1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4)))
            factor = _over(bent, r, 1.0)
            # On the axis the factor is 1 + (k1 - 1/3) r^2.
            return factor, _over(by_angle / (1 + r2) - factor, 2 * r2, k1 - 1 / 3)
        over = 1.0 + r2 * self._poly((0, 1, 4), r2)
        under = 1.0 + r2 * self._poly((5, 6, 7), r2)
        # On a pole, which lies beyond the lens's range, there is nothing to tell.
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = over / under
            slope = (self._slope((0, 1, 4), r2) - factor * self._slope((5, 6, 7), r2)) / under
        return factor, slope

    def _poly(self, columns: tuple[int, int, int], r2: Array) -> Array:
        a, b, c = self.coefficients[list(columns)]
        return np.asarray(a + r2 * (b + r2 * c))

    def _slope(self, columns: tuple[int, int, int], r2: Array) -> Array:
        a, b, c = self.coefficients[list(columns)]
        return np.asarray(a + r2 * (2 * b + r2 * 3 * c))


def _over(above: Array, below: Array, on_axis: float) -> Array:
    """Divide; near the axis, where both vanish, take the limit."""
    small = np.abs(below) < _ON_AXIS
    return np.asarray(np.where(small, on_axis, above / np.where(small, 1.0, below)))


def _positive_roots(coefficients: ArrayLike) -> list[float]:
    """Return the real positive roots of a polynomial, its constant last and 1.

    Sought as those of the reversed polynomial: its leading coefficient is one, however small the
    terms of the lens are.
    """
    reverse = np.roots(np.asarray(coefficients, float)[::-1])
    real = reverse[np.abs(reverse.imag) < 1e-9].real
    return [float(1 / value) for value in real if value > 1e-12]
