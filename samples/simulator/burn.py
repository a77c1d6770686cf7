"""What the beam leaves: passes drawn as opacity on the page, in exact geometry.

A stroke of the beam is a capsule: all points within half a kerf of its centre line. Cells get the
area that its straight edges cover exactly; at the round ends the signed distance stands for it.
Where two strokes overlap, what each lets through is multiplied: the second burns what the first
left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from samples.simulator.camera import Grid
from samples.simulator.motion import Motion
from samples.simulator.raster import Raster, blank
from samples.simulator.shapes import Area, Line

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Beam:
    """How strokes are burned.

    Attributes
    ----------
    kerf_mm
        Width of a burned line.
    softness_mm
        Sigma of the unsharp edge.
    strength
        Opacity in the middle of a stroke.
    unevenness, unevenness_scale_mm
        Relative slow variation of the opacity along a stroke, and its length.
    scorch_share, scorch_mm
        Opacity of a one-sided scorch and its (dx, dy) on the page.
    pitch_mm
        Cell of the drawing.
    """

    kerf_mm: float
    softness_mm: float = 0.05
    strength: float = 0.85
    unevenness: float = 0.10
    unevenness_scale_mm: float = 7.0
    scorch_share: float = 0.0
    scorch_mm: tuple[float, float] = (0.0, 0.0)
    pitch_mm: float = 0.025


@dataclass(frozen=True)
class Hatch:
    """Parallel strokes of a fill: one angle (deg) per run, spacing, phase as share of it."""

    angles_deg: tuple[float, ...]
    spacing_mm: float
    phase: float


@dataclass(frozen=True, eq=False)
class Burned:
    """Opacity of what a run of strokes left, on a plane of its own.

    Attributes
    ----------
    opacity
        0 untouched, 1 fully burned.
    page_from_raster
        Motion from the raster's plane to the page.
    """

    opacity: Raster
    page_from_raster: Motion


def _padding(beam: Beam) -> float:
    reach = beam.kerf_mm / 2 + 4 * beam.softness_mm + 2 * beam.pitch_mm
    return reach + (3 * math.hypot(*beam.scorch_mm) if beam.scorch_share else 0.0)


def _steady(rng: np.random.Generator, rows: int, columns: int, scale: float) -> Grid:
    """Return a smooth random field, standard deviation about 1, correlation `scale` columns."""
    coarse = max(int(columns / scale) + 3, 4)
    field = rng.standard_normal((rows, coarse)).astype(np.float32)
    return np.asarray(cv2.resize(field, (columns, rows), interpolation=cv2.INTER_CUBIC))


def _finish(clear: Raster, beam: Beam, page_from_raster: Motion) -> Burned:
    """Turn transmission into opacity; add scorch and soft edges."""
    through = clear.values
    if beam.scorch_share:
        shift = Motion(-page_from_raster.angle_rad).apply(np.array(beam.scorch_mm))
        move = np.array([[1, 0, shift[0] / clear.pitch_mm], [0, 1, shift[1] / clear.pitch_mm]])
        beside = cv2.warpAffine(1 - through, move, through.shape[::-1], flags=cv2.INTER_LINEAR)
        spread = math.hypot(*beam.scorch_mm) / 2 / clear.pitch_mm
        through = through * (1 - beam.scorch_share * cv2.GaussianBlur(beside, (0, 0), spread))
    opacity: Grid = 1 - through
    if beam.softness_mm:
        soft = cv2.GaussianBlur(opacity, (0, 0), beam.softness_mm / clear.pitch_mm)
        opacity = np.asarray(soft, np.float32)
    return Burned(Raster(opacity, clear.pitch_mm, clear.first_mm), page_from_raster)


def hatch_segments(areas: tuple[Area, ...], hatch: Hatch, run: int) -> Array:
    """Return the hatch strokes of one run, (n, 3) rows (y, x0, x1) in a frame turned by its angle.

    Even-odd over all rings: areas of one drawing do not overlap.
    """
    turn = Motion(-math.radians(hatch.angles_deg[run]))
    rings = [turn.apply(ring) for area in areas for ring in area.rings_mm]
    start = np.vstack(rings)
    end = np.vstack([np.roll(ring, -1, axis=0) for ring in rings])
    # Lines first <= n < last cross the edge; half open, so that a shared vertex counts once.
    low = np.minimum(start[:, 1], end[:, 1]) / hatch.spacing_mm - hatch.phase
    high = np.maximum(start[:, 1], end[:, 1]) / hatch.spacing_mm - hatch.phase
    first, last = np.ceil(low).astype(int), np.ceil(high).astype(int)
    count = last - first
    edge = np.repeat(np.arange(len(start)), count)
    line = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[edge]
    level = (line + hatch.phase) * hatch.spacing_mm
    share = (level - start[edge, 1]) / (end[edge, 1] - start[edge, 1])
    x = start[edge, 0] + share * (end[edge, 0] - start[edge, 0])
    order = np.lexsort((x, line))
    x, level = x[order], level[order]
    return np.column_stack([level[::2], x[::2], x[1::2]])


def burn_fill(
    areas: tuple[Area, ...],
    hatch: Hatch,
    beam: Beam,
    rng: np.random.Generator,
    part: tuple[float, float] = (0.0, 1.0),
) -> list[Burned]:
    """Draw a fill, one raster per run of the hatch; `part` picks a share of all its strokes."""
    runs = [hatch_segments(areas, hatch, run) for run in range(len(hatch.angles_deg))]
    total = sum(len(run) for run in runs)
    low, high = round(part[0] * total), round(part[1] * total)
    done, burned = 0, []
    for angle, run in zip(hatch.angles_deg, runs, strict=True):
        own = run[max(low - done, 0) : max(high - done, 0)]
        done += len(run)
        if len(own):
            burned.append(_draw_hatch(own, math.radians(angle), beam, rng))
    return burned


def _draw_hatch(segments: Array, angle_rad: float, beam: Beam, rng: np.random.Generator) -> Burned:
    levels, starts, ends = segments.T
    pad, pitch, half = _padding(beam), beam.pitch_mm, beam.kerf_mm / 2
    clear = blank(
        (starts.min() - pad, levels.min() - pad, ends.max() + pad, levels.max() + pad), pitch
    )
    clear.values[:] = 1.0
    x, y = clear.axes_mm()
    x32 = x.astype(np.float32)
    field = _steady(rng, len(segments), len(x), beam.unevenness_scale_mm / pitch)
    strength = np.clip(beam.strength * (1 + beam.unevenness * field), 0.0, 1.0)
    for (level, start, end), along in zip(segments, strength, strict=True):
        r0, r1 = np.searchsorted(y, [level - half - pitch, level + half + pitch])
        c0, c1 = np.searchsorted(x, [start - half - pitch, end + half + pitch])
        across = np.abs(y[r0:r1] - level).astype(np.float32)
        # In between the ends the edge depends on the distance across alone.
        m0, m1 = np.searchsorted(x, [start, end])
        share = np.empty((r1 - r0, c1 - c0), np.float32)
        share[:, m0 - c0 : m1 - c0] = np.clip((half - across) / pitch + 0.5, 0, 1)[:, None]
        for a, b, tip in ((c0, m0, start), (m1, c1, end)):
            distance = np.hypot(across[:, None], (x32[a:b] - np.float32(tip))[None, :])
            share[:, a - c0 : b - c0] = np.clip((half - distance) / pitch + 0.5, 0, 1)
        clear.values[r0:r1, c0:c1] *= 1 - share * along[c0:c1]
    return _finish(clear, beam, Motion(angle_rad))


def burn_lines(
    lines: tuple[Line, ...],
    beam: Beam,
    rng: np.random.Generator,
    part: tuple[float, float] = (0.0, 1.0),
) -> list[Burned]:
    """Draw strokes of kerf width; `part` picks a share of their whole length."""
    step = min(1.5, beam.unevenness_scale_mm / 3)
    runs = [_chopped(line, step) for line in lines]
    total = sum(float(np.linalg.norm(run[1:] - run[:-1], axis=1).sum()) for run in runs)
    done, chosen = 0.0, []
    for run in runs:
        ends = done + np.cumsum(np.linalg.norm(run[1:] - run[:-1], axis=1))
        done = float(ends[-1])
        inside = (ends > part[0] * total + 1e-9) & (ends <= part[1] * total + 1e-9)
        if inside.any():
            index = np.flatnonzero(inside)
            chosen.append(run[index[0] : index[-1] + 2])
    if not chosen:
        return []
    pad = _padding(beam)
    everything = np.vstack(chosen)
    low, high = everything.min(axis=0) - pad, everything.max(axis=0) + pad
    clear = blank((low[0], low[1], high[0], high[1]), beam.pitch_mm)
    clear.values[:] = 1.0
    for run in chosen:
        _draw_stroke(clear, run, beam, rng)
    return [_finish(clear, beam, Motion())]


def _chopped(line: Line, step_mm: float) -> Array:
    """Return a stroke's points, closed where it closes, no piece longer than `step_mm`."""
    points = np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
    pieces = [points[:1]]
    for start, end in pairwise(points):
        count = max(1, math.ceil(float(np.linalg.norm(end - start)) / step_mm))
        share = np.arange(1, count + 1)[:, None] / count
        pieces.append(start + share * (end - start))
    return np.vstack(pieces)


