"""How far a glare lies over a mark: light that the model, which only multiplies, does not know."""

from __future__ import annotations

import numpy as np

from vision.register.fitted import Fit
from vision.register.local import bare_ground, square_cells
from vision.register.tone import linear_from_grey

_CELL_MM = 3.0
_FEWEST_PIXELS, _FEWEST_CELLS = 20, 12
# The plane of light is fitted once more without the brightest cells, a glare's among them.
_BRIGHTEST = 0.8


def glare_over(fit: Fit) -> float:
    """Return how many times as bright as even light the brightest bare cell about a mark is.

    Bare ground is compared with the capture before the burn, where there is one, cell by cell of 3
    mm; a plane of light (of its logarithm) is taken out.
    """
    scene = fit.setting.scene
    bare = bare_ground(scene, fit)
    before = np.maximum(scene.ground + scene.texture, np.float32(1e-3))
    light = (linear_from_grey(scene.grey) / before)[bare].astype(np.float64)
    cell = square_cells(scene, _CELL_MM)[bare]
    x, y = (place[bare].astype(np.float64) for place in scene.region.centre_places())
    pixels = np.bincount(cell, minlength=1)
    enough = pixels >= _FEWEST_PIXELS
    if np.count_nonzero(enough) < _FEWEST_CELLS:
        return 1.0
    mean_light, mean_x, mean_y = (
        np.bincount(cell, values)[enough] / pixels[enough] for values in (light, x, y)
    )
    level = np.log(np.maximum(mean_light, 1e-4))
    plane = np.column_stack([np.ones_like(mean_x), mean_x - mean_x.mean(), mean_y - mean_y.mean()])
    left = level - plane @ np.linalg.lstsq(plane, level, rcond=None)[0]
    even = left <= np.quantile(left, _BRIGHTEST)
    left = level - plane @ np.linalg.lstsq(plane[even], level[even], rcond=None)[0]
    return float(np.exp(left.max() - np.median(left)))
