"""The joint forward model: every layer with its own rigid motion, fitted in the camera's pixels.

grey = E(P B T): E the camera's tone curve, P a smooth field of light, B the ground before the burn
(from the before capture where there is one), T the burned layers seen through the camera
(`rendering`). Fitted by damped Gauss-Newton (Levenberg 1944, Marquardt 1963) on the residuals in
grey levels, all nuisance parameters with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.region import Region
from vision.register.rendering import Coverage, cover, see
from vision.register.tone import grey_from_linear, grey_slope

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# Weak knowledge that keeps blur and kerf apart where the picture cannot (they are symmetric and
# hardly touch the position): blur sigma 1.0 +- 0.5 px, half-width +- 0.05 mm round the nominal.
_SIGMA_PRIOR = (1.0, 0.5)
_HALF_WIDTH_PRIOR_MM = 0.05
_HALF_WIDTH_RANGE_MM = 0.3
# A hatch ends short of an edge along its strokes by up to its spacing; an outline has no lean.
_LEAN_PRIOR_MM = 0.03
_HELD_LEAN_MM = 1e-5
_LEAN_RANGE_MM = 0.15
# A burn varies slowly along and between strokes, by some tenths over some millimetres.
_UNEVEN_SCALE_MM = 3.0
_UNEVEN_PRIOR = 0.15
# Features of one layer are burned alike unless the picture says otherwise; and two layers that
# overlap give something between the stronger of them (1) and their sum (0). Without this an outline
# on the very edge of a fill has a second, wrong minimum a fraction of a millimetre away.
_BURN_PRIOR = 0.25
_OVERLAP_PRIOR = (0.6, 0.3)
# Turns stay near the start's (rad); that of a round layer, which cannot be seen, is held.
_TURN_PRIOR = 0.05
_HELD_TURN = 1e-5
_SURVIVAL_PRIOR = (1.0, 0.5)
_NOTHING = np.float32(1e-9)
# Exchange rate between priors and pixels: the variance of a grey level, squared levels.
_NOISE2 = 4.0
_STEP_LIMIT_PX = 1.0
_ROBUST_AT = 3.0
_REWEIGH = 3


@dataclass(frozen=True, eq=False)
class Scene:
    """What is fitted: a region's pixels.

    Attributes
    ----------
    region
        The pixels and the surface places they look at.
    grey
        (rows, columns) grey levels 0..255 in the camera's tone curve.
    ground
        (rows, columns) linear light of the work before the burn, up to a smooth factor, without
        its texture; ones where nothing is known of it.
    texture
        (rows, columns) what is left of the ground; zeros where nothing is known of it.
    usable
        (rows, columns) 0 or 1: pixels that may count (not saturated, within the picture).
    light_order
        Degree of the polynomial light field.
    """

    region: Region
    grey: Image
    ground: Image
    texture: Image
    usable: Image
    light_order: int


@dataclass(frozen=True, eq=False)
class State:
    """A point of the fit.

    Attributes
    ----------
    poses
        bed <- page of each layer.
    sigma_px
        Gaussian part of the point spread, in the region's pixels.
    half_width_mm
        Half the kerf, by layer.
    lean_mm
        How the half-width differs with the edge's direction, by layer (see `rendering.cover`).
    amplitude
        Burn strength by layer: one number per group of features, then the slopes along the
        region's normalised x and y.
    overlap
        Strength of each pair of layers' overlap, in the order (0,1), (0,2), (1,2).
    light
        Coefficients of the light field.
    gain
        (rows, columns) by layer: slow variation of the burn about its strength.
    survival
        How the ground's texture fares under the mark: 1 where it is darkened like the rest, more
        where the burn wipes it out, 0 where it stays.
    """

    poses: tuple[Rigid, ...]
    sigma_px: float
    half_width_mm: tuple[float, ...]
    lean_mm: tuple[tuple[float, float], ...]
    amplitude: tuple[Array, ...]
    overlap: Array
    light: Array
    survival: float
    gain: tuple[Image, ...]


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
    gap: Array
    ground_cost: float

    @property
    def explained(self) -> float:
        """Share of the sum of squares that the layers explain, 0 to 1."""
        return max(0.0, 1.0 - self.cost / max(self.ground_cost, 1e-9))


@dataclass(frozen=True, eq=False)
class _Setting:
    """What stays fixed during one fit."""

    scene: Scene
    maps: tuple[DistanceMap, ...]
    nominal_half_mm: tuple[float, ...]
    pivot_mm: tuple[float, float]
    scale_mm: float
    tied: bool
    fields: Image  # (k, rows, columns) polynomial terms of the light
    slope: tuple[Image, Image]  # normalised x and y, pixels
    group_of: tuple[NDArray[np.int64], ...]  # feature -> amplitude group, by layer
    groups: tuple[tuple[tuple[int, ...], ...], ...]
    turns: tuple[float, ...]  # turn of each layer at the start
    blind: tuple[bool, ...]


def pairs(count: int) -> list[tuple[int, int]]:
    """Return the pairs of layers in the order of `State.overlap`."""
    return [(i, j) for i in range(count) for j in range(i + 1, count)]


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
    setting = _setting(scene, maps, poses, half_mm, pivot_mm, tied, blind)
    weight = scene.usable * scene.region.core * _band(setting, poses)
    if trusted is not None:
        weight = np.asarray(weight * trusted)
    if float(weight.sum()) < 60:
        return None
    state = (
        start_state(setting, poses, weight)
        if start is None
        else replace(start, poses=poses, gain=_even(setting) if trusted is None else start.gain)
    )
    damping = 1e-3
    base = weight
    seen = _look(setting, state)
    cost = _cost(setting, state, seen.residual, weight)
    reweighed = 0 if trusted is None else _REWEIGH
    for step in range(iterations):
        parameters, normal, gradient = _normal(setting, state, seen, weight, free)
        improved = False
        for _ in range(6):
            damped = normal + damping * np.diag(np.diag(normal))
            delta = _limit(np.asarray(np.linalg.solve(damped, gradient)), setting)
            trial = _move(setting, state, delta)
            trial_seen = _look(setting, trial)
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
            seen = _look(setting, state)
            weight = base * _trust(seen.residual, base)
            cost = _cost(setting, state, seen.residual, weight)
            damping = 1e-3
            reweighed += 1
        elif settled:
            break
    jacobian, normal, _ = _normal(setting, state, seen, weight)
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
        tuple(_added(setting, state, seen, index) for index in range(len(maps))),
        tuple(_shape(setting, state, seen, index) for index in range(len(maps))),
        _gap_response(setting, state, seen, weight, normal)[: jacobian.motions],
        _ground_cost(setting, weight),
    )


def start_state(setting: _Setting, poses: tuple[Rigid, ...], weight: Image) -> State:
    """Solve light and burn strength linearly at fixed poses."""
    scene, maps = setting.scene, setting.maps
    half = setting.nominal_half_mm
    covers = [
        cover(m, p, setting.pivot_mm, scene.region, h)
        for m, p, h in zip(maps, poses, half, strict=True)
    ]
    sigma = _SIGMA_PRIOR[0] / scene.region.bin
    seen = [see(c.mark, scene.region.sub, max(sigma, 0.35)) for c in covers]
    linear = _linear_from_grey(scene.grey)
    ground = scene.ground + scene.texture
    light = setting.fields * ground
    marks = []
    for index, picture in enumerate(seen):
        group = setting.group_of[index][covers[index].label]
        for number in range(len(setting.groups[index])):
            marks.append(-picture * ground * (group == number))
    # Equal grey levels of error weigh alike, so divide by the slope of the tone curve.
    scale = weight * grey_slope(linear)
    rows = np.concatenate([light, np.array(marks, np.float32)]) * scale
    flat = rows.reshape(len(rows), -1).astype(np.float64)
    target = (linear * scale).ravel().astype(np.float64)
    normal = flat @ flat.T
    normal += np.diag(1e-6 * np.diag(normal) + 1e-12)
    solution = np.linalg.solve(normal, flat @ target)
    terms = len(setting.fields)
    level = max(float(solution[0]), 1e-4)
    amplitude, place = [], terms
    for groups in setting.groups:
        values = solution[place : place + len(groups)] / level
        amplitude.append(np.concatenate([np.clip(values, -8.0, 1.2), [0.0, 0.0]]))
        place += len(groups)
    # The linear solution of the overlap is wild where edges coincide: start from what is expected.
    typical = [float(np.median(values[:-2])) for values in amplitude]
    overlap = np.array(
        [_OVERLAP_PRIOR[0] * min(typical[i], typical[j], key=abs) for i, j in pairs(len(amplitude))]
    )
    lean = ((0.0, 0.0),) * len(maps)
    return State(
        poses,
        max(sigma, 0.35),
        half,
        lean,
        tuple(amplitude),
        overlap,
        solution[:terms],
        1.0,
        _even(setting),
    )


@dataclass(frozen=True, eq=False)
class _Seen:
    """The model at one state: what it predicts, and what the derivatives are made of."""

    covers: list[Coverage]
    strength: list[Image]  # A of each layer on the sub-samples
    sharp: Image  # T on the sub-samples
    through: Image  # T as the camera sees it
    field: Image  # P on the pixels
    light: Image  # what T multiplies on the pixels
    linear: Image
    residual: Image


@dataclass(frozen=True, eq=False)
class _Columns:
    columns: Image
    motions: int


def _setting(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    poses: tuple[Rigid, ...],
    half_mm: tuple[float, ...],
    pivot_mm: tuple[float, float],
    tied: bool,
    blind: tuple[bool, ...],
) -> _Setting:
    region = scene.region
    rows, columns = region.frame
    x = 2.0 * region.column / max(columns - 1, 1) - 1.0
    y = 2.0 * region.row / max(rows - 1, 1) - 1.0
    order = scene.light_order
    fields = np.array(
        [x**i * y**j for total in range(order + 1) for i in range(total + 1) for j in [total - i]],
        np.float32,
    )
    group_of, groups = [], []
    for layer in maps:
        lookup, members = _grouping(layer, scene.region.pitch_mm)
        group_of.append(lookup)
        groups.append(members)
    reach = float(np.ptp(region.places_mm, axis=(0, 1)).max())
    return _Setting(
        scene,
        maps,
        half_mm,
        pivot_mm,
        0.3 * reach,
        tied,
        fields,
        (x.astype(np.float32), y.astype(np.float32)),
        tuple(group_of),
        tuple(groups),
        tuple(pose.angle_rad for pose in poses),
        _held(blind, len(maps), tied),
    )


def _held(blind: tuple[bool, ...], count: int, tied: bool) -> tuple[bool, ...]:
    """Return which turns are held; layers that move together are seen to turn if one of them is."""
    each = blind or (False,) * count
    return (all(each),) * count if tied else each


def _grouping(
    layer: DistanceMap, pixel_mm: float
) -> tuple[NDArray[np.int64], tuple[tuple[int, ...], ...]]:
    """Give every large feature a burn strength of its own; small ones share one."""
    marked = layer.stack[..., 0] < 0.1
    counts = np.bincount(layer.label[marked & (layer.label >= 0)].ravel(), minlength=1)
    pixels = counts * (layer.pitch_mm / pixel_mm) ** 2
    present = np.flatnonzero(counts)
    large = [int(f) for f in present[np.argsort(-pixels[present])][:24] if pixels[f] >= 40]
    small = [int(f) for f in present if int(f) not in large]
    members = [(f,) for f in sorted(large)] + ([tuple(small)] if small else [])
    lookup = np.full(len(counts) + 1, -1)  # the last entry serves label -1
    for number, features in enumerate(members):
        lookup[list(features)] = number
    return lookup, tuple(members)


def _band(setting: _Setting, poses: tuple[Rigid, ...]) -> Image:
    """Tell the pixels near an edge: 1 within the maps' reach of any layer's, else 0."""
    near = np.zeros(setting.scene.region.shape, np.float32)
    places = np.dstack(setting.scene.region.centre_places())
    for layer, pose in zip(setting.maps, poses, strict=True):
        distance = layer.distance_at(pose, places)
        near[np.abs(distance) < layer.reach_mm - layer.pitch_mm] = 1.0
    return near


def feature_image(
    scene: Scene, maps: tuple[DistanceMap, ...], poses: tuple[Rigid, ...]
) -> NDArray[np.int64]:
    """Return (rows, columns) the feature whose mark is nearest to each pixel; -1 far from all."""
    places = np.dstack(scene.region.centre_places())
    nearest = np.full(scene.region.shape, np.inf, np.float32)
    label = np.full(scene.region.shape, -1, np.int64)
    for layer, pose in zip(maps, poses, strict=True):
        distance = layer.distance_at(pose, places)
        closer = distance < nearest
        label = np.where(closer, layer.label_at(pose, places), label)
        nearest = np.minimum(nearest, distance)
    return label


def _strength(setting: _Setting, state: State, label: NDArray[np.int16], index: int) -> Image:
    """Return the burn strength of a layer on the sub-samples (rows * sub, columns * sub)."""
    values = state.amplitude[index]
    table = np.append(values[:-2], 0.0)[setting.group_of[index]].astype(np.float32)
    field = table[label]
    field *= state.gain[index]
    field += np.float32(values[-2]) * setting.slope[0] + np.float32(values[-1]) * setting.slope[1]
    rows, columns = field.shape
    sub = setting.scene.region.sub
    size = (columns * sub, rows * sub)
    return np.asarray(cv2.resize(field, size, interpolation=cv2.INTER_NEAREST))


def _look(setting: _Setting, state: State) -> _Seen:
    scene = setting.scene
    covers, strength = [], []
    sharp = np.ones(scene.region.places_mm.shape[:2], np.float32)
    for index, layer in enumerate(setting.maps):
        one = cover(
            layer,
            state.poses[index],
            setting.pivot_mm,
            scene.region,
            state.half_width_mm[index],
            state.lean_mm[index],
        )
        field = _strength(setting, state, one.label, index)
        covers.append(one)
        strength.append(field)
        sharp -= field * one.mark
    for (i, j), value in zip(pairs(len(covers)), state.overlap, strict=True):
        sharp += np.float32(value) * covers[i].mark * covers[j].mark
    through = see(sharp, scene.region.sub, state.sigma_px)
    field = np.tensordot(state.light.astype(np.float32), setting.fields, 1)
    survival = np.float32(state.survival)
    light = field * (scene.ground + survival * scene.texture)
    linear = light * through + field * (1 - survival) * scene.texture
    residual = scene.grey - grey_from_linear(linear)
    return _Seen(
        covers, strength, sharp, through, field, light, linear, np.asarray(residual, np.float32)
    )


def _cost(setting: _Setting, state: State, residual: Image, weight: Image) -> float:
    data = float(np.sum(weight * residual * residual, dtype=np.float64))
    strength, misfit = _priors(setting, state)
    return data + float(np.sum(strength * misfit**2))


def _priors(setting: _Setting, state: State) -> tuple[Array, Array]:
    """Return the weight of the prior on each parameter, and how far the parameter is from it."""
    binning = setting.scene.region.bin
    strength: list[float] = []
    misfit: list[float] = []
    layers = zip(state.poses, setting.turns, setting.blind, strict=True)
    for pose, turn, blind in list(layers)[: 1 if setting.tied else None]:
        spread = _HELD_TURN if blind else _TURN_PRIOR
        strength.extend([0.0, 0.0, (spread * setting.scale_mm) ** -2])
        misfit.extend([0.0, 0.0, (turn - pose.angle_rad) * setting.scale_mm])
    strength.append((binning / _SIGMA_PRIOR[1]) ** 2)
    misfit.append(_SIGMA_PRIOR[0] / binning - state.sigma_px)
    for half, nominal in zip(state.half_width_mm, setting.nominal_half_mm, strict=True):
        strength.append(_HALF_WIDTH_PRIOR_MM**-2)
        misfit.append(nominal - half)
    for layer, lean in zip(setting.maps, state.lean_mm, strict=True):
        spread = _LEAN_PRIOR_MM if layer.layer == "fill" else _HELD_LEAN_MM
        strength.extend([spread**-2] * 2)
        misfit.extend([-lean[0], -lean[1]])
    typical = []
    for values in state.amplitude:
        burn = values[:-2]
        middle = float(np.median(burn))
        typical.append(middle)
        strength.extend([(_BURN_PRIOR * abs(middle) + 0.05) ** -2] * len(values))
        misfit.extend(np.append(middle - burn, -values[-2:]))
    for (i, j), value in zip(pairs(len(typical)), state.overlap, strict=True):
        smaller = min(typical[i], typical[j], key=abs)
        strength.append((_OVERLAP_PRIOR[1] * abs(smaller) + 0.02) ** -2)
        misfit.append(_OVERLAP_PRIOR[0] * smaller - value)
    strength.extend([0.0] * len(state.light))
    misfit.extend([0.0] * len(state.light))
    strength.append(_SURVIVAL_PRIOR[1] ** -2)
    misfit.append(_SURVIVAL_PRIOR[0] - state.survival)
    return _NOISE2 * np.array(strength), np.array(misfit)


def _normal(
    setting: _Setting, state: State, seen: _Seen, weight: Image, free: bool = True
) -> tuple[_Columns, Array, Array]:
    """Return the Jacobian's columns, J'WJ with priors, and J'Wr with priors."""
    region = setting.scene.region
    sub, sigma = region.sub, state.sigma_px
    count = len(setting.maps)
    gain = seen.light * grey_slope(seen.linear)
    motion: list[Image] = []
    width: list[Image] = []
    leans: list[Image] = []
    burn: list[Image] = []
    for index in range(count):
        one = seen.covers[index]
        by_mark = -seen.strength[index]
        for (i, j), value in zip(pairs(count), state.overlap, strict=True):
            if index in (i, j):
                by_mark = by_mark + np.float32(value) * seen.covers[j if index == i else i].mark
        for along in (one.along_x, one.along_y, one.along_turn / np.float32(setting.scale_mm)):
            motion.append(gain * see(by_mark * along, sub, sigma))
        width.append(gain * see(by_mark * one.edge, sub, sigma))
        if setting.maps[index].layer == "fill":
            for lean in (one.lean_axis, one.lean_diagonal):
                leans.append(gain * see(by_mark * lean, sub, sigma))
        else:
            leans.extend([np.zeros_like(gain)] * 2)
        mark = -gain * state.gain[index] * see(one.mark, sub, sigma)
        group = setting.group_of[index][one.label]
        burn.extend(mark * (group == number) for number in range(len(setting.groups[index])))
        burn.extend(mark * slope for slope in setting.slope)
    if setting.tied:
        motion = [np.sum(motion[k::3], axis=0) for k in range(3)]
    over = [
        gain * see(seen.covers[i].mark * seen.covers[j].mark, sub, sigma) for i, j in pairs(count)
    ]
    step = 0.05
    blur = gain * (see(seen.sharp, sub, sigma + step) - see(seen.sharp, sub, sigma - step))
    steep = grey_slope(seen.linear)
    slope = steep * seen.linear / np.where(np.abs(seen.field) > 1e-6, seen.field, 1e-6)
    light = [slope * field for field in setting.fields]
    survive = steep * seen.field * setting.scene.texture * (seen.through - 1)
    columns = np.array(
        [*motion, blur / np.float32(2 * step), *width, *leans, *burn, *over, *light, survive],
        np.float32,
    )
    # The blur's far tails are subnormal numbers, with which products are a hundred times slower.
    columns[np.abs(columns) < _NOTHING] = 0.0
    used = weight.ravel() > 0
    flat = columns.reshape(len(columns), -1)[:, used]
    weighted = flat * weight.ravel()[used]
    normal = (weighted @ flat.T).astype(np.float64)
    gradient = (weighted @ seen.residual.ravel()[used]).astype(np.float64)
    strength, misfit = _priors(setting, state)
    normal += np.diag(strength)
    gradient += strength * misfit
    if not free:
        # Blur and kerf stay put while the layers are far off: they would bend to hide it.
        fixed = slice(len(motion), len(motion) + 1 + 3 * count)
        normal[fixed, :] = 0.0
        normal[:, fixed] = 0.0
        normal[fixed, fixed] = np.eye(1 + 3 * count)
        gradient[fixed] = 0.0
    # A whisper of ridge: an amplitude that no pixel sees must not make the matrix singular.
    normal += np.diag(1e-9 * np.diag(normal).max() + 1e-9 * np.diag(normal))
    return _Columns(columns, len(motion)), normal, gradient


