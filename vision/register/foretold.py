"""The before capture as the best foretelling of what the bare work shows in the after capture.

A pixel of the before capture is texture and noise. Taken out of the after capture as it is, its
noise adds to the after capture's own. What foretells the after capture best is a short filter of
it, found by least squares where the work is bare in both (Wiener, Extrapolation, Interpolation and
Smoothing of Stationary Time Series, 1949): on plain work next to nothing passes, on grain or
printing next to all.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_HALF_PX = 3
# Enough pixels for the filter's numbers; more than the most tell nothing new.
_FEWEST = 2000
_MOST = 40_000
_DARK = np.float32(1e-4)


def foretold(ground: Image, after: Image, bare: NDArray[np.bool_], smooth_px: float) -> Image:
    """Return the ground that foretells the after capture's bare work best.

    Parameters
    ----------
    ground
        (h, w) linear light of the before capture as the after capture's pixels would see it.
    after
        (h, w) linear light of the after capture.
    bare
        (h, w) pixels of the work that no burn has touched, in both captures.
    smooth_px
        Standard deviation of the smoothing above which variation is light, not texture.

    Returns
    -------
    (h, w); the ground itself where too little of the work is bare.
    """
    rows, columns = np.nonzero(bare[_HALF_PX:-_HALF_PX, _HALF_PX:-_HALF_PX])
    if len(rows) < _FEWEST:
        return ground
    step = max(1, len(rows) // _MOST)
    rows, columns = rows[::step] + _HALF_PX, columns[::step] + _HALF_PX
    texture = _texture(ground, bare, smooth_px)
    wanted = _texture(after, bare, smooth_px)[rows, columns]
    reach = range(-_HALF_PX, _HALF_PX + 1)
    shifted = np.array([texture[rows + i, columns + j] for i in reach for j in reach], np.float64)
    normal = shifted @ shifted.T
    normal += 1e-6 * np.trace(normal) / len(normal) * np.eye(len(normal))
    kernel = np.linalg.solve(normal, shifted @ wanted).reshape(len(reach), len(reach))
    light = _smoothed(ground, smooth_px)
    passed = cv2.filter2D(ground / light - 1, -1, kernel.astype(np.float32))
    return np.asarray(light * (1 + passed), np.float32)


def _texture(picture: Image, bare: NDArray[np.bool_], smooth_px: float) -> Image:
    """Return a picture's texture relative to its light, the light told by bare pixels alone."""
    seen = bare.astype(np.float32)
    light = _smoothed(picture * seen, smooth_px) / np.maximum(_smoothed(seen, smooth_px), _DARK)
    return np.asarray(picture / np.maximum(light, _DARK) - 1)


def _smoothed(picture: Image, sigma_px: float) -> Image:
    """Return a smoothed picture, nowhere quite dark; most of it is done on a smaller one."""
    small = cv2.resize(picture, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / 4)
    wide = cv2.resize(small, picture.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.maximum(wide, _DARK), np.float32)
