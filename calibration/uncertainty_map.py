"""How well a place on the bed is known, all over the part of it that the camera sees."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed
from calibration.plane import PlaneSurface

Array = NDArray[np.float64]

_ALONG_SIDE = 24


@dataclass(frozen=True, eq=False)
class UncertaintyMap:
    """U95 of bed places on a grid.

    Attributes
    ----------
    x_mm, y_mm
        (m,), (n,) places of the grid, rising.
    u95_mm
        (n, m) radius that holds the true place with 95 %, in the direction in which it is known
        worst; NaN where the camera does not see the bed.
    field_mm
        left, low, right, high of boards and reference marks: beyond, the map is extrapolated.
    height_mm
        Height of the surface.
    """

    x_mm: Array
    y_mm: Array
    u95_mm: Array
    field_mm: tuple[float, float, float, float]
    height_mm: float

    @property
    def step_mm(self) -> float:
        """Distance between neighbouring places."""
        return float(self.x_mm[1] - self.x_mm[0])


def uncertainty_map(bed: Bed, height_mm: float = 0.0, most: int = 12) -> UncertaintyMap:
    """Return the U95 of a bed's places from lens, pose, place and scale of the board.

    Parameters
    ----------
    bed
        The map.
    height_mm
        Height of the surface above the bed.
    most
        Most places along the longer side.
    """
    surface = PlaneSurface(bed, height_mm)
    seen = surface.mm_from_px(_rim(bed.image_size))
    seen = seen[np.isfinite(seen).all(axis=1)]
    low, high = seen.min(axis=0), seen.max(axis=0)
    step = _nice_above(float((high - low).max()) / most)
    x, y = (
        step * np.arange(math.ceil(a / step), math.floor(b / step) + 1.0)
        for a, b in zip(low, high, strict=True)
    )
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    u95 = np.full(len(places), np.nan)
    pixels = surface.px_from_mm(places)
    width, height = bed.image_size
    inside: NDArray[np.bool_] = np.asarray(np.isfinite(pixels).all(axis=1))
    inside[inside] = (
        (pixels[inside] >= -0.5).all(axis=1)
        & (pixels[inside, 0] <= width - 0.5)
        & (pixels[inside, 1] <= height - 0.5)
    )
    u95[inside] = surface.calibration_u95_mm(places[inside])
    grid = u95.reshape(len(y), len(x))
    rows, columns = (np.isfinite(grid).any(axis=axis) for axis in (1, 0))
    return UncertaintyMap(x[columns], y[rows], grid[rows][:, columns], bed.field_mm, height_mm)


def _rim(size: tuple[int, int]) -> Array:
    """Return (n, 2) pixels round the edge of the picture."""
    width, height = size
    u, v = (np.linspace(-0.5, side - 0.5, _ALONG_SIDE) for side in (width, height))
    ends = [np.c_[u, np.full_like(u, at)] for at in (v[0], v[-1])]
    return np.concatenate([*ends, *(np.c_[np.full_like(v, at), v] for at in (u[0], u[-1]))])


def _nice_above(value: float) -> float:
    """Return the next of 1, 2, 5, 10, ... that is not less."""
    ten = 10.0 ** math.floor(math.log10(value))
    return next(ten * step for step in (1, 2, 5, 10) if ten * step >= value * (1 - 1e-9))
