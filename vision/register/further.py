"""One further Gauss-Newton step from where a joint fit ended, and how sure it is.

Of parameters that the fit itself does not have, as they would make every motion less sure: all that
it has follows (block elimination).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.register.fitted import Fit
from vision.register.uncertain import burn_covariance, coloured_covariance, held_covariance

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_REWEIGH = 2


@dataclass(frozen=True, eq=False)
class Further:
    """Further parameters as the picture tells them.

    Attributes
    ----------
    value
        (k,) the step.
    covariance
        (k, k) its statistical covariance.
    gaps
        (k, m) its answers to fills that stop one millimetre short, as in `Fit.gap`.
    """

    value: Array
    covariance: Array
    gaps: Array


def further_step(fit: Fit, columns: Image, expected: float = np.inf) -> Further:
    """Return what a fit's pixels say of further parameters.

    Parameters
    ----------
    fit
        A fit that ended.
    columns
        (k, rows, columns) d(grey) / d(further parameter).
    expected
        Standard deviation of each about nothing, before anything is seen. What the picture does not
        tell then counts as uncertain by that.
    """
    region = fit.setting.scene.region
    held = fit.setting.burn.noise2 / expected**2
    weighed = fit
    for _ in range(_REWEIGH):
        # Edges that are moved far were weighed down as what no rigid motion explains.
        step, *_ = weighed.beside(columns, held)
        explained = np.tensordot(step.astype(np.float32), columns, 1)
        weighed = fit.weighed_anew(fit.residual - explained)
    step, influence, answer = weighed.beside(columns, held)
    covariance = coloured_covariance(weighed, region, influence)[0]
    covariance += burn_covariance(weighed, influence) + held_covariance(weighed, answer)
    if held > 0:
        told = np.tensordot(influence, columns, ((1, 2), (1, 2))).astype(np.float64)
        untold = expected * (np.eye(len(step)) - told)
        covariance += untold @ untold.T
    return Further(step, covariance, weighed.answers_to_gaps(influence))
