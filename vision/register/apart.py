"""The coarse fit of every layer for itself, from several starts: the best of them is kept."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.side_by_side import side_by_side
from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.equations import prior_cost
from vision.register.evenness import learn_burn
from vision.register.fit import fit_layers
from vision.register.fitted import Fit, drop
from vision.register.model import texture_levels
from vision.register.priors import most_unexpected
from vision.register.region import Region
from vision.register.scene import Scene, State, nudge
from vision.register.starts import Shift, other_places
from vision.register.uncertain import motion_covariance

Array = NDArray[np.float64]

_OTHER_LAYER_REACH_MM = 3.5
# A place of a layer is tried where it explains this share of what the present one does.
_WORTH_A_TRY = 0.7
# Starts are good enough where the next step promises less than one pixel's noise.
_NEARLY = 1.0
# Layers that share edges are started so far aside, again as long as so many pixels' noise are won.
_NEARBY_MM = ((0.3, 0.0), (-0.3, 0.0), (0.0, 0.3), (0.0, -0.3))
_NEARBY_ROUNDS, _NEARBY_GAIN = 3, 20.0
# One that is as near as this again after so many steps ends where it came from.
_BACK_STEPS, _BACK_MM = 2, 0.1
# A start that leaves so many pixels' noise more, with the layers held, is not worth going on with.
_HOPELESS = 500.0
# Where a width or a lean is off by more standard deviations, places so far beside are tried.
_STRAINED = 2.0
_BESIDE_PX = 1.5
# Layers that lie alike to this need not be tried together.
_SAME_MM = 0.02
_SAME_RAD = 5e-4


def fit_together(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    start: Rigid,
    pivot_mm: tuple[float, float],
    half_mm: tuple[float, ...],
    blind: tuple[bool, ...],
) -> Fit | None:
    """Fit all layers with one motion."""
    fit = _loosely(scene, maps, start, pivot_mm, half_mm, blind, False)
    return fit((start,) * len(maps), tied=True)


def fit_separately(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    start: Rigid,
    pivot_mm: tuple[float, float],
    half_mm: tuple[float, ...],
    blind: tuple[bool, ...],
    uneven: bool = False,
) -> Fit | None:
    """Fit the layers together, then each for itself from several starts; return the best.

    The burn is taken as even, or as uneven as burns are.
    """
    count = len(maps)
    fit = _loosely(scene, maps, start, pivot_mm, half_mm, blind, uneven)
    together = fit((start,) * count, tied=True)
    if together is None or count == 1:
        return together
    best = fit(together.state.poses)
    if best is None:
        return None
    tried: set[tuple[int, int, int]] = set()
    starts: list[tuple[Rigid, ...]] = []
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
                starts.append(tuple(poses))
    for trial in side_by_side(fit, starts):
        if trial is not None and trial.cost < best.cost:
            best = trial
    # Where edges nearly coincide there is a wrong place on either side of the true one.
    for _ in range(_NEARBY_ROUNDS if best.tells_softness else 0):
        before, best = best, _from_nearby(fit, best)
        if best.cost > before.cost - _NEARBY_GAIN * best.noise**2:
            break
    return best


def _from_nearby(fit: Callable[..., Fit | None], best: Fit) -> Fit:
    """Return the best of a fit and those that start with one layer a little to any side."""
    for moving in range(len(best.layers)):

        def started(shift_mm: tuple[float, float], base: Fit = best, moving: int = moving) -> Fit:
            poses = list(base.state.poses)
            poses[moving] = nudge(poses[moving], base.pivot_mm, *shift_mm, 0.0)
            trial = fit(tuple(poses), iterations=_BACK_STEPS)
            if trial is None or _apart_mm(trial, base) < _BACK_MM:
                return base
            return fit(trial.state.poses, start=trial.state) or base

        best = min([best, *side_by_side(started, _NEARBY_MM)], key=lambda trial: trial.cost)
    return best


def _apart_mm(one: Fit, other: Fit) -> float:
    """Return how far the same layers of two fits lie apart, at most."""
    pivot = np.array([one.pivot_mm])
    return max(
        float(np.hypot(*(mine.apply(theirs.invert(pivot)) - pivot)[0]))
        for mine, theirs in zip(one.state.poses, other.state.poses, strict=True)
    )


def _loosely(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    start: Rigid,
    pivot_mm: tuple[float, float],
    half_mm: tuple[float, ...],
    blind: tuple[bool, ...],
    uneven: bool,
) -> Callable[..., Fit | None]:
    """Return a fit from poses near a start that holds blur, kerf and softness.

    All starts are held against the same pixels: a layer that is not where it is looked for leaves
    its mark where nobody looks.
    """
    places = scene.region.centres_mm
    near = np.any([m.distance_at(start, places) < m.reach_mm for m in maps], axis=0)
    side = 2 * math.ceil(_OTHER_LAYER_REACH_MM / scene.region.pitch_mm) + 1
    pixels = cv2.dilate(near.astype(np.uint8), np.ones((side, side), np.uint8)).astype(np.float32)
    return partial(
        fit_layers,
        scene,
        maps,
        half_mm=half_mm,
        pivot_mm=pivot_mm,
        pixels=pixels,
        iterations=8,
        robust=False,
        uneven=uneven,
        free=False,
        blind=blind,
        settled=_NEARLY,
        alike=True,
    )


def fit_closely(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    start: State,
    half_mm: tuple[float, ...],
    pivot_mm: tuple[float, float],
    blind: tuple[bool, ...],
) -> Fit | None:
    """Fit the layers with all that is not known of the burn, from a start near by.

    Where edges nearly coincide, blur, kerf and strength bend to hide an offset before it is found,
    and the fit ends in a wrong minimum. So these are fitted first with the layers held together, at
    the offset of the start and at none.
    """
    fit = partial(
        fit_layers,
        maps=maps,
        half_mm=half_mm,
        pivot_mm=pivot_mm,
        iterations=20,
        blind=blind,
    )
    held = fit(scene, poses=start.poses, tied=len(maps) > 1)
    if held is None:
        return None
    again = partial(fit, scene.seen_again(_recurs(held)))
    # What the parts that fit badly count, and how evenly the burn is taken to be, is settled once,
    # so that the fits can be compared.
    again = partial(again, trusted=held.weight, burn=learn_burn(held))
    best = again(poses=held.state.poses, start=held.state)
    if best is None or len(maps) == 1:
        return best
    if not _still_together(best.state.poses, pivot_mm):
        best = _from_one_place(again, best, held, start)
    if most_unexpected(best.setting, best.state) > _STRAINED:
        best = _from_beside(again, best)
    return _released(again, best)


def _released(again: Callable[..., Fit | None], best: Fit) -> Fit:
    """Return the fit with the softness of the beam left to the picture.

    Where residuals hang together pixels tell less of it than their number says.
    """
    if not best.tells_softness:
        return best
    _, inflation = motion_covariance(best, best.setting.scene.region)
    held = min(math.sqrt(inflation), best.setting.burn.soft_held)
    burn = replace(best.setting.burn, soft_held=held)
    return again(poses=best.state.poses, start=best.state, burn=burn) or best


def _from_one_place(again: Callable[..., Fit | None], best: Fit, held: Fit, start: State) -> Fit:
    """Return the better of a fit and one that starts with all layers at one place."""
    together = (start.poses[-1],) * len(start.poses)
    other = again(poses=together, start=held.state, tied=True)
    if other is None or drop(other, best, everywhere=True) < -_HOPELESS * best.noise**2:
        return best
    other = again(poses=other.state.poses, start=other.state)
    if other is not None and better(other, best):
        return other
    return best


def _from_beside(again: Callable[..., Fit | None], best: Fit) -> Fit:
    """Return the best of a fit and those that start a little beside it, as burns are expected.

    Where edges nearly coincide, kerf, lean and strength may have bent so far to hide an offset that
    the fit cannot come back: a wrong minimum, which their strain betrays.
    """
    setting, state = best.setting, best.state
    straight = ((0.0, 0.0),) * len(state.poses)
    fresh = replace(state, half_width_mm=setting.nominal_half_mm, lean_mm=straight)
    step = _BESIDE_PX * setting.scene.region.pitch_mm

    def started(shift_mm: tuple[float, float]) -> Fit | None:
        aside = nudge(state.poses[0], setting.pivot_mm, *shift_mm, 0.0)
        return again(poses=(aside, *state.poses[1:]), start=fresh)

    for other in side_by_side(started, ((step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step))):
        if other is not None and better(other, best):
            best = other
    return best


def better(one: Fit, other: Fit) -> bool:
    """Tell whether a fit explains the same pixels, seen by either of them, better than another."""
    strained = prior_cost(one.setting, one.state) - prior_cost(other.setting, other.state)
    return min(drop(one, other), drop(one, other, everywhere=True)) > strained


def _recurs(fit: Fit) -> float:
    """Return which share of the ground's texture the capture shows again."""
    if not fit.setting.scene.texture.any():
        return 1.0
    step, *_ = fit.beside(texture_levels(fit.setting, fit.state, fit.seen)[None])
    return 1.0 + float(step[0])


def _still_together(poses: tuple[Rigid, ...], pivot_mm: tuple[float, float]) -> bool:
    """Tell whether all layers lie so alike that starting from one place would change nothing."""
    places = np.array([pose.apply(np.array([pivot_mm]))[0] for pose in poses])
    turns = np.array([pose.angle_rad for pose in poses])
    return bool(np.ptp(places, axis=0).max() < _SAME_MM and np.ptp(turns) < _SAME_RAD)


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
