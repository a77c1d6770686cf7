"""How evenly a burn was burned, learned from the capture itself."""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from vision.register.dilution import earlier_noise2
from vision.register.fitted import Fit
from vision.register.scene import Burn

Array = NDArray[np.float64]

# What is known beforehand: burns vary by about a tenth, half of that or twice as much (common
# practice, no source).
_USUAL, _USUAL_FACTOR = 0.10, 1.7
_TRIED = (0.03, 0.05, 0.08, 0.12, 0.18)
_LEAST_NOISE = 0.3


def learn_burn(fit: Fit) -> Burn:
    """Return how evenly each layer of a fit was burned, and its noise.

    The gains of the cells are taken as normal about one. Each set of standard deviations is weighed
    by how likely it makes the picture with gains and parameters integrated out: parameters that
    were fitted have taken their share of what varies with them (restricted likelihood; Patterson
    and Thompson, Biometrika 58, 1971). Told is the root of the mean variance.
    """
    noise2 = max(fit.noise, _LEAST_NOISE) ** 2
    layers = len(fit.layers)
    told = fit.gains_told
    seen = np.einsum("cii->ci", told.block).max(axis=1) / noise2 * max(_TRIED) ** 2 > 1.0
    cells = np.flatnonzero(seen)
    block, pull = told.of(cells)
    away = np.array(fit.state.gain)[:, cells].T.ravel() - 1.0
    block, pull = block / noise2, (pull + block @ away) / noise2
    # By the square root of the variances: nothing has to be divided by next to nothing.
    tried = [np.array(each) for each in product(_TRIED, repeat=layers)]
    likely = np.array([_log_likelihood(block, pull, each) + _usual(each) for each in tried])
    weight = np.exp(likely - likely.max())
    variance = np.average(np.array(tried) ** 2, axis=0, weights=weight)
    earlier = earlier_noise2(fit.setting, fit.seen, fit.weight, noise2)
    return Burn(tuple(float(v) for v in np.sqrt(variance)), noise2, earlier_noise2=earlier)


def _log_likelihood(block: Array, pull: Array, uneven: Array) -> float:
    """Return the log likelihood of standard deviations, by layer, up to a constant."""
    root = np.tile(uneven, len(pull) // len(uneven))
    factor = np.linalg.cholesky(np.eye(len(root)) + root[:, None] * block * root)
    explained = np.linalg.solve(factor, root * pull)
    return float(explained @ explained / 2 - np.log(np.diag(factor)).sum())


def _usual(uneven: Array) -> float:
    """Return the log of how likely standard deviations are beforehand, up to a constant."""
    off = np.log(uneven / _USUAL) / np.log(_USUAL_FACTOR)
    return float(-off @ off / 2)
