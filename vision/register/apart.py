"""The coarse fit of every layer for itself, from several starts: the best of them is kept."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.fit import Fit, fit_layers
from vision.register.region import Region
from vision.register.scene import Scene, nudge
from vision.register.starts import Shift, other_places

Array = NDArray[np.float64]

_OTHER_LAYER_REACH_MM = 3.5
# A place of a layer is tried where it explains this share of what the present one does.
_WORTH_A_TRY = 0.7


def fit_separately(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    start: Rigid,
    pivot_mm: tuple[float, float],
    half_mm: tuple[float, ...],
    blind: tuple[bool, ...],
) -> Fit | None:
    """Fit the layers together, then each for itself from several starts; return the best."""
    count = len(maps)

    def fit(poses: tuple[Rigid, ...], tied: bool) -> Fit | None:
        return fit_layers(
            scene,
            maps,
            poses,
            half_mm,
            pivot_mm=pivot_mm,
            tied=tied,
            iterations=8,
            robust=False,
            free=False,
            blind=blind,
        )

    together = fit((start,) * count, True)
    if together is None or count == 1:
        return together
    best = fit(together.state.poses, False)
    if best is None:
        return None
    tried: set[tuple[int, int, int]] = set()
    for base in (together, best):
        for moving in range(count):
            for shift in _elsewhere(scene, base, moving, 3):
                poses = list(base.state.poses)
                step = _shift_mm(scene.region, shift.right_px, shift.down_px)
                poses[moving] = nudge(poses[moving], pivot_mm, step[0], step[1], 0.0)
                where = poses[moving].apply(np.array([pivot_mm])) / scene.region.pitch_mm
                key = (moving, round(float(where[0, 0])), round(float(where[0, 1])))
                if key in tried:
                    continue
                tried.add(key)
                trial = fit(tuple(poses), False)
                if trial is not None and trial.cost < best.cost:
                    best = trial
    return best


def _elsewhere(scene: Scene, fit: Fit, moving: int, most: int) -> list[Shift]:
    """Return other places of one layer that could explain more than where the fit has it.

    Those where it would be burned like the strongest layer, darker or lighter, come first: a layer
    of the other polarity mends blurred edges of the others before it is one of its own.
    """
    weight = scene.usable * scene.region.core
    reach = math.ceil(_OTHER_LAYER_REACH_MM / scene.region.pitch_mm)
    left = fit.residual + fit.added[moving]
    shifts = other_places(left, fit.shape[moving], weight, reach, 16)
    leader = max(range(len(fit.layers)), key=lambda k: float((fit.added[k] ** 2).sum()))
    like = np.sign((fit.added[leader] * fit.shape[leader]).sum())
    alike = [s for s in shifts if s.strength * like > 0]
    here = max((s.drop for s in alike if abs(s.right_px) + abs(s.down_px) <= 1), default=0.0)
    away = [s for s in shifts if abs(s.right_px) + abs(s.down_px) > 1]
    first = [s for s in away if s.strength * like > 0 and s.drop > _WORTH_A_TRY * here]
    strongest = max((s.drop for s in shifts), default=0.0)
    then = [s for s in away if s.strength * like <= 0 and s.drop > _WORTH_A_TRY * strongest]
    return [*first[:most], *then[: most // 2]]


def _shift_mm(region: Region, right: int, down: int) -> Array:
    """Return the surface shift that a shift in the region's pixels stands for, at its middle."""
    rows, columns = region.shape
    i, j = rows // 2 * region.sub, columns // 2 * region.sub
    here = region.places_mm[i, j]
    across = region.places_mm[i, j + region.sub] - here
    downward = region.places_mm[i + region.sub, j] - here
    return np.asarray(right * across + down * downward, np.float64)
