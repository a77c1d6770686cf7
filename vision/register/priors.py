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
# less so.
_BURN_PRIOR = 0.25
_LAYERS_PRIOR = 0.5
# Of marks lighter than the ground a second layer adds less than its own to a first one.
_LIGHTER_OVERLAP = (0.85, 0.2)
_LEAST_OVERLAP_SIGMA = 0.08
# Turns stay near the start's (rad).
_TURN_PRIOR = 0.05
_SURVIVAL_PRIOR = (1.0, 0.5)
# A beam's edge is soft by a few hundredths of a millimetre, or sharp (common practice, no source).
_SOFT_PRIOR_MM = (0.04, 0.04)
_SOFT_RANGE_MM = (0.0, 0.12)
# What no burn goes beyond. A strength of 1 sends no light back; light marks may send much more.
_SIGMA_RANGE_PX = (0.35, 4.0)
_THINNEST_MM = 0.02
STRONGEST = 1.0
_STRENGTH_RANGE = (-20.0, STRONGEST)
_OVERLAP_RANGE = (-0.5, 1.0)
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
    scatter
        (k, p) the rows again, times how much more than its pull an expectation may be off.
    """

    rows: Array
    misfit: Array
    scatter: Array

    @property
    def cost(self) -> float:
        """Sum of squares."""
        return float(self.misfit @ self.misfit)


def expected_overlap(level: float) -> tuple[float, float]:
    """Return what to expect of the overlap of two layers of a strength, and its uncertainty.

    A burn saturates, so that a second layer adds to a first one less than its own (1), at most all
    of it (0). What both leave cannot be less than no light, so that dark layers overlap at least by
    (2 A - 1) / A. Without this an outline on the very edge of a fill has a second, wrong minimum a
    fraction of a millimetre away.
    """
    if level <= 0:
        return _LIGHTER_OVERLAP
    least = max(0.0, (2 * level - 1) / level)
    # As wide as if every value in between were as likely as the others.
    return (1 + least) / 2, max((1 - least) * 12**-0.5, _LEAST_OVERLAP_SIGMA)


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
    overlap, spread = expected_overlap(setting.level)
    misfit[at.overlap], sigma[at.overlap] = overlap - state.overlap, spread
    misfit[at.survival] = _SURVIVAL_PRIOR[0] - state.survival
    sigma[at.survival] = _SURVIVAL_PRIOR[1]
    misfit[at.soft] = _SOFT_PRIOR_MM[0] - state.soft_mm
    sigma[at.soft] = _SOFT_PRIOR_MM[1] / setting.burn.soft_held
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
    together = scale * np.array(rows)
    looser = np.ones(at.size)
    looser[at.soft] = setting.burn.soft_held
    return Priors(together, scale * np.array(misfits), together * looser)


def most_unexpected(setting: Setting, state: State) -> float:
    """Return by how many standard deviations the most unexpected width or lean is off."""
    half = np.abs(np.array(state.half_width_mm) - setting.nominal_half_mm).max()
    lean = np.abs(state.lean_mm).max()
    return float(max(half / _HALF_WIDTH_PRIOR_MM, lean / _LEAN_PRIOR_MM))


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
    limit(at.soft, state.soft_mm, *_SOFT_RANGE_MM)
    return low, high


def held(setting: Setting, state: State, free: bool) -> NDArray[np.bool_]:
    """Return (p,) which parameters stay where they are.

    The turn of a round layer, which cannot be seen; the lean of lines; blur, softness, kerf and
    lean while the layers are far off (they would bend to hide it); all of a layer that is left out.
    """
    count, at = len(setting.maps), places_of(setting, state)
    stays = np.zeros(at.size, np.bool_)
    out = np.arange(count) == setting.absent
    lines = np.array([layer.layer != "fill" for layer in setting.maps])
    motions = np.repeat(out, 3)
    motions[2::3] |= np.array(setting.blind)
    stays[at.motions] = motions[: at.motions.stop]
    stays[[at.blur, at.soft]] = not free
    stays[at.half] = out | (not free)
    stays[at.lean] = np.repeat(out | lines | (not free), 2)
    for part, absent in zip(at.burn, out, strict=True):
        stays[part] = absent
    stays[at.overlap] = [bool(out[i] or out[j]) for i, j in pairs(count)]
    return stays