def _even(setting: _Setting) -> tuple[Image, ...]:
    return (np.ones(setting.scene.region.shape, np.float32),) * len(setting.maps)


def _uneven(setting: _Setting, state: State, seen: _Seen, weight: Image) -> tuple[Image, ...]:
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
        added = _added(setting, state, seen, index)
        left = region.spread(np.asarray(weight * seen.residual * added, np.float32))
        power = region.spread(np.asarray(weight * added * added, np.float32))
        numerator, denominator = (
            window * cv2.GaussianBlur(picture, (0, 0), spread) for picture in (left, power)
        )
        change = numerator / (denominator + np.float32(noise2 / _UNEVEN_PRIOR**2))
        gain = state.gain[index] * (1 + change[region.row, region.column])
        out.append(np.asarray(np.clip(gain, 0.3, 1.7), np.float32))
    return tuple(out)


def _added(setting: _Setting, state: State, seen: _Seen, index: int) -> Image:
    """Return the grey levels that one layer adds to the model, overlap included."""
    without = seen.sharp + seen.strength[index] * seen.covers[index].mark
    for (i, j), value in zip(pairs(len(setting.maps)), state.overlap, strict=True):
        if index in (i, j):
            without -= np.float32(value) * seen.covers[i].mark * seen.covers[j].mark
    through = see(without, setting.scene.region.sub, state.sigma_px)
    linear = seen.linear + seen.light * (through - seen.through)
    return grey_from_linear(seen.linear) - grey_from_linear(linear)


