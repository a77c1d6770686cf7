"""One job of the main study: simulated, checked as a user's job, told beside its truth."""

from __future__ import annotations

import math
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from calibration.quantity import Quantity
from samples.jobs import SimulatedJob, drawing_of, make_job
from samples.simulator.board import save_photo
from tests.studies.calibrated import bed_of
from tests.studies.families import TOLERANCE_MM, Case, draw_case
from tests.studies.families import VERSION as FAMILIES_VERSION
from tests.studies.rows import Row, stamp
from tests.studies.sabotage import SABOTAGES
from vision.artwork.svg import read_svg
from vision.capture.photo import Photo
from vision.job import Job, check_job
from vision.result import CalibrationRow, Displacement, JobResult

# Calibrations per camera, each from other photos.
CALIBRATIONS = 3
_AXES = ("dx_mm", "dy_mm", "rotation_deg")


def stamp_of(seed: int, family: str, sabotage: str | None) -> str:
    """Return what the row of a seed is made from."""
    case = draw_case(family, seed)
    drawing = drawing_of(case.spec)
    layers = [drawing.points_mm(layer) for layer in ("outline", "fill")]
    return stamp(FAMILIES_VERSION, CALIBRATIONS, case, layers, sabotage)


def run_seed(
    seed: int,
    family: str,
    cache: Path,
    code: str,
    sabotage: str | None = None,
    pictures: Path | None = None,
) -> Row:
    """Return the row of a seed.

    Parameters
    ----------
    cache
        Folder of the calibrations.
    code
        What stands for the sources of the product; goes into the row.
    sabotage
        One of SABOTAGES, or None.
    pictures
        Folder that the captures and the artwork are written to, or None.
    """
    case = draw_case(family, seed)
    began = time.perf_counter()
    job = make_job(case.spec)
    simulated_s = time.perf_counter() - began
    if pictures is not None:
        _keep(job, pictures, f"{family}-{seed}")
    ready = job_of(case, job, cache)
    check: Callable[[Job], JobResult] = check_job
    if sabotage is not None:
        check = SABOTAGES[sabotage](check)
    _reset_peak()
    base_mb = _memory_mb("VmRSS")
    began, began_cpu = time.perf_counter(), time.process_time()
    try:
        result = check(ready)
    except Exception as error:
        # What happened to the job is wanted beside the traceback.
        error.add_note(f"{family} seed {seed}: {case.kind}, {_short(case)}")
        raise
    check_s, cpu_s = time.perf_counter() - began, time.process_time() - began_cpu
    return {
        "family": family,
        "kind": case.kind,
        "code": code,
        "spec": _short(case),
        "truth": truth_of(job.truth, round_outline=case.spec.art == "ring"),
        **measured_of(result),
        "simulated_s": round(simulated_s, 2),
        "check_s": round(check_s, 3),
        "cpu_s": round(cpu_s, 3),
        "base_mb": base_mb,
        "peak_mb": _memory_mb("VmHWM"),
    }


def truth_of(truth: dict[str, Any], round_outline: bool = False) -> dict[str, Any]:
    """Return the truth by the quantities of a report; None where a quantity has no one value.

    A round outline's turn about its own centre, where displacements are told, moves nothing that
    can be seen: its worst point lies as far from the fill as its centre does.
    """
    worst = dict(truth["worst"])
    between = truth["fill_to_outline"]
    if round_outline and between is not None:
        worst["fill_to_outline"] = math.hypot(between["dx_mm"], between["dy_mm"])
    out: dict[str, Any] = {
        "fill_to_outline": _true(truth["fill_to_outline"], worst["fill_to_outline"]),
        "placement_on_work": _true(_common(truth["placement_on_work"]), worst["placement_on_work"]),
        "placement.all": _true(_common(truth["placement"]), worst["placement"]),
        "part_movement": _true(truth["part_movement"], None),
    }
    for layer, value in truth["placement"].items():
        out[f"placement.{layer}"] = _true(value, None)
    return out


def measured_of(result: JobResult) -> dict[str, Any]:
    """Return the part of a row that tells what the check said."""
    measured = {
        "fill_to_outline": _told(result.fill_to_outline),
        "placement_on_work": _told(result.placement_on_work),
        "part_movement": _told(result.part_movement),
        **{f"placement.{name}": _told(value) for name, value in result.placement.items()},
    }
    verdict = result.verdict
    return {
        "measured": {name: value for name, value in measured.items() if value is not None},
        "scale": None
        if result.scale is None
        else {key: [q.value, q.u95] for key, q in result.scale["all"].items()},
        "verdict": verdict.state,
        "clauses": [
            {
                "quantity": clause.quantity,
                "value": clause.value_mm,
                "low": clause.low_mm,
                "high": clause.high_mm,
                "state": clause.state,
            }
            for clause in verdict.clauses
        ],
        "reasons": list(verdict.reasons),
        "findings": [finding.kind for finding in result.findings],
        "camera": [row.camera_movement.note for row in result.captures],
        "summary": result.summary,
        "warnings": list(result.warnings),
    }


