"""The forward model of a capture at one state, and its derivatives.

grey = E(P (T (G + q D) + (1 - q) D)): E the camera's tone curve, P a smooth field of light, G and D
the smooth part and the texture of the ground before the burn, q how the texture fares under it, T
the burned layers as the camera sees them (`rendering`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.priors import OVERLAP, SIGMA_PX, priors
from vision.register.rendering import cover, see
from vision.register.scene import Seen, Setting, State, even, pairs
from vision.register.tone import grey_from_linear, grey_slope, linear_from_grey

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_NOTHING = np.float32(1e-9)
_HARDLY = 0.4


@dataclass(frozen=True, eq=False)
class Columns:
    """Derivatives (p, rows, columns) d(grey) / d(parameter); the first `motions` are motions."""

    columns: Image
    motions: int


def start_state(setting: Setting, poses: tuple[Rigid, ...], weight: Image) -> State:
    """Solve light and burn strength linearly at fixed poses."""
    scene, maps = setting.scene, setting.maps
    half = setting.nominal_half_mm
    covers = [
        cover(m, p, setting.pivot_mm, scene.region, h)
        for m, p, h in zip(maps, poses, half, strict=True)
    ]
    sigma = SIGMA_PX[0] / scene.region.bin
    seen = [see(c.mark, scene.region.sub, max(sigma, 0.35)) for c in covers]
    linear = linear_from_grey(scene.grey)
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
        [OVERLAP[0] * min(typical[i], typical[j], key=abs) for i, j in pairs(len(amplitude))]
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
        even(setting),
    )


def look(setting: Setting, state: State) -> Seen:
    """Return the model at a state, and what it leaves of the picture."""
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
    return Seen(
        covers, strength, sharp, through, field, light, linear, np.asarray(residual, np.float32)
    )


def normal_equations(
    setting: Setting, state: State, seen: Seen, weight: Image, free: bool = True
) -> tuple[Columns, Array, Array]:
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
        mark = -gain * see(one.mark, sub, sigma)
        group, uneven = setting.group_of[index][one.label], mark * state.gain[index]
        burn.extend(uneven * (group == number) for number in range(len(setting.groups[index])))
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
    strength, misfit = priors(setting, state)
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
    return Columns(columns, len(motion)), normal, gradient


def added_levels(setting: Setting, state: State, seen: Seen, index: int) -> Image:
    """Return the grey levels that one layer adds to the model, overlap included."""
    without = seen.sharp + seen.strength[index] * seen.covers[index].mark
    for (i, j), value in zip(pairs(len(setting.maps)), state.overlap, strict=True):
        if index in (i, j):
            without -= np.float32(value) * seen.covers[i].mark * seen.covers[j].mark
    through = see(without, setting.scene.region.sub, state.sigma_px)
    linear = seen.linear + seen.light * (through - seen.through)
    return grey_from_linear(seen.linear) - grey_from_linear(linear)


def even_levels(setting: Setting, state: State, seen: Seen, index: int) -> Image:
    """Return the grey levels that a layer of strength one, even all over, would add."""
    mark = see(seen.covers[index].mark, setting.scene.region.sub, state.sigma_px)
    return np.asarray(-seen.light * grey_slope(seen.light) * mark, np.float32)


def expected_levels(setting: Setting, state: State) -> tuple[Image, ...]:
    """Return the grey levels that each layer would add if it were burned evenly all over.

    A feature burned less than _HARDLY of the middle one is expected like the middle one: it may be
    covered.
    """
    amplitude = []
    for values in state.amplitude:
        burn, middle = values[:-2], float(np.median(values[:-2]))
        weak = np.abs(burn) < _HARDLY * abs(middle)
        amplitude.append(np.concatenate([np.where(weak, middle, burn), [0.0, 0.0]]))
    flat = replace(state, amplitude=tuple(amplitude), gain=even(setting))
    seen = look(setting, flat)
    return tuple(added_levels(setting, flat, seen, index) for index in range(len(setting.maps)))


def gap_response(setting: Setting, state: State, seen: Seen, weight: Image, normal: Array) -> Array:
    """Return (p, 4 n) answers of all parameters to features that stop short on one side.

    To first order the fit answers to a change of the picture with (J'WJ)^-1 J'W change. This is
    not the shift of the fill's middle alone: an outline on the fill's edge is drawn along.
    """
    weighted = (normal_equations(setting, state, seen, weight)[0].columns * weight).reshape(
        len(normal), -1
    )
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


def ground_cost(setting: Setting, weight: Image) -> float:
    """Return the weighted sum of squares that the best smooth light leaves without any mark."""
    linear = linear_from_grey(setting.scene.grey)
    scale = np.sqrt(weight) * grey_slope(linear)
    ground = setting.scene.ground + setting.scene.texture
    rows = (setting.fields * ground * scale).reshape(len(setting.fields), -1)
    rows = rows.astype(np.float64)
    target = (linear * scale).ravel().astype(np.float64)
    solution, *_ = np.linalg.lstsq(rows @ rows.T, rows @ target, rcond=None)
    return float(np.sum((target - solution @ rows) ** 2))


def _strength(setting: Setting, state: State, label: NDArray[np.int16], index: int) -> Image:
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
