"""A capture laid out in turned axes, and how much of an edge each straight line in it shows."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.surface import Surface
from vision.artwork.placing import Rigid
from vision.register.rectified import rectify
from vision.register.view import View

Array = NDArray[np.float64]
Image = NDArray[np.float32]

PITCH_MM = 0.4
_SMOOTH_MM = 0.45
_LEAST_CHANGE = 2.0
_LIKE_LEVELS = 14.0
_INNER_CELLS = 4


@dataclass(frozen=True, eq=False)
class _Turned:
    """A surface told in turned axes about a place; as much of it as laying out needs."""

    surface: Surface
    frame: Rigid

    @property
    def image_size(self) -> tuple[int, int]:
        return self.surface.image_size

    def px_from_mm(self, points_mm: Array) -> Array:
        return self.surface.px_from_mm(self.frame.apply(points_mm))

    def mm_from_px(self, points_px: Array) -> Array:
        return self.frame.invert(self.surface.mm_from_px(points_px))

    def jacobian_px_per_mm(self, points_mm: Array) -> Array:
        turned = self.surface.jacobian_px_per_mm(self.frame.apply(points_mm))
        return np.asarray(turned @ self.frame.matrix)

    def calibration_jacobian_mm(self, points_mm: Array) -> Array:
        there = self.surface.calibration_jacobian_mm(self.frame.apply(points_mm))
        return np.asarray(self.frame.matrix.T @ there)

    @property
    def calibration_covariance(self) -> Array:
        return self.surface.calibration_covariance

    def height_jacobian_mm(self, points_mm: Array) -> Array:
        return np.asarray(
            self.surface.height_jacobian_mm(self.frame.apply(points_mm)) @ self.frame.matrix
        )


@dataclass(frozen=True, eq=False)
class Layout:
    """Grey levels on a grid in turned axes.

    Attributes
    ----------
    grey, seen
        (rows, columns) grey levels, and 1 where they may count.
    low_mm, pitch_mm
        Place of node [0, 0] in those axes, and the distance between nodes.
    """

    grey: Image
    seen: Image
    low_mm: tuple[float, float]
    pitch_mm: float


@dataclass(frozen=True, eq=False)
class SideView:
    """The layout turned so that columns lead outwards (n) and rows run along the side (t)."""

    grey: Image
    seen: Image
    n_mm: Array
    t_mm: Array
    change: Image


def lay_out(
    view: View,
    frame: Rigid,
    low: Array,
    high: Array,
    keep_out: NDArray[np.bool_] | None = None,
) -> Layout:
    """Lay a capture out on a grid from low to high (x, y) in a frame's axes.

    Parameters
    ----------
    view
        The capture.
    frame
        surface <- the axes.
    low, high
        (2,) corners, mm in those axes.
    keep_out
        (h, w) pixels that must not count.
    """
    surface = _Turned(view.surface, frame)
    picture = rectify(view.grey, surface, low, high, PITCH_MM)
    usable = view.usable
    if keep_out is not None:
        usable = np.where(keep_out, np.float32(0), usable)
    good = rectify(usable, surface, low, high, PITCH_MM).values > 0.99
    seen = (picture.seen > 0) & good
    return Layout(picture.values, seen.astype(np.float32), picture.origin_mm, picture.pitch_mm)


def side_view(layout: Layout, k: int) -> SideView:
    """Return the layout after k quarter turns: columns along the outward normal of side k."""
    rows, columns = layout.grey.shape
    x = layout.low_mm[0] + layout.pitch_mm * np.arange(columns)
    y = layout.low_mm[1] + layout.pitch_mm * np.arange(rows)
    n, t = ((x, y), (y, -x[::-1]), (-x[::-1], -y[::-1]), (-y[::-1], x))[k]
    grey = np.ascontiguousarray(np.rot90(layout.grey, k))
    seen = np.ascontiguousarray(np.rot90(layout.seen, k))
    soft = cv2.GaussianBlur(grey, (0, 0), _SMOOTH_MM / layout.pitch_mm)
    change = np.zeros_like(soft)
    change[:, 1:-1] = np.abs(soft[:, 2:] - soft[:, :-2])
    # What was not seen has no edge, nor has its rim.
    whole = cv2.erode(seen, np.ones((7, 7), np.uint8))
    return SideView(
        np.asarray(soft, np.float32),
        np.asarray(whole, np.float32),
        np.asarray(n, np.float64),
        np.asarray(t, np.float64),
        np.asarray(change * whole, np.float32),
    )


def own_change(picture: SideView, out: float, along: float) -> float:
    """Return the change over two cells that the work's own surface hardly ever exceeds."""
    part = picture.change[np.ix_(np.abs(picture.t_mm) < along, np.abs(picture.n_mm) < out)]
    return max(_LEAST_CHANGE, float(np.percentile(part, 90))) if part.size else _LEAST_CHANGE


def edge_share(
    picture: SideView, strip: NDArray[np.bool_], stands_out: float, level: float, tilts: Array
) -> Array:
    """Return (tilts, n): the share of a strip's rows that show an edge of the work at n.

    Parameters
    ----------
    picture
        A side's view.
    strip
        Rows that count.
    stands_out
        Change of grey level over two cells that the work's own surface hardly exceeds.
    level
        Grey level that the work has.
    tilts
        Angles of the line against the side, radians; lines are told by their n at t = 0.
    """
    inner = cv2.boxFilter(
        picture.grey[strip],
        -1,
        (_INNER_CELLS, 1),
        anchor=(_INNER_CELLS - 1, 0),
    )
    # The mean now ends at its cell; the edge's own blur lies between.
    inner = np.roll(inner, 2, axis=1)
    unlike = (inner - level) / np.float32(max(_LIKE_LEVELS, 0.12 * level))
    share = picture.change[strip] / (picture.change[strip] + np.float32(3 * stands_out))
    share *= np.exp(-0.5 * unlike**2)
    seen = np.ascontiguousarray(picture.seen[strip])
    share = np.ascontiguousarray(share, np.float32)
    t = picture.t_mm[strip]
    pitch = picture.n_mm[1] - picture.n_mm[0]
    size = (share.shape[1], share.shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    rows = []
    for tilt in tilts:
        slope = math.tan(float(tilt))
        shear = np.array([[1.0, slope, slope * t[0] / pitch], [0.0, 1.0, 0.0]])
        total = cv2.warpAffine(share, shear, size, flags=flags).sum(axis=0)
        number = cv2.warpAffine(seen, shear, size, flags=flags).sum(axis=0)
        rows.append(total / np.maximum(number, 0.3 * len(t)))
    return np.array(rows, np.float64)
