"""One capture as the other's camera would have seen it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.resample import look_up, pixel_map, spline_coefficients
from vision.register.view import View

Image = NDArray[np.float32]
Box = tuple[int, int, int, int]

# Below this nothing moved as far as a picture is concerned: no pixel is resampled.
_STILL_PX = 2e-3
_SPLINE_RIM_PX = 14


def ground_for(before: View, after: View, motion: Rigid, box: Box | None = None) -> Image:
    """Return the linear light that the after capture's pixels would have shown before the burn.

    Parameters
    ----------
    before, after
        The two captures.
    motion
        p_after = motion(p_before), surface millimetres.
    box
        (left, top, right, bottom) pixels of the after capture that matter, right and bottom
        excluded; None for all.

    Returns
    -------
    (h, w) linear light; outside of the box the before capture's own pixels. Where nothing moved
    it is the before capture itself.
    """
    height, width = after.linear.shape
    left, top, right, bottom = box or (0, 0, width, height)
    left, top = max(left, 0), max(top, 0)
    right, bottom = min(right, width), min(bottom, height)
    if right <= left or bottom <= top:
        return before.linear
    shape = (bottom - top, right - left)
    seen = pixel_map(after.surface, (left, top), shape)
    if seen.moved_px(before.surface, motion) < _STILL_PX:
        return before.linear
    u, v = seen.into(before.surface, motion)
    # Only the part that is looked at is turned into a spline, with room for its kernel.
    first_u = int(np.clip(u.min() - _SPLINE_RIM_PX, 0, width - 1))
    first_v = int(np.clip(v.min() - _SPLINE_RIM_PX, 0, height - 1))
    last_u = int(np.clip(u.max() + _SPLINE_RIM_PX, first_u, width - 1)) + 1
    last_v = int(np.clip(v.max() + _SPLINE_RIM_PX, first_v, height - 1)) + 1
    coefficients = spline_coefficients(before.linear[first_v:last_v, first_u:last_u])
    out = before.linear.copy()
    out[top:bottom, left:right] = look_up(
        coefficients, u - np.float32(first_u), v - np.float32(first_v)
    )
    return out
