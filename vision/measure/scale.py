"""How much longer a mark is than its artwork along X and Y of the surface, how far out of square.

A sheet that lies higher than stated is nearer to the camera and looks larger alike in all
directions: from one capture that cannot be told from a mark that was burned larger.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.plane import PlaneSurface
from calibration.quantity import CHI2_SURELY, K95, Quantity
from vision.artwork.strokes import Layer
from vision.measure.budget import Assumptions
from vision.register.mark import Mark
from vision.register.strain import stretch_of

Array = NDArray[np.float64]

# A mark that is known no better than this says nothing of its size.
_TELLS = 0.05
_TOO_SMALL = "the mark is too small to tell"
# Quantile of chi-square with two degrees of freedom, one in a thousand.
_SURELY_NOT_LIFT = 13.82
# No sheet is that far from where it should be.
_TELLS_MM = 10.0


@dataclass(frozen=True, eq=False)
class Strain:
    """How a layer is stretched.

    Attributes
    ----------
    value
        (3,) how much longer along X, along Y (shares), and by how much less than a right angle X
        and Y are apart (rad).
    statistical, systematic
        (3, 3) its covariances, that by the height of the surface left out.
    by_lift
        (3,) what a surface that lies one millimetre higher than stated does to it.
    height_sigma_mm
        Standard uncertainty of that height.
    """

    value: Array
    statistical: Array
    systematic: Array
    by_lift: Array
    height_sigma_mm: float

    @property
    def covariance(self) -> Array:
        """(3, 3) covariance of everything."""
        by_height = np.outer(self.by_lift, self.by_lift) * self.height_sigma_mm**2
        return np.asarray(self.statistical + self.systematic + by_height)

    @property
    def chi2(self) -> float:
        """How far this is from nothing (three degrees of freedom)."""
        return _chi2(self.value, self.covariance)

    @property
    def lift_mm(self) -> Quantity:
        """How much higher than stated the surface lies if all of it comes from that."""
        value, sigma = self._lift
        if K95 * sigma > _TELLS_MM:
            return Quantity.missing(_TOO_SMALL)
        return Quantity.from_sigma(value, sigma)

    @property
    def beside_lift_chi2(self) -> float:
        """How far it is from what a lift alone would do (two degrees of freedom)."""
        left = self.value - self.by_lift * self._lift[0]
        return _chi2(left, self.statistical + self.systematic)

    @property
    def _lift(self) -> tuple[float, float]:
        weighed = np.linalg.solve(self.statistical + self.systematic, self.by_lift)
        told = float(weighed @ self.by_lift)
        return float(weighed @ self.value) / told, told**-0.5

    @property
    def surely(self) -> bool:
        """Whether this is surely not nothing."""
        return self.chi2 > CHI2_SURELY

    @property
    def looks_lifted(self) -> bool:
        """Whether the mark is surely larger or smaller, by what a lift would do and no more."""
        return self.surely and self.beside_lift_chi2 < _SURELY_NOT_LIFT

    @property
    def quantities(self) -> dict[str, Quantity]:
        """As in the report: per cent and degrees."""
        unit = {"x_percent": 100.0, "y_percent": 100.0, "skew_deg": math.degrees(1.0)}
        sigma = np.sqrt(np.diag(self.covariance))
        return {
            key: Quantity.from_sigma(factor * float(value), factor * float(own))
            if own < _TELLS
            else Quantity.missing(_TOO_SMALL)
            for (key, factor), value, own in zip(unit.items(), self.value, sigma, strict=True)
        }


def strains(
    mark: Mark,
    surface: PlaneSurface,
    points_mm: Mapping[str, Array],
    said: Assumptions,
    layers: Sequence[Layer],
) -> dict[str, Strain]:
    """Return how layers are stretched against their artwork, each and all together ("all").

    Parameters
    ----------
    mark
        The measured mark.
    surface
        The after capture's map.
    points_mm
        (n, 2) places of each layer's strokes.
    said
        What was typed or assumed of height and hatch.
    layers
        Those that are believed; nothing is returned where there is none.
    """
    if not layers:
        return {}
    found = stretch_of(mark.fit, [list(mark.layers).index(name) for name in layers])
    hatch = found.gaps @ found.gaps.T * said.hatch_mm**2 / 12
    takes: dict[str, Array] = {
        name: np.eye(len(found.value))[3 * index : 3 * index + 3]
        for index, name in enumerate(layers)
    }
    takes["all"] = found.together
    every = np.concatenate([points_mm[name] for name in layers])
    out = {}
    for name, take in takes.items():
        points = points_mm.get(name, every)
        by_height = strain_response(surface.height_jacobian_mm(points)[:, :, None], points)
        out[name] = Strain(
            take @ found.value,
            take @ found.covariance @ take.T,
            take @ hatch @ take.T + _of_map(surface, points),
            -by_height[:, 0],
            said.height_sigma_mm,
        )
    return out


def _of_map(surface: PlaneSurface, points_mm: Array) -> Array:
    """Return the (3, 3) covariance that the calibration gives a strain."""
    response = strain_response(surface.calibration_jacobian_mm(points_mm), points_mm)
    return np.asarray(response @ surface.calibration_covariance @ response.T)


def _chi2(value: Array, covariance: Array) -> float:
    return float(value @ np.linalg.solve(covariance, value))


def strain_response(moves_mm: Array, points_mm: Array) -> Array:
    """Return (3, p) the strain that fits moves (n, 2, p) of points (n, 2) best, beside a motion."""
    flat = moves_mm.reshape(-1, moves_mm.shape[2])
    response, *_ = np.linalg.lstsq(affine_moves(points_mm).reshape(-1, 6), flat, rcond=None)
    return np.asarray(response[3:])


def affine_moves(points_mm: Array) -> Array:
    """Return (n, 2, 6) how shift, turn and strain about their middle move points (n, 2)."""
    x, y = (points_mm - points_mm.mean(axis=0)).T
    one, none = np.ones_like(x), np.zeros_like(x)
    return np.stack(
        [
            np.stack([one, none, -y, x, none, y / 2], axis=1),
            np.stack([none, one, x, none, y, x / 2], axis=1),
        ],
        axis=1,
    )
