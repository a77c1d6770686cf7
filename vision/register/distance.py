"""Distance from every place on the page to the nearest edge of a layer.

An outline is the set of places nearer than half a kerf to its centreline, a fill the set of places
nearer than half a kerf to its area; so one distance map per layer renders any kerf, and its
gradient gives the analytic derivative of the rendered mark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork, Layer

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# Long segments are cut so that their windows stay small.
_LONGEST_PIECE_MM = 3.0
# Vertices closer than this share of the grid's pitch to a straight line are left out.
_THINNING = 0.1
# The second map of cv2.remap, which its type hints insist on; with a map of pairs it is nothing.
_NO_MAP: Any = None


@dataclass(frozen=True, eq=False)
class DistanceMap:
    """Signed distance of one layer on a grid of page places.

    Attributes
    ----------
    layer
        The layer's name.
    origin_mm
        Page place (x, y) of node [0, 0]; node [i, j] lies at origin + pitch * (j, i), y up.
    pitch_mm
        Distance between nodes.
    stack
        (rows, columns, 3) float32: distance in mm (negative inside an area), and its gradient
        d/dx, d/dy. The distance is clipped at +-reach.
    label
        (rows, columns) int16: feature of the nearest stroke or area; -1 beyond reach.
    reach_mm
        Largest distance that the map holds.
    """

    layer: Layer
    origin_mm: tuple[float, float]
    pitch_mm: float
    stack: Image
    label: NDArray[np.int16]
    reach_mm: float

    def nodes(self, pose: Rigid, places_mm: Image) -> Image:
        """Return (..., 2) the (column, row) of the grid that surface places (..., 2) fall on."""
        back = pose.matrix.T / self.pitch_mm
        shift = -back @ pose.shift_mm - np.array(self.origin_mm) / self.pitch_mm
        return np.asarray(cv2.transform(places_mm, np.column_stack([back, shift])), np.float32)

    def sample(self, nodes: Image) -> Image:
        """Return the stack (..., 3) at nodes (..., 2); far from the layer beyond the grid."""
        beyond = (self.reach_mm, 0.0, 0.0, 0.0)
        return np.asarray(
            cv2.remap(
                self.stack,
                nodes,
                _NO_MAP,
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=beyond,
            ),
            np.float32,
        )

    def labels(self, nodes: Image) -> NDArray[np.int16]:
        """Return the nearest feature at nodes (..., 2); -1 beyond the grid."""
        beyond = (-1, -1, -1, -1)
        return np.asarray(
            cv2.remap(
                self.label,
                nodes,
                _NO_MAP,
                cv2.INTER_NEAREST,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=beyond,
            ),
            np.int16,
        )

    def distance_at(self, pose: Rigid, places_mm: Image) -> Image:
        """Return the signed distance at surface places (..., 2) when the layer lies at a pose."""
        return np.ascontiguousarray(self.sample(self.nodes(pose, places_mm))[..., 0])

    def label_at(self, pose: Rigid, places_mm: Image) -> NDArray[np.int16]:
        """Return the nearest feature at surface places (..., 2) when the layer lies at a pose."""
        return self.labels(self.nodes(pose, places_mm))


def layer_distance(
    artwork: Artwork, layer: Layer, pitch_mm: float, reach_mm: float
) -> DistanceMap | None:
    """Return the distance map of one layer, or None where the artwork has no such layer."""
    rings: list[tuple[Array, bool, int]] = []
    if layer == "fill":
        rings = [(ring, True, a.feature) for a in artwork.areas for ring in a.rings_mm]
    strokes = [(s.points_mm, s.closed, s.feature) for s in artwork.strokes if s.layer == layer]
    if not rings and not strokes:
        return None
    every = np.concatenate([points for points, _, _ in [*rings, *strokes]])
    low = every.min(axis=0) - reach_mm
    high = every.max(axis=0) + reach_mm
    columns, rows = (math.ceil(n) + 1 for n in (high - low) / pitch_mm)
    distance = np.full((rows, columns), reach_mm, np.float32)
    label = np.full((rows, columns), -1, np.int16)
    grid = _Grid(float(low[0]), float(low[1]), pitch_mm, reach_mm)
    for points, closed, feature in rings:
        start, end = _segments(points, closed, _THINNING * pitch_mm)
        _lower(distance, label, grid, start, end, feature)
    if rings:
        inside = _inside([ring for ring, _, _ in rings], grid, (rows, columns))
        distance = np.where(inside, -distance, distance)
        _label_inside(label, artwork, grid, inside)
    for points, closed, feature in strokes:
        start, end = _segments(points, closed, _THINNING * pitch_mm)
        _lower(distance, label, grid, start, end, feature)
    gy, gx = np.gradient(distance, pitch_mm)
    stack = np.ascontiguousarray(np.dstack([distance, gx, gy]), dtype=np.float32)
    return DistanceMap(layer, (grid.x0, grid.y0), pitch_mm, stack, label, reach_mm)


@dataclass(frozen=True)
class _Grid:
    x0: float
    y0: float
    pitch: float
    reach: float


def _segments(points: Array, closed: bool, tolerance_mm: float) -> tuple[Array, Array]:
    """Return (n, 2) starts and ends of a polyline's segments, long ones cut into pieces.

    Vertices that lie closer to the line through their neighbours than the tolerance are left out.
    """
    origin = points[0]
    thin = cv2.approxPolyDP((points - origin).astype(np.float32)[:, None], tolerance_mm, closed)
    path = thin[:, 0].astype(np.float64) + origin
    if closed:
        path = np.concatenate([path, path[:1]])
    if len(path) == 1:
        return path, path
    along = np.diff(path, axis=0)
    counts = np.maximum(1, np.ceil(np.hypot(*along.T) / _LONGEST_PIECE_MM)).astype(int)
    which = np.repeat(np.arange(len(along)), counts)
    part = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    step = along[which] / counts[which, None]
    start = path[which] + part[:, None] * step
    return start, start + step


def _lower(
    distance: Image,
    label: NDArray[np.int16],
    grid: _Grid,
    starts: Array,
    ends: Array,
    feature: int,
) -> None:
    """Lower the map to the distance from each segment, window by window."""
    rows, columns = distance.shape
    for (ax, ay), (bx, by) in zip(starts, ends, strict=True):
        j0 = max(0, math.ceil((min(ax, bx) - grid.reach - grid.x0) / grid.pitch))
        j1 = min(columns, math.floor((max(ax, bx) + grid.reach - grid.x0) / grid.pitch) + 1)
        i0 = max(0, math.ceil((min(ay, by) - grid.reach - grid.y0) / grid.pitch))
        i1 = min(rows, math.floor((max(ay, by) + grid.reach - grid.y0) / grid.pitch) + 1)
        x = (grid.x0 - ax + grid.pitch * np.arange(j0, j1, dtype=np.float64)).astype(np.float32)
        y = (grid.y0 - ay + grid.pitch * np.arange(i0, i1, dtype=np.float64)).astype(np.float32)
        dx, dy = np.float32(bx - ax), np.float32(by - ay)
        length2 = dx * dx + dy * dy
        if length2 > 0:
            along = np.add.outer(y * dy, x * dx) / length2
            np.clip(along, 0.0, 1.0, out=along)
            across2 = (y[:, None] - along * dy) ** 2 + (x[None, :] - along * dx) ** 2
        else:
            across2 = np.add.outer(y * y, x * x)
        near = np.sqrt(across2)
        window = distance[i0:i1, j0:j1]
        closer = near < window
        np.copyto(window, near, where=closer)
        np.copyto(label[i0:i1, j0:j1], np.int16(feature), where=closer)


def _inside(rings: list[Array], grid: _Grid, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Tell which nodes lie inside an odd number of rings (exact scan lines, even-odd rule)."""
    rows, columns = shape
    flips = np.zeros((rows, columns + 1), np.int32)
    for ring in rings:
        a = (ring - (grid.x0, grid.y0)) / grid.pitch
        b = np.roll(a, -1, axis=0)
        # Half-open rule: a scan line crosses a segment when exactly one end lies at or below it.
        first = np.ceil(np.minimum(a[:, 1], b[:, 1])).astype(int)
        last = np.ceil(np.maximum(a[:, 1], b[:, 1])).astype(int)
        counts = last - first
        which = np.repeat(np.arange(len(a)), counts)
        row = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        row = row + np.repeat(first, counts)
        t = (row - a[which, 1]) / (b[which, 1] - a[which, 1])
        column = np.ceil(a[which, 0] + t * (b[which, 0] - a[which, 0])).astype(int)
        np.add.at(flips, (row, np.clip(column, 0, columns)), 1)
    crossed = np.cumsum(flips[:, :columns], axis=1) % 2
    return np.asarray(crossed == 1)


def _label_inside(
    label: NDArray[np.int16], artwork: Artwork, grid: _Grid, inside: NDArray[np.bool_]
) -> None:
    """Name the feature of the nodes deep inside an area, farther than reach from its edge."""
    for area in artwork.areas:
        low = (area.rings_mm[0].min(axis=0) - (grid.x0, grid.y0)) / grid.pitch
        high = (area.rings_mm[0].max(axis=0) - (grid.x0, grid.y0)) / grid.pitch
        j0, i0 = (max(0, math.floor(v)) for v in low)
        j1, i1 = (math.ceil(v) + 1 for v in high)
        window = label[i0:i1, j0:j1]
        own = _inside(
            list(area.rings_mm),
            _Grid(grid.x0 + j0 * grid.pitch, grid.y0 + i0 * grid.pitch, grid.pitch, grid.reach),
            window.shape,
        )
        np.copyto(window, np.int16(area.feature), where=own & (window < 0))
