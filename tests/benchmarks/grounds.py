"""Grounds that a mark is burned into: none, brushed metal, wood."""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Standard deviation of the light that each ground sends back, as a share of its mean.
AMOUNT = {"brushed": 0.03, "wood": 0.045}
_DRAWS = 24
# Lines and fibres: standard deviations along and across, mm.
_BRUSHED_MM = (1.5, 0.12)
_FIBRE_MM = (2.5, 0.15)
_RING_MM = 2.6


def texture(kind: str, size: tuple[int, int], pitch_mm: float, seed: int) -> Array:
    """Return (h, w) the light that a ground sends back, mean about one.

    It is drawn at the pixels: what a camera makes of it is part of it.

    Parameters
    ----------
    kind
        "none", "brushed" or "wood".
    size
        Width and height, pixels.
    pitch_mm
        Millimetres per pixel.
    """
    width, height = size
    if kind == "none":
        return np.ones((height, width))
    rng = np.random.default_rng([seed, 17])
    lines = _lines(rng, size, pitch_mm, _BRUSHED_MM if kind == "brushed" else _FIBRE_MM)
    if kind == "wood":
        # Rings cut nearly along the grain: bands that wander, each with one sharp side.
        v = np.arange(height)[:, None] * pitch_mm
        wander = _RING_MM * 0.6 * _wander(rng, size, pitch_mm)
        phase = 2 * math.pi * ((v + wander) / _RING_MM + rng.uniform())
        lines = 0.7 * lines + np.sin(phase) + 0.3 * np.sin(2 * phase)
    return np.asarray(1 + AMOUNT[kind] * (lines - lines.mean()) / lines.std())


def _lines(
    rng: np.random.Generator, size: tuple[int, int], pitch_mm: float, sigma_mm: tuple[float, float]
) -> Array:
    """Return (h, w) noise blurred along and across; standard deviation one."""
    width, height = size
    along, across = (max(sigma / pitch_mm, 0.6) for sigma in sigma_mm)
    # A wide margin, so that the picture's border is like the rest.
    margin = math.ceil(3 * max(along, across))
    noise = rng.normal(size=(height + 2 * margin, width + 2 * margin))
    blurred = cv2.GaussianBlur(noise, (0, 0), along, sigmaY=across)
    cut = blurred[margin : margin + height, margin : margin + width]
    return np.asarray(cut / cut.std())


def _wander(rng: np.random.Generator, size: tuple[int, int], pitch_mm: float) -> Array:
    """Return (h, w) noise so slow that a grid of about a millimetre holds it."""
    every = max(1, round(1 / pitch_mm))
    few = (size[0] // every + 2, size[1] // every + 2)
    slow = _lines(rng, few, every * pitch_mm, (9.0, 4.0))
    whole = cv2.resize(slow, (few[0] * every, few[1] * every), interpolation=cv2.INTER_CUBIC)
    return np.asarray(whole[: size[1], : size[0]])


@lru_cache(maxsize=12)
def spectrum(kind: str, size: tuple[int, int], pitch_mm: float) -> Array:
    """Return (h, w) the mean periodogram of a ground (share of its mean, squared).

    White noise of variance s^2 would have s^2 everywhere.
    """
    width, height = size
    total = np.zeros((height, width))
    for number in range(_DRAWS):
        drawn = texture(kind, size, pitch_mm, 900_000 + number) - 1.0
        total += np.abs(np.fft.fft2(drawn)) ** 2 / drawn.size
    return total / _DRAWS
