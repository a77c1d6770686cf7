"""One step of a texture's movement: light taken out, derivatives of both captures multiplied."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.register.tone import grey_slope

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_GLOW_TERMS = 3
_ROBUST_AT = 3.0
_LEAST_COHERENCE = 0.1


@dataclass(frozen=True, eq=False)
class Look:
    """The before capture as a motion carries it into the after capture, with its derivatives."""

    ground: Image
    columns: Image  # (3, rows, columns): d(ground) / d(motion), without the light
    columns_after: Image  # the same from the after capture, with the light
    fields: Image
    seen: Image
    weight: Image
    pixel_mm: float


@dataclass(frozen=True, eq=False)
class Solved:
    """One look, solved for the light.

    Attributes
    ----------
    columns
        (3, rows, columns) mean derivative of both captures, grey levels, light taken out.
    power
        (3, 3) products of the mean derivatives, noise and all.
    cross
        (3, 3) products of one capture's derivatives with the other's: texture alone.
    gradient
        (3,) products of the mean derivatives and the residual.
    residual, weight
        (rows, columns).
    noise
        Robust standard deviation of the residual.
    strength
        Standard deviation of the softened before capture, light taken out.
    """

    columns: Image
    power: Array
    cross: Array
    gradient: Array
    residual: Image
    weight: Image
    noise: float
    strength: float


def solve_light(look: Look, trust: Image | None) -> Solved:
    """Solve light and one step of the motion by weighted least squares on grey levels."""
    counted = look.weight > 0
    weight = look.weight if trust is None else look.weight * trust
    slope = grey_slope(np.maximum(look.seen, np.float32(1e-4)))
    middle = float(np.median(look.ground[counted])) + 1e-6
    rows = weight[counted]
    fields = look.fields[:, counted] * (slope * look.ground)[counted]
    glow = look.fields[:_GLOW_TERMS, counted] * slope[counted]
    fields = np.concatenate([fields, glow])
    target = (look.seen * slope)[counted]
    root = np.sqrt(rows)

    def left_over(values: Image, basis: Image) -> Image:
        """Take out of values (k, n) what the basis explains."""
        a = (basis * root).astype(np.float64)
        gram = a @ a.T
        gram += np.diag(1e-9 * np.diag(gram) + 1e-15)
        share = np.linalg.solve(gram, a @ (values * root).astype(np.float64).T)
        return np.asarray(values - share.T.astype(np.float32) @ basis, np.float32)

    # The ratio of light scales the derivatives: near one number over the whole.
    light = np.float32(np.median(look.seen[counted] / np.maximum(look.ground[counted], 1e-4)))
    first = (look.columns * (slope * light))[:, counted]
    second = (look.columns_after * slope)[:, counted]
    pattern = (look.ground * slope * light)[None, counted]
    free = left_over(np.concatenate([first, second, target[None]]), fields)
    first, second, residual = free[:3], free[3:6], free[6]
    smooth = look.fields[:, counted] * (slope * np.float32(middle))[counted]
    pattern = left_over(pattern, smooth)[0]
    mean = (first + second) / 2
    heavy = (mean * rows).astype(np.float64)
    cross = (first * rows).astype(np.float64) @ second.T.astype(np.float64)
    full = np.zeros(look.weight.shape, np.float32)
    full[counted] = residual
    stack = np.zeros((3, *look.weight.shape), np.float32)
    stack[:, counted] = mean
    total = max(float(rows.sum()), 1.0)
    return Solved(
        stack,
        heavy @ mean.T.astype(np.float64),
        (cross + cross.T) / 2,
        heavy @ residual.astype(np.float64),
        full,
        weight,
        1.4826 * float(np.median(np.abs(residual))),
        math.sqrt(float(np.sum(rows * pattern**2, dtype=np.float64)) / total),
    )


def seen_again(solved: Solved) -> tuple[Array, Array]:
    """Return (3, 3) the cross product without directions that only noise gives, and coherences.

    The coherence of a direction is the share of the derivatives' power that both captures have in
    common: 1 for texture without noise, 0 for noise.
    """
    size, axes = np.linalg.eigh(solved.power)
    if size.max() <= 0.0:
        return np.zeros((3, 3)), np.zeros(3)
    root = axes * np.sqrt(np.maximum(size, 1e-12 * size.max())) @ axes.T
    back = np.linalg.inv(root)
    coherence, ways = np.linalg.eigh(back @ solved.cross @ back)
    kept = np.where(coherence > _LEAST_COHERENCE, coherence, 0.0)
    return root @ (ways * kept @ ways.T) @ root, coherence[::-1]


def trust_patches(residual: Image, weight: Image) -> Image:
    """Weigh down patches that the before capture cannot explain: smears, glare, things in front."""
    counted = (weight > 0).astype(np.float32)
    square = cv2.boxFilter(residual * residual * counted, -1, (5, 5), normalize=False)
    number = np.maximum(cv2.boxFilter(counted, -1, (5, 5), normalize=False), 1.0)
    local = np.sqrt(square / number)
    typical = float(np.median(local[counted > 0]))
    ratio = local / np.float32(max(_ROBUST_AT * typical, 1e-3))
    return np.asarray(1.0 / np.maximum(1.0, ratio) ** 4, np.float32)
