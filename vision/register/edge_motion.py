"""What the work's edges, seen in two captures, tell of its movement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.edges import Edge, Side
from vision.register.follow import SEARCH_MM
from vision.register.rim import RimShift
from vision.register.scene import nudge
from vision.register.work import Blank

Array = NDArray[np.float64]

# Light on an edge's inner side changes by less than this share of itself and of a middling grey ...
_SAME_WORK = 0.1
_SAME_WORK_AT = 0.2
# ... and on dark work, which the bed beside it is nearly as dark as, by less than this share of
# itself: of 62 edges of black works that were found again (simulated, even seeds) none differed by
# more than 2.5 %; where a line of the honeycomb was taken for the edge, the strip by it by 20 %.
_DARK = 0.1
_SAME_DARK = 0.06
_AGREE = 4.0
# What each capture's edge is uncertain by at least, mm: what lies behind it pulls all of it alike.
_EDGE_FLOOR_MM = 0.006


@dataclass(frozen=True, eq=False)
class Pairing:
    """One edge in both captures, with the covariance of their difference."""

    side: Side
    before: Edge
    after: Edge
    doubt_mm2: float


def pair_edges(blank: Blank, later: Blank | None) -> list[Pairing]:
    """Return the edges seen in both captures that still have the work on their inner side."""
    if later is None:
        return []
    shared = [side for side in blank.edges if side in later.edges]
    ratios = [later.edges[s].contrast / blank.edges[s].contrast for s in shared]
    usual = float(np.median(ratios)) if ratios else 1.0
    lights = {s: later.edges[s].inner / max(blank.edges[s].inner, 1e-4) for s in shared}
    light = float(np.median(list(lights.values()))) if shared else 1.0
    pairs = []
    for side, ratio in zip(shared, ratios, strict=True):
        change = ratio / usual if usual > 0 else -1.0
        # An edge of the work has the work on its inner side, in both captures.
        first, second = blank.edges[side], later.edges[side]
        unlike = abs(second.inner - light * first.inner)
        most = _SAME_WORK * (first.inner + _SAME_WORK_AT)
        if first.inner < _DARK:
            most = _SAME_DARK * first.inner
        if not 1 / 3 < change < 3 or unlike > light * most:
            continue
        # What is behind the wall decides which of its two edges counts, and that changes when the
        # work moves on.
        doubt = second.wall_mm * (change - 1) / (change + 1)
        pairs.append(Pairing(side, first, second, doubt**2))
    return pairs


def about_pivot(pivot: Array, step: Array) -> Rigid:
    """Return the motion that turns about the pivot by step[2] and shifts it by step[:2]."""
    return nudge(
        Rigid(0.0, 0.0, 0.0),
        (float(pivot[0]), float(pivot[1])),
        float(step[0]),
        float(step[1]),
        float(step[2]),
    )


def by_edges(pairs: list[Pairing], pivot: Array) -> tuple[list[Pairing], Array, Array]:
    """Return the edges that agree, the step (dx, dy, turn) that they tell, its inverse covariance.

    Directions that no edge tells stay at nothing.
    """
    while True:
        step = np.zeros(3)
        normal = np.zeros((3, 3))
        for _ in range(4):
            normal, pull, misfit = edge_normal(pairs, pivot, step)
            step = step + np.linalg.solve(normal + nothing_known(), pull - nothing_known() @ step)
        if len(pairs) < 3 or max(misfit) < _AGREE:
            return pairs, step, normal
        worst = int(np.argmax(misfit))
        pairs = pairs[:worst] + pairs[worst + 1 :]


def edge_normal(
    pairs: list[Pairing], pivot: Array, step: Array
) -> tuple[Array, Array, list[float]]:
    """Return J'WJ and J'Wr of the edges at a step, and each edge's misfit in sigmas."""
    normal, pull = np.zeros((3, 3)), np.zeros(3)
    misfit = []
    motion = about_pivot(pivot, step)
    centre = pivot + step[:2]
    for pair in pairs:
        carried, residual, covariance = _apart(pair, motion)
        rows = _answer(pair.after, carried - centre)
        weight = np.linalg.inv(covariance)
        normal += rows.T @ weight @ rows
        pull += rows.T @ weight @ residual
        misfit.append(math.sqrt(float(residual @ weight @ residual)))
    return normal, pull, misfit


def edge_shift(pair: Pairing) -> RimShift:
    """Return an edge seen in both captures as the shift of a rim."""
    _, shift, covariance = _apart(pair, Rigid(0.0, 0.0, 0.0))
    return RimShift(pair.after, shift, covariance)


def _apart(pair: Pairing, motion: Rigid) -> tuple[Array, Array, Array]:
    """Return where a motion carries an edge's middle, and what it leaves to go, with covariance.

    What is left: (2,) offset along the later edge's normal and turn of the normal.
    """
    carried = motion.apply(np.array(pair.before.middle_mm)[None])
    away = float(pair.after.beyond_mm(carried)[0])
    along = float((carried[0] - np.array(pair.after.middle_mm)) @ pair.after.along)
    turned = math.remainder(
        pair.before.normal_rad + motion.angle_rad - pair.after.normal_rad, 2 * math.pi
    )
    shear = np.array([[1.0, -along], [0.0, 1.0]])
    covariance = pair.before.covariance + shear @ pair.after.covariance @ shear.T
    doubt_mm2 = pair.doubt_mm2 + 2 * _EDGE_FLOOR_MM**2
    covariance = covariance + doubt_mm2 * np.diag([1.0, pair.after.half_mm**-2])
    return carried[0], -np.array([away, turned]), covariance


def by_rims(shifts: list[RimShift], pivot: Array) -> tuple[Array, Array, float]:
    """Return the step (dx, dy, turn) that rims tell, its inverse covariance, the worst misfit."""
    normal, pull = np.zeros((3, 3)), np.zeros(3)
    rows = []
    for one in shifts:
        row = _answer(one.rim, np.array(one.rim.middle_mm) - pivot)
        weight = np.linalg.inv(one.covariance)
        normal += row.T @ weight @ row
        pull += row.T @ weight @ one.shift
        rows.append((row, weight, one.shift))
    step = np.asarray(np.linalg.solve(normal + nothing_known(), pull), np.float64)
    misfit = [(shift - row @ step) @ weight @ (shift - row @ step) for row, weight, shift in rows]
    return step, normal, math.sqrt(max(misfit, default=0.0))


def _answer(edge: Edge, arm_mm: Array) -> Array:
    """Return (2, 3) how an edge's offset and turn answer to a step, at an arm from the pivot."""
    n = edge.normal
    return np.array([[n[0], n[1], n[1] * arm_mm[0] - n[0] * arm_mm[1]], [0.0, 0.0, 1.0]])


def nothing_known() -> Array:
    """Return the inverse covariance of what is known beforehand: hardly anything."""
    return np.diag([SEARCH_MM**-2, SEARCH_MM**-2, math.radians(5.0) ** -2])
