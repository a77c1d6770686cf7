"""Local offsets: does every part of a layer agree with the layer's rigid motion.

One Gauss-Newton step by cells: within each cell of the surface every layer gets a small shift and
a strength of its own, with weak priors for what the cell cannot tell (a straight edge tells
nothing along itself).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.register.equations import gains_told
from vision.register.fitted import Fit
from vision.register.scene import Scene

Array = NDArray[np.float64]

_SHIFT_PRIOR_MM = 0.5
_STRENGTH_PRIOR = 1.0
_LEAST_NOISE = 0.3
# Where hardly anything was burned: less than this of what is expected at most.
_BARE = 0.02
_FEWEST_BARE, _FEWEST = 30, 12
# A print covers a part of the ground, so that few cells are as bad as what spoils a mark.
_WORST_GROUND = 0.9


@dataclass(frozen=True, eq=False)
class LocalOffset:
    """The offset of one layer in one cell against the layer's rigid fit.

    Attributes
    ----------
    layer
        Index of the layer in the fit.
    cell
        Number of the cell (of the feature, where cells are features).
    place_mm
        (2,) centre of the layer's strokes in the cell.
    shift_mm
        (2,) local shift; shrunk to nothing where the cell cannot tell.
    covariance
        (2, 2) covariance of the shift, mm^2.
    strength
        Local burn strength relative to an even burn of the layer.
    strength_sigma
        Its standard uncertainty.
    energy
        Sum of squares of what an even burn would add in the cell, grey levels squared.
    """

    layer: int
    cell: int
    place_mm: Array
    shift_mm: Array
    covariance: Array
    strength: float
    strength_sigma: float
    energy: float


def local_offsets(
    scene: Scene,
    fit: Fit,
    cells: NDArray[np.int64],
    inflation: float,
) -> list[LocalOffset]:
    """Return the local offsets of all layers over cells.

    Parameters
    ----------
    scene, fit
        The fit and its pixels.
    cells
        (rows, columns) number of the cell that each pixel belongs to; negative: none.
    inflation
        Ratio of the real to the white-noise variance (colour of the residuals).
    """
    x, y = scene.region.centre_places()
    count = len(fit.layers)
    added, expected = fit.added, fit.expected
    cell = cells.ravel()
    noise2 = max(fit.noise, _LEAST_NOISE) ** 2
    bare = bare_ground(scene, fit).ravel()
    print_over_noise = _worst_ground(fit, cell, bare & (cell >= 0)) / noise2
    use = ((scene.usable * scene.region.core).ravel() > 0) & (cell >= 0) & ~bare
    index = np.flatnonzero(use)
    index = index[np.argsort(cell[index], kind="stable")]
    bounds = np.flatnonzero(np.diff(cell[index])) + 1
    tied = fit.motions == 3 and count > 1
    out: list[LocalOffset] = []
    residual = fit.residual.ravel()
    flat = fit.moves.reshape(fit.motions, -1)
    gains = (
        fit.by_gain.reshape(count, -1) if fit.uneven else np.zeros((0, len(residual)), np.float32)
    )
    patch: NDArray[np.int64] = fit.setting.cell.ravel()
    white2 = noise2 * inflation
    away = 1 - np.array(fit.state.gain).T[:, : len(gains)]
    even = np.array(fit.setting.burn.uneven[: len(gains)]) ** -2.0
    prior = [_SHIFT_PRIOR_MM**-2, _SHIFT_PRIOR_MM**-2, _STRENGTH_PRIOR**-2] * count
    xs, ys = x.ravel(), y.ravel()
    for members in np.split(index, bounds):
        if len(members) < _FEWEST:
            continue
        rows: list[NDArray[np.floating]] = []
        for layer in range(count):
            shift = flat[(0 if tied else 3 * layer) : (2 if tied else 3 * layer + 2), members]
            rows.extend([shift[0], shift[1], expected[layer].ravel()[members]])
        jacobian = np.array(rows, np.float64)
        numbers, here = np.unique(patch[members], return_inverse=True)
        # What an uneven burn explains is no shift: its gains stay free, as they were in the fit.
        told = gains_told(
            gains[:, members].astype(np.float64),
            jacobian,
            residual[members],
            1 / white2,
            here,
            len(numbers),
            jacobian @ jacobian.T / white2 + np.diag(prior),
            jacobian @ residual[members] / white2,
        ).eliminated(even, away[numbers])
        covariance = np.linalg.inv(told.normal)
        solution = np.asarray(covariance @ told.gradient, np.float64)
        change = told.steps - told.response @ solution
        # What neither noise nor a shift explains pulls by as much as is left of it, where that may
        # be the ground's: a print that no capture shows without the burn. What hides the mark is
        # known by the false shift that it gives a cell, which must stay as sure as it looks.
        left = residual[members] - solution @ jacobian
        left = left - np.einsum("nl,ln->n", change[here], gains[:, members])
        unexplained = max(1.0, min(float((left**2).mean()) / noise2, print_over_noise))
        for layer in range(count):
            power = jacobian[3 * layer + 2] ** 2
            energy = float(power.sum())
            if energy < 25.0 * noise2:
                continue
            part = slice(3 * layer, 3 * layer + 2)
            out.append(
                LocalOffset(
                    layer,
                    int(cell[members[0]]),
                    np.array(
                        [
                            float((xs[members] * power).sum() / energy),
                            float((ys[members] * power).sum() / energy),
                        ]
                    ),
                    solution[part],
                    np.asarray(unexplained * covariance[part, part]),
                    _share(added[layer], expected[layer], members)
                    + float(solution[3 * layer + 2])
                    + (float(change[here, layer] @ power / power.sum()) if fit.uneven else 0.0),
                    float(np.sqrt(covariance[3 * layer + 2, 3 * layer + 2])),
                    energy,
                )
            )
    return out


def bare_ground(scene: Scene, fit: Fit) -> NDArray[np.bool_]:
    """Return (rows, columns) which pixels count and show ground where nothing was burned."""
    strongest = np.max([np.abs(levels) for levels in fit.expected], axis=0)
    burned = strongest > _BARE * float(strongest.max(initial=1e-9))
    return np.asarray((scene.usable * scene.region.core > 0) & ~burned)


def _worst_ground(fit: Fit, cell: NDArray[np.int64], bare: NDArray[np.bool_]) -> float:
    """Return the mean square that the bare ground leaves where it is worst; nothing of no ground.

    Parameters
    ----------
    cell, bare
        (n,) cell of every pixel, and whether nothing was burned there.
    """
    pixels = np.bincount(cell[bare], minlength=1)
    squares = np.bincount(cell[bare], weights=fit.residual.ravel()[bare].astype(np.float64) ** 2)
    enough = pixels >= _FEWEST_BARE
    if not enough.any():
        return 0.0
    return float(np.quantile(squares[enough] / pixels[enough], _WORST_GROUND))


def _share(
    added: NDArray[np.float32], expected: NDArray[np.float32], members: NDArray[np.int64]
) -> float:
    """Return how much of what is expected in a cell the fit itself has there."""
    want = expected.ravel()[members].astype(np.float64)
    return float(want @ added.ravel()[members] / (want @ want))


def square_cells(scene: Scene, side_mm: float) -> NDArray[np.int64]:
    """Return (rows, columns) numbers of square cells of the surface."""
    x, y = scene.region.centre_places()
    right = np.floor((x - x.min()) / side_mm).astype(np.int64)
    up = np.floor((y - y.min()) / side_mm).astype(np.int64)
    return np.asarray(up * (int(right.max()) + 1) + right)
