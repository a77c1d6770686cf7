"""Whether a fill looks like two of its kind side by side: the directions of its hatch lie apart.

Both directions of a cross-hatched fill cover all of it. Where the work moved between them no part
of the fill is missing and none lies elsewhere than the rest; only its edges are softer across the
movement than along it. To second order, two copies of shares p and 1 - p that lie d apart look like
one that is blurred by the tensor p (1 - p) d d'; the camera's own blur is alike in all directions.
A score test (Rao, Proc. Camb. Phil. Soc. 44, 1948): the tensor's unlikeness is one further step of
the fit from where it ended, everything else following.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.register.fitted import Fit
from vision.register.model import second_moments
from vision.register.region import Region
from vision.register.uncertain import burn_covariance, coloured_covariance

Array = NDArray[np.float64]

# Of copies about 0.28 mm apart.
_EXPECTED_MM2 = 0.02


@dataclass(frozen=True, eq=False)
class Doubling:
    """How much more a fill is blurred one way than across it.

    Attributes
    ----------
    unlike_mm2
        (2,) blur along x less that along y, and along the rising less that along the falling
        diagonal of the surface, mm^2.
    covariance
        (2, 2) its statistical covariance, mm^4.
    """

    unlike_mm2: Array
    covariance: Array

    @property
    def apart_mm(self) -> float:
        """How far two equal copies would lie apart that look like this.

        What the fill's edges cannot tell (diagonals of a rectangle) counts as far as it is likely.
        """
        expected = np.eye(2) * _EXPECTED_MM2**2
        likely = expected @ np.linalg.solve(expected + self.covariance, self.unlike_mm2)
        return 2 * math.sqrt(float(np.hypot(*likely)))

    def chi2(self, smear_mm2: float) -> float:
        """Return how far this is from nothing (two degrees of freedom).

        Parameters
        ----------
        smear_mm2
            Standard deviation of what the camera itself does (its own motion, astigmatism).
        """
        doubt = self.covariance + np.eye(2) * smear_mm2**2
        return float(self.unlike_mm2 @ np.linalg.solve(doubt, self.unlike_mm2))


def doubling(fit: Fit, index: int, region: Region) -> Doubling:
    """Measure how unlike a layer's blur is in different directions.

    Parameters
    ----------
    fit
        A fit that ended; `index` is the layer's.
    region
        Where its pixels lie.
    """
    step, influence, _ = fit.beside(second_moments(fit.setting, fit.state, fit.seen, index))
    covariance = coloured_covariance(fit, region, influence)[0] + burn_covariance(fit, influence)
    # (xx, xy, yy) -> (xx - yy, 2 xy): what is alike in all directions is the camera's blur.
    take = np.array([[1.0, 0.0, -1.0], [0.0, 2.0, 0.0]])
    return Doubling(take @ step, take @ covariance @ take.T)
