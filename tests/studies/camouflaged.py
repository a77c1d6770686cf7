"""The study of work as dark as its bed: what is told of its movement, and is that true?

Run it from the top of the checkout:

    python -m tests.studies.camouflaged --seeds 1:201 --parity odd --out FOLDER --cache FOLDER

Simulated jobs on black anodised sheets over honeycomb or slats, with a capture before the burn. In
one of three the work lay still; in the others it was moved by 0.1 to 0.8 mm after the job. One row
per seed is appended to FOLDER/camouflaged.jsonl; run again, it goes on where it stopped. Then come
the figures; the exit status is 1 where a target is missed. Even seeds are for tuning, odd ones for
judging. `--sabotage` states a tenth of every uncertainty.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import K95
from samples.jobs import make_job
from samples.specification import draw_spec
from tests.studies.families import Case
from tests.studies.measure import job_of
from tests.studies.rates import Rate
from tests.studies.rows import Row, stamp
from tests.studies.single import Study
from tests.studies.summary import Target
from vision.register.view import NotFound
from vision.situation import see_captures, see_work

Array = NDArray[np.float64]

VERSION = 1
_SIMULATED = 9_100_000
_STILL_SHARE = 1 / 3
_MOVED_MM = (0.1, 0.8)
_TURN_DEG = 0.3
# A movement of so much must not be told to be smaller than a tolerance of 0.2 mm.
_MATTERS_MM, _TOLERANCE_MM = 0.24, 0.2


def draw(seed: int) -> Case:
    """Return the job of a seed; equal seeds give equal jobs."""
    rng = np.random.default_rng([9041, seed])
    moved = (0.0, 0.0, 0.0)
    if rng.random() >= _STILL_SHARE:
        length = math.exp(float(rng.uniform(*np.log(_MOVED_MM))))
        heading = float(rng.uniform(-math.pi, math.pi))
        turn = float(rng.uniform(-_TURN_DEG, _TURN_DEG))
        moved = (length * math.cos(heading), length * math.sin(heading), turn)
    bed = "honeycomb" if rng.random() < 2 / 3 else "slats"
    spec = draw_spec(_SIMULATED + seed, texture="anodised_black", bed=bed, moved_after_job=moved)
    return Case("camouflaged", "moved" if any(moved) else "still", spec, with_before=True)


def run_job(seed: int, cache: Path, sabotage: bool, code: str) -> Row:
    """Draw the job of a seed and hold the movement that its captures tell against the truth."""
    case = draw(seed)
    drawn = make_job(case.spec)
    job = job_of(case, drawn, cache)
    situation = see_captures(job.after, job.before, job.bed, job.above_bed_mm, job.thick_mm)
    place = job.wanted.found(situation)
    truth = drawn.truth["part_movement"]
    row = {
        "code": code,
        "spec": {
            "bed": case.spec.bed,
            "art": case.spec.art,
            "camera": case.spec.camera_index,
            "noise": round(case.spec.noise_levels, 1),
        },
        "kind": case.kind,
        "true_mm": [truth["dx_mm"], truth["dy_mm"]],
        "told_mm": None,
        "sigma_mm": None,
        "refused": "the mark was not found",
    }
    if isinstance(place, NotFound):
        return row
    seen = see_work(situation, job.artwork, place.pose, job.kerf_mm)
    told = seen.movement_at(np.array(drawn.truth["reference_point_mm"]))
    if told is None:
        return {**row, "refused": seen.movement_why}
    if sabotage:
        told = replace(told, statistical=told.statistical / 100, systematic=told.systematic / 100)
    return {
        **row,
        "told_mm": told.vector[:2].tolist(),
        "sigma_mm": np.sqrt(np.diag(told.covariance)[:2]).tolist(),
        "refused": None,
    }


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of a movement."""
    whole = [row for row in rows if "error" not in row]
    raised = Rate(len(rows) - len(whole), len(rows))
    out = [Target("raised", "0", str(raised), raised.k == 0)]
    told = [row for row in whole if row["told_mm"] is not None]
    moved = [row for row in whole if math.hypot(*row["true_mm"]) >= _MATTERS_MM]
    assured = Rate(sum(_surely_small(row) for row in moved), len(moved))
    words = f"moved by {_MATTERS_MM} mm or more, surely less than {_TOLERANCE_MM} told"
    out.append(Target(words, "0", str(assured), assured.k == 0))
    for axis, name in enumerate("xy"):
        inside = [_sigmas_off(row, axis) <= K95 for row in told]
        rate = Rate(sum(inside), len(told))
        out.append(Target(f"{name} inside U95", ">= 90 %", str(rate), rate.share >= 0.9))
    for kind in ("still", "moved"):
        own = [row for row in whole if row["kind"] == kind]
        said = Rate(sum(row["told_mm"] is not None for row in own), len(own))
        out.append(Target(f"{kind}: told", "-", str(said), True))
    return out


def _surely_small(row: Row) -> bool:
    """Tell whether a movement was told to be surely smaller than the tolerance."""
    if row["told_mm"] is None:
        return False
    return math.hypot(*row["told_mm"]) + K95 * max(row["sigma_mm"]) < _TOLERANCE_MM


def _sigmas_off(row: Row, axis: int) -> float:
    off: float = abs(row["told_mm"][axis] - row["true_mm"][axis]) / row["sigma_mm"][axis]
    return off


def _stamp(seed: int) -> str:
    case = draw(seed)
    return stamp(asdict(case.spec), case.with_before, VERSION)


def _said(row: Row) -> str | None:
    if "error" in row:
        return ": raised"
    if row["told_mm"] is None:
        return f": {row['refused']}"
    off = ", ".join(f"{_sigmas_off(row, axis):.1f}" for axis in (0, 1))
    return f": {row['kind']}, {off} sigma off"


STUDY = Study(
    "camouflaged",
    "Work as dark as its bed: is what is told of its movement true?",
    "jobs",
    ("calibration", "vision", "samples"),
    _stamp,
    run_job,
    _said,
    figures,
    sabotage="state a tenth of every uncertainty",
    cached=True,
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
