"""How evenly a burn was burned, learned from the capture itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.register.equations import by_cell
from vision.register.fitted import Fit
from vision.register.scene import Burn

Array = NDArray[np.float64]

_ROUNDS = 40
# What is known beforehand counts like so many cells: burns vary by about a tenth.
_USUAL, _USUAL_CELLS = 0.10, 4.0
_LEAST, _MOST = 0.05, 0.3
_LEAST_NOISE = 0.3


def learn_burn(fit: Fit) -> Burn:
    """Return how evenly each layer of a fit was burned, and its noise.

    The gains of the cells are taken as normal about one; their variance is estimated by expectation
    and maximisation (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39, 1977) with all else held.
    """
    noise2 = max(fit.noise, _LEAST_NOISE) ** 2
    layers = len(fit.layers)
    own = fit.by_gain.reshape(layers, -1)
    scaled = own * fit.weight.ravel()
    cell, cells = fit.setting.cell.ravel(), fit.setting.cells
    told = by_cell(scaled, own, cell, cells)
    away = np.array(fit.state.gain).T - 1.0
    pull = by_cell(scaled, fit.residual.reshape(1, -1), cell, cells)[:, :, 0]
    pull += np.einsum("cij,cj->ci", told, away)
    told, pull = told / noise2, pull / noise2
    seen = np.einsum("cii->ci", told) * _MOST**2 > 1.0
    variance = np.full(layers, _USUAL**2)
    for _ in range(_ROUNDS):
        spread = np.linalg.inv(told + np.diag(1 / variance))
        mean = np.einsum("cij,cj->ci", spread, pull)
        square = mean**2 + np.einsum("cii->ci", spread)
        total = (square * seen).sum(axis=0) + _USUAL_CELLS * _USUAL**2
        variance = np.clip(total / (seen.sum(axis=0) + _USUAL_CELLS), _LEAST**2, _MOST**2)
    return Burn(tuple(float(v) for v in np.sqrt(variance)), noise2)
