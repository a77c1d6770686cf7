"""The raster part of the pictures: straightened captures, differences, true pixels, encoding."""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.surface import Surface

Grey = NDArray[np.uint8]
Rgb = NDArray[np.uint8]
Array = NDArray[np.float64]

# Where the camera sees nothing; a neutral grey that is neither mark nor work.
_UNSEEN = 200
# The map is computed at one place in this many pixels and interpolated: lenses bend slowly.
_STEP = 16
# One picture may take this much; four of them keep the page below 2.5 MB in base64.
_MOST_BYTES = 420_000


@dataclass(frozen=True)
class Window:
    """A rectangle of the surface in mm (x right, y up) that a picture shows.

    Attributes
    ----------
    x_mm, y_mm
        Lower left corner.
    width_mm, height_mm
        Its size.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


def rows_of(window: Window, width_px: int) -> int:
    """Return the height in pixels of a straightened capture of this width."""
    return max(1, round(window.height_mm * width_px / window.width_mm))


def straightened(image: Rgb, surface: Surface, window: Window, width_px: int) -> Rgb:
    """Return a capture as seen from straight above, X right, Y up.

    Parameters
    ----------
    image
        (h, w, 3) or (h, w) uint8.
    surface
        Its map.
    window
        The part of the surface to show.
    width_px
        Width of the result; its height follows from the window.

    Returns
    -------
    (rows, width_px, ...) uint8, light grey where the camera cannot see.
    """
    rows = rows_of(window, width_px)
    nodes = _nodes(surface, window, width_px, rows)
    seen = nodes[np.isfinite(nodes).all(axis=2)]
    if len(seen) == 0:
        return np.full((rows, width_px, *image.shape[2:]), _UNSEEN, np.uint8)
    high, wide = image.shape[:2]
    left, top = np.clip(np.floor(seen.min(axis=0)) - 2, 0, [wide - 1, high - 1]).astype(int)
    right, bottom = np.clip(
        np.ceil(seen.max(axis=0)) + 3, [left + 1, top + 1], [wide, high]
    ).astype(int)
    part = image[top:bottom, left:right]
    nodes = nodes - [left, top]
    # Shrinking by sampling alone would alias fine hatches into false stripes.
    shrink = int(math.sqrt(max(1.0, _camera_px_per_px(nodes))))
    if shrink > 1 and min(part.shape[:2]) >= shrink:
        size = (part.shape[1] // shrink, part.shape[0] // shrink)
        scale = np.array([size[0] / part.shape[1], size[1] / part.shape[0]])
        part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)
        nodes = (nodes + 0.5) * scale - 0.5
    map_u, map_v = (_dense(nodes[..., k], width_px, rows) for k in (0, 1))
    return np.asarray(
        cv2.remap(
            np.ascontiguousarray(part),
            map_u,
            map_v,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(_UNSEEN, _UNSEEN, _UNSEEN),
        ),
        dtype=np.uint8,
    )


def grey_of(image: Rgb) -> Grey:
    """Return the brightness of an RGB picture (ITU-R BT.601 weights)."""
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def shrunk(grey: Grey, size_px: tuple[int, int]) -> Grey:
    """Return a picture at a smaller size, each pixel the mean of those it stands for."""
    return np.asarray(cv2.resize(grey, size_px, interpolation=cv2.INTER_AREA), np.uint8)


def faded(grey: Grey) -> Grey:
    """Return a picture pale enough to draw on."""
    return np.asarray(150 + grey.astype(np.float32) * (95 / 255), dtype=np.uint8)


def signed_difference(after: Grey, before: Grey) -> tuple[Grey, float]:
    """Return after minus before about middle grey, and the grey levels that black and white mean.

    Lighter means lighter after. The range is the one that holds all but 0.5 % of the picture.
    """
    change = after.astype(np.float32) - before.astype(np.float32)
    reach = max(10.0, math.ceil(float(np.percentile(np.abs(change[::2, ::2]), 99.5)) / 5) * 5)
    picture = np.clip(128 + change * (127 / reach), 0, 255).round().astype(np.uint8)
    return picture, reach


def true_pixels(image: Rgb, centre_px: Array, size_px: tuple[int, int]) -> tuple[Rgb, int, int]:
    """Cut the camera's own pixels around a place, without resampling.

    Returns
    -------
    The part (at most size_px wide and high), and the column and row where it begins. The part is
    pushed inward at the picture's edge.
    """
    wide = min(size_px[0], image.shape[1])
    high = min(size_px[1], image.shape[0])
    column = int(np.clip(round(float(centre_px[0])) - wide // 2, 0, image.shape[1] - wide))
    row = int(np.clip(round(float(centre_px[1])) - high // 2, 0, image.shape[0] - high))
    return image[row : row + high, column : column + wide], column, row


def jpeg_uri(image: Rgb | Grey) -> str:
    """Return a picture as a JPEG data URI, as fine as the page's size allows."""
    bgr = cv2.cvtColor(image, cv2.COLOR_RGB2BGR) if image.ndim == 3 else image
    data = b""
    for quality in (86, 72, 55, 35):
        data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
        if len(data) <= _MOST_BYTES:
            break
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def block_uri(image: Rgb, blocks: int) -> str:
    """Return a picture as a PNG data URI, each pixel a block of blocks x blocks equal ones."""
    large = np.repeat(np.repeat(image, blocks, axis=0), blocks, axis=1)
    bgr = cv2.cvtColor(large, cv2.COLOR_RGB2BGR)
    data = cv2.imencode(".png", bgr, [cv2.IMWRITE_PNG_COMPRESSION, 4])[1].tobytes()
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")


def _nodes(surface: Surface, window: Window, columns: int, rows: int) -> Array:
    """Return (m, n, 2) camera pixels at the middles of blocks of _STEP pixels of the result.

    There is one block more beyond each edge.
    """
    column = (np.arange(math.ceil(columns / _STEP) + 2) - 1) * _STEP + (_STEP - 1) / 2
    row = (np.arange(math.ceil(rows / _STEP) + 2) - 1) * _STEP + (_STEP - 1) / 2
    x_mm = window.x_mm + (column + 0.5) * window.width_mm / columns
    y_mm = window.y_mm + window.height_mm - (row + 0.5) * window.height_mm / rows
    grid = np.stack(np.meshgrid(x_mm, y_mm), axis=-1)
    return np.asarray(surface.px_from_mm(grid.reshape(-1, 2)).reshape(grid.shape))


def _dense(nodes: Array, columns: int, rows: int) -> NDArray[np.float32]:
    """Return (rows, columns) values between the nodes, far outside where a node is unseen."""
    # A resize by a whole factor puts the nodes exactly at the middles of the blocks.
    size = (nodes.shape[1] * _STEP, nodes.shape[0] * _STEP)
    dense = cv2.resize(nodes.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    part = np.ascontiguousarray(dense[_STEP : _STEP + rows, _STEP : _STEP + columns], np.float32)
    return part if np.isfinite(nodes).all() else np.nan_to_num(part, nan=-1e6)


def _camera_px_per_px(nodes: Array) -> float:
    """Return the median area, in camera pixels, of one pixel of the straightened picture."""
    along = (nodes[:-1, 1:] - nodes[:-1, :-1]) / _STEP
    down = (nodes[1:, :-1] - nodes[:-1, :-1]) / _STEP
    area = np.abs(along[..., 0] * down[..., 1] - along[..., 1] * down[..., 0])
    area = area[np.isfinite(area)]
    return float(np.median(area)) if len(area) else 1.0
