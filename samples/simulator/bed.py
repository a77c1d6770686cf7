"""The machine's bed: honeycomb, slats or a sacrificial sheet, and its reference marks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from samples.simulator.camera import BED_MM, Grid
from samples.simulator.motion import Motion, placed
from samples.simulator.picture import linear_from_level
from samples.simulator.raster import Raster, blank, rectangle_share

Array = NDArray[np.float64]

FRAME_TINT = (1.0, 1.0, 1.02)
BEDS = ("honeycomb", "slats", "sheet")
TINTS = {
    "honeycomb": FRAME_TINT,
    "slats": FRAME_TINT,
    "sheet": (1.25, 0.98, 0.66),
}
_PITCH_MM = 0.2
_RIM_MM = 110.0


@dataclass(frozen=True)
class ReferenceMark:
    """A square marker of known place on the bed, on a white ground."""

    number: int
    centre_mm: tuple[float, float]
    turn_deg: float
    size_mm: float = 14.0
    ground_mm: float = 19.0


MARKS = (
    ReferenceMark(10, (14.0, 14.0), 0.0),
    ReferenceMark(11, (386.0, 14.0), 0.0),
    ReferenceMark(12, (386.0, 286.0), 90.0),
    ReferenceMark(13, (14.0, 286.0), 0.0),
)


def marks_file() -> dict[str, Any]:
    """Return the content of the reference marks' file."""
    return {
        "schema": "witmark.marks/1",
        "dictionary": "DICT_4X4_50",
        "marker_mm": MARKS[0].size_mm,
        "height_mm": 0.0,
        "centres_mm": {str(mark.number): list(mark.centre_mm) for mark in MARKS},
        "turn_deg": {str(mark.number): mark.turn_deg for mark in MARKS},
    }


def marker_cells(dictionary: str, number: int) -> Grid:
    """Return the cells of a marker with its black border, top row first, 1 white and 0 black."""
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    count = known.markerSize + 2
    cells = known.generateImageMarker(number, count, borderBits=1)
    return np.asarray(cells > 127, np.float32)


def mark_raster(mark: ReferenceMark) -> tuple[Raster, Motion]:
    """Return a mark's brightness (1 white) about its centre, and the motion to the bed."""
    half = mark.ground_mm / 2
    raster = blank((-half, -half, half, half), mark.size_mm / 6 / 24)
    raster.values[:] = 1.0
    draw_marker(raster, marker_cells("DICT_4X4_50", mark.number), (0.0, 0.0), mark.size_mm)
    return raster, placed(mark.centre_mm, mark.turn_deg)


def draw_marker(
    raster: Raster, cells: Grid, centre_mm: tuple[float, float], size_mm: float
) -> None:
    """Draw a marker's black cells with exact coverage; its top row lies at the largest y."""
    count = len(cells)
    cell = size_mm / count
    left, top = centre_mm[0] - size_mm / 2, centre_mm[1] + size_mm / 2
    for row, column in zip(*np.nonzero(cells == 0), strict=True):
        raster.values[:] -= rectangle_share(
            raster,
            left + column * cell,
            top - (row + 1) * cell,
            left + (column + 1) * cell,
            top - row * cell,
        )


@lru_cache(maxsize=4)
def bed_layers(kind: str, variant: int) -> tuple[tuple[Raster, tuple[float, float, float]], ...]:
    """Return the bed and the machine's frame round it as reflectance with its tint.

    Drawn at 0.2 mm; where both have one tint they are one raster. The reflectances add up.
    """
    rng = np.random.default_rng([7303, BEDS.index(kind), variant])
    raster = blank((-_RIM_MM, -_RIM_MM, BED_MM[0] + _RIM_MM, BED_MM[1] + _RIM_MM), _PITCH_MM)
    draw = {"honeycomb": _honeycomb, "slats": _slats, "sheet": _sheet}[kind]
    inside = draw(raster, rng)
    x, y = raster.axes_mm()
    on_bed = np.outer((y > -6) & (y < BED_MM[1] + 6), (x > -6) & (x < BED_MM[0] + 6))
    frame = _frame(raster, rng)

    def softened(values: Grid) -> Raster:
        soft = cv2.GaussianBlur(values, (0, 0), 0.8)
        held = np.asarray(np.clip(soft, 0.0, 1.0), np.float32)
        return Raster(held, raster.pitch_mm, raster.first_mm)

    if TINTS[kind] == FRAME_TINT:
        return ((softened(np.where(on_bed, inside, frame)), FRAME_TINT),)
    nothing = np.float32(0)
    return (
        (softened(np.where(on_bed, inside, nothing)), TINTS[kind]),
        (softened(np.where(on_bed, nothing, frame)), FRAME_TINT),
    )


def _frame(raster: Raster, rng: np.random.Generator) -> Grid:
    """Draw the sheet-metal frame: dark grey, a lip along the bed, a rail on each side."""
    x, y = raster.axes_mm()
    gap_x = np.maximum(-6 - x, x - BED_MM[0] - 6)
    gap_y = np.maximum(-6 - y, y - BED_MM[1] - 6)
    gap = np.maximum(gap_x[None, :], gap_y[:, None])
    value = np.full(gap.shape, linear_from_level(58), np.float32)
    value[gap < 3] = linear_from_level(95)
    value[gap < 0.8] = linear_from_level(30)
    rail = (gap_x > 18) & (gap_x < 30)
    value[:, rail] = linear_from_level(128)
    value[:, (gap_x > 22) & (gap_x < 23.5)] = linear_from_level(60)
    value *= 1 + 0.05 * cv2.resize(
        rng.standard_normal((90, 120), dtype=np.float32),
        value.shape[::-1],
        interpolation=cv2.INTER_CUBIC,
    )
    return value


