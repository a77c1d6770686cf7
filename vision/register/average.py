"""Local means of pictures of which not every pixel counts."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

# Where next to nothing counts the mean is drawn to nothing.
_LEAST = 1e-3


def local_mean(
    values: Image, weight: Image, sigma_px: float, border: int = cv2.BORDER_DEFAULT
) -> Image:
    """Return (rows, columns) the mean about each place, by a Gaussian, of the pixels that count.

    Normalised convolution (Knutsson, Westin, IEEE CVPR 1993).

    Parameters
    ----------
    values, weight
        (rows, columns) the picture, and how much each pixel counts, 0 to 1.
    sigma_px
        Standard deviation of the Gaussian, pixels.
    border
        How OpenCV goes on beyond the picture.
    """

    def blur(picture: Image) -> Image:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px, borderType=border))

    share = np.maximum(blur(weight), np.float32(_LEAST))
    return np.asarray(blur(values * weight) / share, np.float32)
