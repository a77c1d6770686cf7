"""The part of a capture that is fitted: its pixels, and where each of them looks on the surface."""

from __future__ import annotations

from dataclasses import dataclass

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
    """A rectangle of pixels, perhaps binned, with the surface places of its sub-samples.

    Attributes
    ----------
    left, top
        First column and row in the capture, pixels.
    bin
        Side of the square of capture pixels that makes one pixel here.
    sub
        Sub-samples per pixel and axis.
    shape
        (rows, columns) of the region in its own (binned) pixels.
    x_mm, y_mm
        (rows * sub, columns * sub) surface places of the sub-samples.
    pitch_mm
        Mean size of one pixel here on the surface.
    """

    left: int
    top: int
    bin: int
    sub: int
    shape: tuple[int, int]
    x_mm: Image
    y_mm: Image
    pitch_mm: float

    def cut(self, picture: Image) -> Image:
        """Return this region's part of a whole capture (rows, columns), binned by averaging."""
        rows, columns = self.shape
        part = picture[
            self.top : self.top + rows * self.bin, self.left : self.left + columns * self.bin
        ]
        if self.bin == 1:
            return np.ascontiguousarray(part)
        return np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA))

    def centre_places(self) -> tuple[Image, Image]:
        """Return (rows, columns) surface places of the pixel centres."""
        rows, columns = self.shape
        size = (columns, rows)
        x = cv2.resize(self.x_mm, size, interpolation=cv2.INTER_AREA)
        y = cv2.resize(self.y_mm, size, interpolation=cv2.INTER_AREA)
        return np.asarray(x), np.asarray(y)


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
    down = _cubic_weights((at_v - v_nodes[0]) / _NODE_PX, len(v_nodes))
    across = _cubic_weights((at_u - u_nodes[0]) / _NODE_PX, len(u_nodes))
    x, y = (
        (down @ (places[..., k] - offset[k]) @ across.T).astype(np.float32) + np.float32(offset[k])
        for k in (0, 1)
    )
    middle = np.array([[left + columns * bin / 2.0, top + rows * bin / 2.0]])
    jacobian = surface.jacobian_px_per_mm(surface.mm_from_px(middle))[0]
    pitch = bin / float(np.sqrt(abs(np.linalg.det(jacobian))))
    return Region(left, top, bin, sub, shape, x, y, pitch)


def _cubic_weights(at: Array, count: int) -> Array:
    """Return (n, count) weights of cubic Lagrange interpolation on nodes 0, 1, 2, ..."""
    first = np.clip(np.floor(at).astype(int) - 1, 0, count - 4)
    t = at - first
    weights = np.zeros((len(at), count))
    for k in range(4):
        others = [m for m in range(4) if m != k]
        value = np.prod([(t - m) / (k - m) for m in others], axis=0)
        weights[np.arange(len(at)), first + k] = value
    return weights