def _honeycomb(raster: Raster, rng: np.random.Generator) -> Grid:
    """Draw hexagonal cells: thin bright walls, dark depths, soot here and there."""
    x, y = raster.axes_mm()
    pitch = float(rng.uniform(6.0, 8.5))
    # Distance to the nearest of two interleaved rectangular lattices of cell centres gives the
    # hexagons; the wall lies where the two nearest centres are equally far.
    flat_x, flat_y = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    bend = np.asarray(0.25 * np.sin(flat_x / 37) + 0.25 * np.sin(flat_y / 29 + 1), np.float32)
    gx, gy = flat_x + bend, flat_y - bend
    high = np.float32(pitch * np.sqrt(3))
    distances = []
    for ox, oy in ((0.0, 0.0), (pitch / 2, high / 2)):
        dx = (gx - ox + pitch / 2) % pitch - pitch / 2
        dy = (gy - oy + high / 2) % high - high / 2
        near = np.hypot(dx, dy)
        beside = np.hypot(np.abs(dx) - pitch, dy)
        distances.append((near, beside))
    (a, a2), (b, b2) = distances
    first = np.minimum(a, b)
    second = np.minimum(np.minimum(np.maximum(a, b), a2), b2)
    wall = np.exp(-(((second - first) / 0.55) ** 2))
    shine = 0.75 + 0.35 * np.sin(gx / 61 + 2 * rng.random()) * np.sin(gy / 47)
    soot = cv2.resize(
        rng.standard_normal((12, 16), dtype=np.float32),
        gx.shape[::-1],
        interpolation=cv2.INTER_CUBIC,
    )
    depth = linear_from_level(34) * (1 + 0.25 * (gy % 3.1 < 0.5))
    walls = linear_from_level(150) * shine * np.clip(1 - 0.35 * soot, 0.2, 1.2)
    return np.asarray(depth + wall * walls, np.float32)


def _slats(raster: Raster, rng: np.random.Generator) -> Grid:
    """Draw bright aluminium blades with dark gaps, worn and spattered."""
    x, y = raster.axes_mm()
    step = float(rng.uniform(16, 22))
    gx, gy = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    across = (gy + float(rng.uniform(0, step))) % step
    blade = (across < 0.55 * step).astype(np.float32)
    streaks = cv2.resize(
        rng.standard_normal((raster.values.shape[0], 60), dtype=np.float32),
        gx.shape[::-1],
        interpolation=cv2.INTER_LINEAR,
    )
    wear = cv2.resize(
        rng.standard_normal((40, 50), dtype=np.float32),
        gx.shape[::-1],
        interpolation=cv2.INTER_CUBIC,
    )
    bright = linear_from_level(196) * (1 + 0.06 * streaks + 0.08 * wear)
    deep = linear_from_level(42) * (1 + 0.6 * (across / step - 0.55))
    nicks = np.zeros_like(gx)
    for _ in range(150):
        column, row = int(rng.integers(gx.shape[1])), int(rng.integers(gx.shape[0]))
        nicks[max(row - 2, 0) : row + 2, column : column + int(rng.integers(5, 60))] = 0.5
    return np.asarray(np.where(blade > 0, bright * (1 - nicks), deep), np.float32)


def _sheet(raster: Raster, rng: np.random.Generator) -> Grid:
    """Draw a sacrificial board with the cuts and scorches of earlier jobs."""
    shape = raster.values.shape
    mottle = cv2.resize(
        rng.standard_normal((110, 140), dtype=np.float32),
        shape[::-1],
        interpolation=cv2.INTER_CUBIC,
    )
    fibre = cv2.GaussianBlur(rng.standard_normal(shape, dtype=np.float32), (0, 0), 2.0)
    value = linear_from_level(158) * (1 + 0.04 * mottle + 0.25 * fibre)
    burns = np.zeros(shape, np.float32)
    scale = 1 / raster.pitch_mm

    def cells(points: Array) -> NDArray[np.int32]:
        return np.round((points + _RIM_MM) * scale).astype(np.int32)

    for _ in range(14):
        low = rng.uniform((0, 0), (340, 250))
        size = rng.uniform(12, 90, 2)
        corners = low + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size
        burn = float(rng.uniform(0.35, 0.85))
        cv2.polylines(burns, [cells(corners)], True, burn, int(rng.integers(1, 4)))
    for _ in range(8):
        centre, radius = rng.uniform((20, 20), (380, 280)), float(rng.uniform(4, 30))
        where = cells(centre[None])[0]
        cv2.circle(
            burns,
            (int(where[0]), int(where[1])),
            int(radius * scale),
            float(rng.uniform(0.3, 0.8)),
            int(rng.integers(1, 4)),
        )
    haze = cv2.GaussianBlur(burns, (0, 0), 9.0)
    return np.asarray(value * (1 - burns) * (1 - 0.9 * np.clip(haze, 0, 1)), np.float32)