def _gap_response(
    setting: _Setting, state: State, seen: _Seen, weight: Image, normal: Array
) -> Array:
    """Return (p, 4 n) answers of all parameters to features that stop short on one side.

    To first order the fit answers to a change of the picture with (J'WJ)^-1 J'W change. This is
    not the shift of the fill's middle alone: an outline on the fill's edge is drawn along.
    """
    weighted = (_normal(setting, state, seen, weight)[0].columns * weight).reshape(len(normal), -1)
    gain = seen.light * grey_slope(seen.linear)
    pulls = [np.zeros((len(normal), 0))]
    for index, layer in enumerate(setting.maps):
        if layer.layer != "fill":
            continue
        one = seen.covers[index]
        by_mark = -seen.strength[index]
        for (i, j), value in zip(pairs(len(setting.maps)), state.overlap, strict=True):
            if index in (i, j):
                by_mark = by_mark + np.float32(value) * seen.covers[j if index == i else i].mark
        gx, gy = one.page_gradient
        label = one.label.ravel().astype(np.int64) + 1
        for facing in (gx, -gx, gy, -gy):
            short = one.edge * np.clip(facing, 0, 1) ** 2
            change = -gain * see(by_mark * short, setting.scene.region.sub, state.sigma_px)
            products = weighted * change.ravel()
            pulls.append(np.array([np.bincount(label, row) for row in products])[:, 1:])
    return np.asarray(np.linalg.solve(normal, np.concatenate(pulls, axis=1)))


