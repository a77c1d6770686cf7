"""Uncertainty of a least-squares fit whose residuals are coloured.

Texture, compression and unmodelled burn leave residuals that hang together over several pixels;
intervals from s^2 (J'J)^-1 are then far too short. Here the covariance of the residuals is
estimated from the residuals themselves, as a stationary autocovariance, and carried through the
fit: cov = G C G' with G = (J'WJ)^-1 J'W (sandwich; White, Econometrica 48, 1980; for stationary
noise the middle is a convolution).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Image = NDArray[np.float32]


def autocovariance_spectrum(residual: Image, weight: Image, reach_px: int) -> Array:
    """Return the spectrum (padded rfft2 shape) of the tapered autocovariance of residuals.

    Parameters
    ----------
    residual, weight
        (rows, columns); weight 0 where a pixel does not count, 1 where it does fully.
    reach_px
        Largest lag that counts; the taper falls to nothing there.
    """
    shape = padded(residual.shape, reach_px)
    seen = (weight > 0.5).astype(np.float64)
    values = np.where(seen > 0, residual, 0.0).astype(np.float64)
    power = np.fft.irfft2(np.abs(np.fft.rfft2(values, shape)) ** 2, shape)
    pairs = np.fft.irfft2(np.abs(np.fft.rfft2(seen, shape)) ** 2, shape)
    covariance = power / np.maximum(pairs, 1.0)
    lag_y = np.fft.fftfreq(shape[0], 1.0 / shape[0])
    lag_x = np.fft.fftfreq(shape[1], 1.0 / shape[1])
    taper = np.outer(_parzen(lag_y / reach_px), _parzen(lag_x / reach_px))
    spectrum = np.fft.rfft2(covariance * taper).real
    return np.asarray(np.maximum(spectrum, 0.0))


def padded(shape: tuple[int, ...], reach_px: int) -> tuple[int, int]:
    """Return an FFT-friendly shape that leaves room for lags up to the reach."""
    rows, columns = shape[:2]
    return (
        cv2.getOptimalDFTSize(rows + 2 * reach_px),
        cv2.getOptimalDFTSize(columns + 2 * reach_px),
    )


def carry_through(
    influence: NDArray[np.floating], spectrum: Array, shape: tuple[int, int]
) -> Array:
    """Return G C G' for influence images.

    Parameters
    ----------
    influence
        (p, rows, columns): change of each parameter per unit of residual in each pixel.
    spectrum
        From `autocovariance_spectrum`.
    shape
        Padded shape that the spectrum has in the image domain.
    """
    transformed = np.fft.rfft2(influence, shape)
    columns = shape[1]
    # Columns of a half spectrum stand for two, but for the first and (even width) the last.
    double = np.full(transformed.shape[-1], 2.0)
    double[0] = 1.0
    if columns % 2 == 0:
        double[-1] = 1.0
    left = transformed * (spectrum * double)
    count = len(influence)
    flat = left.reshape(count, -1) @ transformed.reshape(count, -1).conj().T
    return np.asarray(flat.real / (shape[0] * shape[1]))


def _parzen(lag: Array) -> Array:
    """Parzen's lag window (Technometrics 3, 1961): positive spectrum, zero beyond |lag| = 1."""
    a = np.abs(lag)
    inner = 1 - 6 * a**2 + 6 * a**3
    outer = 2 * np.clip(1 - a, 0, None) ** 3
    return np.asarray(np.where(a <= 0.5, inner, outer))
