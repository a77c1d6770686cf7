"""Weak knowledge that keeps the fit where the picture alone would let it slip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.register.scene import Setting, State, pairs, places_of

Array = NDArray[np.float64]

# Blur and kerf trade against each other where the picture cannot tell (they are symmetric and
# hardly touch the position): blur sigma 1.0 +- 0.5 px, half-width +- 0.03 mm round the nominal.
SIGMA_PX = (1.0, 0.5)
_HALF_WIDTH_PRIOR_MM = 0.03
_HALF_WIDTH_RANGE_MM = 0.3
# A hatch ends short of an edge along its strokes by up to its spacing; an outline has no lean.
_LEAN_PRIOR_MM = 0.03
_LEAN_RANGE_MM = 0.15
# Features of one layer are burned alike unless the picture says otherwise, and so are the layers,
# less so; a burn saturates, so that a second layer adds to a first one less than its own (1), at
# most all of it (0). Without this an outline on the very edge of a fill has a second, wrong minimum
# a fraction of a millimetre away.
_BURN_PRIOR = 0.25
_LAYERS_PRIOR = 0.5
OVERLAP = (0.7, 0.3)
# Turns stay near the start's (rad).
_TURN_PRIOR = 0.05
_SURVIVAL_PRIOR = (1.0, 0.5)
# What no burn goes beyond. A strength of 1 sends no light back; light marks may send much more.
_SIGMA_RANGE_PX = (0.35, 4.0)
_THINNEST_MM = 0.02
STRONGEST = 1.0
_STRENGTH_RANGE = (-20.0, STRONGEST)
_OVERLAP_RANGE = (-0.5, 1.5)
_SURVIVAL_RANGE = (-1.0, 4.0)


@dataclass(frozen=True, eq=False)
class Priors:
    """Rows of a linear least squares beside the pixels'.

    Attributes
    ----------
    rows
        (k, p) d(quantity) / d(parameter), divided by the standard uncertainty.
    misfit
        (k,) what is expected minus what the state has, likewise.
    """

    rows: Array
    misfit: Array

    @property
    def cost(self) -> float:
        """Sum of squares."""
        return float(self.misfit @ self.misfit)


def priors(setting: Setting, state: State) -> Priors:
    """Return what is expected of the parameters, in the order of `model.derivatives`."""
    binning = setting.scene.region.bin
    count, at = len(setting.maps), places_of(setting, state)
    misfit, sigma = np.zeros(at.size), np.full(at.size, np.inf)
    turns = np.arange(at.size)[at.motions][2::3]
    away_rad = [turn - p.angle_rad for p, turn in zip(state.poses, setting.turns, strict=True)]
    misfit[turns] = np.array(away_rad[: len(turns)]) * setting.scale_mm
    sigma[turns] = _TURN_PRIOR * setting.scale_mm
    misfit[at.blur], sigma[at.blur] = SIGMA_PX[0] / binning - state.sigma_px, SIGMA_PX[1] / binning
    misfit[at.half] = np.array(setting.nominal_half_mm) - state.half_width_mm
    sigma[at.half] = _HALF_WIDTH_PRIOR_MM
    misfit[at.lean], sigma[at.lean] = -np.array(state.lean_mm).ravel(), _LEAN_PRIOR_MM
    for part, amplitude in zip(at.burn, state.amplitude, strict=True):
        # The strengths of the groups follow below; their slopes lie round nothing.
        slopes = slice(part.stop - 2, part.stop)
        misfit[slopes], sigma[slopes] = -amplitude[-2:], _BURN_PRIOR
    misfit[at.overlap], sigma[at.overlap] = OVERLAP[0] - state.overlap, OVERLAP[1]
    misfit[at.survival] = _SURVIVAL_PRIOR[0] - state.survival
    sigma[at.survival] = _SURVIVAL_PRIOR[1]
    keep = np.isfinite(sigma)
    rows, misfits = [*np.diag(1 / sigma)[keep]], [*(misfit / sigma)[keep]]
    mean = np.zeros((count, at.size))
    for index, (part, amplitude) in enumerate(zip(at.burn, state.amplitude, strict=True)):
        burn = amplitude[:-2]
        strengths = slice(part.start, part.stop - 2)
        mean[index, strengths] = 1 / len(burn)
        away = np.zeros((len(burn), at.size))
        away[:, strengths] = np.eye(len(burn)) - 1 / len(burn)
        spread = _BURN_PRIOR * abs(setting.level)
        rows.extend(away / spread)
        misfits.extend((burn.mean() - burn) / spread)
    for i, j in pairs(count):
        if setting.absent in (i, j):
            continue
        spread = _LAYERS_PRIOR * abs(setting.level)
        rows.append((mean[i] - mean[j]) / spread)
        misfits.append((state.amplitude[j][:-2].mean() - state.amplitude[i][:-2].mean()) / spread)
    scale = np.sqrt(setting.burn.noise2)
    return Priors(scale * np.array(rows), scale * np.array(misfits))


def bounds(setting: Setting, state: State) -> tuple[Array, Array]:
    """Return (p,) how far each parameter may change downwards and upwards."""
    at = places_of(setting, state)
    low, high = np.full(at.size, -np.inf), np.full(at.size, np.inf)

    def limit(where: slice | int, value: Array | float, least: ArrayLike, most: ArrayLike) -> None:
        low[where], high[where] = np.asarray(least) - value, np.asarray(most) - value

    limit(at.blur, state.sigma_px, *_SIGMA_RANGE_PX)
    nominal = np.array(setting.nominal_half_mm)
    # A line cannot be thinner than nothing; an area may end short of its edge.
    area = np.array([layer.layer == "fill" for layer in setting.maps])
    thinnest = np.where(area, nominal - _HALF_WIDTH_RANGE_MM, _THINNEST_MM)
    limit(at.half, np.array(state.half_width_mm), thinnest, nominal + _HALF_WIDTH_RANGE_MM)
    limit(at.lean, np.array(state.lean_mm).ravel(), -_LEAN_RANGE_MM, _LEAN_RANGE_MM)
    for part, amplitude in zip(at.burn, state.amplitude, strict=True):
        limit(slice(part.start, part.stop - 2), amplitude[:-2], *_STRENGTH_RANGE)
        limit(slice(part.stop - 2, part.stop), amplitude[-2:], -1.0, 1.0)
    limit(at.overlap, state.overlap, *_OVERLAP_RANGE)
    limit(at.survival, state.survival, *_SURVIVAL_RANGE)
    return low, high


def held(setting: Setting, state: State, free: bool) -> NDArray[np.bool_]:
    """Return (p,) which parameters stay where they are.

    The turn of a round layer, which cannot be seen; the lean of lines; blur, kerf and lean while
    the layers are far off (they would bend to hide it); and all of a layer that is left out.
    """
    count, at = len(setting.maps), places_of(setting, state)
    stays = np.zeros(at.size, np.bool_)
    out = np.arange(count) == setting.absent
    lines = np.array([layer.layer != "fill" for layer in setting.maps])
    motions = np.repeat(out, 3)
    motions[2::3] |= np.array(setting.blind)
    stays[at.motions] = motions[: at.motions.stop]
    stays[at.blur] = not free
    stays[at.half] = out | (not free)
    stays[at.lean] = np.repeat(out | lines | (not free), 2)
    for part, absent in zip(at.burn, out, strict=True):
        stays[part] = absent
    stays[at.overlap] = [bool(out[i] or out[j]) for i, j in pairs(count)]
    return stays
