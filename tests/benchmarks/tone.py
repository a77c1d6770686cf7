"""The camera's tone curve (IEC 61966-2-1), written anew: nothing of the product's is shared."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def grey_of(linear: Array) -> Array:
    """Encode linear light 0..1 as grey levels 0..255 (IEC 61966-2-1)."""
    curved = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
    return np.asarray(255 * np.where(linear > 0.0031308, curved, 12.92 * linear))


def linear_of(grey: Array) -> Array:
    """Decode grey levels 0..255 to linear light 0..1."""
    part = grey / 255
    return np.asarray(np.where(part > 0.04045, ((part + 0.055) / 1.055) ** 2.4, part / 12.92))


def tone_slope(linear: Array) -> Array:
    """Return d(grey level) / d(linear light)."""
    curved = 1.055 / 2.4 * np.maximum(linear, 0.0031308) ** (1 / 2.4 - 1)
    return np.asarray(255 * np.where(linear > 0.0031308, curved, 12.92))
