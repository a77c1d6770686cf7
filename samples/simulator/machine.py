"""A machine that burns G-code on a scrap sheet: its own axes, scale, squareness and lost motion."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from samples.simulator.burn import Beam, burn_lines
from samples.simulator.camera import Camera, Grid
from samples.simulator.material import MATERIALS, ground, ground_reflectance, mark_reflectance
from samples.simulator.picture import Light, Optics, Picture
from samples.simulator.raster import Raster, blank
from samples.simulator.scene import Panel, Scene, render
from samples.simulator.shapes import Line

Array = NDArray[np.float64]

_WORD = re.compile(r"([A-Z])\s*([-+]?\d*\.?\d+)")
_PITCH_MM = 0.06
_GROUND_PITCH_MM = 0.25
_OPACITY = 0.9


@dataclass(frozen=True)
class Machine:
    """Where the beam lands when the machine is told to go somewhere.

    Attributes
    ----------
    axes
        Rows: the bed's X and Y as combinations of the machine's.
    origin_mm
        Bed place of the machine's origin.
    scale
        True over told length along the machine's X and Y, less one.
    skew_rad
        By how much the machine's Y leans toward its X.
    reversal_mm
        Along X and Y: place reached by a rising coordinate less that reached by a falling one.
    scatter_mm
        Standard deviation of every place that is gone to, along each axis.
    """

    axes: tuple[tuple[float, float], tuple[float, float]] = ((1.0, 0.0), (0.0, 1.0))
    origin_mm: tuple[float, float] = (0.0, 0.0)
    scale: tuple[float, float] = (0.0, 0.0)
    skew_rad: float = 0.0
    reversal_mm: tuple[float, float] = (0.0, 0.0)
    scatter_mm: float = 0.0

    def strokes(self, gcode: str, seed: int = 0) -> tuple[Line, ...]:
        """Return the burned strokes of a program on the bed (RS-274: G0, G1, M3, M5, absolute)."""
        rng = np.random.default_rng([7310, seed])
        told, burning = np.zeros(2), False
        way = np.zeros(2)
        strokes = []
        here = self._reached(told, way, rng)
        for line in gcode.splitlines():
            words = {
                letter: float(number)
                for letter, number in _WORD.findall(re.sub(r"\(.*?\)", "", line).upper())
            }
            if "M" in words:
                burning = words["M"] == 3 or (burning and words["M"] != 5)
            goal = np.array([words.get("X", told[0]), words.get("Y", told[1])])
            if (goal == told).all():
                continue
            way = np.where(goal == told, way, np.sign(goal - told))
            there = self._reached(goal, way, rng)
            # An axis that does not move stays where it is.
            there = np.where(goal == told, here, there)
            if burning:
                strokes.append(Line(self._on_bed(np.array([here, there])), False, "stroke"))
            told, here = goal, there
        return tuple(strokes)

    def on_bed(self, told_mm: Array) -> Array:
        """Return the (n, 2) bed places of told ones, halfway between both ways of reaching them."""
        return self._on_bed(told_mm * (1 + np.array(self.scale)))

    def _reached(self, told: Array, way: Array, rng: np.random.Generator) -> Array:
        lost = way * np.array(self.reversal_mm) / 2
        return np.asarray(
            told * (1 + np.array(self.scale)) + lost + self.scatter_mm * rng.standard_normal(2)
        )

    def _on_bed(self, machine_mm: Array) -> Array:
        leaned = machine_mm + np.outer(machine_mm[:, 1], [self.skew_rad, 0.0])
        return np.asarray(leaned @ np.array(self.axes).T + np.array(self.origin_mm))


@lru_cache(maxsize=1)
def _sheet(
    gcode: str, machine: Machine, material: str, contrast: float, kerf_mm: float, seed: int
) -> tuple[Raster, Raster]:
    """Return brightness and cover of a scrap sheet with what was burned on it."""
    strokes = machine.strokes(gcode, seed)
    points = np.concatenate([stroke.points_mm for stroke in strokes])
    low, high = points.min(axis=0) - 8.0, points.max(axis=0) + 8.0
    raster = blank((low[0], low[1], high[0], high[1]), _PITCH_MM)
    rng = np.random.default_rng([7311, seed])
    beam = Beam(kerf_mm, strength=_OPACITY, pitch_mm=_PITCH_MM)
    [burned] = burn_lines(strokes, beam, rng)
    made = MATERIALS[material]
    size = (float(high[0] - low[0]), float(high[1] - low[1]))
    grain = ground(material, size, seed, _GROUND_PITCH_MM).values
    rows, columns = raster.values.shape
    step = _PITCH_MM / _GROUND_PITCH_MM
    inset = 3.0 / _GROUND_PITCH_MM
    matrix = np.array([[step, 0, inset], [0, step, inset]])
    bare = cv2.warpAffine(
        grain, matrix, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    brightness = (bare * ground_reflectance(made)).astype(np.float32)
    dark = mark_reflectance(made, made.mark_tint, contrast, _OPACITY)
    own = burned.opacity
    # The burned raster has cells of its own: it is laid onto the sheet's with their exact shift.
    shift = np.array(
        [
            [1, 0, (own.first_mm[0] - raster.first_mm[0]) / _PITCH_MM],
            [0, 1, (own.first_mm[1] - raster.first_mm[1]) / _PITCH_MM],
        ]
    )
    opacity: Grid = np.asarray(
        cv2.warpAffine(own.values, shift, (columns, rows), flags=cv2.INTER_LINEAR), np.float32
    )
    brightness += opacity * (np.float32(dark) - brightness)
    sheet = Raster(brightness, _PITCH_MM, raster.first_mm)
    return sheet, Raster(np.ones_like(brightness), _PITCH_MM, raster.first_mm)


def target_photo(
    gcode: str,
    camera: Camera,
    machine: Machine,
    height_mm: float,
    seed: int,
    material: str = "wood",
    contrast: float = 90.0,
    kerf_mm: float = 0.2,
    bed: str = "honeycomb",
    with_marks: bool = False,
    **optics: Any,
) -> Picture:
    """Return a photo of a sheet that a machine has burned a program on; `optics` as in `Optics`."""
    rng = np.random.default_rng([7312, seed])
    brightness, cover = _sheet(gcode, machine, material, contrast, kerf_mm, seed)
    tint = MATERIALS[material].tint
    panel = Panel(brightness, cover, camera.bed_from_ray(height_mm), tint)
    light = Light((float(rng.uniform(-0.12, 0.12)), float(rng.uniform(-0.12, 0.12))), 0.08, 0.98)
    scene = Scene(
        camera,
        bed,
        0,
        panels=(panel,),
        light=light,
        optics=Optics(**optics),
        with_marks=with_marks,
    )
    return render(scene, rng)
