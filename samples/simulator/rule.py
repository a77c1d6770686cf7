"""A steel rule that lies on the bed: millimetre lines along one edge."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np

from samples.simulator.camera import Camera
from samples.simulator.font import text_lines, text_width
from samples.simulator.motion import placed
from samples.simulator.picture import Light, Optics, Picture
from samples.simulator.raster import Raster, blank, rectangle_share
from samples.simulator.scene import Panel, Scene, render

_PITCH_MM = 0.05
_WIDE_MM = 15.0
_LINE_MM = 0.15
_LONG_MM = {1: 3.0, 5: 4.5, 10: 6.5}
_STEEL, _INK = 0.5, 0.06
_PAST_MM = 4.0


@lru_cache(maxsize=2)
def _rule(length_mm: int, seed: int) -> Raster:
    """Return the brightness of a rule along x, its graduated edge at y = 0, the body above it."""
    raster = blank((-_PAST_MM, 0.0, length_mm + _PAST_MM, _WIDE_MM), _PITCH_MM)
    rng = np.random.default_rng([7314, seed])
    rows = len(raster.values)
    # Drawn steel: lines along the rule.
    raster.values[:] = _STEEL * (1 + 0.04 * rng.standard_normal((rows, 1)))
    ink = np.zeros_like(raster.values)
    for number in range(length_mm + 1):
        high = _LONG_MM[10 if number % 10 == 0 else 5 if number % 5 == 0 else 1]
        # A window of its own for every line.
        first = int((number + _PAST_MM - 1) / _PITCH_MM)
        part = ink[:, first : first + int(2 / _PITCH_MM)]
        window = Raster(part, _PITCH_MM, (raster.first_mm[0] + first * _PITCH_MM, 0.0))
        half = _LINE_MM / 2
        part[:] = np.maximum(part, rectangle_share(window, number - half, 0.0, number + half, high))
    for number in range(10, length_mm, 10):
        text = str(number // 10)
        left = number - text_width(text, 2.5) / 2
        for line in text_lines(text, (left, 8.0), 2.5):
            for share in np.linspace(0, 1, 40):
                for start, end in pairwise(line):
                    x, y = start + share * (end - start)
                    c, r = round((x + _PAST_MM) / _PITCH_MM), round(y / _PITCH_MM)
                    ink[r - 2 : r + 3, c - 2 : c + 3] = 1.0
    raster.values[:] += ink * (_INK - raster.values)
    return raster


def rule_photo(
    camera: Camera,
    at_mm: tuple[float, float],
    turn_deg: float,
    height_mm: float,
    seed: int,
    length_mm: int = 300,
    bed: str = "sheet",
    with_marks: bool = False,
    **optics: Any,
) -> Picture:
    """Return a photo of a rule, its zero line's foot at a bed place; `optics` as in `Optics`."""
    rng = np.random.default_rng([7315, seed])
    brightness = _rule(length_mm, seed)
    plane = placed(at_mm, turn_deg).inverse().matrix @ camera.bed_from_ray(height_mm)
    cover = Raster(np.ones_like(brightness.values), brightness.pitch_mm, brightness.first_mm)
    light = Light((float(rng.uniform(-0.12, 0.12)), float(rng.uniform(-0.12, 0.12))), 0.08, 0.98)
    scene = Scene(
        camera,
        bed,
        0,
        panels=(Panel(brightness, cover, plane),),
        light=light,
        optics=Optics(**optics),
        with_marks=with_marks,
    )
    return render(scene, rng)
