"""Glare over a mark: light that is added to all that is seen there, burned or not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.register.average import local_mean
from vision.register.fitted import Fit
from vision.register.local import bare_ground, square_cells
from vision.register.scene import Scene
from vision.register.tone import linear_from_grey
from vision.register.view import View

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_CELL_MM = 3.0
_FEWEST_PIXELS, _FEWEST_CELLS = 20, 12
# The plane of light is fitted once more without the brightest cells, a glare's among them.
_BRIGHTEST = 0.8
# Without glare none of 22 simulated jobs had more than 1.10 (brightest ground over even light).
NO_GLARE = 1.15
# A glare is smooth over this. Taken off in turns, it may be steeper at the rim of what is seen.
_SMOOTH_MM = 2.0
_TURNS, _ROUNDS = 6, 3
# What lies so near an edge counts for less: of simulated glares labels were told better with it,
# of drawn ones rectangles without.
_BY_EDGE_MM, _BY_EDGE_SHARE = 0.8, 0.2
# Where a thing with edges is taken for one, cells brighter than this share of the brightest are
# left with more than these shares of their light: a tenth of them, any. Of 60 simulated glares 57
# pass (even seeds); of 29 drawn strips, halves and corners that are bright enough none.
_BRIGHT = 0.3
_LEFT, _LEFT_ANYWHERE = 0.25, 0.4


def glare_over(fit: Fit) -> float:
    """Return how many times as bright as even light the brightest bare cell about a mark is.

    Bare ground is compared with the capture before the burn, where there is one, cell by cell of 3
    mm; a plane of light (of its logarithm), and the glare that is known, are taken out.
    """
    told = _even_light(fit)
    return 1.0 if told is None else told[0]


def stray_light(scene: Scene, together: Callable[[Scene], Fit | None]) -> Image | None:
    """Return (rows, columns) the light that a glare adds to a scene; None where there is none.

    Parameters
    ----------
    scene
        The pixels, about half a millimetre wide.
    together
        Fits all layers with one motion.

    Notes
    -----
    What even light, the ground and the layers leave is smoothed over 2 mm, of all that is seen, and
    the layers are fitted again without it. A thing in front of the work is no glare: it has edges.
    """
    even = replace(scene, light_order=1)
    fit = together(even)
    told = None if fit is None else _even_light(fit)
    if fit is None or told is None or told[0] < NO_GLARE:
        return None
    x, y = scene.region.centre_places()
    across, up, level = told[1]
    light = np.asarray(_ground(scene) * np.exp(across * x + up * y + level), np.float32)
    for _ in range(_ROUNDS):
        stray = _beside(fit, light)
        fit = together(replace(even, stray=stray))
        if fit is None:
            return None
        light = fit.seen.light
    return fit.setting.scene.stray if _is_smooth(fit) else None


def _beside(fit: Fit, light: Image) -> Image:
    """Return (rows, columns) what is smooth, and more, beside bare light and a fit's layers."""
    scene = fit.setting.scene
    through = (fit.seen.linear - scene.stray) / np.maximum(fit.seen.light, np.float32(1e-4))
    rest = np.asarray(linear_from_grey(scene.grey) - light * through, np.float32)
    counts = scene.usable * scene.region.core * _off_edges(fit)
    return np.maximum(_smooth(rest, counts, _SMOOTH_MM / scene.region.pitch_mm), np.float32(0.0))


def _off_edges(fit: Fit) -> Image:
    """Return (rows, columns) how much pixels count: 1, but less where a layer has an edge near by.

    There the layers, which may lie a little elsewhere, would pass for glare.
    """
    off = np.ones(fit.setting.scene.region.shape, np.bool_)
    for layer, pose in zip(fit.setting.maps, fit.state.poses, strict=True):
        off &= np.abs(layer.distance_at(pose, fit.setting.places)) > _BY_EDGE_MM
    return np.where(off, np.float32(1.0), np.float32(_BY_EDGE_SHARE))