def job_of(case: Case, job: SimulatedJob, cache: Path) -> Job:
    """Return a simulated job as the check gets it."""
    spec = case.spec
    variant = spec.seed // 2 % CALIBRATIONS
    bed = bed_of(spec.camera_index, variant, spec.size, cache)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "artwork.svg"
        path.write_text(job.svg, "utf-8")
        artwork = read_svg(path)
    return Job(
        name=f"{case.family} {spec.seed}",
        order=None,
        piece=None,
        after=(Photo(job.after, "after", ""),),
        before=(Photo(job.before, "before", ""),) if case.with_before else (),
        bed=bed,
        artwork=artwork,
        at_mm=spec.at_mm,
        turn_deg=spec.turn_deg,
        anchor=None,
        mirror=False,
        at_u=(0.0, 0.0),
        height_mm=spec.thickness_mm - case.height_error_mm,
        height_u_mm=None,
        depth_mm=spec.depth_mm,
        kerf_mm=spec.kerf_mm,
        hatch_mm=spec.hatch_mm,
        negative=False,
        put_back=False,
        so_far=False,
        tolerance_mm=TOLERANCE_MM,
        inputs={},
        calibration=CalibrationRow(bed.id, None, None, bed.traceability),
    )


def _short(case: Case) -> dict[str, Any]:
    """Return what tells one job from another, for tables and for people."""
    spec = case.spec
    out: dict[str, Any] = {
        "texture": spec.texture,
        "bed": spec.bed,
        "art": spec.art,
        "camera": spec.camera_index,
        "before": case.with_before,
        "size_mm": round(spec.art_size_mm, 1),
        "contrast": round(spec.contrast_levels),
        "noise": round(spec.noise_levels, 1),
        "order": spec.order,
        "hatch_mm": round(spec.hatch_mm, 3),
    }
    for name in ("bump_after_outline", "misplacement", "place_error", "moved_after_job"):
        if any(getattr(spec, name)):
            out[name] = [round(value, 3) for value in getattr(spec, name)]
    if spec.moved_within is not None:
        layer, share, shift = spec.moved_within
        out["moved_within"] = [layer, round(share, 2), *(round(value, 3) for value in shift)]
    for name in ("camera_bump_px", "depth_mm", "scorch_share"):
        if getattr(spec, name):
            out[name] = round(getattr(spec, name), 2)
    if case.height_error_mm:
        out["height_error_mm"] = round(case.height_error_mm, 3)
    return out


def _common(layers: dict[str, dict[str, float] | None]) -> dict[str, float] | None:
    """Return the displacement of all layers where they share one."""
    values = list(layers.values())
    first = values[0]
    if first is None or any(
        value is None or any(abs(value[axis] - first[axis]) > 1e-9 for axis in _AXES)
        for value in values
    ):
        return None
    return first


def _true(value: dict[str, float] | None, worst: float | None) -> dict[str, float | None]:
    axes = {axis: None if value is None else value[axis] for axis in _AXES}
    return {**axes, "worst_mm": worst}


def _told(value: Displacement | None) -> dict[str, Any] | None:
    if value is None:
        return None
    sigma = (
        None
        if value.covariance_statistical is None
        else np.sqrt(np.diag(value.covariance_statistical))
    )
    out: dict[str, Any] = {axis: _numbers(getattr(value, axis)) for axis in _AXES}
    out["worst_mm"] = _numbers(value.worst_mm)
    out["statistical_sigma"] = (
        None if sigma is None else [float(sigma[0]), float(sigma[1]), math.degrees(sigma[2])]
    )
    out["why"] = value.why
    return out


def _numbers(quantity: Quantity) -> dict[str, float] | None:
    if quantity.value is None or quantity.u95 is None:
        return None
    low, high = quantity.interval
    return {"value": quantity.value, "u95": quantity.u95, "low": low, "high": high}


def _keep(job: SimulatedJob, folder: Path, name: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    save_photo(folder / f"{name}-before.png", job.before)
    save_photo(folder / f"{name}-after.png", job.after)
    (folder / f"{name}.svg").write_text(job.svg, "utf-8")


def _reset_peak() -> None:
    """Let the kernel count the largest memory anew (Linux; nothing elsewhere)."""
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return


def _memory_mb(field: str) -> float | None:
    """Return this process's memory now (VmRSS) or the largest since the last reset (VmHWM).

    The simulator's caches count in both. None where the system does not tell (only Linux does).
    """
    try:
        status = Path("/proc/self/status").read_text()
    except OSError:
        return None
    kilobytes = next(line for line in status.splitlines() if line.startswith(field)).split()[1]
    return round(int(kilobytes) / 1024, 1)
