"""Which pixels the burn may have touched, and where the work may lie."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork
from vision.register.layers import COARSE_PITCH_MM, COARSE_REACH_MM, layer_maps
from vision.register.region import region_around
from vision.register.view import View

Array = NDArray[np.float64]

# A work may reach this far beyond the artwork that it carries before it counts as bed.
_WORK_BEYOND_MM = 60.0


def burned_mask(view: View, artwork: Artwork, pose: Rigid, reach_mm: float) -> NDArray[np.bool_]:
    """Return (h, w) pixels nearer to the artwork's strokes than the reach, or inside its fills."""
    out = np.zeros(view.linear.shape, np.bool_)
    # The search's maps reach far enough and are at hand.
    maps = layer_maps(artwork, COARSE_PITCH_MM, COARSE_REACH_MM)
    x0, y0, x1, y1 = artwork.box_mm
    corners = pose.apply(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    region = region_around(view.surface, corners, reach_mm + 1.0, 1, 2)
    if region is None:
        return out
    places = region.centres_mm
    rows, columns = region.frame
    window = out[region.top : region.top + rows, region.left : region.left + columns]
    for layer in maps:
        window |= layer.distance_at(pose, places) < reach_mm
    return out


def work_mask(view: View, corners_mm: Array) -> NDArray[np.bool_]:
    """Return (h, w) pixels where the work that carries an artwork may lie."""
    centre = corners_mm.mean(axis=0)
    away = corners_mm - centre
    grown = centre + away * (1 + _WORK_BEYOND_MM / np.linalg.norm(away, axis=1, keepdims=True))
    pixels = view.surface.px_from_mm(grown)
    out = np.zeros(view.linear.shape, np.uint8)
    cv2.fillConvexPoly(out, np.round(pixels).astype(np.int32), (1,))
    return out > 0
