"""How a mark is warped: what is left of its displacements without rigid motion and scale.

From one capture a mark that was burned bent and a sheet that is bowed while it is looked at are the
same: height that is seen aslant.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibration.plane import PlaneSurface
from calibration.quantity import Quantity, chi2_by_chance
from vision.artwork.strokes import Layer
from vision.measure.budget import Assumptions
from vision.measure.offsets import rigid_response
from vision.measure.scale import Strain, affine_moves
from vision.register.bend import bend_of
from vision.register.mark import Mark

Array = NDArray[np.float64]

# A warp that is known no better than this says nothing.
_TELLS_MM = 0.5
# No sheet is higher at a mark's rim (standard deviation of each kind of tilt and bow).
_HIGHEST_MM = 10.0
_POINTS = 300
_DRAWS = 400


@dataclass(frozen=True, eq=False)
class Warp:
    """How a mark is warped.

    Attributes
    ----------
    value
        (14,) coefficients as in `Bend`, mm.
    covariance
        (14, 14) theirs, of everything.
    field
        (n, 2, 14) what they do to the strokes beside a rigid motion and a strain.
    heights
        (n, 5) heights of the strokes above a plane on sheets that are tilted (none) or bowed like a
        parabola, mm.
    by_height
        (14, 5) what these sheets do to the coefficients.
    by_lift
        How far a lift of one millimetre moves what is seen of the strokes, at most, mm.
    between
        (n, 2, 14) what the coefficients do to the fill's rigid motion less the outline's.
    between_by_lift
        How far a lift of one millimetre moves the two apart, at most, mm.
    half_mm
        How far strokes lie from their middle, at most.
    """

    value: Array
    covariance: Array
    field: Array
    heights: Array
    by_height: Array
    by_lift: float
    between: Array
    between_by_lift: float
    half_mm: float

    @cached_property
    def surely(self) -> bool:
        """Whether this is surely not nothing, and known well enough to be told."""
        told = self.quantities["peak_mm"].value is not None
        return told and self._chi2(self.value) > chi2_by_chance(len(self.value))

    @cached_property
    def bow_mm(self) -> Quantity | None:
        """How much the sheet bows under the mark if all of it comes from that; None if not."""
        weighed = np.linalg.solve(self.covariance, self.by_height).T
        held = np.eye(len(weighed)) / _HIGHEST_MM**2
        covariance = np.asarray(np.linalg.inv(weighed @ self.by_height + held), np.float64)
        found = covariance @ weighed @ self.value
        left = self._chi2(self.value - self.by_height @ found)
        if left > chi2_by_chance(len(self.value) - len(found)):
            return None
        bow = np.ptp(self.heights @ found)
        error = np.ptp(self.heights @ _draws(covariance), axis=0)
        return _of_norm(float(bow), error, _HIGHEST_MM)

    def _chi2(self, value: Array) -> float:
        return float(value @ np.linalg.solve(self.covariance, value))

    @property
    def peak_mm(self) -> float:
        """The largest warp of the strokes."""
        return float(_lengths(self.field @ self.value).max())

    @property
    def apart_mm(self) -> float:
        """How far fill and outline, each told by a rigid motion, may seem apart by it (95 %)."""
        drawn = _lengths(self.between @ _draws(self.covariance)).max(axis=0)
        return float(_lengths(self.between @ self.value).max() + np.quantile(drawn, 0.95))

    @cached_property
    def quantities(self) -> dict[str, Quantity]:
        """As in the report: the largest warp of the strokes, and its root mean square.

        Both are norms of the field, so neither is further off than the same norm of the field's
        error (triangle inequality); U95 is what that norm exceeds in 5 % of draws.
        """
        told = self.field @ self.value
        drawn = self.field @ _draws(self.covariance)
        return {
            "peak_mm": _of_norm(self.peak_mm, _lengths(drawn).max(axis=0), _TELLS_MM),
            "rms_mm": _of_norm(float(_rms(_lengths(told))), _rms(_lengths(drawn)), _TELLS_MM),
        }


def unsure_mm(warp: Warp | None, strain: Strain | None, between_layers: bool = False) -> float:
    """Return how much nearer or farther strokes may lie than their rigid motion says.

    Nothing where neither a warp nor a lift is sure. A sheet that bows lies higher as a whole, too,
    and what lies higher looks moved away from below the camera.

    Parameters
    ----------
    warp, strain
        Of the whole mark.
    between_layers
        Whether strokes of the fill are told against the outline: those that share their places are
        moved alike.
    """
    if warp is None or strain is None:
        return 0.0
    bows = warp.surely and warp.bow_mm is not None
    lift = strain.lift_mm
    highest_mm = 0.0
    if bows or strain.looks_lifted:
        told = lift.value is not None
        highest_mm = max(abs(end) for end in lift.interval) if told else _HIGHEST_MM
    if not between_layers:
        return max(warp.peak_mm if warp.surely else 0.0, highest_mm * warp.by_lift)
    # Where edges share their places, layers that are stretched and may only move trade it.
    traded = float(np.abs(strain.value).max()) * warp.half_mm if strain.surely else 0.0
    return max(warp.apart_mm if warp.surely else 0.0, highest_mm * warp.between_by_lift, traded)


def _draws(covariance: Array) -> Array:
    """Return (k, _DRAWS) errors of a covariance, the same every time."""
    drawn = np.random.default_rng(0).standard_normal((len(covariance), _DRAWS))
    return np.asarray(np.linalg.cholesky(covariance + 1e-18 * np.eye(len(covariance))) @ drawn)


def _lengths(moves_mm: Array) -> Array:
    """Return (n, ...) lengths of moves (n, 2, ...)."""
    return np.asarray(np.hypot(moves_mm[:, 0], moves_mm[:, 1]))


def _rms(lengths: Array) -> Array:
    return np.asarray(np.sqrt((lengths**2).mean(axis=0)))


def _of_norm(value: float, errors: Array, most: float) -> Quantity:
    """Return a norm with the interval that draws of the same norm of its error give it."""
    u95 = float(np.quantile(errors, 0.95))
    if u95 > most:
        return Quantity.missing("the mark has too little to tell it by")
    low, high = max(0.0, value - u95), value + u95
    return Quantity(value, (high - low) / 2, low=low, high=high)


def warp_of(
    mark: Mark,
    surface: PlaneSurface,
    points_mm: Mapping[str, Array],
    said: Assumptions,
    layers: Sequence[Layer],
) -> Warp | None:
    """Return how a mark is warped against its artwork; None where no layer is believed.

    Parameters
    ----------
    mark
        The measured mark.
    surface
        The after capture's map.
    points_mm
        (n, 2) places of each layer's strokes.
    said
        What was typed or assumed of the hatch.
    layers
        Those that are believed.
    """
    if not layers:
        return None
    found = bend_of(mark.fit, [list(mark.layers).index(name) for name in layers])
    every = np.concatenate([points_mm[name] for name in layers])
    points = every[:: -(-len(every) // _POINTS)]
    shape, rigid = found.field(points), affine_moves(points)
    kinds = rigid.shape[2]
    design = np.concatenate([rigid, shape], axis=2).reshape(2 * len(points), -1)

    def told_as(moves_mm: Array) -> Array:
        """Return (kinds + 14, p) what moves (n, 2, p) of the points are told as."""
        flat = moves_mm.reshape(len(design), -1)
        return np.asarray(np.linalg.lstsq(design, flat, rcond=None)[0])

    by_map = told_as(surface.calibration_jacobian_mm(points))[kinds:]
    x, y = ((points - found.middle_mm) / found.reach_mm).T
    sheets = np.stack([x, y, x * x, x * y, y * y], axis=1)
    planes = np.stack([np.ones_like(x), x, y], axis=1)

    def by_one_mm(points_mm: Array) -> Array:
        """Return (n, 2, 1) how one millimetre of lift moves what is seen of points (n, 2)."""
        # It is seen where a place farther from below the camera would be.
        return -surface.height_jacobian_mm(points_mm)[:, :, None]

    by_lift = by_one_mm(points)
    lifted = by_lift * sheets[:, None, :]
    share, *_ = np.linalg.lstsq(design[:, :kinds], design[:, kinds:], rcond=None)
    return Warp(
        found.value,
        found.covariance
        + found.gaps @ found.gaps.T * said.hatch_mm**2 / 12
        + by_map @ surface.calibration_covariance @ by_map.T,
        shape - (design[:, :kinds] @ share).reshape(shape.shape),
        sheets - planes @ np.linalg.lstsq(planes, sheets, rcond=None)[0],
        told_as(lifted)[kinds:],
        float(_lengths(by_lift).max()),
        _between(points_mm, layers, points, found.field),
        float(_lengths(_between(points_mm, layers, points, by_one_mm)).max()),
        float(_lengths(points - points.mean(axis=0)).max()),
    )


def _between(
    points_mm: Mapping[str, Array],
    layers: Sequence[Layer],
    at_mm: Array,
    moves_of: Callable[[Array], Array],
) -> Array:
    """Return (n, 2, p) what moves of the strokes do to the fill's rigid motion less the outline's.

    Told at places (n, 2); nothing where one of the two is not believed.
    """
    middle = at_mm.mean(axis=0)
    signs: tuple[tuple[Layer, int], ...] = (("fill", 1), ("outline", -1))
    out = np.zeros((3, moves_of(at_mm[:1]).shape[2]))
    if {"fill", "outline"} <= set(layers):
        for name, sign in signs:
            points = points_mm[name]
            out = out + sign * rigid_response(moves_of(points), points, middle)
    return np.asarray(affine_moves(at_mm)[:, :, :3] @ out)