def _shape(setting: _Setting, state: State, seen: _Seen, index: int) -> Image:
    """Return the grey levels that a layer of strength one, even all over, would add."""
    mark = see(seen.covers[index].mark, setting.scene.region.sub, state.sigma_px)
    return np.asarray(-seen.light * grey_slope(seen.light) * mark, np.float32)


def _ground_cost(setting: _Setting, weight: Image) -> float:
    """Return the weighted sum of squares that the best smooth light leaves without any mark."""
    linear = _linear_from_grey(setting.scene.grey)
    scale = np.sqrt(weight) * grey_slope(linear)
    ground = setting.scene.ground + setting.scene.texture
    rows = (setting.fields * ground * scale).reshape(len(setting.fields), -1)
    rows = rows.astype(np.float64)
    target = (linear * scale).ravel().astype(np.float64)
    solution, *_ = np.linalg.lstsq(rows @ rows.T, rows @ target, rcond=None)
    return float(np.sum((target - solution @ rows) ** 2))


def _limit(delta: Array, setting: _Setting) -> Array:
    """Shorten a step whose motion exceeds what the derivatives are good for."""
    motions = 3 if setting.tied else 3 * len(setting.maps)
    largest = float(np.abs(delta[:motions]).max())
    most = _STEP_LIMIT_PX * setting.scene.region.pitch_mm
    return np.asarray(delta * (most / largest)) if largest > most else delta


