"""Displacements with their covariance: shift and turn at a point, the worst over the strokes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import K95, K95_PLANE, Quantity
from vision.artwork.placing import Rigid
from vision.result import Displacement

Array = NDArray[np.float64]

_DIRECTIONS = np.linspace(0.0, 2 * math.pi, 72, endpoint=False)


@dataclass(frozen=True, eq=False)
class Offset:
    """A small rigid displacement told at one point.

    Attributes
    ----------
    vector
        (3,) dx mm, dy mm, turn rad.
    at_mm
        (2,) the point it is told at.
    statistical, systematic
        (3, 3) covariances.
    """

    vector: Array
    at_mm: Array
    statistical: Array
    systematic: Array

    @property
    def covariance(self) -> Array:
        """(3, 3) statistical and systematic parts together."""
        return np.asarray(self.statistical + self.systematic)

    def told_at(self, point_mm: Array) -> Offset:
        """Return the same displacement told at another point."""
        carry = _carry(point_mm - self.at_mm)
        return Offset(
            carry @ self.vector,
            point_mm,
            carry @ self.statistical @ carry.T,
            carry @ self.systematic @ carry.T,
        )

    def plus_systematic(self, covariance: Array) -> Offset:
        """Return the displacement with one more systematic influence."""
        return replace(self, systematic=self.systematic + covariance)


def offset_between(
    found: Rigid, expected: Rigid, page_point_mm: Array, at_mm: Array, statistical: Array
) -> Offset:
    """Return where a layer is minus where it should be, at the image of one page point.

    The statistical covariance is told at `at_mm`, which must be the expected place of the point.
    """
    shift = (found.apply(page_point_mm[None]) - expected.apply(page_point_mm[None]))[0]
    turn = math.remainder(found.angle_rad - expected.angle_rad, 2 * math.pi)
    return Offset(np.array([shift[0], shift[1], turn]), at_mm, statistical, np.zeros((3, 3)))


def combine(offsets: list[Offset], own: list[Array]) -> tuple[Offset, float, int]:
    """Return the common displacement of several, chi-square of their disagreement, its freedom.

    Generalised least squares. Systematic parts are taken as common to all and averaged.

    Parameters
    ----------
    offsets
        The displacements; the result is told where the first is.
    own
        (3, 3) covariance of what each has of its own beside its statistical part.
    """
    at = offsets[0].at_mm
    moved = [o.told_at(at) for o in offsets]
    if len(moved) == 1:
        return moved[0], 0.0, 0
    weights = [np.linalg.inv(o.statistical + c) for o, c in zip(moved, own, strict=True)]
    inverse = np.linalg.inv(np.sum(weights, axis=0))
    shares = [inverse @ w for w in weights]
    vector = np.sum([s @ o.vector for s, o in zip(shares, moved, strict=True)], axis=0)
    statistical = np.sum(
        [s @ o.statistical @ s.T for s, o in zip(shares, moved, strict=True)], axis=0
    )
    chi2 = float(
        sum(
            (o.vector - vector) @ w @ (o.vector - vector)
            for w, o in zip(weights, moved, strict=True)
        )
    )
    systematic = np.mean([o.systematic for o in moved], axis=0)
    return Offset(vector, at, statistical, systematic), chi2, 3 * (len(moved) - 1)


def offset_of(told: Displacement, at_mm: Array) -> Offset | None:
    """Return a measured displacement as an offset again; None where it is not whole."""
    if told.covariance_statistical is None or told.covariance_systematic is None:
        return None
    vector = np.array(
        [told.dx_mm.value, told.dy_mm.value, math.radians(told.rotation_deg.value or 0.0)]
    )
    return Offset(vector, at_mm, told.covariance_statistical, told.covariance_systematic)


def only_worst(several: list[Displacement], why: str) -> Displacement:
    """Return the worst point of several displacements that have no common shift."""
    worst = max(several, key=lambda d: d.worst_mm.value or 0.0)
    missing = Quantity.missing(why)
    return Displacement(
        missing, missing, missing, missing, worst.worst_mm, worst.worst_at_mm, None, None
    )


def reaching(told: Displacement, further_mm: float, nearer_mm: float = 0.0) -> Displacement:
    """Return a displacement whose worst point may lie elsewhere than its one rigid motion says."""
    worst_mm = told.worst_mm
    if worst_mm.value is None or further_mm == nearer_mm == 0:
        return told
    low, high = worst_mm.interval[0], worst_mm.interval[1] + further_mm
    low = max(0.0, low - nearer_mm)
    return replace(told, worst_mm=Quantity(worst_mm.value, (high - low) / 2, low=low, high=high))


def length_interval(shift_mm: Array, covariance: Array) -> tuple[Array, Array]:
    """Return (n,) low and high ends of the 95 % interval of lengths of displacements.

    A length near zero can be missed at the low end only: a displacement lies with 95 % in the
    ellipse of factor 2.45, and the interval begins with the shortest one in it. So the positive
    bias of measured lengths does not make a movement of nothing.

    A true length is beyond the high end only where the error in its own direction is more negative
    than that end allows for: a matter of one dimension, so that the longest displacement in the
    ellipse of factor 1.96 is missed by one in forty at most, whatever the true length (support
    function of an ellipse: Rockafellar, Convex Analysis, 1970, section 13). Where nothing was
    measured, though, 95 % of what the truth may be lie within `length_factor` of zero: the factor
    falls from there to 1.96 where the interval no longer begins at zero.

    Parameters
    ----------
    shift_mm
        (n, 2) displacements.
    covariance
        (n, 2, 2) their covariances.
    """
    root = np.linalg.cholesky(covariance + 1e-14 * np.eye(2))
    circle = root @ np.stack([np.cos(_DIRECTIONS), np.sin(_DIRECTIONS)])  # (n, 2, k)
    near = shift_mm[:, :, None] + K95_PLANE * circle
    away = np.hypot(*np.linalg.solve(root, shift_mm[:, :, None])[:, :, 0].T) / K95_PLANE
    low = np.where(away <= 1, 0.0, np.hypot(near[:, 0], near[:, 1]).min(axis=1))
    axes = np.sqrt(np.maximum(np.linalg.eigvalsh(covariance), 0.0))
    nothing = length_factor(axes[:, 0] / np.maximum(axes[:, 1], 1e-30))
    factor = np.maximum(nothing + (K95 - nothing) * away, K95)
    far = shift_mm[:, :, None] + factor[:, None, None] * circle
    return low, np.hypot(far[:, 0], far[:, 1]).max(axis=1)


def length_factor(ratio: Array) -> Array:
    """Return how many larger sigmas the length of a normal vector in the plane exceeds in 5 %.

    Parameters
    ----------
    ratio
        (n,) smaller over larger standard deviation of its components, 0 to 1: the factor rises from
        1.96 to 2.45 (Hoyt, Bell Syst. Tech. J. 26, 1947, 318-359).
    """
    ratios, factors = _length_factors()
    return np.asarray(np.interp(ratio, ratios, factors))


@lru_cache(maxsize=1)
def _length_factors() -> tuple[Array, Array]:
    ratios = np.linspace(0.0, 1.0, 65)
    angle = (np.arange(720) + 0.5) * (math.pi / 720)
    spread = np.cos(angle) ** 2 + (ratios[:, None] * np.sin(angle)) ** 2
    low, high = np.full(65, K95), np.full(65, K95_PLANE)
    for _ in range(40):
        middle = (low + high) / 2
        beyond = np.exp(-(middle[:, None] ** 2) / (2 * spread)).mean(axis=1)
        low, high = np.where(beyond > 0.05, middle, low), np.where(beyond > 0.05, high, middle)
    return ratios, (low + high) / 2


def worst(offset: Offset, points_mm: Array) -> tuple[Quantity, tuple[float, float]]:
    """Return the largest displacement over points with its interval, and where it is."""
    away = points_mm - offset.at_mm
    shifts = _shifts(offset.vector, away)
    carry = _carry_many(away)
    covariance = carry @ offset.covariance @ carry.transpose(0, 2, 1)
    low, high = length_interval(shifts, covariance)
    lengths = np.hypot(shifts[:, 0], shifts[:, 1])
    place = int(np.argmax(lengths))
    bottom, top = float(low.max()), float(high.max())
    value = float(lengths[place])
    return (
        Quantity(value, (top - bottom) / 2, low=bottom, high=top),
        (float(points_mm[place, 0]), float(points_mm[place, 1])),
    )


def displacement(offset: Offset, points_mm: Array, unseen_turn: str = "") -> Displacement:
    """Return the displacement in the report's form; the worst is sought over the points.

    Parameters
    ----------
    offset
        The displacement.
    points_mm
        (n, 2) points that the worst is sought over.
    unseen_turn
        Why the turn cannot be seen (a ring's); empty where it can.
    """
    sigma = np.sqrt(np.diag(offset.covariance))
    dx, dy, turn = (float(v) for v in offset.vector)
    low, high = length_interval(offset.vector[None, :2], offset.covariance[None, :2, :2])
    worst_mm, worst_at = worst(offset, points_mm)
    return Displacement(
        dx_mm=Quantity.from_sigma(dx, float(sigma[0])),
        dy_mm=Quantity.from_sigma(dy, float(sigma[1])),
        rotation_deg=Quantity.missing(unseen_turn)
        if unseen_turn
        else Quantity(math.degrees(turn), math.degrees(K95 * float(sigma[2]))),
        distance_mm=Quantity(
            math.hypot(dx, dy),
            float(high[0] - low[0]) / 2,
            low=float(low[0]),
            high=float(high[0]),
        ),
        worst_mm=worst_mm,
        worst_at_mm=worst_at,
        covariance_statistical=offset.statistical,
        covariance_systematic=offset.systematic,
    )


def rigid_response(moves_mm: Array, points_mm: Array, at_mm: Array) -> Array:
    """Return (3, p) rigid displacement at a point that fits moves of many points best.

    Parameters
    ----------
    moves_mm
        (n, 2, p): how each point moves per unit of each of p influences.
    points_mm
        (n, 2) the points.
    at_mm
        (2,) point that the displacement is told at.
    """
    design = _carry_many(points_mm - at_mm).reshape(-1, 3)
    response, *_ = np.linalg.lstsq(design, moves_mm.reshape(-1, moves_mm.shape[2]), rcond=None)
    return np.asarray(response)


def _shifts(vector: Array, away_mm: Array) -> Array:
    c, s = math.cos(vector[2]), math.sin(vector[2])
    turn = np.array([[c - 1.0, -s], [s, c - 1.0]])
    return np.asarray(vector[:2] + away_mm @ turn.T)


def _carry(away_mm: Array) -> Array:
    """(3, 3) matrix that tells a displacement at a point `away` from where it is told."""
    return np.array([[1.0, 0.0, -away_mm[1]], [0.0, 1.0, away_mm[0]], [0.0, 0.0, 1.0]])


def _carry_many(away_mm: Array) -> Array:
    """(n, 2, 3) matrices from a displacement to shifts of points."""
    out = np.zeros((len(away_mm), 2, 3))
    out[:, 0, 0] = 1.0
    out[:, 1, 1] = 1.0
    out[:, 0, 2] = -away_mm[:, 1]
    out[:, 1, 2] = away_mm[:, 0]
    return out
