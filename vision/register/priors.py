"""Weak knowledge that keeps the fit where the picture alone would let it slip."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.register.scene import Setting, State, pairs

Array = NDArray[np.float64]

# Blur and kerf trade against each other where the picture cannot tell (they are symmetric and
# hardly touch the position): blur sigma 1.0 +- 0.5 px, half-width +- 0.05 mm round the nominal.
SIGMA_PX = (1.0, 0.5)
_HALF_WIDTH_PRIOR_MM = 0.05
HALF_WIDTH_RANGE_MM = 0.3
# A hatch ends short of an edge along its strokes by up to its spacing; an outline has no lean.
_LEAN_PRIOR_MM = 0.03
_HELD_LEAN_MM = 1e-5
LEAN_RANGE_MM = 0.15
# Features of one layer are burned alike unless the picture says otherwise; and two layers that
# overlap give something between the stronger of them (1) and their sum (0). Without this an outline
# on the very edge of a fill has a second, wrong minimum a fraction of a millimetre away.
_BURN_PRIOR = 0.25
OVERLAP = (0.6, 0.3)
# Turns stay near the start's (rad); that of a round layer, which cannot be seen, is held.
_TURN_PRIOR = 0.05
_HELD_TURN = 1e-5
_SURVIVAL_PRIOR = (1.0, 0.5)
# Exchange rate between priors and pixels: the variance of a grey level, squared levels.
_NOISE2 = 4.0


def priors(setting: Setting, state: State) -> tuple[Array, Array]:
    """Return the weight of the prior on each parameter, and how far the parameter is from it."""
    binning = setting.scene.region.bin
    strength: list[float] = []
    misfit: list[float] = []
    layers = zip(state.poses, setting.turns, setting.blind, strict=True)
    for pose, turn, blind in list(layers)[: 1 if setting.tied else None]:
        spread = _HELD_TURN if blind else _TURN_PRIOR
        strength.extend([0.0, 0.0, (spread * setting.scale_mm) ** -2])
        misfit.extend([0.0, 0.0, (turn - pose.angle_rad) * setting.scale_mm])
    strength.append((binning / SIGMA_PX[1]) ** 2)
    misfit.append(SIGMA_PX[0] / binning - state.sigma_px)
    for half, nominal in zip(state.half_width_mm, setting.nominal_half_mm, strict=True):
        strength.append(_HALF_WIDTH_PRIOR_MM**-2)
        misfit.append(nominal - half)
    for layer, lean in zip(setting.maps, state.lean_mm, strict=True):
        spread = _LEAN_PRIOR_MM if layer.layer == "fill" else _HELD_LEAN_MM
        strength.extend([spread**-2] * 2)
        misfit.extend([-lean[0], -lean[1]])
    typical = []
    for values in state.amplitude:
        burn = values[:-2]
        middle = float(np.median(burn))
        typical.append(middle)
        strength.extend([(_BURN_PRIOR * abs(middle) + 0.05) ** -2] * len(values))
        misfit.extend(np.append(middle - burn, -values[-2:]))
    for (i, j), value in zip(pairs(len(typical)), state.overlap, strict=True):
        smaller = min(typical[i], typical[j], key=abs)
        strength.append((OVERLAP[1] * abs(smaller) + 0.02) ** -2)
        misfit.append(OVERLAP[0] * smaller - value)
    strength.extend([0.0] * len(state.light))
    misfit.extend([0.0] * len(state.light))
    strength.append(_SURVIVAL_PRIOR[1] ** -2)
    misfit.append(_SURVIVAL_PRIOR[0] - state.survival)
    return _NOISE2 * np.array(strength), np.array(misfit)