def _move(setting: _Setting, state: State, delta: Array) -> State:
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
        float(np.clip(h + d, nominal - _HALF_WIDTH_RANGE_MM, nominal + _HALF_WIDTH_RANGE_MM))
        if nominal < 0
        else float(np.clip(h + d, 0.02, nominal + _HALF_WIDTH_RANGE_MM))
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
            float(np.clip(a + delta[place + 2 * i], -_LEAN_RANGE_MM, _LEAN_RANGE_MM)),
            float(np.clip(b + delta[place + 2 * i + 1], -_LEAN_RANGE_MM, _LEAN_RANGE_MM)),
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


def nudge(pose: Rigid, pivot_mm: tuple[float, float], dx: float, dy: float, turn: float) -> Rigid:
    """Return a pose moved by (dx, dy) mm and turned by `turn` rad about the pivot."""
    c, s = float(np.cos(turn)), float(np.sin(turn))
    x, y = pose.x_mm - pivot_mm[0], pose.y_mm - pivot_mm[1]
    return Rigid(
        pivot_mm[0] + c * x - s * y + float(dx),
        pivot_mm[1] + s * x + c * y + float(dy),
        pose.angle_rad + float(turn),
        pose.mirrored,
    )


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


def _linear_from_grey(grey: Image) -> Image:
    encoded = np.clip(grey / np.float32(255.0), 0, 1)
    curved = np.power((encoded + np.float32(0.055)) / np.float32(1.055), np.float32(2.4))
    return np.asarray(np.where(encoded > 0.04045, curved, encoded / np.float32(12.92)))
