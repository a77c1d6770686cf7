"""The study of marks far from their place, on honeycomb with glare: are they found?

Run it from the top of the checkout:

    python -m tests.studies.displaced --seeds 1:401 --parity odd --out FOLDER --cache FOLDER

Simulated jobs, one mark to a sheet, that lies up to 20 mm along X and Y and 10 degrees from its
place: burned there, or moved there with the work after the job. One row per seed is appended to
FOLDER/displaced.jsonl; run again, it goes on where it stopped. Then come the figures; the exit
status is 1 where a target is missed. Even seeds are for tuning, odd ones for judging. `--sabotage`
tells every place 1 mm beside the one that was measured.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from samples.jobs import make_job
from samples.simulator.motion import Motion, about, placed
from samples.simulator.shapes import ARTS
from samples.specification import STILL, JobSpec, Shift, draw_spec, drawing_of
from tests.studies.families import Case
from tests.studies.measure import job_of, measured_of, truth_of
from tests.studies.rates import Rate
from tests.studies.rows import Row, stamp
from tests.studies.single import Study
from tests.studies.summary import Target, pairs
from vision.job import check_job

Array = NDArray[np.float64]

VERSION = 1
_SIMULATED = 9_200_000
_AWAY_MM, _AWAY_DEG = 20.0, 10.0
_BEFORE_SHARE = 0.8
# A sheet that leaves a mark room to be burned elsewhere on it, and how near it comes to the rim.
_SHEET_MM = ((190.0, 230.0), (140.0, 170.0))
_RIM_MM = 3.0
# Among several alike the nearest to its place is measured: one to a sheet.
_ARTS = tuple(name for name in ARTS if name != "pieces")
# A mark that is told so far from where it lies, or turned so far, was not found.
_FOUND_MM, _FOUND_DEG = 0.5, 1.0
_WRONG_MM = 0.05
_BESIDE_MM = 1.0


def draw(seed: int) -> Case:
    """Return the job of a seed; equal seeds give equal jobs."""
    rng = np.random.default_rng([9042, seed])
    with_before = bool(rng.random() < _BEFORE_SHARE)
    look = {"bed": "honeycomb", "glare": True, "art": str(rng.choice(_ARTS))}
    if rng.random() < 0.5:
        spec = draw_spec(_SIMULATED + seed, **look, moved_after_job=_shift(rng))
        return Case("displaced", "moved", spec, with_before)
    sheet = tuple(float(rng.uniform(*side)) for side in _SHEET_MM)
    spec = draw_spec(_SIMULATED + seed, **look, sheet_mm=sheet)
    # A mark that runs over the sheet's rim is another job: its place is drawn again.
    while spec.misplacement == STILL or not _on_sheet(spec):
        spec = replace(spec, misplacement=_shift(rng))
    return Case("displaced", "burned there", spec, with_before)


def _shift(rng: np.random.Generator) -> Shift:
    x, y = rng.uniform(-_AWAY_MM, _AWAY_MM, 2)
    return float(x), float(y), float(rng.uniform(-_AWAY_DEG, _AWAY_DEG))


def _on_sheet(spec: JobSpec) -> bool:
    """Tell whether the burned artwork's box lies on the sheet."""
    drawing = drawing_of(spec)
    x0, y0, x1, y1 = drawing.box_mm
    page = placed(spec.at_mm, spec.turn_deg)
    middle = page.apply(np.array(drawing.centre_mm))
    box = page.apply(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float))
    burned = about((float(middle[0]), float(middle[1])), *spec.misplacement).apply(box)
    upright = Motion(-math.radians(spec.sheet_turn_deg))
    on_work = upright.apply(burned - np.array(spec.sheet_centre_mm))
    return bool(np.all(np.abs(on_work) < np.array(spec.sheet_mm) / 2 - _RIM_MM))


