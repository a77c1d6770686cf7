"""What the work is made of: ground, colour, texture that stays on the work."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from samples.simulator.camera import Grid
from samples.simulator.font import text_lines
from samples.simulator.picture import level_from_linear
from samples.simulator.raster import Raster, blank

Array = NDArray[np.float64]
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Material:
    """A ground that can be marked.

    Attributes
    ----------
    level
        Grey level of the ground in a picture of normal exposure.
    tint, mark_tint
        Relative red, green, blue of ground and mark (about mean 1).
    light_mark
        Whether the beam leaves light on dark (anodised metal) instead of dark on light.
    """

    level: float
    tint: Colour
    mark_tint: Colour
    light_mark: bool


MATERIALS: dict[str, Material] = {
    "none": Material(188, (1.01, 1.0, 0.98), (1.06, 1.0, 0.92), False),
    "brushed": Material(172, (0.99, 1.0, 1.02), (1.0, 1.0, 1.0), False),
    "anodised": Material(72, (0.62, 0.94, 1.75), (1.0, 1.0, 1.01), True),
    "anodised_green": Material(70, (0.45, 1.25, 0.62), (1.0, 1.0, 1.0), True),
    "anodised_black": Material(52, (1.0, 1.0, 1.03), (1.0, 1.0, 1.0), True),
    "wood": Material(176, (1.22, 0.98, 0.68), (1.5, 0.95, 0.6), False),
    "painted": Material(192, (0.96, 1.02, 1.0), (1.15, 1.0, 0.85), False),
    "printed": Material(196, (1.02, 1.0, 0.95), (1.1, 1.0, 0.9), False),
}


def _noise(rng: np.random.Generator, shape: tuple[int, int], sx: float, sy: float) -> Grid:
    """Return smooth noise of standard deviation 1; sigmas in cells along x and y."""
    # Long correlations are drawn coarse and enlarged: the same look for a fraction of the time.
    fx, fy = max(1.0, sx / 2), max(1.0, sy / 2)
    rows, columns = int(shape[0] / fy) + 8, int(shape[1] / fx) + 8
    field = rng.standard_normal((rows, columns), dtype=np.float32)
    soft = cv2.GaussianBlur(field, (0, 0), max(sx / fx, 0.01), sigmaY=max(sy / fy, 0.01))
    full = cv2.resize(soft, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(full / full.std(), np.float32)


@lru_cache(maxsize=6)
def ground(texture: str, size_mm: tuple[float, float], seed: int, pitch_mm: float) -> Raster:
    """Return the relative brightness (mean about 1) of a sheet with its corner at (0, 0)."""
    rng = np.random.default_rng([7302, seed])
    raster = blank((-3.0, -3.0, size_mm[0] + 3.0, size_mm[1] + 3.0), pitch_mm)
    shape = raster.values.shape
    mottle = _noise(rng, shape, 9 / pitch_mm, 9 / pitch_mm)
    if texture == "none":
        value = 1 + 0.004 * mottle
    elif texture == "brushed":
        lines = _noise(rng, shape, 7 / pitch_mm, 0.08 / pitch_mm)
        value = 1 + 0.045 * lines + 0.015 * mottle
    elif texture.startswith("anodised"):
        grain = _noise(rng, shape, 0.15 / pitch_mm, 0.15 / pitch_mm)
        rolled = _noise(rng, shape, 12 / pitch_mm, 0.25 / pitch_mm)
        value = 1 + 0.02 * grain + 0.015 * rolled + 0.015 * mottle
    elif texture == "wood":
        value = _wood(rng, raster)
    elif texture == "painted":
        peel = _noise(rng, shape, 0.5 / pitch_mm, 0.5 / pitch_mm)
        value = 1 + 0.015 * peel + 0.012 * mottle
    else:
        value = (1 + 0.006 * mottle) * _printing(rng, raster, size_mm)
    raster.values[:] = value
    return raster


def _wood(rng: np.random.Generator, raster: Raster) -> Grid:
    x, y = raster.axes_mm()
    shape, pitch = raster.values.shape, raster.pitch_mm
    bent = _noise(rng, shape, 60 / pitch, 10 / pitch)
    rings = (y[:, None] + 1.6 * bent + 0.01 * x[None, :]) / float(rng.uniform(3.5, 6))
    spread = rings + 0.35 * np.sin(1.7 * rings)
    late = 0.5 + 0.5 * np.sin(2 * np.pi * spread)
    fibres = _noise(rng, shape, 5 / pitch, 0.12 / pitch)
    pores = np.maximum(_noise(rng, shape, 1.2 / pitch, 0.08 / pitch) - 1.8, 0)
    value = 1.05 - 0.14 * late**3 + 0.03 * fibres - 0.10 * pores
    return np.asarray(np.clip(value, 0.3, 1.3), np.float32)


def _printing(rng: np.random.Generator, raster: Raster, size_mm: tuple[float, float]) -> Grid:
    """Print a grid of fine lines, a few boxes and some words, dark on the ground."""
    width, height = size_mm
    dark = np.zeros(raster.values.shape, np.float32)
    x, y = raster.axes_mm()

    def box(x0: float, y0: float, x1: float, y1: float, ink: float) -> None:
        c0, c1 = np.searchsorted(x, [x0, x1])
        r0, r1 = np.searchsorted(y, [y0, y1])
        dark[r0:r1, c0:c1] = np.maximum(dark[r0:r1, c0:c1], ink)

    step = float(rng.uniform(7, 12))
    for place in np.arange(step / 2, width, step):
        box(place, 0, place + 0.25, height, 0.12)
    for place in np.arange(step / 2, height, step):
        box(0, place, width, place + 0.25, 0.12)
    for _ in range(6):
        x0, y0 = rng.uniform(0, 0.85) * width, rng.uniform(0, 0.85) * height
        box(x0, y0, x0 + rng.uniform(3, 9), y0 + rng.uniform(1.5, 4), float(rng.uniform(0.2, 0.5)))
    for word in ("BATCH 27", "THIS SIDE UP", "LOT 0419", "KEEP DRY"):
        at = (float(rng.uniform(0, 0.6) * width), float(rng.uniform(0, 0.9) * height))
        for line in text_lines(word, at, float(rng.uniform(2.5, 5))):
            cells = np.round((line - raster.first_mm) / raster.pitch_mm).astype(np.int32)
            cv2.polylines(dark, [cells], False, 0.5, max(int(0.4 / raster.pitch_mm), 1))
    return np.asarray(1 - cv2.GaussianBlur(dark, (0, 0), 1.0), np.float32)


def grey_level(colour: Array) -> float:
    """Return the grey level (ITU-R BT.601 luma, as common libraries take it) of linear light."""
    levels = level_from_linear(np.asarray(colour, np.float32).reshape(1, 1, 3))[0, 0]
    return float(levels @ np.array([0.299, 0.587, 0.114]))


def _solve(level: float, added: Array, tint: Array) -> float:
    """Return the factor m for which added + m tint has a grey level, by bisection."""
    low, high = 0.0, 2.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if grey_level(added + middle * tint) < level else (low, middle)
    return (low + high) / 2


def ground_reflectance(material: Material) -> float:
    """Return the factor of the ground's tint that gives its level."""
    return _solve(material.level, np.zeros(3), np.array(material.tint))


def mark_reflectance(
    material: Material, tint: Colour, contrast_levels: float, opacity: float
) -> float:
    """Return the factor of a fully burned place's tint.

    It is such that a stroke of the given opacity stands `contrast_levels` from the ground in grey.
    """
    sign = 1 if material.light_mark else -1
    seen = float(np.clip(material.level + sign * contrast_levels, 4, 250))
    bare = (1 - opacity) * ground_reflectance(material) * np.array(material.tint)
    return _solve(seen, bare, opacity * np.array(tint))


def opacity_for(
    material: Material, tint: Colour, reflectance: float, contrast_levels: float
) -> float:
    """Return the opacity at which a mark of known reflectance stands so far from the ground."""
    sign = 1 if material.light_mark else -1
    seen = float(np.clip(material.level + sign * contrast_levels, 4, 250))
    bare = ground_reflectance(material) * np.array(material.tint)
    burned = reflectance * np.array(tint)
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = (low + high) / 2
        beyond = sign * (grey_level((1 - middle) * bare + middle * burned) - seen) > 0
        low, high = (low, middle) if beyond else (middle, high)
    return (low + high) / 2
