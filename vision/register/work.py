"""Which part of a capture is the work: the straight edges of the blank about the artwork.

From the artwork outwards, the first line that is straight, coherent along the artwork's whole
width, with the work's own grey level right inside of it, and that ends at the work's corners (a
slat goes on beyond them). What the work itself shows inside the artwork's box (grain, printing)
sets how much a line must stand out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.edge_checks import bed_lines, crooked, lengthened, usual_turn
from vision.register.edges import SIDES, Edge, Side, crossing, fit_edge
from vision.register.layout import (
    Layout,
    SideView,
    edge_share,
    lay_out,
    own_change,
    side_view,
)
from vision.register.tone import linear_from_grey
from vision.register.view import View

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# How far beyond the artwork an edge is looked for, and how far where none was found there.
_REACH_MM = 80.0
_FARTHER_MM = 140.0
OUT_OF_VIEW = "out of view"
_NOTHING = "no straight edge stands out"
# Where no line crosses the picture to its rim, the work reaches this far beyond the core surely.
_ROOM_MM = 25.0
TILT_STEP = math.radians(0.5)
TILT_REACH = math.radians(6.0)
_STAND_OUT = 0.28
_FAINT = 0.25
# Share of the artwork's width along which an edge is looked for at least: a line that runs so far
# stands out though its ends may miss the work.
_ALONG = 0.75
# Beside a small mark a line of the work's own grain may run as far: then, half as far as this.
_BEYOND_GRAIN_MM = 20.0
# Light on the inner side of an edge and in the midst of the work differ by less than this share.
_UNLIKE_MIDST = 0.25


@dataclass(frozen=True, eq=False)
class Blank:
    """The work as far as it was told from the bed.

    Attributes
    ----------
    edges
        The straight edges that were found, by side.
    turn_rad
        Turn of the axes (the artwork's) in which sides are named.
    centre_mm
        Place about which the sides were looked for.
    level
        Grey level of the work there.
    polygon_mm
        (4, 2) corners where all four edges were found, else None.
    why
        Reason for each side that was not found.
    texture
        Change of grey level over a short way, by side, that the work's own surface hardly exceeds.
    rough
        Rough lines of sides whose edge was not found there: the work may end near them.
    """

    edges: dict[Side, Edge]
    turn_rad: float
    centre_mm: tuple[float, float]
    level: float
    polygon_mm: Array | None
    why: dict[Side, str] = field(default_factory=dict)
    texture: dict[Side, float] = field(default_factory=dict)
    rough: dict[Side, Edge] = field(default_factory=dict)

    def moved(self, motion: Rigid) -> Blank:
        """Return the blank after a rigid motion."""
        centre = motion.apply(np.array(self.centre_mm)[None])[0]
        return replace(
            self,
            edges={side: edge.moved(motion) for side, edge in self.edges.items()},
            rough={side: line.moved(motion) for side, line in self.rough.items()},
            turn_rad=self.turn_rad + motion.angle_rad,
            centre_mm=(float(centre[0]), float(centre[1])),
            polygon_mm=None if self.polygon_mm is None else motion.apply(self.polygon_mm),
        )

    def without_bed_lines(self) -> Blank:
        """Return the blank without edges on whose inner side there is other than in its midst.

        A line of the bed some millimetres beyond a dark work's own edge would take a strip of the
        bed for the work's grain, and that lies still whatever the work does. Only for a blank of a
        capture before the burn, whose midst is bare.
        """
        midst = float(linear_from_grey(np.array([self.level], np.float32))[0])
        strange = [
            side
            for side, edge in self.edges.items()
            if abs(edge.inner - midst) > _UNLIKE_MIDST * midst
        ]
        edges = {side: edge for side, edge in self.edges.items() if side not in strange}
        said = dict.fromkeys(strange, "what lies inside of the line found there is not the work")
        return replace(self, edges=edges, polygon_mm=meeting(edges), why={**self.why, **said})

    def surely_inside(self, core_mm: Array, margin_mm: float) -> Array:
        """Return the (n, 2) convex polygon that is work for certain.

        Where an edge was not found, the work reaches to the box of the core at least, and further
        where it would have had to cross the picture.

        Parameters
        ----------
        core_mm
            (n, 2) surface places that lie on the work.
        margin_mm
            How far inside the edges to stay.
        """
        frame = blank_frame(self.centre_mm, self.turn_rad)
        low, high = frame.invert(core_mm).min(axis=0), frame.invert(core_mm).max(axis=0)
        # A wide square, cut by each edge in turn.
        far = {"right": high[0], "top": high[1], "left": -low[0], "bottom": -low[1]}
        wide = 1000.0
        room = [_ROOM_MM if self.why.get(side) == OUT_OF_VIEW else 0.0 for side in SIDES]
        limits = [
            wide if side in self.edges else float(far[side]) + more
            for side, more in zip(SIDES, room, strict=True)
        ]
        right, top, left, bottom = limits
        corners = np.array([[right, top], [-left, top], [-left, -bottom], [right, -bottom]])
        polygon = frame.apply(corners)
        for edge in self.edges.values():
            polygon = _cut(polygon, edge, margin_mm)
        return polygon


def find_blank(view: View, corners_mm: Array, turn_rad: float, slack_mm: float = 0.0) -> Blank:
    """Find the straight edges of the work about the artwork.

    Parameters
    ----------
    view
        The capture, best the one before the burn.
    corners_mm
        (n, 2) corners of the artwork's box where it lies on the surface.
    turn_rad
        Turn of the artwork; the blank lies within about 5 degrees of it.
    slack_mm
        How far the work may have lain elsewhere, so that its edges may lie inside of the box.
        Only for a capture before the burn: lines of the mark would be taken for edges.
    """
    blank = _find_within(view, corners_mm, turn_rad, slack_mm, _REACH_MM)
    if _NOTHING in blank.why.values():
        blank = _find_within(view, corners_mm, turn_rad, slack_mm, _FARTHER_MM)
    return blank


def _find_within(
    view: View, corners_mm: Array, turn_rad: float, slack_mm: float, reach_mm: float
) -> Blank:
    """Find the edges up to some reach beyond the artwork's box."""
    middle = (corners_mm.min(axis=0) + corners_mm.max(axis=0)) / 2
    centre = (float(middle[0]), float(middle[1]))
    frame = blank_frame(centre, turn_rad)
    whole = np.abs(frame.invert(corners_mm)).max(axis=0)
    layout = lay_out(view, frame, -whole - reach_mm, whole + reach_mm)
    half = np.maximum(whole - slack_mm, np.minimum(0.35 * whole, whole))
    level = _level(layout, half)
    edges: dict[Side, Edge] = {}
    why: dict[Side, str] = {}
    texture: dict[Side, float] = {}
    starts: dict[Side, Edge] = {}
    if level is None:
        return Blank({}, turn_rad, centre, 0.0, None, dict.fromkeys(SIDES, OUT_OF_VIEW))
    views = {side: side_view(layout, k) for k, side in enumerate(SIDES)}
    for k, side in enumerate(SIDES):
        out, along = half[k % 2], max(half[1 - k % 2], _ALONG * whole[1 - k % 2])
        # Printing is uneven: of two boxes on the work, the calmer one.
        texture[side] = min(
            own_change(views[side], float(x), float(t))
            for x, t in ((out, along), (_ALONG * whole[k % 2], _ALONG * whole[1 - k % 2]))
        )
    for longer_mm in (0.0, _BEYOND_GRAIN_MM):
        for k, side in enumerate(SIDES):
            out, along = half[k % 2], max(half[1 - k % 2], _ALONG * whole[1 - k % 2])
            if side in edges or (longer_mm and along >= longer_mm):
                continue
            along = max(along, longer_mm)
            found = _first_line(
                views[side], float(out), float(along), level, texture[side], reach_mm
            )
            if isinstance(found, str):
                why[side] = found
                continue
            offset, slope = found
            start = starts[side] = _edge_at(frame, k, offset, slope, float(along))
            edge = fit_edge(view, start)
            if edge is None:
                why[side] = "its edge hardly differs from what lies behind it"
            else:
                edges[side] = edge
                why.pop(side, None)
        edges = lengthened(view, edges)
        for side in bed_lines(view, edges):
            del edges[side]
            why[side] = "a line of the bed runs along its edge"
        for side in crooked(edges, turn_rad):
            del edges[side]
            why[side] = "no edge at right angles to the others"
    for k, side in enumerate(SIDES):
        out = float(half[k % 2])
        if len(edges) >= 2 and side not in edges:
            edge = _second_look(view, views[side], frame, k, out, edges, level, texture[side])
            if edge is not None:
                edges[side] = edge
                del why[side]
    rough = {side: start for side, start in starts.items() if side not in edges}
    return Blank(edges, turn_rad, centre, level, meeting(edges), why, texture, rough)


def blank_frame(centre_mm: tuple[float, float], turn_rad: float) -> Rigid:
    """Return surface <- the axes of a blank about its centre."""
    return Rigid(centre_mm[0], centre_mm[1], turn_rad)


def _level(layout: Layout, half: Array) -> float | None:
    """Return the median grey level within a box about the origin, None where it is not seen."""
    x = layout.low_mm[0] + layout.pitch_mm * np.arange(layout.grey.shape[1])
    y = layout.low_mm[1] + layout.pitch_mm * np.arange(layout.grey.shape[0])
    part = np.ix_(np.abs(y) < half[1], np.abs(x) < half[0])
    seen = layout.seen[part] > 0
    if seen.sum() < 50:
        return None
    return float(np.median(layout.grey[part][seen]))


def _first_line(
    picture: SideView, out: float, along: float, level: float, texture: float, reach_mm: float
) -> tuple[float, float] | str:
    """Return (n at t = 0, slope) of the first line beyond `out` that is an edge, or why not."""
    strip = np.abs(picture.t_mm) < along
    tilts = np.arange(-TILT_REACH, TILT_REACH + TILT_STEP / 2, TILT_STEP)
    table = edge_share(picture, strip, texture, level, tilts)
    best = table.max(axis=0)
    own = _own_lines(picture, best, out)
    beyond = picture.n_mm > out - 1.0
    least = max(_STAND_OUT, min(1.3 * own + 0.03, 0.9), 0.65 * float(best[beyond].max(initial=0.0)))
    reached = np.flatnonzero(beyond & (best >= least))
    if len(reached) == 0:
        last = picture.seen[strip].mean(axis=0) > 0.5
        if not last[beyond].any() or picture.n_mm[last].max() < out + reach_mm - 5:
            return OUT_OF_VIEW
        return _NOTHING
    peak = int(reached[0])
    while peak + 1 < len(best) and best[peak + 1] > best[peak]:
        peak += 1
    return float(picture.n_mm[peak]), math.tan(float(tilts[int(np.argmax(table[:, peak]))]))


def _own_lines(picture: SideView, share: Array, out: float) -> float:
    """Return the largest share that the work's own lines reach within the artwork's box."""
    inside = np.abs(picture.n_mm) < out - 1.0
    return float(share[inside].max()) if inside.any() else 0.0


def _second_look(
    view: View,
    picture: SideView,
    frame: Rigid,
    k: int,
    out: float,
    edges: dict[Side, Edge],
    level: float,
    texture: float,
) -> Edge | None:
    """Return the edge of side k, fainter than the first look takes, at right angles to the others.

    Knowing the direction, and how long the edge must be, tells it from lines of the bed.
    """
    tilt = -usual_turn(edges, frame.angle_rad)
    slope = math.tan(tilt)
    ends = [-12.0, 12.0]
    for place, other in ((0, SIDES[(k + 3) % 4]), (1, SIDES[(k + 1) % 4])):
        if other in edges:
            n, t, _ = line_of(frame, (k + 3 + 2 * place) % 4, edges[other])
            del t
            ends[place] = (n if place else -n) + (-2.0 if place else 2.0)
    strip = (picture.t_mm > ends[0]) & (picture.t_mm < ends[1])
    if strip.sum() < 30:
        return None
    lines = tilt + np.array([-0.15, 0.0, 0.15]) * TILT_STEP
    share = edge_share(picture, strip, texture, level, lines).max(axis=0)
    least = max(_FAINT, 1.25 * _own_lines(picture, share, out))
    peaks = np.flatnonzero(
        (share[1:-1] >= least)
        & (share[1:-1] >= share[:-2])
        & (share[1:-1] > share[2:])
        & (picture.n_mm[1:-1] > out - 1.0)
    )
    for peak in peaks[:4] + 1:
        offset = float(picture.n_mm[peak])
        middle, reach = (ends[0] + ends[1]) / 2, (ends[1] - ends[0]) / 2
        start = _edge_at(frame, k, offset, slope, reach - 1.0)
        place_mm = np.array(start.middle_mm) + middle * start.along
        edge = fit_edge(view, replace(start, middle_mm=(float(place_mm[0]), float(place_mm[1]))))
        if edge is None:
            continue
        tried = {**edges, SIDES[k]: edge}
        if SIDES[k] not in crooked(tried, frame.angle_rad) + bed_lines(view, tried):
            return edge
    return None


def _edge_at(frame: Rigid, k: int, offset: float, slope: float, half: float) -> Edge:
    """Return the edge n = offset + slope t of side k, from t = -half to half."""
    turn = k * math.pi / 2
    middle = frame.apply(Rigid(0.0, 0.0, turn).apply(np.array([[offset, 0.0]])))[0]
    return Edge(
        SIDES[k],
        (float(middle[0]), float(middle[1])),
        frame.angle_rad + turn - math.atan(slope),
        half,
        np.zeros((2, 2)),
        0.3,
        0.0,
    )


def line_of(frame: Rigid, k: int, edge: Edge) -> tuple[float, float, float]:
    """Return an edge's (n, t) of its middle and its slope, in the view of side k."""
    turn = k * math.pi / 2
    place = Rigid(0.0, 0.0, turn).invert(frame.invert(np.array(edge.middle_mm)[None]))[0]
    return (
        float(place[0]),
        float(place[1]),
        -math.tan(edge.normal_rad - frame.angle_rad - turn),
    )


def meeting(edges: dict[Side, Edge]) -> Array | None:
    """Return the (4, 2) corners, counter-clockwise from the upper right, where all are known."""
    if len(edges) < 4:
        return None
    return np.array([crossing(edges[SIDES[k]], edges[SIDES[(k + 1) % 4]]) for k in range(4)])


def _cut(polygon: Array, edge: Edge, margin_mm: float) -> Array:
    """Return the part of a convex polygon at least a margin inside of an edge."""
    beyond = edge.beyond_mm(polygon) + margin_mm
    kept: list[Array] = []
    for i in range(len(polygon)):
        j = (i + 1) % len(polygon)
        if beyond[i] <= 0:
            kept.append(polygon[i])
        if (beyond[i] <= 0) != (beyond[j] <= 0):
            share = beyond[i] / (beyond[i] - beyond[j])
            kept.append(polygon[i] + share * (polygon[j] - polygon[i]))
    return np.array(kept).reshape(-1, 2)
