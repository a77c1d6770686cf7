"""Weak knowledge that keeps the fit where the picture alone would let it slip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.register.scene import Setting, State, pairs

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
# The slow variation of the burn within a layer: some tenths.
UNEVEN = 0.15
# What no burn goes beyond. A strength of 1 sends no light back; light marks may send much more.
_SIGMA_RANGE_PX = (0.35, 4.0)
_THINNEST_MM = 0.02
STRONGEST = 1.0
_STRENGTH_RANGE = (-20.0, STRONGEST)
_OVERLAP_RANGE = (-0.5, 1.5)
_SURVIVAL_RANGE = (-1.0, 4.0)
# Exchange rate between priors and pixels: the variance of a grey level, squared levels.
_NOISE2 = 4.0
UNEVEN_STRENGTH = _NOISE2 / UNEVEN**2


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
    count = len(setting.maps)
    values: list[float] = []
    sigma: list[float] = []
    layers = list(zip(state.poses, setting.turns, strict=True))
    for pose, turn in layers[: 1 if setting.tied else None]:
        values.extend([0.0, 0.0, (turn - pose.angle_rad) * setting.scale_mm])
        sigma.extend([np.inf, np.inf, _TURN_PRIOR * setting.scale_mm])
    values.append(SIGMA_PX[0] / binning - state.sigma_px)
    sigma.append(SIGMA_PX[1] / binning)
    for half, nominal in zip(state.half_width_mm, setting.nominal_half_mm, strict=True):
        values.append(nominal - half)
        sigma.append(_HALF_WIDTH_PRIOR_MM)
    for lean in state.lean_mm:
        values.extend([-lean[0], -lean[1]])
        sigma.extend([_LEAN_PRIOR_MM] * 2)
    first = [len(values)]
    for amplitude in state.amplitude:
        # The burn's groups follow below; its slopes lie round nothing.
        values.extend([0.0] * (len(amplitude) - 2) + list(-amplitude[-2:]))
        sigma.extend([np.inf] * (len(amplitude) - 2) + [_BURN_PRIOR] * 2)
        first.append(len(values))
    for value in state.overlap:
        values.append(OVERLAP[0] - float(value))
        sigma.append(OVERLAP[1])
    values.extend([0.0] * len(state.light))
    sigma.extend([np.inf] * len(state.light))
    values.append(_SURVIVAL_PRIOR[0] - state.survival)
    sigma.append(_SURVIVAL_PRIOR[1])
    size = len(values)
    own = np.diag(1 / np.array(sigma)), np.array(values) / np.array(sigma)
    keep = np.isfinite(sigma)
    rows, misfit = [*own[0][keep]], [*own[1][keep]]
    mean = np.zeros((count, size))
    for index, amplitude in enumerate(state.amplitude):
        groups = len(amplitude) - 2
        part = slice(first[index], first[index] + groups)
        mean[index, part] = 1 / groups
        burn = amplitude[:-2]
        away = np.zeros((groups, size))
        away[:, part] = np.eye(groups) - 1 / groups
        spread = _BURN_PRIOR * abs(setting.level)
        rows.extend(away / spread)
        misfit.extend((burn.mean() - burn) / spread)
    for i, j in pairs(count):
        if setting.absent in (i, j):
            continue
        spread = _LAYERS_PRIOR * abs(setting.level)
        rows.append((mean[i] - mean[j]) / spread)
        misfit.append((state.amplitude[j][:-2].mean() - state.amplitude[i][:-2].mean()) / spread)
    scale = np.sqrt(_NOISE2)
    return Priors(scale * np.array(rows), scale * np.array(misfit))


def bounds(setting: Setting, state: State) -> tuple[Array, Array]:
    """Return (p,) how far each parameter may change downwards and upwards."""
    motions = 3 if setting.tied else 3 * len(setting.maps)
    value: list[float] = [0.0] * motions
    ranges: list[tuple[float, float]] = [(-np.inf, np.inf)] * motions
    value.append(state.sigma_px)
    ranges.append(_SIGMA_RANGE_PX)
    layers = zip(setting.maps, state.half_width_mm, setting.nominal_half_mm, strict=True)
    for layer, half, nominal in layers:
        low = nominal - _HALF_WIDTH_RANGE_MM
        value.append(half)
        # A line cannot be thinner than nothing; an area may end short of its edge.
        ranges.append(
            (low if layer.layer == "fill" else _THINNEST_MM, nominal + _HALF_WIDTH_RANGE_MM)
        )
    for lean in state.lean_mm:
        value.extend(lean)
        ranges.extend([(-_LEAN_RANGE_MM, _LEAN_RANGE_MM)] * 2)
    for amplitude in state.amplitude:
        value.extend(amplitude)
        ranges.extend([_STRENGTH_RANGE] * (len(amplitude) - 2) + [(-1.0, 1.0)] * 2)
    value.extend(state.overlap)
    ranges.extend([_OVERLAP_RANGE] * len(state.overlap))
    value.extend(state.light)
    ranges.extend([(-np.inf, np.inf)] * len(state.light))
    value.append(state.survival)
    ranges.append(_SURVIVAL_RANGE)
    low, high = np.array(ranges).T
    return low - value, high - value


def held(setting: Setting, state: State, free: bool) -> NDArray[np.bool_]:
    """Return (p,) which parameters stay where they are.

    The turn of a round layer, which cannot be seen; the lean of lines; blur, kerf and lean while
    the layers are far off (they would bend to hide it); and all of a layer that is left out.
    """
    count = len(setting.maps)
    out = [i == setting.absent for i in range(count)]
    motions = [
        stays or (turn and blind)
        for stays, blind in zip(out, setting.blind, strict=True)
        for turn in (False, False, True)
    ]
    halves = [not free or stays for stays in out]
    leans = [
        not free or stays or layer.layer != "fill"
        for stays, layer in zip(out, setting.maps, strict=True)
        for _ in (0, 1)
    ]
    burn = [stays for stays, a in zip(out, state.amplitude, strict=True) for _ in a]
    overlaps = [out[i] or out[j] for i, j in pairs(count)]
    rest = [False] * (len(state.light) + 1)
    first = motions[: 3 if setting.tied else None]
    return np.array([*first, not free, *halves, *leans, *burn, *overlaps, *rest])
