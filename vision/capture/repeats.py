"""Whether several captures of one kind show the same scene, so that their mean is one, too."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import WitmarkError
from vision.capture.photo import Photo

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_BLOCK_PX = 64
# The camera's noise is blurred away before two pictures are compared.
_BLUR_PX = 2.0
# A block with weaker edges (root mean square, grey levels per pixel) shows no shift.
_EDGES = 1.0
# Variance (grey levels squared) that keeps the division of an even block's covariance finite.
_LEVEL = 0.1
# Repeats that differ by less than such a shift hardly blur each other: a tenth of what a sharp
# camera does by itself.
_SHIFT_PX = 0.2
# One block may hold what does not matter (a lamp that blinks); so many do not.
_BLOCKS = 2


def difference(one: Image, other: Image) -> tuple[int, int] | None:
    """Return the pixel (u, v) about which two pictures (h, w) of grey levels differ most, or None.

    None where they show the same scene.

    A small shift s changes a picture by s times its gradient, so the difference of two pictures
    divided by the gradient, both as root mean squares over a block, is how far a shift would have
    to be to change as much. What the noise does on its own is taken off; light that is stronger or
    weaker, or comes and goes from block to block, does not count.
    """
    if min(one.shape) < _BLOCK_PX:
        return None
    first, second = (_blurred(picture) for picture in (one, other))
    across, down = (cv2.Sobel(first, cv2.CV_32F, *by, scale=1 / 8) for by in ((1, 0), (0, 1)))
    change = second - first
    spread = _together(change, change) - _together(change, first) ** 2 / (
        _together(first, first) + _LEVEL
    )
    steep = _by_block(across**2 + down**2)
    still = np.percentile(spread, 20)
    shift = np.sqrt(np.clip(spread - 2 * still, 0, None) / np.maximum(steep, _EDGES**2))
    differs = (steep > _EDGES**2) & (shift > _SHIFT_PX)
    if differs.sum() < _BLOCKS:
        return None
    row, column = np.unravel_index(np.argmax(np.where(differs, shift, 0.0)), shift.shape)
    return int((column + 0.5) * _BLOCK_PX), int((row + 0.5) * _BLOCK_PX)


def check_repeats(photos: Sequence[Photo]) -> None:
    """Raise WitmarkError unless all photos have one size and show the same scene."""
    first = photos[0]
    for photo in photos[1:]:
        if photo.size != first.size:
            raise WitmarkError(
                photo.name,
                f"is {photo.size[0]} x {photo.size[1]} pixels, {first.name} is "
                f"{first.size[0]} x {first.size[1]}",
                "give repeats from one camera at one setting",
            )
        found = difference(first.grey.astype(np.float32), photo.grey.astype(np.float32))
        if found is not None:
            u, v = found
            raise WitmarkError(
                photo.name,
                f"does not show the same scene as {first.name}, most of all about pixel {u}, {v}",
                "repeats are averaged: give only captures taken one after the other while nothing "
                "moves, neither work nor camera nor light",
            )


def _blurred(picture: Image) -> Image:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), _BLUR_PX), np.float32)


def _together(one: Image, other: Image) -> Array:
    """Return the covariance of two pictures within each block."""
    return _by_block(one * other) - _by_block(one) * _by_block(other)


def _by_block(picture: Image) -> Array:
    """Return the mean of a picture over each whole block."""
    rows, columns = (size // _BLOCK_PX for size in picture.shape)
    whole = picture[: rows * _BLOCK_PX, : columns * _BLOCK_PX]
    return np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), np.float64)
