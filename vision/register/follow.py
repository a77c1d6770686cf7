"""The work's edges found again in a later capture, within 12 mm and 5 degrees."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.edges import SIDES, Edge, Side, fit_edge
from vision.register.layout import PITCH_MM, Layout, SideView, edge_share, lay_out, side_view
from vision.register.view import View
from vision.register.work import TILT_REACH, TILT_STEP, Blank, blank_frame, line_of, meeting

Array = NDArray[np.float64]

SEARCH_MM = 13.0
# Of two places that fit, the nearer one: most work hardly moves.
_NEARER_PER_MM = 0.015
_LEAST_SHARE = 0.25
_SAME_LEVEL = 6.0
_OTHER_LINE_MM = 1.0
_STATIC = 0.8


def follow_blank(
    before: View, after: View, blank: Blank, corners_mm: Array, keep_out: NDArray[np.bool_]
) -> Blank | None:
    """Find the edges of a known blank in another capture, within 12 mm and 5 degrees.

    Parameters
    ----------
    before, after
        The two captures.
    blank
        The work as the first capture shows it.
    corners_mm
        (n, 2) artwork's corners, on the work in the first capture.
    keep_out
        (h, w) pixels of the other capture that the burn may have touched.

    Returns
    -------
    The same edges, or None where they were not found again.
    """
    if not blank.edges:
        return None
    frame = blank_frame(blank.centre_mm, blank.turn_rad)
    core = frame.invert(blank.surely_inside(corners_mm, 0.0))
    low, high = core.min(axis=0) - SEARCH_MM - 4, core.max(axis=0) + SEARCH_MM + 4
    layouts = (lay_out(before, frame, low, high), lay_out(after, frame, low, high, keep_out))
    found: tuple[float, Rigid] | None = None
    for level in _levels(layouts, blank, (low + SEARCH_MM + 4, high - SEARCH_MM - 4)):
        one = _search(layouts, blank, frame, level)
        if found is None or one[0] > found[0]:
            found = one
    if found is None or found[0] < _LEAST_SHARE * len(blank.edges):
        return None
    edges: dict[Side, Edge] = {}
    why = dict(blank.why)
    for side, edge in blank.edges.items():
        start = replace(edge.moved(found[1]), half_mm=0.96 * edge.half_mm)
        again = fit_edge(after, start, keep_out)
        if again is None:
            why[side] = "its edge was not found again"
        else:
            edges[side] = again
    if not edges:
        return None
    return replace(blank, edges=edges, polygon_mm=meeting(edges), why=why)


def _levels(
    layouts: tuple[Layout, Layout], blank: Blank, core_mm: tuple[Array, Array]
) -> list[float]:
    """Return grey levels that the work may have in the after capture."""
    earlier, later = layouts
    both = (earlier.seen > 0) & (later.seen > 0)
    if both.sum() < 200:
        return []
    # Work and bed are in both captures, wherever the work lies: their levels tell how the light
    # has changed.
    shares = np.linspace(0.05, 0.95, 19)
    first, second = (np.quantile(one.grey[both][::7], shares) for one in layouts)
    slope, offset = np.polyfit(first, second, 1) if np.ptp(first) > 10 else (1.0, 0.0)
    levels = [float(np.clip(slope * blank.level + offset, 0.0, 255.0))]
    # Most of what lies where the work lay is the work still.
    x = later.low_mm[0] + later.pitch_mm * np.arange(later.grey.shape[1])
    y = later.low_mm[1] + later.pitch_mm * np.arange(later.grey.shape[0])
    (x0, y0), (x1, y1) = core_mm
    part = np.ix_((y > y0) & (y < y1), (x > x0) & (x < x1))
    inside = later.grey[part][later.seen[part] > 0]
    if inside.size > 200:
        levels.append(float(np.median(inside)))
    if len(levels) == 2 and abs(levels[0] - levels[1]) < _SAME_LEVEL:
        levels.pop()
    return levels


def _search(
    layouts: tuple[Layout, Layout], blank: Blank, frame: Rigid, level: float
) -> tuple[float, Rigid]:
    """Return how well the edges are found again at the best motion, and the motion."""
    shifts = np.arange(-SEARCH_MM, SEARCH_MM + PITCH_MM / 2, PITCH_MM)
    tilts = np.arange(-TILT_REACH, TILT_REACH + TILT_STEP / 2, TILT_STEP)
    # Opposite sides say the same of the same shift, so the two axes are searched each for itself.
    score = np.zeros((2, len(tilts), len(shifts)))
    for k, side in enumerate(SIDES):
        if side not in blank.edges:
            continue
        edge = blank.edges[side]
        n, t, slope = line_of(frame, k, edge)
        lines = tilts + math.atan(slope)
        # Turning keeps a line's distance from the origin.
        away = (n - slope * t) * math.cos(math.atan(slope)) / np.cos(lines)
        ahead = shifts if k % 4 < 2 else -shifts
        shares = []
        for layout, own in zip(layouts, (blank.level, level), strict=True):
            picture = _near(side_view(layout, k), n, edge.half_mm)
            strip = np.abs(picture.t_mm - t) < max(edge.half_mm - SEARCH_MM / 2, 6.0)
            table = edge_share(picture, strip, blank.texture[side], own, lines)
            shares.append(
                np.stack(
                    [
                        np.interp(c + ahead, picture.n_mm, row)
                        for c, row in zip(away, table, strict=True)
                    ]
                )
            )
        # A line that was there before and is not this edge belongs to the bed, and lies still.
        static = np.where(np.abs(shifts) > _OTHER_LINE_MM, shares[0], 0.0)
        score[k % 2] += shares[1] - _STATIC * static
    score -= _NEARER_PER_MM * np.abs(shifts)
    best = score.max(axis=2).sum(axis=0)
    which = int(np.argmax(best))
    dx, dy = (float(shifts[int(np.argmax(score[axis][which]))]) for axis in (0, 1))
    # A turn of the work tilts every line by minus the turn in (n, t): n = c - tan(turn) t.
    return float(best[which]), _about_centre(frame, dx, dy, -float(tilts[which]))


def _near(picture: SideView, n_mm: float, half_mm: float) -> SideView:
    """Return the columns that lines near n can reach."""
    reach = SEARCH_MM + 2.0 + half_mm * math.tan(1.5 * TILT_REACH)
    columns = np.flatnonzero(np.abs(picture.n_mm - n_mm) < reach)
    part = np.s_[:, columns[0] : columns[-1] + 1]
    return replace(
        picture,
        grey=np.ascontiguousarray(picture.grey[part]),
        seen=np.ascontiguousarray(picture.seen[part]),
        change=np.ascontiguousarray(picture.change[part]),
        n_mm=picture.n_mm[part[1]],
    )


def _about_centre(frame: Rigid, dx: float, dy: float, turn: float) -> Rigid:
    """Return the motion that turns about the frame's origin and shifts along the frame's axes."""
    shift = frame.matrix @ np.array([dx, dy])
    centre = frame.shift_mm
    turned = Rigid(0.0, 0.0, turn).apply(centre[None])[0]
    place = centre + shift - turned
    return Rigid(float(place[0]), float(place[1]), turn)
