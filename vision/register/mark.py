"""Measure every layer of a burned artwork, each with its own rigid motion, or refuse."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calibration.side_by_side import side_by_side
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork, Layer
from vision.register.apart import better, fit_closely, fit_separately, fit_together
from vision.register.covered import covered, without
from vision.register.distance import DistanceMap
from vision.register.doubled import Doubling, doubling
from vision.register.fit import fit_layers
from vision.register.fitted import Fit
from vision.register.glare import glared, stray_light
from vision.register.layers import (
    COARSE_PITCH_MM,
    COARSE_REACH_MM,
    half_widths,
    is_round,
    layer_maps,
)
from vision.register.local import LocalOffset, local_offsets, square_cells
from vision.register.locate import COARSE_PIXEL_MM
from vision.register.pixels import scene_about
from vision.register.scene import Burn, Scene, State
from vision.register.smear import camera_smear
from vision.register.uncertain import (
    mean_contrast,
    motion_covariance,
    settle_round,
    significance,
)
from vision.register.view import NotFound, View, pixel_mm

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# Pixels of the first fit, layer by layer: on those of 0.55 mm with which the mark is looked for,
# the best place of an outline beside its fill could be a millimetre away from the true one.
_FIRST_PIXEL_MM = 0.3
# How far beside an edge pixels are fitted.
_REACH_MM = 1.0
_REACH_PX = 4.5
# Of a large mark seen by many pixels more count than are of use: they are binned to about so many,
# but not beyond what an ordinary camera's pixels are.
_ENOUGH_PIXELS = 30_000
_COARSEST_MM = 0.25
_CELL_MM = 7.0
# A first fit that leaves more than so many times its typical square leaves something out.
_UNEXPLAINED = 2.0
# First fits no farther apart than this are one start: wrong places lie three times as far.
_SAME_START_MM = 0.05
# Standard deviations beyond which it need not be known how surely a layer is there.
_BEYOND_DOUBT = 40.0
_HARDLY_IN_DOUBT = 15.0
# Sub-samples per pixel and axis: edges are softened so that two are enough for any kerf.
_SUB_SAMPLES = 2


@dataclass(frozen=True, eq=False)
class Mark:
    """A burned artwork that was found and measured.

    Attributes
    ----------
    layers
        Names of the layers, in the order of `covariance`.
    poses
        bed <- page, by layer.
    pivot_mm
        Surface place about which the rotations are told.
    covariance
        (3 n, 3 n) statistical covariance of (x mm, y mm, turn rad) of each layer about the pivot.
    fit, scene, maps
        The last fit, its pixels, and the layers' distance maps.
    contrast
        Mean grey levels that each layer adds where it is burned (negative: darker).
    strength
        Burn strength of each layer's middle feature: share of the light that it takes away.
    width
        Width of each layer's lines over the stated kerf; 1 of fills.
    significance
        Each layer's strength in standard deviations of what chance would give.
    local
        Local offsets of each layer against its own fit.
    doubled
        How unlike each fill's blur is in different directions.
    covered_share
        Share of each layer that something in front of the work covers.
    white_share
        Share of each layer that lies where the picture is white.
    inflation
        Ratio of the real to the white-noise variance of the shifts.
    rivals
        Other places (bed <- page) that explain the picture nearly as well.
    round_layers
        Layers whose turn cannot be seen (a ring); they are told with the turn of the others.
    """

    layers: tuple[Layer, ...]
    poses: dict[str, Rigid]
    pivot_mm: tuple[float, float]
    covariance: Array
    fit: Fit
    scene: Scene
    maps: tuple[DistanceMap, ...]
    contrast: dict[str, float]
    strength: dict[str, float]
    width: dict[str, float]
    significance: dict[str, float]
    local: tuple[LocalOffset, ...]
    doubled: dict[str, Doubling]
    covered_share: dict[str, float]
    white_share: dict[str, float]
    inflation: float
    rivals: tuple[Rigid, ...]
    round_layers: tuple[str, ...]


def measure(
    view: View,
    ground: Image | None,
    artwork: Artwork,
    start: Rigid,
    rivals: tuple[Rigid, ...],
    kerf_mm: float,
    negative: bool = False,
) -> Mark | NotFound:
    """Measure every layer of an artwork, each with its own rigid motion, from a start near by."""
    x0, y0, x1, y1 = artwork.box_mm
    box = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    pivot = start.apply(box).mean(axis=0)
    pivot_mm = (float(pivot[0]), float(pivot[1]))
    pixel = pixel_mm(view.surface, pivot[None], False)
    if pixel is None:
        return NotFound("the artwork's place is outside the camera's view", outside_view=True)
    corners = start.apply(box)
    coarse_maps = layer_maps(artwork, COARSE_PITCH_MM, COARSE_REACH_MM)
    names: tuple[Layer, ...] = tuple(m.layer for m in coarse_maps)
    wide_bin, first_bin = (
        max(1, round(size / pixel)) for size in (COARSE_PIXEL_MM, _FIRST_PIXEL_MM)
    )
    wide = scene_about(view, ground, corners, wide_bin, 1)
    if wide is None:
        return NotFound("the artwork's place is outside the camera's view", outside_view=True)
    half = half_widths(coarse_maps, kerf_mm, negative)
    blind = tuple(is_round(artwork, name) for name in names)
    together, apart = (
        partial(fit, maps=coarse_maps, start=start, pivot_mm=pivot_mm, half_mm=half, blind=blind)
        for fit in (fit_together, fit_separately)
    )
    stray = stray_light(wide, together)
    if stray is not None:
        view = glared(view, wide, stray)
        wide = replace(wide, stray=stray)
    hidden = covered(wide, together, apart)
    usable = view.usable
    if hidden is not None:
        view = without(view, wide, hidden)
        wide = replace(wide, usable=wide.usable * (~hidden).astype(np.float32))
    scene = scene_about(view, ground, corners, first_bin, 1)
    if scene is None:
        return NotFound("the artwork's place is outside the camera's view", outside_view=True)
    # Wide pixels draw all layers together from farther away than fine ones.
    near = together(wide)
    place = start if near is None else near.state.poses[0]
    first = apart(scene, start=place)
    if first is None:
        return NotFound("too few usable pixels where the artwork should be")
    starts = [first.state]
    if first.cost > _UNEXPLAINED * first.noise**2 * float(first.weight.sum()):
        # An uneven burn may have drawn a layer away: it is followed from the start, too.
        uneven = fit_separately(scene, coarse_maps, place, pivot_mm, half, blind, uneven=True)
        if uneven is not None and _apart_mm(uneven.state, first.state, box) > _SAME_START_MM:
            starts.append(uneven.state)
    binning = _binning(first, pixel)
    reach = _reach_mm(binning * pixel)
    maps = layer_maps(artwork, min(0.05, 0.2 * binning * pixel + 0.01), reach)
    near_all = (maps * len(starts), tuple(pose for state in starts for pose in state.poses))
    fine = scene_about(view, ground, corners, binning, _SUB_SAMPLES, near_all)
    if fine is None:
        return NotFound("the artwork's place is outside the camera's view", outside_view=True)
    fit = None
    closely = partial(fit_closely, fine, maps, half_mm=half, pivot_mm=pivot_mm, blind=blind)
    for found in side_by_side(closely, starts):
        if fit is None or (found is not None and better(found, fit)):
            fit = found
    if fit is None:
        return NotFound("too few usable pixels where the artwork should be")
    fit = _smeared(fit)
    covariance, inflation = motion_covariance(fit, fine.region)
    settled, covariance = settle_round(fit, maps, covariance, blind, start)
    sure = side_by_side(partial(_surely_there, fit, inflation=inflation), range(len(names)))
    local = local_offsets(fine, fit, square_cells(fine, _CELL_MM), inflation)
    white = fine.region.cut(usable) < 1
    under = None if hidden is None else fine.region.cut(usable - view.usable) > 0
    return Mark(
        names,
        settled,
        pivot_mm,
        covariance,
        fit,
        fine,
        maps,
        {name: mean_contrast(added) for name, added in zip(names, fit.added, strict=True)},
        {
            name: float(np.median(amplitude[:-2]))
            for name, amplitude in zip(names, fit.state.amplitude, strict=True)
        },
        {
            name: 1.0 if name == "fill" else found / stated
            for name, found, stated in zip(names, fit.state.half_width_mm, half, strict=True)
        },
        dict(zip(names, sure, strict=True)),
        tuple(local),
        {
            name: doubling(fit, index, fine.region)
            for index, name in enumerate(names)
            if name == "fill"
        },
        {
            name: 0.0 if under is None else _share_within(fit.expected[index], under)
            for index, name in enumerate(names)
        },
        {
            name: _share_within(fit.seen.marks[index] * fine.region.core, white)
            for index, name in enumerate(names)
        },
        inflation,
        rivals,
        tuple(name for name, held in zip(names, blind, strict=True) if held),
    )


def _apart_mm(one: State, other: State, page_mm: Array) -> float:
    """Return how far the same (n, 2) page places of the same layers lie apart, at most."""
    return max(
        float(np.hypot(*(mine.apply(page_mm) - theirs.apply(page_mm)).T).max())
        for mine, theirs in zip(one.poses, other.poses, strict=True)
    )


def _reach_mm(pixel: float) -> float:
    """Return how far beside an edge pixels of this size (mm) are fitted."""
    return max(_REACH_MM, _REACH_PX * pixel)


def _binning(first: Fit, pixel: float) -> int:
    """Return how many capture pixels (of this size, mm) a side make one pixel of the fine fit."""
    if 2 * pixel > _COARSEST_MM:
        return 1
    setting, region = first.setting, first.setting.scene.region
    nearest = np.min(
        [
            np.abs(layer.distance_at(pose, setting.places))
            for layer, pose in zip(setting.maps, first.state.poses, strict=True)
        ],
        axis=0,
    )
    binning = 1
    while (binning + 1) * pixel <= _COARSEST_MM:
        count = int((nearest < _reach_mm(binning * pixel)).sum()) * (region.bin / binning) ** 2
        if count <= _ENOUGH_PIXELS:
            break
        binning += 1
    return binning


def _share_within(levels: Image, part: NDArray[np.bool_]) -> float:
    """Return the share of the sum of squares of a layer (rows, columns) in a part of it."""
    square = levels.astype(np.float64) ** 2
    return float(square[part].sum() / max(square.sum(), 1e-9))


def _surely_there(fit: Fit, index: int, inflation: float) -> float:
    """Return how surely a layer is there, in standard deviations, by leaving it out."""
    sure = 0.0
    # A few steps of the fit without it tell enough where it is beyond doubt.
    for iterations in (2, 12):
        sure = significance(fit, _without(fit, index, iterations), index, inflation)
        if sure > _BEYOND_DOUBT:
            return sure
    if sure > _HARDLY_IN_DOUBT:
        return sure
    # How uneven its burn is tells it from the others: with the gains held that hardly counts.
    loose = replace(fit.setting.burn, held=1.0)
    own = _again(fit, fit.state, 12, loose)
    return max(sure, significance(own, _without(own, index, 12), index, inflation))


def _smeared(fit: Fit) -> Fit:
    """Return the fit with the camera's own movement in it, where that is sure."""
    smear = camera_smear(fit)
    if smear is None:
        return fit
    scene = replace(fit.setting.scene, smear=smear)
    again = _again(fit, fit.state, 12, fit.setting.burn, scene=scene)
    return again if again.cost < fit.cost else fit


def _without(fit: Fit, index: int, iterations: int) -> Fit:
    """Return the fit with a layer left out and everything else fitted anew."""
    amplitude = list(fit.state.amplitude)
    amplitude[index] = np.zeros_like(amplitude[index])
    start = replace(fit.state, amplitude=tuple(amplitude))
    return _again(fit, start, iterations, fit.setting.burn, index)


def _again(
    fit: Fit,
    start: State,
    iterations: int,
    burn: Burn,
    absent: int | None = None,
    scene: Scene | None = None,
) -> Fit:
    """Return a fit of the same pixels from another start, or with something else known of them."""
    setting = fit.setting
    found = fit_layers(
        scene or setting.scene,
        setting.maps,
        start.poses,
        setting.nominal_half_mm,
        pivot_mm=setting.pivot_mm,
        start=start,
        trusted=fit.weight,
        iterations=iterations,
        blind=setting.blind,
        absent=absent,
        burn=burn,
    )
    assert found is not None  # the pixels are those of the fit
    return found
