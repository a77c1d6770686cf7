"""The joint fit: every layer with its own rigid motion, fitted in the camera's pixels.

Damped Gauss-Newton (Levenberg 1944, Marquardt 1963) on the residuals in grey levels of the forward
model (`model`), all nuisance parameters with the motions; then parts that the model cannot explain
are weighed down, the slow variation of the burn is followed, and the steps go on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.model import (
    added_levels,
    even_levels,
    expected_levels,
    gap_response,
    ground_cost,
    look,
    normal_equations,
    start_state,
)
from vision.register.priors import HALF_WIDTH_RANGE_MM, LEAN_RANGE_MM, priors
from vision.register.scene import Scene, Seen, Setting, State, band, even, make_setting, nudge

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# A burn varies slowly along and between strokes, by some tenths over some millimetres.
_UNEVEN_SCALE_MM = 3.0
_UNEVEN_PRIOR = 0.15
_STEP_LIMIT_PX = 1.0
_ROBUST_AT = 3.0
_REWEIGH = 3


@dataclass(frozen=True, eq=False)
class Fit:
    """A fit that ended.

    Attributes
    ----------
    layers
        Names of the layers.
    state
        Where it ended.
    pivot_mm
        Surface place about which the rotations are told.
    residual, weight
        (rows, columns) grey levels (seen minus model) and final weights 0..1.
    jacobian
        (p, rows, columns) d(grey) / d(parameter), unweighted.
    normal
        (p, p) J'WJ with the weak priors.
    motion_scale_mm
        Scale of the rotation parameter: parameter = angle * scale.
    noise
        Robust standard deviation of the residuals, grey levels.
    cost
        Sum of weighted squares at the end.
    motions
        Number of motion parameters; they come first, three to a layer.
    groups
        Feature indices of each amplitude group, by layer.
    added
        Per layer, (rows, columns) grey levels that the layer adds to the model.
    shape
        Per layer, (rows, columns) grey levels that a burn of strength one, even all over, adds.
    expected
        Per layer, (rows, columns) grey levels that it would add if it were burned evenly all over,
        features that are hardly seen like the others.
    gap
        (motions, n) how the motion parameters answer to a feature's fill that stops one millimetre
        short of its edges on one side; for every feature and the page's four sides.
    ground_cost
        Sum of weighted squares of the best smooth light without any layer.
    """

    layers: tuple[str, ...]
    state: State
    pivot_mm: tuple[float, float]
    residual: Image
    weight: Image
    jacobian: Image
    normal: Array
    motion_scale_mm: float
    noise: float
    cost: float
    motions: int
    groups: tuple[tuple[tuple[int, ...], ...], ...]
    added: tuple[Image, ...]
    shape: tuple[Image, ...]
    expected: tuple[Image, ...]
    gap: Array
    ground_cost: float

    @property
    def explained(self) -> float:
        """Share of the sum of squares that the layers explain, 0 to 1."""
        return max(0.0, 1.0 - self.cost / max(self.ground_cost, 1e-9))


def fit_layers(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    poses: tuple[Rigid, ...],
    half_mm: tuple[float, ...],
    *,
    pivot_mm: tuple[float, float],
    tied: bool = False,
    start: State | None = None,
    trusted: Image | None = None,
    iterations: int = 12,
    robust: bool = True,
    free: bool = True,
    blind: tuple[bool, ...] = (),
) -> Fit | None:
    """Fit all layers jointly from a start near by; None where too few pixels can be used.

    Parameters
    ----------
    scene
        The pixels.
    maps
        Distance map of each layer.
    poses
        Start of each layer, bed <- page.
    half_mm
        Nominal half-width of the burned line by layer; negative where the ground is burned and
        the mark is what was left standing.
    pivot_mm
        Surface place about which rotations are told.
    tied
        One common motion for all layers (then all poses must be equal).
    start
        State whose nuisance parameters are taken over.
    trusted
        (rows, columns) weights that an earlier fit of the same pixels ended with: they are kept,
        and so is the start's slow variation of the burn.
    iterations
        Most Gauss-Newton steps.
    robust
        Whether parts that the model cannot explain are weighed down.
    free
        Whether blur and kerf are fitted too.
    blind
        By layer: whether its turn cannot be seen (a ring) and stays as it is; none by default.
    """
    setting = make_setting(scene, maps, poses, half_mm, pivot_mm, tied, blind)
    weight = scene.usable * scene.region.core * band(setting, poses)
    if trusted is not None:
        weight = np.asarray(weight * trusted)
    if float(weight.sum()) < 60:
        return None
    state = (
        start_state(setting, poses, weight)
        if start is None
        else replace(start, poses=poses, gain=even(setting) if trusted is None else start.gain)
    )
    damping = 1e-3
    base = weight
    seen = look(setting, state)
    cost = _cost(setting, state, seen.residual, weight)
    reweighed = 0 if trusted is None else _REWEIGH
    for step in range(iterations):
        parameters, normal, gradient = normal_equations(setting, state, seen, weight, free)
        improved = False
        for _ in range(6):
            damped = normal + damping * np.diag(np.diag(normal))
            delta = _limit(np.asarray(np.linalg.solve(damped, gradient)), setting)
            trial = _move(setting, state, delta)
            trial_seen = look(setting, trial)
            trial_cost = _cost(setting, trial, trial_seen.residual, weight)
            if trial_cost < cost:
                improved = True
                break
            damping *= 8
        if improved:
            gain = cost - trial_cost
            state, seen, cost = trial, trial_seen, trial_cost
            damping = max(damping / 8, 1e-7)
        motion_px = np.abs(delta[: parameters.motions]).max() / scene.region.pitch_mm
        settled = not improved or (motion_px < 5e-4 and gain < 1e-5 * cost)
        if robust and (settled or step in (4, 7)) and reweighed < _REWEIGH:
            state = replace(state, gain=_uneven(setting, state, seen, weight))
            seen = look(setting, state)
            weight = base * _trust(seen.residual, base)
            cost = _cost(setting, state, seen.residual, weight)
            damping = 1e-3
            reweighed += 1
        elif settled:
            break
    jacobian, normal, _ = normal_equations(setting, state, seen, weight)
    return Fit(
        tuple(m.layer for m in maps),
        state,
        pivot_mm,
        seen.residual,
        weight,
        jacobian.columns,
        normal,
        setting.scale_mm,
        _spread(seen.residual[weight > 0.5]),
        cost,
        jacobian.motions,
        setting.groups,
        tuple(added_levels(setting, state, seen, index) for index in range(len(maps))),
        tuple(even_levels(setting, state, seen, index) for index in range(len(maps))),
        expected_levels(setting, state),
        gap_response(setting, state, seen, weight, normal)[: jacobian.motions],
        ground_cost(setting, weight),
    )


def _cost(setting: Setting, state: State, residual: Image, weight: Image) -> float:
    data = float(np.sum(weight * residual * residual, dtype=np.float64))
    strength, misfit = priors(setting, state)
    return data + float(np.sum(strength * misfit**2))


def _limit(delta: Array, setting: Setting) -> Array:
    """Shorten a step whose motion exceeds what the derivatives are good for."""
    motions = 3 if setting.tied else 3 * len(setting.maps)
    largest = float(np.abs(delta[:motions]).max())
    most = _STEP_LIMIT_PX * setting.scene.region.pitch_mm
    return np.asarray(delta * (most / largest)) if largest > most else delta


def _move(setting: Setting, state: State, delta: Array) -> State:
    count = len(setting.maps)
    motions = 3 if setting.tied else 3 * count
    poses = tuple(
        nudge(
            pose,
            setting.pivot_mm,
            *delta[(0 if setting.tied else 3 * i) :][:3] / (1, 1, setting.scale_mm),
        )
        for i, pose in enumerate(state.poses)
    )
    place = motions
    sigma = float(np.clip(state.sigma_px + delta[place], 0.35, 4.0))
    half = tuple(
        float(np.clip(h + d, nominal - HALF_WIDTH_RANGE_MM, nominal + HALF_WIDTH_RANGE_MM))
        if nominal < 0
        else float(np.clip(h + d, 0.02, nominal + HALF_WIDTH_RANGE_MM))
        for h, d, nominal in zip(
            state.half_width_mm,
            delta[place + 1 : place + 1 + count],
            setting.nominal_half_mm,
            strict=True,
        )
    )
    place += 1 + count
    lean = tuple(
        (
            float(np.clip(a + delta[place + 2 * i], -LEAN_RANGE_MM, LEAN_RANGE_MM)),
            float(np.clip(b + delta[place + 2 * i + 1], -LEAN_RANGE_MM, LEAN_RANGE_MM)),
        )
        for i, (a, b) in enumerate(state.lean_mm)
    )
    place += 2 * count
    amplitude = []
    for values in state.amplitude:
        amplitude.append(np.clip(values + delta[place : place + len(values)], -20.0, 1.1))
        place += len(values)
    overlap = state.overlap + delta[place : place + len(state.overlap)]
    light = state.light + delta[place + len(state.overlap) : -1]
    survival = float(np.clip(state.survival + delta[-1], -1.0, 4.0))
    return State(poses, sigma, half, lean, tuple(amplitude), overlap, light, survival, state.gain)


def _uneven(setting: Setting, state: State, seen: Seen, weight: Image) -> tuple[Image, ...]:
    """Return the slow variation of each layer's burn that explains the residuals best.

    A local least squares under a Gaussian window, with the prior that a burn varies by some tenths:
    alternated with the Gauss-Newton steps it ends where a fit of all of it together would.
    """
    region = setting.scene.region
    spread = _UNEVEN_SCALE_MM / region.pitch_mm
    window = 2 * np.pi * spread**2  # pixels under the window
    noise2 = max(_spread(seen.residual[weight > 0.5]), 0.5) ** 2
    out = []
    for index in range(len(setting.maps)):
        added = added_levels(setting, state, seen, index)
        left = region.spread(np.asarray(weight * seen.residual * added, np.float32))
        power = region.spread(np.asarray(weight * added * added, np.float32))
        numerator, denominator = (
            window * cv2.GaussianBlur(picture, (0, 0), spread) for picture in (left, power)
        )
        change = numerator / (denominator + np.float32(noise2 / _UNEVEN_PRIOR**2))
        gain = state.gain[index] * (1 + change[region.row, region.column])
        out.append(np.asarray(np.clip(gain, 0.3, 1.7), np.float32))
    return tuple(out)


def _trust(residual: Image, base: Image) -> Image:
    """Weigh down patches whose residual is far above the rest: occluded, smeared, glare."""
    square = cv2.boxFilter(residual * residual * base, -1, (5, 5), normalize=False)
    number = np.maximum(cv2.boxFilter(base, -1, (5, 5), normalize=False), 1.0)
    local = np.sqrt(square / number)
    typical = float(np.median(local[base > 0.5]))
    ratio = local / np.float32(max(_ROBUST_AT * typical, 1e-3))
    return np.asarray(1.0 / (1.0 + ratio**4) * (1.0 + (ratio <= 1) * ratio**4), np.float32)


def _spread(values: Image) -> float:
    if values.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
