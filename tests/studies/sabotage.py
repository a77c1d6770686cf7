"""Deliberate faults in a check's result, each of which the study must reject.

They act on what `check_job` returns, as a faulty fit would show in it; nothing in the product
knows of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import Quantity
from vision.artwork.sampling import artwork_layers, outline_points
from vision.diagnose.verdict import Condition, judge
from vision.job import Job
from vision.measure.offsets import Offset, displacement
from vision.result import Displacement, JobResult, Verdict

Array = NDArray[np.float64]
Check = Callable[[Job], JobResult]
Change = Callable[[Offset], Offset]

SHIFT_MM = 0.05
_SPACING_MM = 1.0


def shifted(check: Check) -> Check:
    """Return a check whose fit of the fill (or of the only layer) is off by 0.05 mm in x."""

    def change(offset: Offset) -> Offset:
        return replace(offset, vector=offset.vector + np.array([SHIFT_MM, 0.0, 0.0]))

    def sabotaged(job: Job) -> JobResult:
        result = check(job)
        only_outline = result.placement.get("fill") is None
        placement = {
            name: value
            if name == "outline" and not only_outline
            else _changed(value, change, result)
            for name, value in result.placement.items()
        }
        return _judged_again(
            replace(
                result,
                placement=placement,
                fill_to_outline=_changed(result.fill_to_outline, change, result),
                placement_on_work=_changed(result.placement_on_work, change, result),
            )
        )

    return sabotaged


def overconfident(check: Check) -> Check:
    """Return a check that states half of every uncertainty."""

    def change(offset: Offset) -> Offset:
        return replace(offset, statistical=offset.statistical / 4, systematic=offset.systematic / 4)

    def sabotaged(job: Job) -> JobResult:
        result = check(job)
        return _judged_again(
            replace(
                result,
                placement={
                    name: _changed(value, change, result)
                    for name, value in result.placement.items()
                },
                fill_to_outline=_changed(result.fill_to_outline, change, result),
                placement_on_work=_changed(result.placement_on_work, change, result),
                part_movement=_changed(result.part_movement, change, result),
            )
        )

    return sabotaged


def swapped(check: Check) -> Check:
    """Return a check that takes fill and outline for each other."""

    def change(offset: Offset) -> Offset:
        return replace(offset, vector=-offset.vector)

    def sabotaged(job: Job) -> JobResult:
        result = check(job)
        other = {"fill": "outline", "outline": "fill"}
        placement = {name: result.placement.get(other.get(name, name)) for name in result.placement}
        return _judged_again(
            replace(
                result,
                placement=placement,
                fill_to_outline=_changed(result.fill_to_outline, change, result),
            )
        )

    return sabotaged


SABOTAGES: dict[str, Callable[[Check], Check]] = {
    "shift": shifted,
    "sigma": overconfident,
    "swap": swapped,
}


def _changed(value: Displacement | None, change: Change, result: JobResult) -> Displacement | None:
    """Return a displacement after a change of its numbers and covariances."""
    if value is None or value.covariance_statistical is None:
        return value
    assert value.covariance_systematic is not None
    assert result.reference_point_mm is not None
    numbers = (value.dx_mm.value, value.dy_mm.value, value.rotation_deg.value)
    assert None not in numbers
    dx, dy, turn = (float(number or 0.0) for number in numbers)
    offset = Offset(
        np.array([dx, dy, math.radians(turn)]),
        np.array(result.reference_point_mm),
        value.covariance_statistical,
        value.covariance_systematic,
    )
    return displacement(change(offset), _points(result))


def _points(result: JobResult) -> Array:
    """Return (n, 2) places of all strokes on the bed."""
    picture = result.picture
    placed = picture.intended or next(iter(picture.found.values()))
    pages = [
        outline_points(picture.artwork, name, _SPACING_MM)[0]
        for name in artwork_layers(picture.artwork)
    ]
    return placed.apply(np.concatenate(pages))


def _judged_again(result: JobResult) -> JobResult:
    """Return the result with the verdict that its changed numbers give."""
    if len(result.pieces) > 1:
        raise ValueError("the study's jobs have one blank each")
    verdict = result.verdict
    lengths = {
        "fill_to_outline": result.fill_to_outline,
        "placement_on_work": result.placement_on_work,
        "placement.all": result.placement.get("all"),
    }
    conditions = [
        Condition(clause.name, clause.quantity, _length(lengths[clause.quantity]), "")
        for clause in verdict.clauses
    ]
    return replace(result, verdict=judge(conditions, verdict.tolerance_mm, _doubts(verdict)))


def _length(value: Displacement | None) -> Quantity:
    assert value is not None
    return value.worst_mm


def _doubts(verdict: Verdict) -> tuple[str, ...]:
    """Return the reasons of a verdict that are none of its clauses'."""
    clauses = sum(clause.state != "pass" for clause in verdict.clauses)
    return verdict.reasons[: len(verdict.reasons) - clauses]
