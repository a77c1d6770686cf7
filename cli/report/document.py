"""The report as plain data: every key of the contract, numbers rounded once, here."""

from __future__ import annotations

import math
from datetime import datetime
from importlib import metadata
from typing import TYPE_CHECKING, Any

from calibration.quantity import Quantity
from cli.report.words import LAYERS, plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from vision.result import (
        BudgetTerm,
        CaptureRow,
        Clause,
        Displacement,
        FeatureRow,
        Finding,
        JobResult,
        PieceRow,
        Verdict,
    )

Json = dict[str, Any]
SCHEMA = "witmark.report/1"

# Micrometres, thousandths of a degree and of a per cent: finer than any webcam sees.
_DECIMALS = 3
_GREY_DECIMALS = 1


def report_document(result: JobResult, written: datetime | None = None) -> Json:
    """Return the content of report.json.

    Ends of intervals are rounded outward, so that rounding never makes a result look surer than
    it is. Texts are freed of control characters.

    Parameters
    ----------
    result
        The measured and judged job.
    written
        When the report is made; with its offset from UTC. None leaves the report undated.
    """
    document: Json = {
        "schema": SCHEMA,
        "job": result.job,
        "order": result.order,
        "piece": result.piece,
        "written_at": None if written is None else written.isoformat(timespec="seconds"),
        "written_by": _program(),
        "inputs": {role: dict(facts) for role, facts in result.inputs.items()},
        "captures": [_capture(row) for row in result.captures],
        "calibration": {
            "id": result.calibration.id,
            "age_days": _maybe(result.calibration.age_days, 1),
            "last_verified": result.calibration.last_verified,
            "traceability": result.calibration.traceability,
        },
        "reference_point_mm": _point(result.reference_point_mm),
        "placement": _placement(result.placement),
        "fill_to_outline": _displacement(result.fill_to_outline),
        "placement_on_work": _displacement(result.placement_on_work),
        "part_movement": _displacement(result.part_movement),
        "margins": _quantities(result.margins),
        "scale": None
        if result.scale is None
        else {layer: _quantities(row) for layer, row in result.scale.items()},
        # Slip belongs to round work.
        "slip": None,
        "lift": _quantities(result.lift),
        "warp": _quantities(result.warp),
        "pieces": [_piece(row) for row in result.pieces],
        "features": [_feature(row) for row in result.features],
        "findings": [_finding(row) for row in result.findings],
        "budget": [_term(row) for row in result.budget],
        "verdict": _verdict(result.verdict),
        "summary": result.summary,
        "warnings": list(result.warnings),
    }
    return {key: _clean(value) for key, value in document.items()}


def _capture(row: CaptureRow) -> Json:
    movement = row.camera_movement
    return {
        "role": row.role,
        "name": row.name,
        "sha256": row.sha256,
        "width_px": row.width_px,
        "height_px": row.height_px,
        "camera_movement": {
            "seen_by": movement.seen_by,
            "shift_mm": _quantity(movement.shift_mm),
            "corrected": movement.corrected,
            "note": movement.note,
            "focal_percent": None
            if movement.refocus is None
            else _quantity(movement.refocus.focal_percent),
        },
    }


def _placement(placement: dict[str, Displacement | None]) -> Json:
    return {layer: _displacement(placement.get(layer)) for layer in (*LAYERS, "all")}


def _displacement(moved: Displacement | None) -> Json | None:
    if moved is None:
        return None
    covariance = None
    if moved.covariance_statistical is not None and moved.covariance_systematic is not None:
        covariance = {
            "of": ["dx_mm", "dy_mm", "rotation_rad"],
            "statistical": _matrix(moved.covariance_statistical),
            "systematic": _matrix(moved.covariance_systematic),
        }
    return {
        "dx_mm": _quantity(moved.dx_mm),
        "dy_mm": _quantity(moved.dy_mm),
        "rotation_deg": _quantity(moved.rotation_deg),
        "distance_mm": _quantity(moved.distance_mm),
        "worst_mm": _quantity(moved.worst_mm),
        "worst_at_mm": _point(moved.worst_at_mm),
        "covariance": covariance,
    }


