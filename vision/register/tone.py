"""Between camera grey levels and linear light (IEC 61966-2-1, the sRGB curve)."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

_DARK = 0.0031308


def grey_from_linear(linear: Image) -> Image:
    """Encode linear light 0..1 as grey levels 0..255; continued straight below zero."""
    safe = np.maximum(linear, np.float32(_DARK))
    curved = np.float32(1.055) * np.power(safe, np.float32(1 / 2.4)) - np.float32(0.055)
    return np.asarray(255.0 * np.where(linear > _DARK, curved, np.float32(12.92) * linear))


def grey_by_table(linear: Image) -> Image:
    """Encode a whole picture of linear light 0..1, to a twentieth of a level, but quickly."""
    index = (np.clip(linear, 0, 1) * np.float32(65535) + np.float32(0.5)).astype(np.uint16)
    return np.asarray(_table()[index])


@lru_cache(maxsize=1)
def _table() -> Image:
    return grey_from_linear(np.linspace(0, 1, 65536, dtype=np.float32))


def grey_slope(linear: Image) -> Image:
    """Return d(grey level) / d(linear light)."""
    safe = np.maximum(linear, np.float32(_DARK))
    curved = np.float32(1.055 / 2.4) * np.power(safe, np.float32(1 / 2.4 - 1))
    return np.asarray(255.0 * np.where(linear > _DARK, curved, np.float32(12.92)))


def linear_from_grey(grey: Image) -> Image:
    """Decode grey levels 0..255 to linear light 0..1."""
    encoded = np.clip(grey / np.float32(255.0), 0, 1)
    curved = np.power((encoded + np.float32(0.055)) / np.float32(1.055), np.float32(2.4))
    return np.asarray(np.where(encoded > 0.04045, curved, encoded / np.float32(12.92)))