def glared(view: View, scene: Scene, stray: Image) -> View:
    """Return a capture of which it is known what light a glare adds to a scene's pixels."""
    region = scene.region
    rows, columns = region.frame
    size = (columns * region.bin, rows * region.bin)
    whole = np.zeros_like(view.linear)
    part = whole[region.top :, region.left :][: size[1], : size[0]]
    fine = cv2.resize(region.spread(stray), size, interpolation=cv2.INTER_LINEAR)
    part[:] = fine[: part.shape[0], : part.shape[1]]
    return replace(view, stray=whole)


def _even_light(fit: Fit) -> tuple[float, Array] | None:
    """Return how many times as bright the brightest bare cell is, and even light itself.

    That is log(light) by x, y (mm) and 1. None where too few cells are bare.
    """
    scene = fit.setting.scene
    bare = bare_ground(scene, fit)
    cell = square_cells(scene, _CELL_MM)[bare]
    pixels = np.bincount(cell, minlength=1)
    # Where a cell holds nothing of what lies near the mark the work may have ended.
    near = np.bincount(cell, fit.setting.near[bare], minlength=1)
    enough = (pixels >= _FEWEST_PIXELS) & (near > 0)
    if np.count_nonzero(enough) < _FEWEST_CELLS:
        return None

    def mean(picture: Image) -> Array:
        return np.bincount(cell, picture[bare].astype(np.float64))[enough] / pixels[enough]

    x, y = scene.region.centre_places()
    places = np.column_stack([mean(x), mean(y), np.ones(np.count_nonzero(enough))])
    linear, ground = linear_from_grey(scene.grey), _ground(scene)
    level = np.log(np.maximum(mean((linear - scene.stray) / ground), 1e-4))
    left = level - places @ np.linalg.lstsq(places, level, rcond=None)[0]
    even = left <= np.quantile(left, _BRIGHTEST)
    plane = np.linalg.lstsq(places[even], level[even], rcond=None)[0]
    # Beside a glare that is known even light may be next to nothing.
    whole = np.exp(places @ plane) * mean(ground) + mean(scene.stray)
    left = np.log(np.maximum(mean(linear), 1e-4) / np.maximum(whole, 1e-4))
    return float(np.exp(left.max() - np.median(left))), plane


def _ground(scene: Scene) -> Image:
    """Return (rows, columns) the ground before the burn, up to even light."""
    return np.asarray(np.maximum(scene.ground + scene.texture, np.float32(1e-3)))


def _smooth(values: Image, weight: Image, sigma_px: float) -> Image:
    """Return (rows, columns) what is smooth of values, of those that count.

    What is left is smoothed again and added (J. W. Tukey's twicing, Exploratory Data Analysis,
    1977): a mean of one side alone lies too low where that side rises.
    """
    total = np.zeros_like(values)
    for _ in range(_TURNS):
        total += local_mean(values - total, weight, sigma_px)
    return total


def _is_smooth(fit: Fit) -> bool:
    """Tell whether what is left of a stray light, where it is brightest, is little beside it."""
    scene, stray = fit.setting.scene, fit.setting.scene.stray
    cell = square_cells(scene, _CELL_MM)
    counts = scene.usable * scene.region.core > 0
    bright = counts & (stray > _BRIGHT * float(stray[counts].max()))
    left = linear_from_grey(scene.grey) - fit.seen.linear
    pixels = np.bincount(cell[bright])
    enough = pixels >= _FEWEST_PIXELS
    if not enough.any():
        return True
    squares = np.bincount(cell[bright], left[bright].astype(np.float64) ** 2)[enough]
    added = np.bincount(cell[bright], stray[bright].astype(np.float64))[enough]
    ratio = np.sqrt(squares / pixels[enough]) / (added / pixels[enough])
    return bool(ratio.max() < _LEFT_ANYWHERE and np.quantile(ratio, 0.9) < _LEFT)
