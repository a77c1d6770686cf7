"""The study of bowed work: is a bow named and measured, and does it pass for nothing else?

Run it from the top of the checkout:

    python -m tests.studies.bowed --seeds 1:121 --parity odd --out FOLDER --cache FOLDER

Jobs of the family `in_place`, whose work lies flat in one of three after captures and in the others
is bowed by 0.5 to 3 mm between two of its sides, which the camera sees as a warp of the mark. One
row per seed is appended to FOLDER/bowed.jsonl; run again, it goes on where it stopped. Then come
the figures; the exit status is 1 where a target is missed. Even seeds are for tuning, odd ones for
judging. `--sabotage` halves every stated uncertainty of a warp.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from samples.jobs import make_job
from samples.simulator.camera import pool_camera
from samples.simulator.motion import placed
from samples.specification import JobSpec, drawing_of
from tests.studies.families import Case, draw_case
from tests.studies.measure import job_of, measured_of
from tests.studies.rates import Rate
from tests.studies.rows import Row, stamp
from tests.studies.single import Study
from tests.studies.summary import Target
from vision import piece
from vision.job import check_job
from vision.measure.warp import Warp

Array = NDArray[np.float64]

VERSION = 1
_FLAT_SHARE = 1 / 3
_BOW_MM = (0.5, 3.0)
# A warp of the mark that must not pass unnoticed beside a tolerance of 0.2 mm.
_MATTERS_MM = 0.2


def draw(seed: int) -> Case:
    """Return the job of a seed; equal seeds give equal jobs."""
    case = draw_case("in_place", seed)
    rng = np.random.default_rng([9031, seed])
    bow_mm = 0.0 if rng.random() < _FLAT_SHARE else float(rng.uniform(*_BOW_MM))
    return replace(case, spec=replace(case.spec, bow_mm=bow_mm))


def true_warp(spec: JobSpec) -> tuple[float, float]:
    """Return peak and root mean square of what the bow leaves beside a rigid motion and a strain.

    A place that lies z higher is seen where the ray through it meets the flat surface.
    """
    drawing = drawing_of(spec)
    page = placed(spec.at_mm, spec.turn_deg)
    layers = [layer for layer in ("outline", "fill") if len(drawing.points_mm(layer))]
    points = np.concatenate([page.apply(drawing.points_mm(layer)) for layer in layers])
    centre = np.array(spec.sheet_centre_mm)
    turned = placed((0.0, 0.0), -spec.sheet_turn_deg).apply(points - centre)
    axis = int(np.argmax(spec.sheet_mm))
    height = spec.bow_mm * (1 - (2 * turned[:, axis] / spec.sheet_mm[axis]) ** 2)
    camera = pool_camera(spec.camera_index, spec.size).place_mm
    above = camera[2] - spec.thickness_mm
    away = points - camera[:2]
    moves = away * (above / (above - height) - 1)[:, None]
    x, y = (points - points.mean(axis=0)).T
    one, none = np.ones_like(x), np.zeros_like(x)
    rows = [np.stack([one, none, x, y, none, none], 1), np.stack([none, one, none, none, x, y], 1)]
    design = np.stack(rows, axis=1).reshape(-1, 6)
    left = moves.ravel() - design @ np.linalg.lstsq(design, moves.ravel(), rcond=None)[0]
    lengths = np.hypot(*left.reshape(-1, 2).T)
    return float(lengths.max()), math.sqrt(float((lengths**2).mean()))


@contextmanager
def _halved() -> Iterator[None]:
    """Let every warp state half of its uncertainty."""
    measure = piece.warp_of

    def sure(*args: object) -> Warp | None:
        warp = measure(*args)  # type: ignore[arg-type]
        return None if warp is None else replace(warp, covariance=warp.covariance / 4)

    piece.warp_of = sure
    try:
        yield
    finally:
        piece.warp_of = measure


def run_job(seed: int, cache: Path, sabotage: bool, code: str) -> Row:
    """Draw the job of a seed, check it, and hold the warp against the truth."""
    case = draw(seed)
    job = job_of(case, make_job(case.spec), cache)
    with _halved() if sabotage else nullcontext():
        result = check_job(job)
    peak, rms = true_warp(case.spec)
    told = result.warp or {}
    named = [finding for finding in result.findings if finding.kind == "warp"]
    return {
        "code": code,
        "spec": {
            "texture": case.spec.texture,
            "art": case.spec.art,
            "size_mm": round(case.spec.art_size_mm, 1),
            "camera": case.spec.camera_index,
            "before": case.with_before,
            "bow_mm": round(case.spec.bow_mm, 2),
        },
        "peak_mm": peak,
        "rms_mm": rms,
        "told": {key: [q.value, *q.interval] for key, q in told.items() if q.value is not None},
        "named": bool(named),
        "says": [*named[0].evidence] if named else [],
        **{key: measured_of(result)[key] for key in ("verdict", "clauses", "findings")},
    }


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of a warp."""
    done = [row for row in rows if "error" not in row]
    out = []
    for key, name in (("peak_mm", "largest warp"), ("rms_mm", "rms of the warp")):
        # Of several pieces the report tells the warp of one.
        told = [row for row in done if key in row["told"] and row["spec"]["art"] != "pieces"]
        inside = [row["told"][key][1] <= row[key] <= row["told"][key][2] for row in told]
        rate = Rate(sum(inside), len(told))
        out.append(Target(f"{name} inside its interval", ">= 95 %", str(rate), rate.share >= 0.95))
    flat = [row for row in done if row["spec"]["bow_mm"] == 0]
    alarms = Rate(sum(row["named"] for row in flat), len(flat))
    out.append(Target("warp named though flat", "<= 1 %", str(alarms), alarms.interval[0] <= 0.01))
    failed = Rate(sum(row["verdict"] == "fail" for row in flat), len(flat))
    out.append(Target("flat work failed", "0", str(failed), failed.k == 0))
    bent = [row for row in done if row["peak_mm"] >= _MATTERS_MM]
    passed = Rate(sum(row["verdict"] == "pass" for row in bent), len(bent))
    out.append(Target(f"warp of {_MATTERS_MM} mm passed", "0", str(passed), passed.k == 0))
    seen = Rate(sum(row["named"] for row in bent), len(bent))
    out.append(Target(f"warp of {_MATTERS_MM} mm named", ">= 90 %", str(seen), seen.share >= 0.9))
    return out


def _stamp(seed: int) -> str:
    case = draw(seed)
    return stamp(asdict(case.spec), case.with_before, VERSION)


def _said(row: Row) -> str | None:
    if "error" in row:
        return " raised"
    return f" bow {row['spec']['bow_mm']} mm: {row['verdict']}, {', '.join(row['findings'])}"


STUDY = Study(
    "bowed",
    "Bowed work in simulated captures: is it named, is its warp measured?",
    "jobs",
    ("calibration", "vision", "samples"),
    _stamp,
    run_job,
    _said,
    figures,
    sabotage="halve every stated uncertainty of a warp",
    cached=True,
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