def run_job(seed: int, cache: Path, sabotage: bool, code: str) -> Row:
    """Draw the job of a seed, check it as a user's and tell the result beside the truth."""
    case = draw(seed)
    drawn = make_job(case.spec)
    result = check_job(job_of(case, drawn, cache))
    spec = case.spec
    row = {
        "code": code,
        "kind": case.kind,
        "spec": {
            "texture": spec.texture,
            "art": spec.art,
            "camera": spec.camera_index,
            "before": case.with_before,
            "size_mm": round(spec.art_size_mm, 1),
        },
        "truth": truth_of(drawn.truth, round_outline=spec.art == "ring"),
        **measured_of(result),
    }
    if sabotage:
        for name, told in row["measured"].items():
            if name.startswith("placement.") and told["dx_mm"] is not None:
                told["dx_mm"]["value"] += _BESIDE_MM
    return row


def layers_off(row: Row) -> list[tuple[float, bool]]:
    """Return, by layer that is told, how far off its middle is (mm), and whether it is turned."""
    off = []
    for name in ("placement.fill", "placement.outline"):
        told, true = row["measured"].get(name), row["truth"].get(name)
        if told is None or told["dx_mm"] is None:
            continue
        error = [told[axis]["value"] - true[axis] for axis in ("dx_mm", "dy_mm")]
        turn = told["rotation_deg"]
        wrong_deg = 0.0 if turn is None else abs(turn["value"] - true["rotation_deg"])
        surely = turn is not None and wrong_deg > max(_FOUND_DEG, turn["u95"])
        off.append((math.hypot(*error), surely))
    return off


def elsewhere(row: Row) -> bool:
    """Tell whether a layer is told where it does not lie."""
    return any(off > _FOUND_MM or turned for off, turned in layers_off(row))


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of finding a mark."""
    whole = [row for row in rows if "error" not in row]
    raised = Rate(len(rows) - len(whole), len(rows))
    out = [Target("raised", "0", str(raised), raised.k == 0)]
    found = Rate(sum(bool(layers_off(row)) and not elsewhere(row) for row in whole), len(whole))
    out.append(Target("found", ">= 99.5 %", str(found), found.share >= 0.995))
    silent = Rate(
        sum(elsewhere(row) and row["verdict"] != "undecided" for row in whole), len(whole)
    )
    out.append(Target("told elsewhere than it lies, not doubted", "0", str(silent), silent.k == 0))
    burned = [row for row in whole if row["kind"] == "burned there"]
    passed = Rate(sum(row["verdict"] == "pass" for row in burned), len(burned))
    out.append(Target("burned elsewhere, passed", "0", str(passed), passed.k == 0))
    for quantity in ("placement", "fill_to_outline"):
        for axis in ("dx_mm", "dy_mm"):
            told = pairs(whole, quantity, axis)
            if told:
                rate = Rate(sum(pair.inside for pair in told), len(told))
                name = f"{quantity} {axis} inside U95"
                out.append(Target(name, ">= 90 %", str(rate), rate.share >= 0.9))
    told = [p for axis in ("dx_mm", "dy_mm") for p in pairs(whole, "fill_to_outline", axis)]
    wrong = Rate(sum(abs(p.error) > _WRONG_MM and not p.inside for p in told), len(told))
    name = f"fill to outline wrong by more than {_WRONG_MM} mm and outside U95"
    return [*out, Target(name, "0", str(wrong), wrong.k == 0)]


def _stamp(seed: int) -> str:
    case = draw(seed)
    return stamp(asdict(case.spec), case.with_before, VERSION)


def _said(row: Row) -> str | None:
    if "error" in row:
        return ": raised"
    off = layers_off(row)
    if not off:
        return f": not found ({'; '.join(row['reasons'])})"
    beside = " ELSEWHERE" if elsewhere(row) else ""
    return f": {row['kind']}, told {max(off)[0]:.3f} mm off, {row['verdict']}{beside}"


STUDY = Study(
    "displaced",
    "Marks up to 20 mm and 10 degrees from their place, on honeycomb with glare: are they found?",
    "jobs",
    ("calibration", "vision", "samples"),
    _stamp,
    run_job,
    _said,
    figures,
    sabotage="tell every place 1 mm beside the one that was measured",
    cached=True,
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
