"""The joint fit: every layer with its own rigid motion, fitted in the camera's pixels.

Damped Gauss-Newton (Levenberg 1944, Marquardt 1963) on the residuals in grey levels of the forward
model (`model`), all nuisance parameters with the motions; then parts that the model cannot explain
are weighed down, and the steps go on. The slow variation of the burn is eliminated (`equations`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.dilution import dilution
from vision.register.distance import DistanceMap
from vision.register.equations import Equations, normal_equations, prior_cost
from vision.register.fitted import Fit
from vision.register.model import look, start_state, strongest
from vision.register.priors import STRONGEST, bounds
from vision.register.scene import (
    Burn,
    Scene,
    Seen,
    Setting,
    State,
    make_setting,
    nudge,
    places_of,
)
from vision.register.weights import weigh_down

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# A fit has settled where the next step promises less than this share of one pixel's noise: then
# no parameter is farther from the optimum than a fifth of its standard uncertainty.
_SETTLED = 0.03
_STEP_LIMIT_PX = 1.0
_REWEIGH = 3
# Weights that change by less than this are the same.
_SAME = 0.05
_AT_BOUND = 1e-9


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
    pixels: Image | None = None,
    iterations: int = 12,
    robust: bool = True,
    uneven: bool = True,
    free: bool = True,
    blind: tuple[bool, ...] = (),
    absent: int | None = None,
    burn: Burn | None = None,
    settled: float = _SETTLED,
    alike: bool = False,
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
        One common motion for all layers, each from its own pose.
    start
        State whose nuisance parameters are taken over.
    trusted
        (rows, columns) weights that an earlier fit of the same pixels ended with: they are kept.
    pixels
        (rows, columns) 1 where pixels count; those near the layers' edges by default.
    iterations
        Most Gauss-Newton steps.
    robust
        Whether parts that the model cannot explain are weighed down.
    uneven
        Whether the burn's slow variation is fitted too.
    free
        Whether blur and kerf are fitted too.
    blind
        By layer: whether its turn cannot be seen (a ring) and stays as it is; none by default.
    absent
        A layer that is left out: nothing of it changes, and the start must give it no strength.
    burn
        How evenly the layers are taken to be burned; by default as burns are.
    settled
        The fit ends where the next step promises less than this share of one pixel's noise.
    alike
        Whether all features of a layer are taken to be burned alike.
    """
    setting = make_setting(scene, maps, poses, half_mm, pivot_mm, tied, blind, absent, burn, alike)
    weight = scene.usable * scene.region.core * (setting.near if pixels is None else pixels)
    if trusted is not None:
        weight = np.asarray(weight * trusted)
    if float(weight.sum()) < 60:
        return None
    state = start_state(setting, poses, weight) if start is None else replace(start, poses=poses)
    setting = replace(setting, level=_level(state))
    base = weight
    seen = look(setting, state)
    cost = _cost(setting, state, seen, weight)
    damping, reweighed = 1e-3, 0
    rounds = _REWEIGH if robust and trusted is None else 0
    for _ in range(iterations):
        equations = normal_equations(
            setting, state, seen, weight, free=free, uneven=uneven, step_only=True
        )
        enough = settled * _spread(seen.residual[weight > 0.5]) ** 2
        still = True
        for _ in range(6):
            delta = _step(setting, state, equations, damping)
            if equations.gradient @ delta < enough:
                break
            trial = _move(setting, state, delta, equations.gains(delta))
            trial_seen = look(setting, trial)
            trial_cost = _cost(setting, trial, trial_seen, weight)
            if trial_cost < cost:
                still = cost - trial_cost < enough
                state, seen, cost = trial, trial_seen, trial_cost
                damping = max(damping / 8, 1e-7)
                break
            damping *= 8
        if still:
            if reweighed == rounds:
                break
            changed = np.asarray(base * weigh_down(seen.residual, base))
            reweighed = rounds if np.abs(changed - weight).max() < _SAME else reweighed + 1
            weight = changed
            cost = _cost(setting, state, seen, weight)
            damping = 1e-3
    return Fit(setting, state, seen, weight, uneven, cost, _spread(seen.residual[weight > 0.5]))


def _level(state: State) -> float:
    """Return the burn strength of the strongest layer, with its sign; never next to nothing."""
    most = strongest(state.amplitude)
    return float(np.copysign(max(abs(most), 0.05), most))


def _cost(setting: Setting, state: State, seen: Seen, weight: Image) -> float:
    data = float(np.sum(weight * seen.residual * seen.residual, dtype=np.float64))
    return data + prior_cost(setting, state) - dilution(setting, state, seen, weight).cost


def _step(setting: Setting, state: State, equations: Equations, damping: float) -> Array:
    """Return a damped Newton step within the bounds.

    Parameters at a bound that are pulled against it stay (Bertsekas, SIAM J. Control Optim. 20,
    1982), and the step ends where the first other one meets its bound; a step whose motion exceeds
    what the derivatives are good for is shortened.
    """
    low, high = bounds(setting, state)
    gradient = equations.gradient
    free = ~(((low >= -_AT_BOUND) & (gradient < 0)) | ((high <= _AT_BOUND) & (gradient > 0)))
    normal = equations.normal[np.ix_(free, free)]
    delta = np.zeros(len(gradient))
    delta[free] = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient[free])
    most = _STEP_LIMIT_PX * setting.scene.region.pitch_mm
    largest = float(np.abs(delta[places_of(setting, state).motions]).max())
    if largest > most:
        delta *= most / largest
    return np.clip(delta, low, high)


def _move(setting: Setting, state: State, delta: Array, by_cell: Array) -> State:
    """Return the state after a step: `delta` of the parameters, `by_cell` of the gains."""
    at = places_of(setting, state)
    steps = delta[at.motions].reshape(-1, 3) / (1, 1, setting.scale_mm)
    poses = tuple(
        nudge(pose, setting.pivot_mm, *steps[0 if setting.tied else i])
        for i, pose in enumerate(state.poses)
    )
    half = tuple(h + float(d) for h, d in zip(state.half_width_mm, delta[at.half], strict=True))
    lean = tuple(
        (a + float(da), b + float(db))
        for (a, b), (da, db) in zip(state.lean_mm, delta[at.lean].reshape(-1, 2), strict=True)
    )
    amplitude = []
    for index, values in enumerate(state.amplitude):
        moved = values + delta[at.burn[index]]
        if setting.maps[index].layer != "fill":
            # Of a line thinner than a pixel its width times its strength is seen, not the two.
            # With that changed straight, steps may go far along the curve on which it stays.
            wider = half[index] / state.half_width_mm[index]
            moved[:-2] = (moved[:-2] + values[:-2] * (wider - 1)) / wider
            moved[:-2] = np.minimum(moved[:-2], STRONGEST)
        amplitude.append(moved)
    changes = by_cell.T if by_cell.size else np.zeros((len(setting.maps), 1))
    gain = tuple(
        np.clip(old + change, 0.3, 1.7) for old, change in zip(state.gain, changes, strict=True)
    )
    return State(
        poses,
        state.sigma_px + float(delta[at.blur]),
        half,
        lean,
        tuple(amplitude),
        state.overlap + delta[at.overlap],
        state.light + delta[at.light],
        state.survival + float(delta[at.survival]),
        state.soft_mm + float(delta[at.soft]),
        gain,
    )


def _spread(values: Image) -> float:
    if values.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
