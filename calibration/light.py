"""The tone curve that pictures are stored with (IEC 61966-2-1, sRGB)."""

from __future__ import annotations

import numpy as np


def _curve() -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    coded = np.arange(256) / 255.0
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


# (256,) linear light, 0 to 1, of every level of an 8-bit picture.
LINEAR = _curve()
