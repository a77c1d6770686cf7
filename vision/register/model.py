"""The forward model of a capture at one state, and its derivatives.

grey = E(P (T (G + q D) + (1 - q) D) + S): E the camera's tone curve, P a smooth field of light, G
and D the smooth part and the texture of the ground before the burn, q how the texture fares under
it, T the burned layers as the camera sees them (`rendering`), S the light that a glare adds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.overlap import overlap_of
from vision.register.priors import SIGMA_PX, expected_overlap
from vision.register.rendering import Coverage, cover
from vision.register.scene import Seen, Setting, State, even, nudge, pairs
from vision.register.tone import grey_from_linear, grey_slope, linear_from_grey

Array = NDArray[np.float64]
Image = NDArray[np.float32]
_Kind = TypeVar("_Kind", bound=np.generic)

_NOTHING = np.float32(1e-9)
_HARDLY = 0.4
# About half of what has to be told from nothing lies between two copies of a layer.
_COPY_MM = 0.15


def start_state(setting: Setting, poses: tuple[Rigid, ...], weight: Image) -> State:
    """Solve light and burn strength linearly at fixed poses."""
    scene, maps = setting.scene, setting.maps
    half = setting.nominal_half_mm
    sigma = max(SIGMA_PX[0] / scene.region.bin, 0.35)
    seen = []
    for index, layer in enumerate(maps):
        one = _cover(setting, layer, poses[index], half[index], (0.0, 0.0))
        seen.append(setting.fine.seen(one.mark, sigma, setting.inside[index]))
    linear = linear_from_grey(scene.grey)
    ground = scene.ground + scene.texture
    light = setting.fields * ground
    marks = []
    for index, picture in enumerate(seen):
        group = setting.group_of[index][maps[index].label_at(poses[index], setting.places)]
        for number in range(len(setting.groups[index])):
            marks.append(-picture * ground * (group == number))
    # Equal grey levels of error weigh alike, so divide by the slope of the tone curve.
    scale = weight * grey_slope(linear)
    linear = linear - scene.stray
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
        amplitude.append(np.concatenate([np.clip(values, -8.0, 0.95), [0.0, 0.0]]))
        place += len(groups)
    # The linear solution of the overlap is wild where edges coincide: start from what is expected.
    overlap = np.full(len(pairs(len(maps))), expected_overlap(strongest(amplitude))[0])
    lean = ((0.0, 0.0),) * len(maps)
    return State(
        poses,
        sigma,
        half,
        lean,
        tuple(amplitude),
        overlap,
        solution[:terms],
        1.0,
        0.0,
        even(setting),
    )


def strongest(amplitude: Sequence[Array]) -> float:
    """Return the middle burn strength of the strongest layer, with its sign."""
    return max((float(np.median(values[:-2])) for values in amplitude), key=abs)


def look(setting: Setting, state: State) -> Seen:
    """Return the model at a state, and what it leaves of the picture."""
    scene, fine = setting.scene, setting.fine
    covers, labels, marks, strength = [], [], [], []
    through = np.ones(scene.region.shape, np.float32)
    for index, layer in enumerate(setting.maps):
        pose = state.poses[index]
        one = _cover(setting, layer, pose, state.half_width_mm[index], state.lean_mm[index])
        covers.append(one)
        labels.append(layer.label_at(pose, setting.places))
        marks.append(fine.seen(one.mark, state.sigma_px, setting.inside[index]))
        evenly = _even(setting, state, labels[index], index)
        strength.append(evenly * _factor(setting, state, index))
        through -= strength[index] * marks[index]
    overlaps, both, common = [], [], []
    for (i, j), value in zip(pairs(len(covers)), state.overlap, strict=True):
        overlaps.append(overlap_of(covers[i], covers[j], state.soft_mm))
        both.append(
            fine.seen(overlaps[-1].mark, state.sigma_px, setting.inside[i] * setting.inside[j])
        )
        common.append(strength[i] * strength[j] * np.float32(1 / setting.level))
        through += np.float32(value) * common[-1] * both[-1]
    field = np.tensordot(state.light.astype(np.float32), setting.fields, 1)
    survival = np.float32(state.survival)
    light = field * (scene.ground + survival * scene.texture)
    linear = light * through + field * (1 - survival) * scene.texture + scene.stray
    residual = scene.grey - grey_from_linear(linear)
    return Seen(
        covers,
        labels,
        marks,
        overlaps,
        both,
        strength,
        common,
        through,
        field,
        light,
        light + scene.stray,
        linear,
        np.asarray(residual, np.float32),
    )


def derivatives(
    setting: Setting,
    state: State,
    seen: Seen,
    free: bool = True,
    used: NDArray[np.int64] | slice | None = None,
) -> tuple[Image, Image]:
    """Return (p, rows, columns) d(grey) / d(parameter), and (layers, rows, columns) by the gain.

    The gain's are those by the gain of the cell that a pixel lies in. Those by blur, kerf, lean and
    softness are left out (nothing) where these are not free. Of the pixels with these numbers
    alone, where they are given: (p, n) and (layers, n).
    """

    def of(picture: NDArray[_Kind]) -> NDArray[_Kind]:
        return picture if used is None else picture.ravel()[used]

    steep = grey_slope(of(seen.linear))
    gain = of(seen.light) * steep
    # Strengths vary so slowly that it does not matter whether they are taken before the blur.
    edges = [
        one.weighed(*_by_edges(setting, state, seen, index))
        for index, one in enumerate(seen.covers)
    ]
    motion = [
        [one.along_x, one.along_y, one.along_turn / np.float32(setting.scale_mm)] for one in edges
    ]
    if setting.tied:
        motion = [[np.sum(along, axis=0) for along in zip(*motion, strict=True)]]
    burn: list[Image] = []
    uneven: list[Image] = []
    for index in range(len(edges)):
        mark = gain * of(_by_strength(setting, state, seen, index))
        group = setting.group_of[index][of(seen.labels[index])]
        varied = mark * of(_factor(setting, state, index))
        burn.extend(varied * (group == number) for number in range(len(setting.groups[index])))
        uneven.append(mark * of(_even(setting, state, seen.labels[index], index)))
        burn.extend(uneven[index] * of(slope) for slope in setting.slope)
    if free:
        *shape, softer = (gain * of(change) for change in _by_shape(setting, state, seen, edges))
    else:
        *shape, softer = [np.zeros_like(gain)] * (2 + 3 * len(edges))
    over = zip(seen.common, seen.both, strict=True)
    field = of(seen.field)
    lit = of(seen.linear - setting.scene.stray)
    slope = steep * lit / np.where(np.abs(field) > 1e-6, field, 1e-6)
    survive = steep * field * of(setting.scene.texture) * (of(seen.through) - 1)
    columns = np.array(
        [
            *(gain * of(setting.fine.seen(along, state.sigma_px)) for along in chain(*motion)),
            *shape,
            *burn,
            *(gain * (of(common) * of(both)) for common, both in over),
            *(slope * of(field) for field in setting.fields),
            survive,
            softer,
        ],
        np.float32,
    )
    local = np.array(uneven, np.float32)
    # The blur's far tails are subnormal numbers, with which products are a hundred times slower.
    columns[np.abs(columns) < _NOTHING] = 0.0
    local[np.abs(local) < _NOTHING] = 0.0
    return columns, local


def _by_shape(setting: Setting, state: State, seen: Seen, edges: list[Coverage]) -> list[Image]:
    """Return d(transmission) / d(blur), d(half-widths), d(leans) and d(softness)."""
    fine, sigma = setting.fine, state.sigma_px
    sharp = np.ones_like(seen.covers[0].mark)
    beyond = np.ones(setting.scene.region.shape, np.float32)
    for index, one in enumerate(seen.covers):
        sharp -= fine.repeated(seen.strength[index]) * one.mark
        beyond -= seen.strength[index] * setting.inside[index]
    softer = np.zeros_like(sharp)
    for number, (i, j) in enumerate(pairs(len(edges))):
        scaled = np.float32(state.overlap[number]) * seen.common[number]
        sharp += fine.repeated(scaled) * seen.overlaps[number].mark
        softer += fine.repeated(scaled) * seen.overlaps[number].by_softness
        beyond += scaled * setting.inside[i] * setting.inside[j]
    step = 0.05
    forth, back = (fine.seen(sharp, sigma + change, beyond) for change in (step, -step))
    shape = [(forth - back) / np.float32(2 * step)]
    shape.extend(fine.seen(one.edge, sigma) for one in edges)
    for one, layer in zip(edges, setting.maps, strict=True):
        if layer.layer == "fill":
            shape.extend(fine.seen(lean, sigma) for lean in (one.lean_axis, one.lean_diagonal))
        else:
            shape.extend([np.zeros_like(beyond)] * 2)
    return [*shape, fine.seen(softer, sigma)]


def added_levels(setting: Setting, state: State, seen: Seen, index: int) -> Image:
    """Return the grey levels that one layer adds to the model, overlap included."""
    without = seen.strength[index] * seen.marks[index]
    for pair, value, _ in _overlaps(setting, state, index):
        without -= np.float32(value) * seen.common[pair] * seen.both[pair]
    linear = seen.linear + seen.light * without
    return grey_from_linear(seen.linear) - grey_from_linear(linear)


def even_levels(seen: Seen, index: int) -> Image:
    """Return the grey levels that a layer of strength one, even all over, would add."""
    return np.asarray(-seen.light * grey_slope(seen.bare) * seen.marks[index], np.float32)


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


def gap_changes(
    setting: Setting, state: State, seen: Seen
) -> list[tuple[Image, NDArray[np.int64]]]:
    """Return what the camera would see of fills that stop one millimetre short on one side.

    Per layer that is a fill and each of the page's four sides: (rows, columns) change of the grey
    levels, and the feature that each pixel belongs to, counted from 1 (0: none).
    """
    gain = seen.light * grey_slope(seen.linear)
    changes = []
    for index, layer in enumerate(setting.maps):
        if layer.layer != "fill":
            continue
        one = seen.covers[index].weighed(*_by_edges(setting, state, seen, index))
        gx, gy = one.page_gradient
        label = seen.labels[index].astype(np.int64) + 1
        for facing in (gx, -gx, gy, -gy):
            short = one.edge * np.clip(facing, 0, 1) ** 2
            change = -gain * setting.fine.seen(short, state.sigma_px)
            changes.append((change, label))
    return changes


def texture_levels(setting: Setting, state: State, seen: Seen) -> Image:
    """Return (rows, columns) grey levels that the ground's texture adds, to first order."""
    survives = 1 + np.float32(state.survival) * (seen.through - 1)
    shown = grey_slope(seen.linear) * seen.field * setting.scene.texture
    return np.asarray(shown * survives, np.float32)


