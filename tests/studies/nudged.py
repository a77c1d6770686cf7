"""The study of nudged cameras: is a nudge noticed, and does the map come right again?

Run it from the top of the checkout:

    python -m tests.studies.nudged --seeds 0:100 --parity odd --out FOLDER --cache FOLDER

A calibrated camera of the simulator's pool, four reference marks in view, is nudged by 0.5 to 20
pixels, or in one of four captures not at all; the capture is drawn and the pose solved again from
the marks. One row per seed is appended to FOLDER/nudged.jsonl; run again, it goes on where it
stopped. Then come the figures; the exit status is 1 where a target is missed. Even seeds are for
tuning, odd ones for judging. `--sabotage` hides from the marks that the camera moved.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed
from calibration.tracking import resolve_camera
from samples.simulator.bed import BEDS
from samples.simulator.camera import POOL, Camera, nudged, pool_camera
from samples.simulator.picture import Light, Optics
from samples.simulator.scene import Scene, render
from tests.studies.calibrated import bed_of
from tests.studies.measure import CALIBRATIONS
from tests.studies.rates import Rate, Spread
from tests.studies.rows import Row, stamp
from tests.studies.single import Study
from tests.studies.summary import Target
from vision.capture.photo import Photo

Array = NDArray[np.float64]

VERSION = 1
SIZE = (1920, 1080)
_STILL_SHARE = 0.25
_PX = (0.5, 20.0)


@dataclass(frozen=True)
class Case:
    """One capture by a camera that may have been nudged since it was calibrated."""

    camera_index: int
    variant: int
    nudge_px: float
    heading_rad: float
    bed: str
    noise_levels: float
    psf_px: float
    jpeg_quality: int
    tilt: tuple[float, float]


def draw_case(seed: int) -> Case:
    """Return the capture of a seed; equal seeds give equal captures."""
    rng = np.random.default_rng([9005, seed])
    still = bool(rng.random() < _STILL_SHARE)
    length = math.exp(float(rng.uniform(math.log(_PX[0]), math.log(_PX[1]))))
    return Case(
        int(rng.integers(POOL)),
        int(rng.integers(CALIBRATIONS)),
        0.0 if still else length,
        float(rng.uniform(-math.pi, math.pi)),
        str(rng.choice(BEDS)),
        float(rng.uniform(1, 4)),
        float(rng.uniform(0.7, 1.3)),
        int(rng.integers(80, 96)),
        (float(rng.uniform(-0.12, 0.12)), float(rng.uniform(-0.12, 0.12))),
    )


def run_capture(seed: int, cache: Path, sabotage: bool, code: str) -> Row:
    """Draw the capture of a seed, solve its pose, and hold the map against the truth."""
    case = draw_case(seed)
    calibrated = bed_of(case.camera_index, case.variant, SIZE, cache)
    before = pool_camera(case.camera_index, SIZE)
    now = nudged(before, case.nudge_px, case.heading_rad)
    shown = before if sabotage else now
    optics = Optics(case.psf_px, case.noise_levels, jpeg_quality=case.jpeg_quality)
    scene = Scene(shown, case.bed, 0, light=Light(case.tilt, 0.08, 0.98), optics=optics)
    rgb = render(scene, np.random.default_rng([9006, seed]))
    solved, told = resolve_camera(calibrated, Photo(rgb, "capture", "").grey)
    places = grid_of(calibrated)
    apart = now.project(places) - before.project(places)
    off = calibrated.mm_from_px(now.project(places), 0.0) - places[:, :2]
    shift_mm = off - (calibrated.mm_from_px(before.project(places), 0.0) - places[:, :2])
    return {
        "code": code,
        "spec": {"camera": case.camera_index, "nudge_px": case.nudge_px, "bed": case.bed},
        "marks": told.marks_seen,
        "moved": told.moved,
        "shift_px": float(np.hypot(*apart.T).max()),
        "shift_mm": float(np.hypot(*shift_mm.T).max()),
        "told_mm": told.shift_mm.value,
        "u95_mm": told.shift_mm.u95,
        "fresh_mm": rms_off(calibrated, before),
        "after_mm": rms_off(solved, now),
    }


def grid_of(bed: Bed) -> Array:
    """Return (n, 3) places over the calibrated field at the bed's level."""
    left, low, right, high = bed.field_mm
    x, y = np.meshgrid(np.linspace(left, right, 9), np.linspace(low, high, 9))
    return np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)


def rms_off(bed: Bed, camera: Camera) -> float:
    """Return how far a map is off over its field, mm (root mean square)."""
    places = grid_of(bed)
    off = bed.mm_from_px(camera.project(places), 0.0) - places[:, :2]
    return float(np.sqrt((off**2).sum(axis=1).mean()))


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of reference marks."""
    seen = [row for row in rows if "error" not in row and row["moved"] is not None]
    out = [
        Target(
            "told whether the camera moved",
            "all",
            str(Rate(len(seen), len(rows))),
            len(seen) == len(rows),
        )
    ]
    large = [row for row in seen if row["shift_mm"] >= 2 * row["u95_mm"] and row["shift_px"] > 0]
    missed = Rate(sum(not row["moved"] for row in large), len(large))
    out.append(Target("nudges of 2 U95 or more unnoticed", "0", str(missed), missed.k == 0))
    still = [row for row in seen if row["shift_px"] == 0]
    alarms = Rate(sum(row["moved"] for row in still), len(still))
    out.append(Target("false alarms", "<= 1 %", str(alarms), alarms.interval[0] <= 0.01))
    moved = [row for row in seen if row["moved"] and row["shift_px"] > 0]
    if moved:
        fresh, after = (
            Spread.of([row[key] for row in moved]).rmse for key in ("fresh_mm", "after_mm")
        )
        ratio = f"{after / fresh:.2f} ({after:.4f} / {fresh:.4f} mm), n = {len(moved)}"
        out.append(Target("bed error after / before", "<= 1.3", ratio, after <= 1.3 * fresh))
        inside = sum(abs(row["told_mm"] - row["shift_mm"]) <= row["u95_mm"] for row in moved)
        told = Rate(inside, len(moved))
        out.append(Target("largest shift inside U95", ">= 90 %", str(told), told.share >= 0.9))
    return out


def _stamp(seed: int) -> str:
    return stamp(VERSION, draw_case(seed))


def said_of(row: Row) -> str | None:
    if "error" in row:
        return ": raised"
    return ": not told" if row["moved"] is None else None


STUDY = Study(
    "nudged",
    "Cameras nudged after their calibration, four reference marks in view.",
    "captures",
    ("calibration", "samples/simulator"),
    _stamp,
    run_capture,
    said_of,
    figures,
    sabotage="hide the nudge from the marks",
    cached=True,
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
