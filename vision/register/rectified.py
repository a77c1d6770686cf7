"""A capture laid out on a grid of surface millimetres, for searching and for pictures."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.surface import Surface

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_NODE_MM = 8.0


@dataclass(frozen=True, eq=False)
class Rectified:
    """A picture on surface millimetres.

    Attributes
    ----------
    values
        (rows, columns) float32; NaN-free, 0 outside the camera's view.
    seen
        (rows, columns) 1 inside the camera's view, else 0.
    origin_mm
        Place of node [0, 0]; node [i, j] lies at origin + pitch * (j, i), y up.
    pitch_mm
        Distance between nodes.
    """

    values: Image
    seen: Image
    origin_mm: tuple[float, float]
    pitch_mm: float


def rectify(
    picture: Image,
    surface: Surface,
    low_mm: Array,
    high_mm: Array,
    pitch_mm: float,
) -> Rectified:
    """Resample a capture (rows, columns) onto surface millimetres from low to high (x, y)."""
    columns, rows = (max(8, math.ceil(v)) for v in (high_mm - low_mm) / pitch_mm)
    middle = (low_mm + high_mm)[None] / 2
    jacobian = surface.jacobian_px_per_mm(middle)[0]
    pixels_per_node = pitch_mm * math.sqrt(abs(float(np.linalg.det(jacobian))))
    binning = max(1, math.floor(pixels_per_node)) if np.isfinite(pixels_per_node) else 1
    height, width = picture.shape
    if binning > 1:
        picture = np.asarray(
            cv2.resize(
                picture[: height // binning * binning, : width // binning * binning],
                (width // binning, height // binning),
                interpolation=cv2.INTER_AREA,
            )
        )
    step = max(1, round(_NODE_MM / pitch_mm))
    node_x = low_mm[0] + pitch_mm * step * np.arange(columns // step + 2)
    node_y = low_mm[1] + pitch_mm * step * np.arange(rows // step + 2)
    x, y = np.meshgrid(node_x, node_y)
    nodes = surface.px_from_mm(np.stack([x.ravel(), y.ravel()], 1)).reshape(*x.shape, 2)
    nodes = np.where(np.isfinite(nodes), nodes, -1e4)
    # Pixel centres at integers: binned pixel k covers k * bin - 1/2 ... (k + 1) * bin - 1/2.
    nodes = (nodes - (binning - 1) / 2) / binning
    at_x = np.arange(columns, dtype=np.float32) / step
    at_y = np.arange(rows, dtype=np.float32) / step
    map_j, map_i = np.meshgrid(at_x, at_y)
    places = cv2.remap(nodes.astype(np.float32), map_j, map_i, cv2.INTER_LINEAR)
    u, v = np.ascontiguousarray(places[..., 0]), np.ascontiguousarray(places[..., 1])
    values = cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = (u > 0) & (v > 0) & (u < picture.shape[1] - 1) & (v < picture.shape[0] - 1)
    return Rectified(
        np.where(seen, values, 0).astype(np.float32),
        seen.astype(np.float32),
        (float(low_mm[0]), float(low_mm[1])),
        pitch_mm,
    )
