"""What changed about work that hardly differs from the bed.

Lines of the bed near the rim of dark work pass for its edges, and they lie still whatever the work
does. But where the work really ends it covers bright things of the bed, and when it moves, they are
covered farther or less far. So work that is told to lie still must leave nothing changed about it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.ground import ground_for
from vision.register.tone import grey_from_linear
from vision.register.view import View

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# How far about what is surely the work its rim is looked for.
_ABOUT_MM = 15.0
# The bed begins so far beyond the work's edges (their blur, their wall).
_BEYOND_MM = 2.0
# Grey levels within which the bed looks like the work; more where the noise is more.
_ALIKE_LEVELS, _ALIKE_NOISES = 20.0, 3.0
# Light may have changed over more than this.
_LIGHT_PX = 25.0
# What differs by more than so many times the usual difference has changed, but for so much of the
# grey level's slope (per pixel): the maps follow the camera to a tenth of a pixel or so.
_CHANGED = 8.0
_SLOPE_PX = 0.2
# Scorch reaches beyond what may be burned by a few pixels.
_GROWN_PX = 7


@dataclass(frozen=True)
class Surroundings:
    """What two captures show about the work.

    Attributes
    ----------
    alike
        Share of the bed about the work that looks like the work, 0 to 1.
    changed_mm2
        Area that differs between the captures, were everything at rest.
    """

    alike: float
    changed_mm2: float


def surroundings(
    before: View,
    after: View,
    still: Rigid,
    inside_mm: Array,
    level: float,
    burned: NDArray[np.bool_],
) -> Surroundings:
    """Hold two captures of a work against each other, about where it ends.

    Parameters
    ----------
    before, after
        The captures.
    still
        How the bed itself seems to have moved: p_after = still(p_before), surface millimetres.
    inside_mm
        (n, 2) convex polygon that is the work for certain.
    level
        Grey level of the work before the burn.
    burned
        (h, w) pixels of the after capture that the burn may have touched.
    """
    polygon = after.surface.px_from_mm(inside_mm)
    per_mm = after.surface.jacobian_px_per_mm(inside_mm.mean(axis=0)[None])[0]
    px2_per_mm2 = abs(float(np.linalg.det(per_mm)))
    reach = _ABOUT_MM * px2_per_mm2**0.5
    height, width = after.grey.shape
    left, top = np.maximum(np.floor(polygon.min(axis=0) - reach), 0).astype(int)
    right, bottom = np.minimum(np.ceil(polygon.max(axis=0) + reach), (width, height)).astype(int)
    part = np.s_[top:bottom, left:right]
    seen = after.grey[part].astype(np.float32)
    if seen.size == 0:
        return Surroundings(1.0, 0.0)
    ground = ground_for(before, after, still, (left, top, right, bottom))
    earlier = grey_from_linear(ground[part]).astype(np.float32)
    touched = cv2.dilate(burned[part].astype(np.uint8), np.ones((_GROWN_PX,) * 2, np.uint8))
    counts = (touched == 0) & (after.usable[part] > 0) & (before.usable[part] > 0)
    work = np.zeros(seen.shape, np.uint8)
    cv2.fillConvexPoly(work, np.round(polygon - (left, top)).astype(np.int32), (1,))
    grown = 2 * round(_BEYOND_MM * px2_per_mm2**0.5) + 1
    bed = counts & (cv2.dilate(work, np.ones((grown, grown), np.uint8)) == 0)
    told = counts.astype(np.float32)
    light = _smooth(seen * earlier * told) / np.maximum(_smooth(earlier**2 * told), 1e-3)
    apart = cv2.blur(seen - light * earlier, (3, 3))
    whole = cv2.erode(counts.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if not whole.any() or not bed.any():
        return Surroundings(1.0, 0.0)
    usual = 1.4826 * float(np.median(np.abs(apart[whole])))
    changed = whole & (np.abs(apart) > _CHANGED * usual + _SLOPE_PX * _slope(earlier))
    # Of nine pixels' mean the noise is a third of one pixel's.
    within = max(_ALIKE_LEVELS, _ALIKE_NOISES * 3 * usual)
    alike = float((np.abs(earlier[bed] - level) < within).mean())
    return Surroundings(alike, float(changed.sum()) / px2_per_mm2)


def _smooth(picture: Image) -> Image:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), _LIGHT_PX), np.float32)


def _slope(grey: Image) -> Image:
    """Return (rows, columns) the steepest change of grey level per pixel, there or beside it."""
    soft = cv2.GaussianBlur(grey, (0, 0), 0.7)
    x, y = (cv2.Scharr(soft, cv2.CV_32F, *way) / 32 for way in ((1, 0), (0, 1)))
    return np.asarray(cv2.dilate(np.hypot(x, y), np.ones((3, 3), np.uint8)), np.float32)
