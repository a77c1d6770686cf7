"""How much pixels count that a model cannot explain."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

_ROBUST_AT = 3.0


def weigh_down(residual: Image, base: Image) -> Image:
    """Weigh down patches whose residual is far above the rest: occluded, smeared, glare."""
    square = cv2.boxFilter(residual * residual * base, -1, (5, 5), normalize=False)
    number = np.maximum(cv2.boxFilter(base, -1, (5, 5), normalize=False), 1.0)
    local = np.sqrt(np.maximum(square, 0.0) / number)
    typical = float(np.median(local[base > 0.5]))
    ratio = local / np.float32(max(_ROBUST_AT * typical, 1e-3))
    return np.asarray(1.0 / (1.0 + ratio**4) * (1.0 + (ratio <= 1) * ratio**4), np.float32)