def second_moments(setting: Setting, state: State, seen: Seen, index: int) -> Image:
    """Return (3, rows, columns) d(grey) / d(second moment xx, xy, yy), mm^2, of a layer's own blur.

    Blurred by a tensor S a layer's coverage changes by half of S : its second derivatives (to first
    order in S). They are taken over _COPY_MM to both sides, the size of what they stand for.
    """
    gain = seen.light * grey_slope(seen.linear)
    half, lean, pose = state.half_width_mm[index], state.lean_mm[index], state.poses[index]
    alone = -setting.fine.repeated(seen.strength[index])

    def through(one: Coverage) -> Image:
        """Return the part of the transmission that a layer has a share in, on the sub-samples."""
        out = alone * one.mark
        for number, value, other in _overlaps(setting, state, index):
            both = overlap_of(one, seen.covers[other], state.soft_mm)
            out += setting.fine.repeated(np.float32(value) * seen.common[number]) * both.mark
        return out

    here = through(seen.covers[index])

    def bend(right: float, up: float) -> Image:
        """Return half the second derivative along a direction of unit length."""
        ends = (
            nudge(pose, setting.pivot_mm, sign * _COPY_MM * right, sign * _COPY_MM * up, 0.0)
            for sign in (1, -1)
        )
        forth, back = (
            through(_cover(setting, setting.maps[index], end, half, lean)) for end in ends
        )
        change = (forth + back - 2 * here) / np.float32(2 * _COPY_MM**2)
        return np.asarray(gain * setting.fine.seen(change, state.sigma_px))

    along = math.sqrt(0.5)
    both = bend(along, along) - bend(along, -along)
    return np.array([bend(1.0, 0.0), both, bend(0.0, 1.0)])


