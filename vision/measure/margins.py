"""How far the mark keeps from the edges of the work."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import K95, Quantity
from vision.register.edges import SIDES, Edge
from vision.register.work import Blank

# Systematic uncertainty of an edge by its shadow and its rounding, in pixels (assumed).
_EDGE_PX = 0.15


def margins(
    blank: Blank, points_mm: NDArray[np.float64], turn_rad: float
) -> dict[str, Quantity] | None:
    """Return the distance of a mark to each edge of the work.

    Parameters
    ----------
    blank
        The work as it lies where the mark was seen (`Blank.moved` takes it there).
    points_mm
        (n, 2) points of the mark's strokes, surface millimetres.
    turn_rad
        Turn of the artwork's axes as placed; sides are named in them.

    Returns
    -------
    "left_mm", "right_mm", "bottom_mm" and "top_mm": distance of the nearest point, negative where
    the mark runs over the edge; a side that was not seen says why. None where no edge was seen.
    """
    if not blank.edges or len(points_mm) == 0:
        return None
    # The artwork may lie in quarter turns against the axes that the blank was found in.
    quarters = round((turn_rad - blank.turn_rad) / (math.pi / 2))
    out: dict[str, Quantity] = {}
    for k, side in enumerate(SIDES):
        there = SIDES[(k + quarters) % 4]
        edge = blank.edges.get(there)
        if edge is None:
            out[f"{side}_mm"] = Quantity.missing(blank.why.get(there, "the edge was not seen"))
        else:
            out[f"{side}_mm"] = _margin(edge, points_mm)
    return {name: out[name] for name in ("left_mm", "right_mm", "bottom_mm", "top_mm")}


def _margin(edge: Edge, points_mm: NDArray[np.float64]) -> Quantity:
    beyond = edge.beyond_mm(points_mm)
    nearest = int(np.argmax(beyond))
    along = float((points_mm[nearest] - np.array(edge.middle_mm)) @ edge.along)
    sigma = math.sqrt(edge.offset_variance(along) + (_EDGE_PX * edge.pixel_mm) ** 2)
    value, u95 = -float(beyond[nearest]), K95 * sigma
    if edge.wall_mm < 0.1 * u95:
        return Quantity(value, u95)
    # The line seen may be the wall's lower edge: then the face ends that much further in.
    return Quantity(value, u95 + edge.wall_mm, value - u95 - edge.wall_mm, value + u95)
