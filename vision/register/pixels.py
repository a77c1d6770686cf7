"""The pixels of a capture that are fitted, with what is known of the ground under them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.region import region_around
from vision.register.scene import Scene
from vision.register.tone import grey_from_linear
from vision.register.view import View

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# Tiles of the fine fit: the margin holds four sigma of a usual blur.
_TILE_PX = 16
_TILE_MARGIN_PX = 4
# Below this scale the ground's variation is texture that a burn may wipe out; above it is light.
_TEXTURE_SCALE_MM = 4.0


def scene_about(
    view: View,
    ground: Image | None,
    corners: Array,
    binning: int,
    sub: int,
    near: tuple[tuple[DistanceMap, ...], tuple[Rigid, ...]] | None = None,
) -> Scene | None:
    """Return the pixels about an artwork; only those near its edges where these are known."""
    region = region_around(view.surface, corners, 2.5, binning, sub)
    if region is None:
        return None
    if near is not None:
        places = region.centres_mm
        wanted = np.zeros(region.frame, np.bool_)
        for layer, pose in zip(*near, strict=True):
            wanted |= np.abs(layer.distance_at(pose, places)) < layer.reach_mm - layer.pitch_mm
        region = region.tiled(wanted, _TILE_PX, _TILE_MARGIN_PX)
    usable = (region.cut(view.usable) > 0.99).astype(np.float32)
    # Pixels are binned as the camera bins light; those of its own keep its very levels.
    grey = region.cut(view.grey) if binning == 1 else grey_from_linear(region.cut(view.linear))
    stray = np.zeros_like(grey) if view.stray is None else region.cut(view.stray)
    if ground is None:
        ones = np.ones(region.shape, np.float32)
        return Scene(region, grey, ones, np.zeros_like(ones), usable, stray, 3)
    rows, columns = region.frame
    rectangle = ground[
        region.top : region.top + rows * region.bin,
        region.left : region.left + columns * region.bin,
    ]
    level = np.float32(max(float(np.median(rectangle)), 1e-4))
    spread = _TEXTURE_SCALE_MM / region.pitch_mm * region.bin
    # Nine tenths of the smoothing are done on a small picture.
    small = cv2.resize(rectangle, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), spread / 4)
    wide = cv2.resize(small, rectangle.shape[::-1], interpolation=cv2.INTER_LINEAR)
    whole = np.zeros_like(ground)
    whole[region.top :, region.left :][: rectangle.shape[0], : rectangle.shape[1]] = wide
    smooth = np.asarray(np.maximum(region.cut(whole), np.float32(1e-4)) / level, np.float32)
    base = np.asarray(np.maximum(region.cut(ground), np.float32(1e-4)) / level, np.float32)
    return Scene(region, grey, smooth, np.asarray(base - smooth), usable, stray, 2)
