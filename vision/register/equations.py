"""The normal equations of the joint fit, with the slow variation of the burn eliminated.

Every cell has a gain of its own for each layer. Pixels of different cells share none of them, so
the gains' block of the normal matrix falls apart into small blocks and is eliminated exactly
(Schur complement, as in bundle adjustment: Triggs et al., LNCS 1883, 2000, section 6.1). What is
left counts the gains as estimated, not as known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.register.dilution import dilution
from vision.register.model import derivatives
from vision.register.priors import held, priors
from vision.register.scene import Seen, Setting, State, places_of

Array = NDArray[np.float64]
Image = NDArray[np.float32]


# Where more pixels than this share count, leaving out the others costs more than it saves.
_MOST = 0.6


@dataclass(frozen=True, eq=False)
class Eliminated:
    """What is left of normal equations once the gains follow the parameters.

    Attributes
    ----------
    inverse
        (cells, layers, layers) inverse of the gains' own blocks.
    response, steps
        (cells, layers, p) how the gains follow the parameters, and (cells, layers) their change
        with the parameters held.
    normal, gradient
        (p, p) and (p,) of the parameters.
    """

    inverse: Array
    response: Array
    steps: Array
    normal: Array
    gradient: Array


@dataclass(frozen=True, eq=False)
class GainsTold:
    """What the pixels tell of the gains, before anything is expected of them.

    Attributes
    ----------
    block, pull
        (cells, layers, layers) and (cells, layers) J'WJ and J'Wr of the gains.
    cross
        (cells, layers, p) J'WJ between gains and parameters.
    normal, gradient
        (p, p) and (p,) of the parameters, their priors included, gains held.
    """

    block: Array
    pull: Array
    cross: Array
    normal: Array
    gradient: Array

    def eliminated(self, strength: Array, away: Array) -> Eliminated:
        """Return the equations with the gains eliminated.

        Parameters
        ----------
        strength
            (layers,) how firmly gains are held at one.
        away
            (cells, layers) what each is short of it.
        """
        inverse = np.linalg.inv(self.block + np.diag(strength))
        pull = self.pull + strength * away
        response = inverse @ self.cross
        return Eliminated(
            np.asarray(inverse, np.float64),
            response,
            np.einsum("cij,cj->ci", inverse, pull),
            self.normal - np.tensordot(self.cross, response, ((0, 1), (0, 1))),
            self.gradient - np.tensordot(response, pull, ((0, 1), (0, 1))),
        )

    def of(self, cells: NDArray[np.int64]) -> tuple[Array, Array]:
        """Return (n, n) and (n,) of the gains of some cells, all parameters following them.

        The gains stand cell by cell, layer after layer.
        """
        layers = self.block.shape[1]
        count = len(cells) * layers
        cross = self.cross[cells].reshape(count, self.cross.shape[-1])
        follow = np.linalg.solve(self.normal, np.column_stack([cross.T, self.gradient]))
        told = -cross @ follow[:, :-1]
        for index, block in enumerate(self.block[cells]):
            own = slice(index * layers, (index + 1) * layers)
            told[own, own] += block
        return told, self.pull[cells].ravel() - cross @ follow[:, -1]


@dataclass(frozen=True, eq=False)
class Equations:
    """Normal equations at one state.

    Attributes
    ----------
    columns
        (p, rows, columns) d(grey) / d(parameter) as it stands, gains held; (p, n) of those pixels
        that count where nothing but the step was wanted.
    local
        (layers, rows, columns) or (layers, n) d(grey) / d(gain of the pixel's own cell); empty
        without gains.
    normal, gradient
        (p, p) J'WJ and (p,) J'Wr with the priors, gains eliminated.
    prior
        (p, p) the priors' part of it: what the parameters' expected scatter pulls at the result.
    response
        (cells, layers, p) how the gains follow the parameters.
    pull
        (cells, layers) change of the gains with the parameters held.
    inverse
        (cells, layers, layers) inverse of the gains' own blocks.
    gains_told
        What the pixels alone tell of the gains.
    """

    columns: Image
    local: Image
    normal: Array
    gradient: Array
    prior: Array
    response: Array
    pull: Array
    inverse: Array
    gains_told: GainsTold

    def gains(self, delta: Array) -> Array:
        """Return (cells, layers) change of the gains that goes with a change of the parameters."""
        return np.asarray(self.pull - self.response @ delta)

    def effective(self, cell: NDArray[np.int64]) -> Image:
        """Return (p, rows, columns) derivatives with the gains following."""
        return self._following(self.columns, self.response, cell)

    def beside(
        self,
        extra: Image,
        residual: Image,
        weight: Image,
        cell: NDArray[np.int64],
        held: float = 0.0,
    ) -> tuple[Array, Image, Array]:
        """Return one step of further parameters, and what pixels and expectations do to it.

        The step is a Gauss-Newton step from where the fit ended, all its parameters and the gains
        following (block elimination).

        Parameters
        ----------
        extra
            (k, rows, columns) d(grey) / d(further parameter).
        residual, weight, cell
            (rows, columns) of the fit.
        held
            How firmly each is held at nothing: a grey level's variance over its own.

        Returns
        -------
        (k,) the step, (k, rows, columns) its change per grey level of a pixel, and (k, p) per unit
        of the fit's own gradient.
        """
        own = (self.local * weight).reshape(len(self.local), -1)
        cross = by_cell(own, extra.reshape(len(extra), -1), cell.ravel(), len(self.inverse))
        left = self._following(extra, self.inverse @ cross, cell)
        shared = np.tensordot(left * weight, self.columns, ((1, 2), (1, 2))).astype(np.float64)
        share = np.linalg.solve(self.normal, shared.T)
        left -= np.tensordot(share.T.astype(np.float32), self.effective(cell), 1)
        normal = np.tensordot(left * weight, extra, ((1, 2), (1, 2))).astype(np.float64)
        # As with the fit's own parameters: what no pixel sees must not make the matrix singular.
        normal += np.diag(1e-9 * np.diag(normal).max() + 1e-9 * np.diag(normal) + held)
        inverse = np.linalg.inv(normal)
        influence = np.tensordot(inverse.astype(np.float32), left * weight, 1)
        gradient = np.tensordot(extra, residual * weight, ((1, 2), (0, 1))).astype(np.float64)
        gradient -= np.einsum("cij,ci->j", cross, self.pull) + share.T @ self.gradient
        return inverse @ gradient, influence, -inverse @ share.T

    def _following(self, columns: Image, response: Array, cell: NDArray[np.int64]) -> Image:
        """Return derivatives (p, rows, columns) with the gains following as `response` says."""
        out = columns.copy()
        changes = np.ascontiguousarray(np.moveaxis(response, 0, -1), np.float32)
        for of_layer, own in zip(changes, self.local, strict=True):
            # One derivative after the other: gathered all at once they take nine times as long.
            for column, change in zip(out, of_layer, strict=True):
                column -= change[cell] * own
        return out


def normal_equations(
    setting: Setting,
    state: State,
    seen: Seen,
    weight: Image,
    *,
    free: bool,
    uneven: bool,
    step_only: bool = False,
) -> Equations:
    """Return the normal equations at a state.

    Parameters
    ----------
    weight
        (rows, columns) weights of the pixels.
    free
        Whether blur, kerf and lean may change.
    uneven
        Whether the gains may.
    step_only
        Whether derivatives are wanted of the pixels that count alone.
    """
    counts = weight > 0
    used = np.flatnonzero(counts) if counts.mean() < _MOST else slice(None)
    columns, local = derivatives(setting, state, seen, free, used if step_only else None)
    fixed = held(setting, state, free)
    columns[fixed] = 0.0
    flat, own = columns, local
    if not step_only:
        flat, own = (picture.reshape(len(picture), -1)[:, used] for picture in (columns, local))
    weighted = flat * weight.ravel()[used]
    residual = seen.residual.ravel()[used]
    normal = (weighted @ flat.T).astype(np.float64)
    gradient = (weighted @ residual).astype(np.float64)
    diluted, at = dilution(setting, state, seen, weight), places_of(setting, state).survival
    normal[at, at] -= diluted.bend
    gradient[at] -= diluted.pull
    expected = priors(setting, state)
    rows = np.where(fixed, 0.0, expected.rows)
    scatter = np.where(fixed, 0.0, expected.scatter)
    prior = scatter.T @ scatter
    normal += rows.T @ rows + np.diag(fixed.astype(np.float64))
    gradient += rows.T @ expected.misfit
    if not uneven:
        local, own = local[:0], own[:0]
    count, cells = len(local), setting.cells if uneven else 0
    cell = setting.cell.ravel()[used]
    strength = setting.burn.strength[:count]
    told = gains_told(own, flat, residual, weight.ravel()[used], cell, cells, normal, gradient)
    left = told.eliminated(strength, 1 - np.array(state.gain).T[:cells, :count])
    for of_layer, firmly in zip(np.moveaxis(left.response, 1, 0), strength, strict=True):
        prior += firmly * setting.burn.scatter * (of_layer.T @ of_layer)
    # A whisper of ridge: an amplitude that no pixel sees must not make the matrix singular.
    diagonal = np.diag(left.normal)
    return Equations(
        columns,
        local,
        left.normal + np.diag(1e-9 * diagonal.max() + 1e-9 * diagonal),
        left.gradient,
        prior,
        left.response,
        left.steps,
        left.inverse,
        told,
    )


def gains_told(
    own: NDArray[Any],
    flat: NDArray[Any],
    residual: NDArray[Any],
    weight: NDArray[Any] | float,
    cell: NDArray[np.int64],
    cells: int,
    normal: Array,
    gradient: Array,
) -> GainsTold:
    """Return what (n,) pixels tell of the gains.

    Parameters
    ----------
    own, flat
        (layers, n) derivatives by the gain of a pixel's own cell, (p, n) by the parameters.
    residual, weight, cell
        (n,) of the pixels; cells are numbered from 0.
    cells
        How many cells there are.
    normal, gradient
        (p, p) and (p,) of the parameters, gains held.
    """
    scaled = own * weight
    return GainsTold(
        by_cell(scaled, own, cell, cells),
        by_cell(scaled, residual[None], cell, cells)[:, :, 0],
        by_cell(scaled, flat, cell, cells),
        normal,
        gradient,
    )


def by_cell(
    first: NDArray[Any], second: NDArray[Any], cell: NDArray[np.int64], cells: int
) -> Array:
    """Return (cells, n, m) sums over each cell of the products of (n, p) and (m, p) pixels."""
    out = np.empty((cells, len(first), len(second)))
    for i, one in enumerate(first):
        for j, other in enumerate(second):
            out[:, i, j] = np.bincount(cell, one * other, cells)
    return out


def prior_cost(setting: Setting, state: State) -> float:
    """Return the sum of squares of all priors."""
    uneven = [float(np.sum((1 - gain) ** 2)) for gain in state.gain]
    return priors(setting, state).cost + float(setting.burn.strength @ uneven)
