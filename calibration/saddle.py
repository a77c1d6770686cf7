"""Saddle points of chessboards, and how blurred a picture is."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

_CRITERIA = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
_WINDOW_BLURS, _WINDOW_SIDES = 3.3, 0.165


def refine(picture: Grey, rough_px: Array, window: int) -> Array:
    """Move corners to the saddle or corner point that the gradients in their window agree on.

    W. Foerstner and E. Guelch, "A fast operator for detection and precise location of distinct
    points, corners and centres of circular features", ISPRS Intercommission Workshop, 1987.
    """
    corners = np.ascontiguousarray(rough_px, np.float32).reshape(-1, 1, 2)
    refined = cv2.cornerSubPix(picture, corners, (window, window), (-1, -1), _CRITERIA)
    return np.asarray(refined, np.float64).reshape(-1, 2)


def blurred_window(least: int, blur_px: float, side_px: float) -> int:
    """Return the half width that a saddle point is sought in where it is blurred.

    In windows narrower than three times the blur the flattened saddle runs away; in those wider
    than a sixth of a square the markers' own edges pull. (Blurs of 1.3 to 2.0 px, even seeds of the
    boards' study: errors of 0.7 to 1.9 px in windows of 3, of 0.08 to 0.2 px in these.)
    """
    return max(least, min(round(_WINDOW_BLURS * blur_px), round(_WINDOW_SIDES * side_px), 10))


def blur_of_picture(grey: Grey) -> float:
    """Return the blur in pixels of the sharpest edges of a picture (see `Corners.blur_px`)."""
    smooth = cv2.GaussianBlur(grey, (3, 3), 0).astype(np.float32)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    steepest = float(np.percentile(np.hypot(gx, gy), 99.8)) / 8
    low, high = np.percentile(smooth, [1, 99])
    return float(high - low) / (max(steepest, 1e-6) * math.sqrt(2 * math.pi))
