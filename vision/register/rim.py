"""The rim of plain work on a bed that is no darker or lighter than the work itself.

On a honeycomb the work's edge is no step of one sign: here a bright wall meets it, there a dark
cell. But from inside outwards every place sees nothing but the plain work until the first thing of
the bed, and where things of the bed touch the edge they end on one straight line. Between two
captures the bed stands still, so that what differs just there is the edge's own shift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.register.edges import (
    Edge,
    line_through,
    profiles_across,
    pull_gain,
    stations_along,
    steps_of,
)
from vision.register.view import View

Array = NDArray[np.float64]

# Profiles reach from so far inside of a rough line to so far outside, pixels.
_FAR_PX = np.arange(-9.0, 8.01, 0.5)
_INNER = _FAR_PX < -5.0
# What differs from the work's own level by more than this many of its own deviations, and by more
# than so many grey levels, is not the work.
_SIGMAS = 4.5
_LEAST_LEVELS = 6.0
# A place touches the edge where something begins within a pixel of it.
_TOUCHES_PX = 1.0
_LEAST_TOUCHING = 0.15
_FEWEST = 12
_MOST_INSIDE = 0.05
# The shift of an edge is told by the difference of two captures while it is small.
_SMALL_PX = 0.7
# A line that must go farther than this was not the rim.
_FAR_OFF_PX = 2.5
_ROUNDS = 5
_SAME_BED_PX = 0.35
_NOISES = 3.0
_OTHERS = 0.08
_LIKE = 0.6
# Simulated shifts of 0.1 to 0.2 mm were told 20 to 55 % too small.
_HIDDEN = 0.8
_FLOOR_MM = 0.006
# Samples of a profile that lie well inside of the edge.
_PLAIN = 3
# Lengths of a rim that are tried, in those of the rough line.
_REACHES = (1.0, 1.5, 2.0, 3.0)
# A longer rim that is turned by more than this, and by what is not known, is another line.
_IN_LINE_RAD = math.radians(0.2)


@dataclass(frozen=True, eq=False)
class RimShift:
    """How far one rim moved between two captures.

    Attributes
    ----------
    rim
        As the earlier capture shows it.
    shift
        (2,) offset along its normal at its middle, mm, and turn of the normal, rad.
    covariance
        (2, 2) of these.
    """

    rim: Edge
    shift: Array
    covariance: Array


def fit_rim(view: View, start: Edge, keep_out: NDArray[np.bool_] | None = None) -> Edge | None:
    """Return the rim near a rough line (within some pixels), or None where there is none.

    Parameters
    ----------
    view
        The capture, best the one before the burn.
    start
        Rough line; its side, middle, normal and half length count.
    keep_out
        (h, w) pixels that must not count.
    """
    stations = stations_along(view, start)
    if stations is None:
        return None
    t, pixel = stations
    begins, seen = _begins(view, start, t, pixel, keep_out)
    if seen.sum() < 25:
        return None
    line = _bound_from_within(t[seen], begins[seen])
    if line is None:
        return None
    offset, slope = line
    return _settled(view, start.shifted(offset * pixel, slope * pixel), keep_out)


def rim_shift_near(
    before: View, after: View, start: Edge, keep_out: NDArray[np.bool_] | None
) -> RimShift | None:
    """Return how far the rim near a rough line moved, told over as much of it as there is.

    The rough line is as long as what was burned beside it; the work reaches further, and a longer
    rim tells more. It is followed outwards for as long as none of it has changed and it stays in
    line: what a longer one tells then may be the bed's. See `fit_rim` and `rim_shift`.
    """
    found: RimShift | None = None
    for reach in _REACHES:
        rim = fit_rim(before, replace(start, half_mm=reach * start.half_mm))
        if rim is None:
            continue
        if found is not None and not _in_line(rim, found.rim):
            break
        shift = rim_shift(before, after, rim, keep_out)
        if shift is None:
            break
        found = shift
    return found


def _in_line(one: Edge, other: Edge) -> bool:
    """Tell whether two rims may be one: whether they run alike."""
    doubt = math.sqrt(float(one.covariance[1, 1] + other.covariance[1, 1]))
    return abs(one.normal_rad - other.normal_rad) < _IN_LINE_RAD + 2 * doubt


def rim_shift(
    before: View, after: View, rim: Edge, keep_out: NDArray[np.bool_] | None
) -> RimShift | None:
    """Return how far a rim moved between two captures.

    None where too little touches the rim, or where it moved so far that another part of the bed
    lies behind it.

    Parameters
    ----------
    before, after
        The captures, each with its own map.
    rim
        As the capture before shows it.
    keep_out
        (h, w) pixels of the later capture that must not count.
    """
    stations = stations_along(before, rim)
    if stations is None:
        return None
    t, pixel = stations
    begins, seen = _begins(before, rim, t, pixel, None)
    first, good_first = profiles_across(before, None, rim, t, pixel)
    second, good_second = profiles_across(after, keep_out, rim, t, pixel)
    touching = seen & good_first & good_second & (np.abs(begins) < 2 * _TOUCHES_PX)
    if not _enough(touching, int(seen.sum())):
        return None
    every, t, first, second = t, t[touching], first[touching], second[touching]
    # The light may have changed: the work's own level tells by how much.
    light = float(np.median(second[:, 0]) / max(float(np.median(first[:, 0])), 1e-4))
    inside, outside, pull = steps_of(first)
    later_inside, later_outside, later_pull = steps_of(second / max(light, 1e-3))
    contrast = (inside - outside + later_inside - later_outside) / 2
    # The work is still there, and what touched it still touches it.
    ends_after, seen_after = _begins(after, rim, every, pixel, keep_out)
    inside_of = -1.5 * _TOUCHES_PX
    both = seen & seen_after
    bare = 1.0
    if both.any():
        # What lay inside of the rim before, such as the wall below it, tells of no movement.
        bare = float((ends_after[both] < inside_of).mean() - (begins[both] < inside_of).mean())
    like = (inside - outside) @ (later_inside - later_outside) / np.sum((inside - outside) ** 2)
    if bare > _MOST_INSIDE or like < _LIKE:
        return None
    station_mm = 2 * rim.half_mm / max(len(seen) - 1, 1)
    line = line_through(
        t, rim.half_mm, contrast, later_pull - pull, pixel, station_mm, rounds=_ROUNDS
    )
    if line is None:
        return None
    # Where another part of the bed lies behind the edge, the differences are more than noise.
    noise = float(np.std((second / max(light, 1e-3) - first)[:, :_PLAIN]))
    most2 = (_NOISES * noise * pull_gain()) ** 2 + (_SAME_BED_PX * contrast) ** 2
    if np.mean(line.left**2 > most2) > _OTHERS or line.farthest_mm > _SMALL_PX * pixel:
        return None
    shift = np.array([line.offset_mm, -line.slope])
    # Part of what touches the rim lies a little beyond it and hides some of the shift.
    hidden = _HIDDEN * abs(float(shift[0])) + _FLOOR_MM
    doubt = hidden**2 * np.diag([1.0, rim.half_mm**-2])
    return RimShift(rim, shift, line.covariance + doubt)


def _enough(touching: NDArray[np.bool_], of: int) -> bool:
    """Tell whether enough places of some touch the rim."""
    return bool(touching.sum() >= max(_FEWEST, _LEAST_TOUCHING * of))


def _begins(
    view: View, line: Edge, t: Array, pixel: float, keep_out: NDArray[np.bool_] | None
) -> tuple[Array, NDArray[np.bool_]]:
    """Return (n,) where, pixels beyond the line, the work's own level ends; and what was seen."""
    profile, seen = profiles_across(view, keep_out, line, t, pixel, _FAR_PX, grey=True)
    inner = profile[:, _INNER]
    level = np.median(inner, axis=1)
    level = _running_median(level, 10)
    own = 1.4826 * float(np.median(np.abs(inner[seen] - level[seen, None]))) if seen.any() else 0.0
    other = np.abs(profile - level[:, None]) > max(_SIGMAS * own, _LEAST_LEVELS)
    lasting = other[:, :-1] & other[:, 1:]
    lasting[:, _FAR_PX[:-1] < -7.0] = False
    first = np.argmax(lasting, axis=1)
    begins = np.where(lasting.any(axis=1), _FAR_PX[:-1][first], np.inf)
    return begins, seen


