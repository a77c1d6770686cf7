"""A capture ready for measuring: light, grey levels, what may count, and its map."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.surface import Surface

Array = NDArray[np.float64]
Image = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class View:
    """One capture ready for measuring.

    Attributes
    ----------
    linear
        (h, w) linear luminance, 0 to 1.
    grey
        (h, w) the same in the camera's tone curve, 0 to 255.
    usable
        (h, w) 1 where a pixel may count, 0 where it is saturated.
    surface
        The capture's map to surface millimetres.
    stray
        (h, w) light that a glare adds to what is seen; None where there is none.
    """

    linear: Image
    grey: Image
    usable: Image
    surface: Surface
    stray: Image | None = None


@dataclass(frozen=True)
class NotFound:
    """The artwork was not found, and why; false, so that it cannot be taken for a mark.

    The hint tells what may help to find it.
    """

    why: str
    outside_view: bool = False
    hint: str = ""

    def __bool__(self) -> bool:
        """Return False."""
        return False


def pixel_mm(surface: Surface, place_mm: Array, anywhere: bool) -> float | None:
    """Return the size of a pixel at a place (at the picture's middle where it may be anywhere)."""
    width, height = surface.image_size
    if anywhere:
        place_mm = surface.mm_from_px(np.array([[width / 2.0, height / 2.0]]))
    pixel = surface.px_from_mm(place_mm)[0]
    inside = (
        np.isfinite(pixel).all() and -50 < pixel[0] < width + 50 and -50 < pixel[1] < height + 50
    )
    if not inside:
        return None
    jacobian = surface.jacobian_px_per_mm(place_mm)[0]
    if not np.isfinite(jacobian).all():
        return None
    return 1.0 / math.sqrt(abs(float(np.linalg.det(jacobian))))


def visible_mm(surface: Surface) -> tuple[Array, Array]:
    """Return the box of surface places that the camera sees."""
    width, height = surface.image_size
    edge = np.linspace(0.0, 1.0, 17)
    ring = np.concatenate(
        [np.stack([edge, np.full(17, v)], 1) for v in (0.0, 1.0)]
        + [np.stack([np.full(17, v), edge], 1) for v in (0.0, 1.0)]
    )
    places = surface.mm_from_px(ring * [width - 1.0, height - 1.0])
    places = places[np.isfinite(places).all(axis=1)]
    return places.min(axis=0), places.max(axis=0)