def _covered(inside_mm: Array, along: Array, pitch_mm: float) -> Array:
    """Return the share of a square cell that lies inside a straight edge, exactly.

    `inside_mm` is the signed distance of the cell's centre from the edge, `along` the direction of
    the edge. A cell seen across the edge is the convolution of two boxes (its sides projected on
    the normal), so the covered share is that trapezium integrated.
    """
    wide, narrow = sorted(np.abs(along) / np.linalg.norm(along) * pitch_mm, reverse=True)
    narrow = max(narrow, 1e-3 * pitch_mm)

    def half_square(shift: float) -> Array:
        return np.asarray(np.maximum(inside_mm + shift, 0) ** 2)

    outer, inner = (wide + narrow) / 2, (wide - narrow) / 2
    ends = half_square(outer) - half_square(inner) - half_square(-inner) + half_square(-outer)
    return np.asarray(ends / (2 * wide * narrow))


def _draw_stroke(clear: Raster, run: Array, beam: Beam, rng: np.random.Generator) -> None:
    """Multiply one stroke into a transmission raster; within itself a stroke burns once."""
    x, y = clear.axes_mm()
    pitch, half = clear.pitch_mm, beam.kerf_mm / 2
    reach = half + pitch
    c_low, c_high = np.searchsorted(x, [run[:, 0].min() - reach, run[:, 0].max() + reach])
    r_low, r_high = np.searchsorted(y, [run[:, 1].min() - reach, run[:, 1].max() + reach])
    stroke = np.zeros((r_high - r_low, c_high - c_low), np.float32)
    steps = np.linalg.norm(run[1:] - run[:-1], axis=1)
    length = float(steps.sum())
    field = _steady(rng, 1, 256, max(256 * beam.unevenness_scale_mm / max(length, 1e-6), 1.0))[0]
    middle = (np.cumsum(steps) - steps / 2) / max(length, 1e-6)
    wave = np.interp(middle, np.linspace(0, 1, 256), field)
    strength = np.clip(beam.strength * (1 + beam.unevenness * wave), 0.0, 1.0)
    for start, end, opacity in zip(run[:-1], run[1:], strength, strict=True):
        c0, c1 = np.searchsorted(x, [min(start[0], end[0]) - reach, max(start[0], end[0]) + reach])
        r0, r1 = np.searchsorted(y, [min(start[1], end[1]) - reach, max(start[1], end[1]) + reach])
        dx = (x[c0:c1] - start[0])[None, :]
        dy = (y[r0:r1] - start[1])[:, None]
        way = end - start
        along = np.clip((dx * way[0] + dy * way[1]) / float(way @ way), 0, 1)
        distance = np.sqrt((dx - along * way[0]) ** 2 + (dy - along * way[1]) ** 2)
        share = _covered(half - distance, way, pitch) * opacity
        patch = stroke[r0 - r_low : r1 - r_low, c0 - c_low : c1 - c_low]
        np.maximum(patch, share.astype(np.float32), out=patch)
    clear.values[r_low:r_high, c_low:c_high] *= 1 - stroke