def _running_median(values: Array, reach: int) -> Array:
    """Return (n,) medians of each value and its neighbours, so many to each side."""
    out = np.empty(len(values))
    count = len(values)
    if count > 2 * reach:
        windows = np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1)
        out[reach : count - reach] = np.median(windows, axis=1)
    for i in {*range(min(reach, count)), *range(max(count - reach, 0), count)}:
        out[i] = np.median(values[max(0, i - reach) : i + reach + 1])
    return out


def _bound_from_within(t: Array, begins: Array) -> tuple[float, float] | None:
    """Return (offset px at t = 0, slope px per mm) of the line that bounds places from within."""
    known = np.isfinite(begins)
    if known.mean() < _LEAST_TOUCHING:
        return None
    offset, slope = float(np.percentile(begins[known], 12)), 0.0
    for window in (3.0, 2.5, 2.0, 1.5, _TOUCHES_PX, _TOUCHES_PX, _TOUCHES_PX):
        near = known & (np.abs(begins - offset - slope * t) < window)
        if not _enough(near, len(t)):
            return None
        slope, offset = (float(v) for v in np.polyfit(t[near], begins[near], 1))
    near = known & (np.abs(begins - offset - slope * t) < _TOUCHES_PX)
    within = (begins < offset + slope * t - 1.5 * _TOUCHES_PX).mean()
    halves = near[t < 0].sum(), near[t > 0].sum()
    if within > _MOST_INSIDE or min(halves) < 0.2 * sum(halves):
        return None
    return offset, slope


def _settled(view: View, rim: Edge, keep_out: NDArray[np.bool_] | None) -> Edge | None:
    """Return the rim where the steps of what touches it lie."""
    for _ in range(3):
        stations = stations_along(view, rim)
        if stations is None:
            return None
        t, pixel = stations
        begins, seen = _begins(view, rim, t, pixel, keep_out)
        profile, good = profiles_across(view, keep_out, rim, t, pixel)
        touching = seen & good & (np.abs(begins) < 2 * _TOUCHES_PX)
        if not _enough(touching, len(t)):
            return None
        inside, outside, pull = steps_of(profile[touching])
        contrast = inside - outside
        station_mm = 2 * rim.half_mm / max(len(t) - 1, 1)
        line = line_through(
            t[touching], rim.half_mm, contrast, pull, pixel, station_mm, rounds=_ROUNDS
        )
        if line is None or line.farthest_mm > _FAR_OFF_PX * pixel:
            return None
        rim = replace(
            rim.shifted(line.offset_mm, line.slope),
            covariance=line.covariance,
            pixel_mm=pixel,
            contrast=float(np.sqrt(np.mean(contrast**2))),
        )
    return rim
