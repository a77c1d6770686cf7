"""Edges of a blank held against each other: at right angles, ending at corners, measured whole."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.register.edges import SIDES, Edge, Side, crossing, fit_edge
from vision.register.view import View

Array = NDArray[np.float64]

_SQUARE_RAD = math.radians(0.7)
_CORNER_MM = 3.0


def lengthened(view: View, edges: dict[Side, Edge]) -> dict[Side, Edge]:
    """Measure each edge again along its whole length, corner to corner."""
    for _ in range(2):
        grown = dict(edges)
        for k, side in enumerate(SIDES):
            before, after = SIDES[(k + 3) % 4], SIDES[(k + 1) % 4]
            if side not in edges:
                continue
            edge = edges[side]
            ends = [-edge.half_mm, edge.half_mm]
            for place, other in ((0, before), (1, after)):
                if other in edges:
                    corner = crossing(edge, edges[other]) - np.array(edge.middle_mm)
                    at = float(corner @ edge.along)
                    sign = -1.0 if place == 0 else 1.0
                    ends[place] = sign * min(sign * at - _CORNER_MM, 3.0 * edge.half_mm)
            if ends[1] - ends[0] < 1.02 * 2 * edge.half_mm and ends[1] - ends[0] > 0:
                shrink = ends[1] - ends[0] < 2 * edge.half_mm - 0.5
                if not shrink:
                    continue
            middle = np.array(edge.middle_mm) + (ends[0] + ends[1]) / 2 * edge.along
            start = replace(
                edge,
                middle_mm=(float(middle[0]), float(middle[1])),
                half_mm=(ends[1] - ends[0]) / 2,
            )
            again = fit_edge(view, start)
            if again is not None:
                grown[side] = again
        edges = grown
    return edges


def crooked(
    edges: dict[Side, Edge], turn_rad: float, doubt_rad: dict[Side, float] | None = None
) -> list[Side]:
    """Return the sides that are not at right angles to the rest.

    Parameters
    ----------
    edges, turn_rad
        The sides, and the turn of the axes in which they are named.
    doubt_rad
        Standard deviations of their turns; none where they hardly count.
    """
    if len(edges) < 3:
        return []
    doubt = doubt_rad or dict.fromkeys(edges, 0.0)
    turns = {side: _turn(edge, turn_rad) for side, edge in edges.items()}
    agreeing = {
        side: [
            other
            for other, its in turns.items()
            if abs(its - turn) < _SQUARE_RAD + 2 * math.hypot(doubt[side], doubt[other])
        ]
        for side, turn in turns.items()
    }
    most = max(agreeing.values(), key=len)
    return [side for side in edges if side not in most]


def _turn(edge: Edge, turn_rad: float) -> float:
    """Return how far an edge's normal is turned against the nearest of the four axes."""
    return (edge.normal_rad - turn_rad + math.pi / 4) % (math.pi / 2) - math.pi / 4


def usual_turn(edges: dict[Side, Edge], turn_rad: float) -> float:
    """Return the median turn of the edges against the axes of a blank at `turn_rad`."""
    return float(np.median([_turn(edge, turn_rad) for edge in edges.values()]))


def bed_lines(view: View, edges: dict[Side, Edge]) -> list[Side]:
    """Return the sides whose line goes on beyond a corner of the work: they belong to the bed."""
    found: list[Side] = []
    for k, side in enumerate(SIDES):
        if side not in edges:
            continue
        edge = edges[side]
        for other in (SIDES[(k + 3) % 4], SIDES[(k + 1) % 4]):
            if other not in edges:
                continue
            corner = crossing(edge, edges[other])
            sign = math.copysign(1.0, float((corner - np.array(edge.middle_mm)) @ edge.along))
            on = corner - sign * np.arange(2.0, 12.0, 0.25)[:, None] * edge.along
            off = corner + sign * np.arange(2.0, 25.0, 0.25)[:, None] * edge.along
            step, _ = _step_across(view, on, edge.normal)
            further, spread = _step_across(view, off, edge.normal)
            like = step * further > 0 and abs(further) > 0.6 * abs(step)
            if like and abs(further) > 1.5 * spread:
                found.append(side)
                break
    return found


def _step_across(view: View, points_mm: Array, normal: Array) -> tuple[float, float]:
    """Return mean and spread of the change of grey level across a line at some of its points."""
    levels = []
    for beyond in (0.6, -0.6):
        pixels = view.surface.px_from_mm(points_mm + beyond * normal).astype(np.float32)
        u, v = (np.ascontiguousarray(c) for c in np.nan_to_num(pixels, nan=-10.0).T)
        levels.append(cv2.remap(view.grey, u[:, None], v[:, None], cv2.INTER_LINEAR))
    change = levels[0] - levels[1]
    return float(np.mean(change)), float(np.std(change))
