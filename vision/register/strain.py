"""How layers are stretched against their artwork, as the fit's pixels show it.

A small strain of a layer's strokes about the pivot is one further Gauss-Newton step of the joint
fit from where it ended, everything else following. Where it is surely not nothing the surface is
stretched by what all layers have in common and fitted again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import CHI2_SURELY
from vision.register.fit import fit_layers
from vision.register.fitted import Fit
from vision.register.further import further_step

Array = NDArray[np.float64]

_REFIT = 3


@dataclass(frozen=True, eq=False)
class Stretch:
    """Strains of some layers.

    Attributes
    ----------
    value
        (3 n,) by layer: how much longer along X and along Y of the surface (shares), and by how
        much less than a right angle X and Y are apart (rad).
    covariance
        (3 n, 3 n) its statistical covariance.
    gaps
        (3 n, m) its answers to fills that stop one millimetre short, as in `Fit.gap`.
    """

    value: Array
    covariance: Array
    gaps: Array

    @property
    def together(self) -> Array:
        """(3, 3 n) the weights by which the layers' strains make the best common one."""
        same = np.tile(np.eye(3), (len(self.value) // 3, 1))
        weighed = np.linalg.solve(self.covariance, same).T
        return np.asarray(np.linalg.solve(weighed @ same, weighed))


def stretch_of(fit: Fit, layers: Sequence[int]) -> Stretch:
    """Return how layers of a fit (their numbers) are stretched."""
    found, common = _step(fit, layers), np.zeros(3)
    for _ in range(_REFIT):
        take = found.together
        left = take @ found.value
        if left @ np.linalg.solve(take @ found.covariance @ take.T, left) < CHI2_SURELY:
            break
        again = _stretched(fit, common + left)
        if again is None:
            break
        common += left
        found = _step(again, layers)
    return replace(found, value=found.value + np.tile(common, len(layers)))


def _step(fit: Fit, layers: Sequence[int]) -> Stretch:
    """Return one step from where a fit ended."""
    region = fit.setting.scene.region
    x, y = (
        (places - middle).astype(np.float32)
        for places, middle in zip(region.centre_places(), fit.pivot_mm, strict=True)
    )
    columns = []
    for index in layers:
        along_x, along_y = fit.moves[3 * index], fit.moves[3 * index + 1]
        columns.extend([along_x * x, along_y * y, (along_x * y + along_y * x) / 2])
    scale = 1 / fit.motion_scale_mm
    told = further_step(fit, np.float32(scale) * np.array(columns))
    return Stretch(told.value * scale, told.covariance * scale**2, told.gaps * scale)


def _stretched(fit: Fit, strain: Array) -> Fit | None:
    """Return the fit of the same pixels with the surface stretched about the pivot."""
    setting, state = fit.setting, fit.state
    along_x, along_y, skew = strain
    back = np.linalg.inv([[1 + along_x, skew / 2], [skew / 2, 1 + along_y]])
    pivot = np.array(fit.pivot_mm)
    places = pivot + (setting.scene.region.places_mm - pivot) @ back.T
    region = replace(setting.scene.region, places_mm=places.astype(np.float32))
    return fit_layers(
        replace(setting.scene, region=region),
        setting.maps,
        state.poses,
        setting.nominal_half_mm,
        pivot_mm=setting.pivot_mm,
        start=state,
        blind=setting.blind,
        burn=setting.burn,
    )
