"""Which parts of the picture the corners of the board photos cover."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_GRID = 4
_ROWS = ("upper", "middle", "middle", "lower")
_COLUMNS = ("left", "centre", "centre", "right")


def coverage_grid(corners_px: Array, image_size: tuple[int, int]) -> NDArray[np.int64]:
    """Count (n, 2) corners in 4 x 4 equal parts of the picture; row 0 is the top."""
    width, height = image_size
    counts, _, _ = np.histogram2d(
        corners_px[:, 1],
        corners_px[:, 0],
        bins=_GRID,
        range=((-0.5, height - 0.5), (-0.5, width - 0.5)),
    )
    return counts.astype(np.int64)


def missing_parts(grid: NDArray[np.int64]) -> tuple[str, ...]:
    """Name the empty parts of a coverage grid, as "upper left"; each name once."""
    names = []
    for row, column in zip(*np.nonzero(grid == 0), strict=True):
        across, down = _COLUMNS[column], _ROWS[row]
        names.append("centre" if (down, across) == ("middle", "centre") else f"{down} {across}")
    return tuple(dict.fromkeys(names))