def ground_cost(setting: Setting, weight: Image) -> float:
    """Return the weighted sum of squares that the best smooth light leaves without any mark."""
    linear = linear_from_grey(setting.scene.grey)
    scale = np.sqrt(weight) * grey_slope(linear)
    ground = setting.scene.ground + setting.scene.texture
    rows = (setting.fields * ground * scale).reshape(len(setting.fields), -1)
    rows = rows.astype(np.float64)
    target = ((linear - setting.scene.stray) * scale).ravel().astype(np.float64)
    solution, *_ = np.linalg.lstsq(rows @ rows.T, rows @ target, rcond=None)
    return float(np.sum((target - solution @ rows) ** 2))


def _cover(
    setting: Setting, layer: DistanceMap, pose: Rigid, half_mm: float, lean_mm: tuple[float, float]
) -> Coverage:
    """Render one layer on the setting's sub-samples."""
    fine = setting.fine
    return cover(layer, pose, setting.pivot_mm, fine.places_mm, fine.step_mm, half_mm, lean_mm)


def _overlaps(setting: Setting, state: State, index: int) -> Iterator[tuple[int, float, int]]:
    """Yield number, overlap and other layer of every pair that a layer belongs to."""
    for number, pair in enumerate(pairs(len(setting.maps))):
        if index in pair:
            yield number, float(state.overlap[number]), sum(pair) - index


