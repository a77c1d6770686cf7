"""Pictures on a plane of the scene: values at the centres of a square grid, y up."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from samples.simulator.camera import Camera, Grid, Tile, ray_map

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Raster:
    """Values on a plane.

    Attributes
    ----------
    values
        (rows, columns) float32; row 0 has the smallest y.
    pitch_mm
        Distance of neighbouring centres.
    first_mm
        (x, y) of the centre of values[0, 0].
    """

    values: Grid
    pitch_mm: float
    first_mm: tuple[float, float]

    @property
    def index_from_plane(self) -> Array:
        """The (3, 3) map of plane points (x, y, 1) to (column, row, 1)."""
        scale = 1 / self.pitch_mm
        return np.array(
            [
                [scale, 0.0, -self.first_mm[0] * scale],
                [0.0, scale, -self.first_mm[1] * scale],
                [0.0, 0.0, 1.0],
            ]
        )

    def axes_mm(self) -> tuple[Array, Array]:
        """Return the x of every column and the y of every row."""
        rows, columns = self.values.shape[:2]
        return (
            np.asarray(self.first_mm[0] + self.pitch_mm * np.arange(columns), np.float64),
            np.asarray(self.first_mm[1] + self.pitch_mm * np.arange(rows), np.float64),
        )


def blank(box_mm: tuple[float, float, float, float], pitch_mm: float) -> Raster:
    """Return a raster of zeros that covers a box (x_min, y_min, x_max, y_max)."""
    columns = int(np.ceil((box_mm[2] - box_mm[0]) / pitch_mm)) + 1
    rows = int(np.ceil((box_mm[3] - box_mm[1]) / pitch_mm)) + 1
    return Raster(np.zeros((rows, columns), np.float32), pitch_mm, (box_mm[0], box_mm[1]))


def look_up(
    raster: Raster, camera: Camera, plane_from_ray: Array, tile: Tile, fine: int, outside: float
) -> Grid:
    """Return what every ray of a tile meets on a raster's plane, bilinear, `outside` beyond it."""
    column, row = ray_map(camera, raster.index_from_plane @ plane_from_ray, tile, fine)
    return sampled(raster, column, row, outside)


def sampled(raster: Raster, column: Grid, row: Grid, outside: float) -> Grid:
    """Return the values of a raster at columns and rows, bilinear, `outside` beyond it."""
    return np.asarray(
        cv2.remap(
            raster.values,
            column,
            row,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=outside,
        )
    )


def rectangle_share(raster: Raster, x0_mm: float, y0_mm: float, x1_mm: float, y1_mm: float) -> Grid:
    """Return the share of each cell that a rectangle covers, exactly."""
    x, y = raster.axes_mm()
    half = raster.pitch_mm / 2

    def share(centres: Array, low: float, high: float) -> Array:
        overlap = np.minimum(centres + half, high) - np.maximum(centres - half, low)
        return np.asarray(np.clip(overlap / raster.pitch_mm, 0.0, 1.0))

    return np.outer(share(y, y0_mm, y1_mm), share(x, x0_mm, x1_mm)).astype(np.float32)


def polygon_share(ring_mm: Array, pitch_mm: float, margin_mm: float) -> Raster:
    """Draw a polygon: 1 inside, 0 outside, a linear ramp one cell wide across its edge."""
    low, high = ring_mm.min(axis=0) - margin_mm, ring_mm.max(axis=0) + margin_mm
    raster = blank((low[0], low[1], high[0], high[1]), pitch_mm)
    x, y = raster.axes_mm()
    inside = np.zeros(raster.values.shape, bool)
    distance2 = np.full(raster.values.shape, np.inf, np.float32)
    for start, end in zip(ring_mm, np.roll(ring_mm, -1, axis=0), strict=True):
        rows = (y >= min(start[1], end[1])) & (y < max(start[1], end[1]))
        if rows.any():
            cut = start[0] + (y[rows] - start[1]) / (end[1] - start[1]) * (end[0] - start[0])
            inside[rows] ^= x[None, :] > cut[:, None]
        # Only cells near the edge need their distance.
        c0, c1 = np.searchsorted(
            x, [min(start[0], end[0]) - pitch_mm, max(start[0], end[0]) + pitch_mm]
        )
        r0, r1 = np.searchsorted(
            y, [min(start[1], end[1]) - pitch_mm, max(start[1], end[1]) + pitch_mm]
        )
        dx, dy = x[None, c0:c1] - start[0], y[r0:r1, None] - start[1]
        run = end - start
        along = np.clip((dx * run[0] + dy * run[1]) / (run @ run), 0, 1)
        near = (dx - along * run[0]) ** 2 + (dy - along * run[1]) ** 2
        patch = distance2[r0:r1, c0:c1]
        np.minimum(patch, near.astype(np.float32), out=patch)
    edge = np.minimum(np.sqrt(distance2) / pitch_mm, 0.5).astype(np.float32)
    raster.values[:] = np.where(inside, 0.5 + edge, 0.5 - edge)
    return raster
