"""One capture seen through the pixels of another: exact maps, and splines that do not blur.

Linear interpolation blurs by an amount that depends on the fraction of a pixel, and the usual cubic
ones round places to 1/32 px. Here the interpolating cubic B-spline is used (M. Unser, "Splines: a
perfect fit for signal and image processing", IEEE Signal Processing Magazine 16(6), 1999), looked
up with four linear interpolations (C. Sigg, M. Hadwiger, "Fast third-order texture filtering", GPU
Gems 2, 2005).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.surface import Surface
from vision.artwork.placing import Rigid
from vision.register.region import cubic_weights

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# The way from pixel to pixel is as smooth as the lenses: cubics through nodes this far apart are
# exact to a ten-thousandth of a pixel.
_NODE_PX = 16
# The inverse of the B-spline's sampling is the two-sided geometric series of this pole.
_POLE = math.sqrt(3.0) - 2.0
_TAPS = 10


@dataclass(frozen=True, eq=False)
class PixelMap:
    """Surface places of a block of pixels at nodes, ready to be carried into another capture.

    Attributes
    ----------
    nodes_px, places_mm
        (rows of nodes, columns of nodes, 2) the nodes' pixels in the picture, and their surface
        places.
    down, across
        (rows, row nodes) and (columns, column nodes): interpolation weights.
    """

    nodes_px: Array
    places_mm: Array
    down: Image
    across: Image

    def into(self, surface: Surface, motion: Rigid) -> tuple[Image, Image]:
        """Return (u, v), each (rows, columns): where the pixels were before a motion.

        Parameters
        ----------
        surface
            The other capture's map.
        motion
            p_here = motion(p_there), surface millimetres.
        """
        pixels = self._nodes_into(surface, motion)
        return self.spread(pixels[..., 0]), self.spread(pixels[..., 1])

    def moved_px(self, surface: Surface, motion: Rigid) -> float:
        """Return how far any node was from here in another capture before a motion, at most."""
        return float(np.abs(self._nodes_into(surface, motion) - self.nodes_px).max())

    def _nodes_into(self, surface: Surface, motion: Rigid) -> Array:
        before = motion.invert(self.places_mm.reshape(-1, 2))
        pixels = surface.px_from_mm(before).reshape(self.places_mm.shape)
        # A place that the other capture cannot see is one far outside of its picture.
        return np.where(np.isfinite(pixels), pixels, -1e4)

    def spread(self, values: Array) -> Image:
        """Interpolate values at the nodes to the pixels."""
        middle = values[values.shape[0] // 2, values.shape[1] // 2]
        dense = self.down @ (values - middle).astype(np.float32) @ self.across.T
        return np.asarray(dense + np.float32(middle))


def pixel_map(
    surface: Surface, corner_px: tuple[int, int], shape: tuple[int, int], stride: int = 1
) -> PixelMap:
    """Return the map of every stride-th pixel from (left, top), shape (rows, columns) of these."""
    (left, top), (rows, columns) = corner_px, shape
    u_nodes = left - _NODE_PX + _NODE_PX * np.arange(stride * columns // _NODE_PX + 4.0)
    v_nodes = top - _NODE_PX + _NODE_PX * np.arange(stride * rows // _NODE_PX + 4.0)
    u, v = np.meshgrid(u_nodes, v_nodes)
    nodes = np.stack([u, v], axis=-1)
    return PixelMap(
        nodes,
        surface.mm_from_px(nodes.reshape(-1, 2)).reshape(nodes.shape),
        cubic_weights(stride * np.arange(rows) / _NODE_PX + 1.0, len(v_nodes)).astype(np.float32),
        cubic_weights(stride * np.arange(columns) / _NODE_PX + 1.0, len(u_nodes)).astype(
            np.float32
        ),
    )


def spline_coefficients(picture: Image) -> Image:
    """Return the B-spline coefficients whose spline goes through the picture's pixels."""
    reach = np.arange(-_TAPS, _TAPS + 1)
    kernel = -6.0 * _POLE / (1.0 - _POLE**2) * _POLE ** np.abs(reach)
    kernel /= kernel.sum()
    return np.asarray(
        cv2.sepFilter2D(picture, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_REFLECT_101)
    )


def look_up(coefficients: Image, u: Image, v: Image) -> Image:
    """Return the spline's values at places (u, v) in pixels; the rim's values beyond the rim."""
    left, right, share_u = _taps(u)
    upper, lower, share_v = _taps(v)

    def at(x: Image, y: Image) -> Image:
        return np.asarray(
            cv2.remap(coefficients, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )

    top = at(left, upper)
    top += share_u * (at(right, upper) - top)
    bottom = at(left, lower)
    bottom += share_u * (at(right, lower) - bottom)
    return np.asarray(top + share_v * (bottom - top))


def _taps(at: Image) -> tuple[Image, Image, Image]:
    """Return the two places whose linear interpolations make a cubic, and the second's share."""
    first = np.floor(at)
    t = at - first
    t2, t3 = t * t, t * t * t
    w0 = (1 - 3 * t + 3 * t2 - t3) / 6
    w1 = (4 - 6 * t2 + 3 * t3) / 6
    w3 = t3 / 6
    w2 = 1 - w0 - w1 - w3
    share = w2 + w3
    return first - 1 + w1 / (w0 + w1), first + 1 + w3 / share, share
