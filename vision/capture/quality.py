"""Captures as the measuring core wants them: linear light, grey levels, what may count."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration.surface import Surface
from vision.capture.photo import Photo
from vision.capture.repeats import check_repeats
from vision.register.tone import grey_by_table
from vision.register.view import View

# Grey level from which a channel counts as saturated.
_SATURATED = 252


def view_of(photos: Sequence[Photo], surface: Surface) -> View:
    """Return one view of a capture; several photos of one scene are averaged in linear light."""
    check_repeats(photos)
    linear = photos[0].linear
    if len(photos) > 1:
        linear = np.mean([photo.linear for photo in photos], axis=0, dtype=np.float32)
    usable = np.ones(linear.shape, np.float32)
    for photo in photos:
        red, green, blue = cv2.split(photo.rgb)
        bright = (cv2.max(cv2.max(red, green), blue) >= _SATURATED).astype(np.uint8)
        usable[cv2.dilate(bright, np.ones((3, 3), np.uint8)) > 0] = 0.0
    return View(linear, grey_by_table(linear), usable, surface)


def saturated_share(view: View) -> float:
    """Return the share of a capture's pixels that are saturated, or touch one that is."""
    return float(1.0 - view.usable.mean())
