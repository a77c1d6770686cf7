"""The sub-samples of those pixels where the edges of a mark may come to lie.

Everywhere else a mark covers all or nothing, and needs no rendering.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vision.register.region import Region
from vision.register.rendering import see, unlike

Image = NDArray[np.float32]

# Sub-samples are kept in rows of this length: OpenCV takes no more than 32767 either way.
_ROW = 256


@dataclass(frozen=True, eq=False)
class Fine:
    """Sub-samples of some pixels of a region, all first ones, then all second ones, and so on.

    Attributes
    ----------
    shape
        (rows, columns) of the region's pixels.
    sub
        Sub-samples per pixel and axis.
    pixel
        (n,) numbers of the pixels; n is a multiple of the rows' length, the last ones repeated.
    places_mm
        (a, b, 2) surface places of the sub-samples.
    step_mm
        Distance between neighbours.
    smear
        By how much the camera's blur is unlike in different directions (see `smear`), px^2.
    """

    shape: tuple[int, int]
    sub: int
    pixel: NDArray[np.int64]
    places_mm: Image
    step_mm: float
    smear: tuple[float, float]

    @cached_property
    def _places(self) -> NDArray[np.int64]:
        """(n sub^2,) numbers of the sub-samples in a picture of all of them."""
        columns = self.shape[1]
        row, column = np.divmod(self.pixel, columns)
        first = (row * columns * self.sub + column) * self.sub
        steps = np.add.outer(np.arange(self.sub) * columns * self.sub, np.arange(self.sub))
        return np.asarray(np.add.outer(steps.ravel(), first).ravel(), np.int64)

    def repeated(self, picture: Image) -> Image:
        """Return (a, b) values of the pixels' picture (rows, columns) on the sub-samples."""
        own = picture.ravel()[self.pixel].reshape(-1, _ROW)
        return np.tile(own, (self.sub * self.sub, 1))

    def seen(self, values: Image, sigma_px: float, elsewhere: Image | None = None) -> Image:
        """Return (rows, columns) what the camera sees of values on the sub-samples.

        Parameters
        ----------
        values
            (a, b) on the sub-samples.
        sigma_px
            Gaussian part of the point spread, pixels.
        elsewhere
            (rows, columns) the values of all other pixels; nothing by default.
        """
        sub = self.sub
        rows, columns = self.shape
        sharp = np.zeros((rows * sub, columns * sub), np.float32)
        if elsewhere is not None:
            sharp.reshape(rows, sub, columns, sub)[:] = elsewhere[:, None, :, None]
        sharp.reshape(-1)[self._places] = values.reshape(-1)
        seen = see(sharp, sub, sigma_px)
        if any(self.smear):
            seen += np.tensordot(np.array(self.smear, np.float32), unlike(seen), 1)
        return seen


def fine_about(
    region: Region, near: NDArray[np.bool_], smear: tuple[float, float] = (0.0, 0.0)
) -> Fine:
    """Return the sub-samples of the pixels (rows, columns) that are near an edge."""
    pixel = np.flatnonzero(near)
    pixel = np.concatenate([pixel, np.repeat(pixel[-1:], -len(pixel) % _ROW)])
    rows, columns = region.shape
    sub = region.sub
    planes = region.places_mm.reshape(rows, sub, columns, sub, 2)
    row, column = np.divmod(pixel, columns)
    places = np.stack([planes[row, i, column, j] for i in range(sub) for j in range(sub)])
    return Fine(
        region.shape,
        sub,
        pixel,
        np.ascontiguousarray(places.reshape(-1, _ROW, 2)),
        region.pitch_mm / sub,
        smear,
    )
