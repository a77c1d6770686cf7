"""The part of a capture that is fitted: its pixels, and where each of them looks on the surface."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.surface import Surface

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# The surface map is smooth: computed exactly at nodes this far apart and interpolated with cubics
# (error below a millionth of a pixel for the lenses and tilts that a bed camera has).
_NODE_PX = 8


@dataclass(frozen=True, eq=False)
class Region:
    """Pixels to be fitted, perhaps binned, with the surface places of their sub-samples.

    A plain region is a rectangle of the capture. `tiled` makes a mosaic of only those parts that
    hold a mark: every tile brings a margin of its own for the camera's blur, and only the cores
    count.

    Attributes
    ----------
    left, top
        First column and row of the rectangle in the capture, pixels.
    bin
        Side of the square of capture pixels that makes one pixel here.
    sub
        Sub-samples per pixel and axis.
    frame
        (rows, columns) of the rectangle in its own (binned) pixels.
    row, column
        (rows, columns) int32: which pixel of the rectangle each pixel here is.
    core
        (rows, columns) 1 where a pixel counts, 0 in the margins of tiles.
    places_mm
        (rows * sub, columns * sub, 2) float32 surface places (x, y) of the sub-samples.
    pitch_mm
        Mean size of one pixel here on the surface.
    """

    left: int
    top: int
    bin: int
    sub: int
    frame: tuple[int, int]
    row: NDArray[np.int32]
    column: NDArray[np.int32]
    core: Image
    places_mm: Image
    pitch_mm: float

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of the pixels here."""
        rows, columns = self.row.shape
        return rows, columns

    def cut(self, picture: Image) -> Image:
        """Return this region's pixels of a whole capture (rows, columns), binned by averaging."""
        rows, columns = self.frame
        part = picture[
            self.top : self.top + rows * self.bin, self.left : self.left + columns * self.bin
        ]
        if self.bin > 1:
            part = np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA))
        return np.ascontiguousarray(part[self.row, self.column])

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return (..., frame rows, frame columns): core pixels where they belong, 0 elsewhere."""
        out = np.zeros((*values.shape[:-2], *self.frame), values.dtype)
        count = self.core > 0
        out[..., self.row[count], self.column[count]] = values[..., count]
        return out

    @cached_property
    def reach_mm(self) -> float:
        """Larger side of the box round all places."""
        low, high = self.places_mm.min(axis=(0, 1)), self.places_mm.max(axis=(0, 1))
        return float((high - low).max())

    @cached_property
    def centres_mm(self) -> Image:
        """(rows, columns, 2) surface places of the pixel centres."""
        return np.dstack(self.centre_places())

    def centre_places(self) -> tuple[Image, Image]:
        """Return (rows, columns) surface places x and y of the pixel centres."""
        rows, columns = self.shape
        places = cv2.resize(self.places_mm, (columns, rows), interpolation=cv2.INTER_AREA)
        return np.ascontiguousarray(places[..., 0]), np.ascontiguousarray(places[..., 1])

    def tiled(self, wanted: NDArray[np.bool_], side: int, margin: int) -> Region:
        """Return a mosaic of the tiles with a wanted pixel; itself where that saves little.

        Parameters
        ----------
        wanted
            (frame rows, frame columns) pixels that must be in.
        side, margin
            Core side and margin of a tile, pixels.
        """
        rows, columns = self.frame
        corners = [
            (i, j)
            for i in range(0, rows, side)
            for j in range(0, columns, side)
            if wanted[i : i + side, j : j + side].any()
        ]
        size = side + 2 * margin
        if not corners or len(corners) * size * size > 0.8 * rows * columns:
            return self
        across = max(1, round(len(corners) ** 0.5))
        down = -(-len(corners) // across)
        shape = (down * size, across * size)
        row, column = np.zeros(shape, np.int32), np.zeros(shape, np.int32)
        core = np.zeros(shape, np.float32)
        places = np.empty((shape[0] * self.sub, shape[1] * self.sub, 2), np.float32)
        fine = np.arange(self.sub)
        for number in range(down * across):
            # The last row may lack tiles: the first one stands in, with an empty core.
            i, j = corners[number] if number < len(corners) else corners[0]
            own_row = np.clip(np.arange(i - margin, i + side + margin), 0, rows - 1)
            own_column = np.clip(np.arange(j - margin, j + side + margin), 0, columns - 1)
            at = (number // across * size, number % across * size)
            window = (slice(at[0], at[0] + size), slice(at[1], at[1] + size))
            row[window] = own_row[:, None]
            column[window] = own_column[None, :]
            fine_row = (own_row[:, None] * self.sub + fine).ravel()
            fine_column = (own_column[:, None] * self.sub + fine).ravel()
            places[
                at[0] * self.sub : (at[0] + size) * self.sub,
                at[1] * self.sub : (at[1] + size) * self.sub,
            ] = self.places_mm[fine_row[:, None], fine_column[None, :]]
            if number < len(corners):
                high, wide = min(side, rows - i), min(side, columns - j)
                core[at[0] + margin :, at[1] + margin :][:high, :wide] = 1.0
        return replace(self, row=row, column=column, core=core, places_mm=places)


def region_around(
    surface: Surface, corners_mm: Array, margin_mm: float, bin: int, sub: int
) -> Region | None:
    """Return the region that covers some surface places and a margin; None where none is in view.

    Parameters
    ----------
    surface
        The capture's map.
    corners_mm
        (n, 2) surface places to cover.
    margin_mm
        Width of the margin on every side.
    bin, sub
        As in Region.
    """
    low, high = corners_mm.min(axis=0) - margin_mm, corners_mm.max(axis=0) + margin_mm
    edge = np.linspace(0.0, 1.0, 9)
    ring = np.concatenate(
        [np.stack([edge, np.full(9, v)], 1) for v in (0.0, 1.0)]
        + [np.stack([np.full(9, v), edge], 1) for v in (0.0, 1.0)]
    )
    pixels = surface.px_from_mm(low + ring * (high - low))
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    if len(pixels) == 0:
        return None
    width, height = surface.image_size
    left, top = np.maximum(np.floor(pixels.min(axis=0)), 0).astype(int)
    right = min(width, int(np.ceil(pixels[:, 0].max())) + 1)
    bottom = min(height, int(np.ceil(pixels[:, 1].max())) + 1)
    columns, rows = (right - int(left)) // bin, (bottom - int(top)) // bin
    if columns < 8 or rows < 8:
        return None
    return make_region(surface, (int(left), int(top)), (rows, columns), bin, sub)


def make_region(
    surface: Surface, corner_px: tuple[int, int], shape: tuple[int, int], bin: int, sub: int
) -> Region:
    """Return the region with this first pixel (left, top) and shape (rows, columns)."""
    left, top = corner_px
    rows, columns = shape
    u_nodes = left - 1.5 * _NODE_PX + _NODE_PX * np.arange(columns * bin // _NODE_PX + 5)
    v_nodes = top - 1.5 * _NODE_PX + _NODE_PX * np.arange(rows * bin // _NODE_PX + 5)
    u, v = np.meshgrid(u_nodes, v_nodes)
    places = surface.mm_from_px(np.stack([u.ravel(), v.ravel()], 1)).reshape(*u.shape, 2)
    # Sub-sample k of a pixel lies at (k + 1/2) / sub - 1/2 pixels from its centre.
    step = bin / sub
    at_u = left - 0.5 + step * (np.arange(columns * sub) + 0.5)
    at_v = top - 0.5 + step * (np.arange(rows * sub) + 0.5)
    # float32 holds 400 mm to 0.00003 mm; interpolating about a middle place keeps it so.
    offset = places[len(v_nodes) // 2, len(u_nodes) // 2]
    down = cubic_weights((at_v - v_nodes[0]) / _NODE_PX, len(v_nodes))
    across = cubic_weights((at_u - u_nodes[0]) / _NODE_PX, len(u_nodes))
    sampled = np.empty((rows * sub, columns * sub, 2), np.float32)
    for k in (0, 1):
        sampled[..., k] = (down @ (places[..., k] - offset[k]) @ across.T) + offset[k]
    middle = np.array([[left + columns * bin / 2.0, top + rows * bin / 2.0]])
    jacobian = surface.jacobian_px_per_mm(surface.mm_from_px(middle))[0]
    pitch = bin / float(np.sqrt(abs(np.linalg.det(jacobian))))
    row, column = np.meshgrid(
        np.arange(rows, dtype=np.int32), np.arange(columns, dtype=np.int32), indexing="ij"
    )
    core = np.ones(shape, np.float32)
    return Region(left, top, bin, sub, shape, row, column, core, sampled, pitch)


def cubic_weights(at: Array, count: int) -> Array:
    """Return (n, count) weights of cubic Lagrange interpolation on nodes 0, 1, 2, ..."""
    first = np.clip(np.floor(at).astype(int) - 1, 0, count - 4)
    t = at - first
    weights = np.zeros((len(at), count))
    for k in range(4):
        others = [m for m in range(4) if m != k]
        value = np.prod([(t - m) / (k - m) for m in others], axis=0)
        weights[np.arange(len(at)), first + k] = value
    return weights
