"""The measuring core run on one scene: its error, what it states, what it refuses."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.bound import take_of
from tests.benchmarks.scenes import PIVOT_MM, Drawing
from tests.unit.drawn_scenes import STILL
from vision.artwork.placing import Rigid
from vision.diagnose.causes import Evidence
from vision.diagnose.doubts import doubts_of
from vision.measure.trust import trust
from vision.register.mark import Mark, measure
from vision.register.view import View

Array = NDArray[np.float64]
Row = dict[str, Any]

NOMINAL_KERF_MM = 0.2
SABOTAGES = ("shift", "sigma")
SHIFT_MM = 0.05


@dataclass(frozen=True, eq=False)
class Reading:
    """What was measured of a layer, or of fill minus outline.

    Attributes
    ----------
    error
        (3,) dx mm, dy mm, turn rad beside the truth, about the pivot; None where nothing is told.
    covariance
        (3, 3) as stated; None for a method that states none.
    refused
        Why the number may not be used, or None.
    seconds
        Time of the measurement alone.
    """

    error: Array | None
    covariance: Array | None
    refused: str | None
    seconds: float

    @property
    def numbers(self) -> Row:
        """As plain numbers for a row: micrometres, millidegrees, squared misfit of the shift."""
        row: Row = {"refused": self.refused, "seconds": self.seconds}
        if self.error is not None:
            row["error_um"] = (1e3 * self.error[:2]).tolist()
            row["turn_mdeg"] = float(1e3 * np.degrees(self.error[2]))
            if self.covariance is not None:
                shift, stated = self.error[:2], self.covariance[:2, :2]
                row["misfit"] = float(shift @ np.linalg.solve(stated, shift))
                row["sigma_um"] = (1e3 * np.sqrt(np.diag(stated))).tolist()
        return row


def spoiled(reading: Reading, sabotage: str | None) -> Reading:
    """Put a fault into a reading: 0.05 mm added in x, or half of every sigma stated."""
    if sabotage == "shift" and reading.error is not None:
        return replace(reading, error=reading.error + np.array([SHIFT_MM, 0.0, 0.0]))
    if sabotage == "sigma" and reading.covariance is not None:
        return replace(reading, covariance=reading.covariance / 4)
    return reading


def read_core(drawing: Drawing, view: View, before: View | None) -> Reading:
    """Run the core from the place where the artwork was to lie."""
    spec = drawing.spec
    artwork = drawing.artwork
    ground = None if before is None else before.linear
    began = time.perf_counter()
    mark = measure(view, ground, artwork, STILL, (), NOMINAL_KERF_MM)
    seconds = time.perf_counter() - began
    if not isinstance(mark, Mark):
        return Reading(None, None, mark.why, seconds)
    layers: tuple[str, ...] = mark.layers
    order = [layers.index(name) for name in spec.names]
    assert np.allclose(mark.pivot_mm, PIVOT_MM)
    take = take_of(len(order))
    pick = np.concatenate([np.arange(3 * i, 3 * i + 3) for i in order])
    covariance = take @ mark.covariance[np.ix_(pick, pick)] @ take.T
    poses = [mark.poses[name] for name in spec.names]
    error = take @ np.concatenate(
        [motion_error(found, true) for found, true in zip(poses, spec.poses, strict=True)]
    )
    evidence = Evidence({}, None, None, None, trust(mark), 0, False, None, None)
    doubts = doubts_of(evidence, False)
    return Reading(error, covariance, "; ".join(doubts) or None, seconds)


def motion_error(found: Rigid, true: Rigid) -> Array:
    """Return (3,) how far a pose is off, about the pivot: dx mm, dy mm, turn rad."""
    pivot = np.array([PIVOT_MM])
    shift = (found.apply(true.invert(pivot)) - pivot)[0]
    turn = np.remainder(found.angle_rad - true.angle_rad + np.pi, 2 * np.pi) - np.pi
    return np.array([shift[0], shift[1], turn])
