"""A picture that is a part of the calibration's, cropped or zoomed to its size again.

Then the marks lie where the calibrated camera saw them but for a scale and a shift of the picture:
its focal lengths and its principal point changed, and the camera did not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed, BedMark
from calibration.camera_fit import SHIFT, ZOOM, CameraFit, fit_camera

Array = NDArray[np.float64]

# A crop enlarges at least by this (logarithm), or nobody would make it.
_LEAST_ZOOM = 0.01
# Pixels by which the edges of the two pictures may lie outside of each other.
_EDGE_PX = 3.0


def cropped_camera(
    bed: Bed, marks: Sequence[BedMark], found_px: Mapping[int, Array]
) -> CameraFit | None:
    """Return the camera of a picture that is a part of the calibration's, or the other way round.

    None where the marks do not say so.
    """
    try:
        fit = fit_camera(bed, marks, found_px, moves=False, crops=True)
    except np.linalg.LinAlgError:
        return None
    one_within_the_other = window_px(bed, fit) is not None
    large = abs(fit.log_focal) > _LEAST_ZOOM
    return fit if large and one_within_the_other and fit.consistent else None


def pose_explains(bed: Bed, marks: Sequence[BedMark], found_px: Mapping[int, Array]) -> bool:
    """Tell whether a camera that moved, and perhaps refocused, would show the same."""
    for refocuses in (False, True):
        try:
            fit = fit_camera(bed, marks, found_px, refocuses=refocuses)
        except np.linalg.LinAlgError:
            continue
        if fit.consistent and abs(fit.log_focal) < ZOOM:
            return True
    return False


def window_px(bed: Bed, fit: CameraFit) -> Array | None:
    """Return (left, top, right, bottom) of the smaller picture in the larger; None if outside.

    In pixels of the calibration's picture where that is the larger one (the focal length grew),
    edges counted from its outer corner.
    """
    width, height = bed.lens.image_size
    corners = np.array([[-0.5, -0.5], [width - 0.5, height - 0.5]])
    centre = bed.lens.parameters[2:4]
    zoom = math.exp(fit.log_focal)
    if zoom > 1:
        window = centre + (corners - centre - fit.step[SHIFT]) / zoom
    else:
        window = centre + fit.step[SHIFT] + (corners - centre) * zoom
    inside = (window[0] > corners[0] - _EDGE_PX).all() and (window[1] < corners[1] + _EDGE_PX).all()
    return (window + 0.5).ravel() if inside else None
