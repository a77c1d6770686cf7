"""The machine's own gantry and head, drawn in front of the work."""

from __future__ import annotations

import numpy as np

from samples.simulator.camera import Camera
from samples.simulator.motion import Motion
from samples.simulator.picture import linear_from_level
from samples.simulator.raster import Raster, blank, rectangle_share
from samples.simulator.scene import Panel

_HEIGHT_MM = 45.0


def gantry(camera: Camera, above_mm: tuple[float, float]) -> Panel:
    """Return a beam across the bed with the head on it, 45 mm above the bed.

    The head covers what lies under `above_mm` as this camera sees it.
    """
    ground = np.array([*above_mm, 0.0])
    towards = camera.place_mm - ground
    at = ground + towards * (_HEIGHT_MM / towards[2])
    cover = blank((-420.0, -30.0, 420.0, 55.0), 0.5)
    brightness = Raster(np.zeros_like(cover.values), cover.pitch_mm, cover.first_mm)
    # (x0, y0, x1, y1, grey level): beam, its rail, head, its plate, lens tube, cable.
    for x0, y0, x1, y1, level in (
        (-420, 8, 420, 44, 88),
        (-420, 22, 420, 27, 160),
        (-420, 42, 420, 44, 50),
        (-22, -14, 22, 50, 46),
        (-17, -9, 17, 30, 74),
        (-6, -20, 6, 6, 140),
        (18, 30, 40, 34, 22),
    ):
        share = rectangle_share(cover, x0, y0, x1, y1)
        np.maximum(cover.values, share, out=cover.values)
        brightness.values[:] += share * (linear_from_level(level) - brightness.values)
    plane = Motion(0.0, float(-at[0]), float(-at[1])).matrix @ camera.bed_from_ray(_HEIGHT_MM)
    return Panel(brightness, cover, plane, (1.0, 1.0, 1.03))