def _piece(row: PieceRow) -> Json:
    return {
        "name": row.name,
        "reference_point_mm": _point(row.reference_point_mm),
        "placement": _placement(row.placement),
        "fill_to_outline": _displacement(row.fill_to_outline),
        "placement_on_work": _displacement(row.placement_on_work),
        "part_movement": _displacement(row.part_movement),
        "verdict": _verdict(row.verdict),
    }


def _feature(row: FeatureRow) -> Json:
    return {
        "name": row.name,
        "piece": row.piece,
        "layers": list(row.layers),
        "centre_mm": _point(row.centre_mm),
        "dx_mm": _quantity(row.dx_mm),
        "dy_mm": _quantity(row.dy_mm),
        "distance_mm": _quantity(row.distance_mm),
        "contrast": _quantity(row.contrast, _GREY_DECIMALS),
        "note": row.note,
    }


def _finding(row: Finding) -> Json:
    return {
        "kind": row.kind,
        "confidence": row.confidence,
        "summary": row.summary,
        "evidence": list(row.evidence),
        "rivals": list(row.rivals),
        "next_capture": row.next_capture,
        "when": row.when,
    }


def _term(row: BudgetTerm) -> Json:
    return {
        "quantity": row.quantity,
        "name": row.name,
        "u95_mm": _up(row.u95_mm, _DECIMALS + 1),
        "kind": row.kind,
        "advice": row.advice,
    }


def _verdict(verdict: Verdict) -> Json:
    return {
        "state": verdict.state,
        "tolerance_mm": verdict.tolerance_mm,
        "clauses": [_clause(clause) for clause in verdict.clauses],
        "reasons": list(verdict.reasons),
        "rule": verdict.rule,
    }


def _clause(clause: Clause) -> Json:
    return {
        "name": clause.name,
        "quantity": clause.quantity,
        "value_mm": _maybe(clause.value_mm, _DECIMALS),
        "low_mm": None if clause.low_mm is None else _down(clause.low_mm, _DECIMALS),
        "high_mm": None if clause.high_mm is None else _up(clause.high_mm, _DECIMALS),
        "limit_mm": clause.limit_mm,
        "state": clause.state,
        "reason": clause.reason,
    }


def _quantities(row: dict[str, Quantity] | None) -> Json | None:
    return None if row is None else {name: _quantity(value) for name, value in row.items()}


def _quantity(quantity: Quantity, decimals: int = _DECIMALS) -> Json:
    rounded = Quantity(
        _maybe(quantity.value, decimals),
        None if quantity.u95 is None else _up(quantity.u95, decimals),
        None if quantity.low is None else _down(quantity.low, decimals),
        None if quantity.high is None else _up(quantity.high, decimals),
        quantity.why,
    )
    return rounded.to_json()


def _matrix(covariance: NDArray[Any]) -> list[list[float]]:
    return [[float(f"{value:.6g}") for value in row] for row in covariance]


def _point(point: tuple[float, float] | None) -> list[float] | None:
    return None if point is None else [_near(value, _DECIMALS) for value in point]


def _near(value: float, decimals: int) -> float:
    return round(float(value), decimals) + 0.0  # no negative zero


def _maybe(value: float | None, decimals: int) -> float | None:
    return None if value is None else _near(value, decimals)


def _up(value: float, decimals: int) -> float:
    # The slack keeps 0.07, which is 70.00000000000001 thousandths in binary, at 0.07.
    return _near(math.ceil(value * 10**decimals - 1e-6) / 10**decimals, decimals)


def _down(value: float, decimals: int) -> float:
    return -_up(-value, decimals) + 0.0


def _clean(value: Any) -> Any:
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, dict):
        return {plain(str(key)): _clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_clean(item) for item in value]
    return value


def _program() -> str:
    try:
        return f"witmark {metadata.version('witmark')}"
    except metadata.PackageNotFoundError:
        return "witmark, not installed"