def _by_edges(setting: Setting, state: State, seen: Seen, index: int) -> list[Image]:
    """Return d(transmission) / d(coverage) of a layer on the sub-samples, edge by edge."""
    alone = -setting.fine.repeated(seen.strength[index])
    out = [alone.copy() for _ in seen.covers[index].edges]
    for number, value, other in _overlaps(setting, state, index):
        scaled = setting.fine.repeated(np.float32(value) * seen.common[number])
        overlap = seen.overlaps[number]
        for own, by in zip(
            out, overlap.by_first if index < other else overlap.by_second, strict=True
        ):
            own += scaled * by
    return out


def _by_strength(setting: Setting, state: State, seen: Seen, index: int) -> Image:
    """Return d(transmission) / d(strength of a layer) on the pixels."""
    out = -seen.marks[index]
    for pair, value, other in _overlaps(setting, state, index):
        out = out + np.float32(value / setting.level) * seen.strength[other] * seen.both[pair]
    return out


def _even(setting: Setting, state: State, label: NDArray[np.int16], index: int) -> Image:
    """Return the strength of a layer's features on the pixels, without its slow variation."""
    table = np.append(state.amplitude[index][:-2], 0.0)[setting.group_of[index]]
    return np.asarray(table.astype(np.float32)[label])


def _factor(setting: Setting, state: State, index: int) -> Image:
    """Return the slow variation of a layer's burn on the pixels, as a factor."""
    right, down = state.amplitude[index][-2:].astype(np.float32)
    gain = state.gain[index].astype(np.float32)[setting.cell]
    return np.asarray(gain + right * setting.slope[0] + down * setting.slope[1])
