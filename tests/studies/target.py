"""The study of the burned target: drawn cameras and machines, one photo each, no lens file.

Run it from the top of the checkout:

    python -m tests.studies.target --seeds 0:40 --parity odd --out FOLDER

A camera of 60 to 110 degrees looks on a sheet that a simulated machine has burned with the very
G-code that `witmark board --burn` writes: axes any way round, axes that differ in scale and are
not square, lost motion, scatter. One row per seed is appended to FOLDER/target.jsonl; run again, it
goes on where it stopped. Then come the figures; the exit status is 1 where a target is missed. Even
seeds are for tuning, odd ones for judging. `--sabotage` shifts the map by half a pixel.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.burn_files import Burning, gcode
from calibration.errors import WitmarkError
from calibration.plane import PlaneSurface
from calibration.target import Target, lay_out
from calibration.target_fit import TargetFit, solve_target
from samples.simulator.camera import Camera, drawn_camera
from samples.simulator.machine import Machine, target_photo
from tests.studies.map_errors import MapErrors, map_figures
from tests.studies.rates import Rate, Spread
from tests.studies.rows import Row, stamp
from tests.studies.single import Study, refusal_of
from tests.studies.summary import Target as Aim
from vision.capture.photo import Photo

Array = NDArray[np.float64]

VERSION = 1
HEIGHT_MM = 3.0
MATERIALS = ("none", "painted", "brushed", "wood", "anodised_black")
SIZES = ((1280, 720), (1920, 1080), (4000, 3000))
# A bed of 400 x 300 mm: the machine's own, whichever way its axes run.
TARGET = lay_out((0.0, 0.0, 400.0, 300.0), 30.0, 7.0, 16.0, "DICT_4X4_50", 0)
TURNED = lay_out((0.0, 0.0, 300.0, 400.0), 30.0, 7.0, 16.0, "DICT_4X4_50", 0)
BURNING = Burning(300.0, 3000.0, 6000.0, 0.2, 7.0)


@dataclass(frozen=True)
class Case:
    """One photo of a burned target."""

    size: tuple[int, int]
    machine: Machine
    swapped: bool
    material: str
    contrast: float
    noise_levels: float
    psf_px: float
    jpeg_quality: int


def draw_case(seed: int) -> Case:
    """Return the photo of a seed; equal seeds give equal photos."""
    rng = np.random.default_rng([9004, seed])
    swapped, left, near = (bool(v) for v in rng.random(3) < (0.25, 0.25, 0.25))
    right, up = (-1.0 if left else 1.0), (-1.0 if near else 1.0)
    axes = ((0.0, right), (up, 0.0)) if swapped else ((right, 0.0), (0.0, up))
    machine = Machine(
        axes,
        (400.0 if left else 0.0, 300.0 if near else 0.0),
        (float(rng.normal(0, 0.001)), float(rng.normal(0, 0.001))),
        math.radians(float(rng.normal(0, 0.06))),
        (float(rng.uniform(-0.15, 0.15)), float(rng.uniform(-0.15, 0.15))),
        float(rng.uniform(0.0, 0.02)),
    )
    return Case(
        SIZES[int(rng.choice(3, p=(0.3, 0.55, 0.15)))],
        machine,
        swapped,
        str(rng.choice(MATERIALS)),
        float(rng.uniform(50, 120)),
        float(rng.uniform(1, 4)),
        float(rng.uniform(0.6, 1.4)),
        int(rng.integers(80, 96)),
    )


def run_photo(seed: int, sabotage: bool, code: str) -> Row:
    """Solve the bed from the photo of a seed, and hold it against the truth."""
    case, camera = draw_case(seed), drawn_camera(seed, draw_case(seed).size)
    target = TURNED if case.swapped else TARGET
    rgb = target_photo(
        gcode(target, BURNING),
        camera,
        case.machine,
        HEIGHT_MM,
        seed,
        case.material,
        case.contrast,
        noise_levels=case.noise_levels,
        psf_px=case.psf_px,
        jpeg_quality=case.jpeg_quality,
    )
    row: Row = {"code": code, "spec": {**asdict(case), "camera": asdict(camera)}}
    try:
        solved = solve_target(
            target, None, [("photo", Photo(rgb, "photo", "").grey)], HEIGHT_MM, ""
        )
    except WitmarkError as error:
        return {**row, "refused": error.line}
    return {
        **row,
        "refused": None,
        **_against_truth(solved, target, case.machine, camera, sabotage),
    }


def _against_truth(
    solved: TargetFit, target: Target, machine: Machine, camera: Camera, sabotage: bool
) -> Row:
    """Return errors on a grid over the target, in pixels and in standard deviations."""
    x0, y0, x1, y1 = target.box_mm
    x, y = np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 7))
    told = np.stack([x.ravel(), y.ravel()], axis=1)
    seen_from = machine.on_bed(told)
    px = camera.project(np.c_[seen_from, np.full(len(told), HEIGHT_MM)])
    inside = ((px > 0) & (px < np.array(camera.size) - 1.0)).all(axis=1)
    assert inside.all(), "the drawn camera sees the whole bed"
    px = px + (0.5 if sabotage else 0.0)
    surface = PlaneSurface(solved.fit.bed, HEIGHT_MM)
    want = solved.axes.bed_from_machine(told)
    errors = MapErrors.of(surface, want, px)
    mapped = errors.told
    middle = (np.abs(x.ravel() - x.mean()) < (x1 - x0) / 5) & (
        np.abs(y.ravel() - y.mean()) < (y1 - y0) / 5
    )
    corner = np.isin(x.ravel(), (x0, x1)) & np.isin(y.ravel(), (y0, y1))
    return {
        "crosses": solved.crosses[0],
        "unmapped": int((~mapped).sum()),
        "axes_right": bool(np.allclose(solved.axes.axes, machine.axes)),
        "middle_px": errors.rms_px(middle),
        "corner_px": errors.rms_px(corner),
        "largest_mm": float(np.hypot(*errors.off_mm[mapped].T).max()),
        "u95_mm": float(surface.calibration_u95_mm(want[mapped]).max()),
        "misfit": float(errors.misfit[mapped].mean() / 2),
        "within": float((errors.misfit[mapped] < 5.991).mean()),
        "reversal": [
            [q.value, q.u95, true]
            for q, true in zip(solved.reversal_mm, machine.reversal_mm, strict=True)
        ],
        "form": [
            [q.value, q.u95, true]
            for q, true in (
                (solved.stretch_percent, 100 * (machine.scale[0] - machine.scale[1])),
                (solved.skew_deg, math.degrees(machine.skew_rad)),
            )
        ],
        "left_mm": list(solved.left_mm),
        "sigma_px": solved.fit.bed.sigma_px,
    }


def figures(rows: Sequence[Row]) -> list[Aim]:
    """Hold the rows against what is asked of one photo of a full-bed target."""
    told = [row for row in rows if not row.get("refused") and "error" not in row]
    refused = Rate(len(rows) - len(told), len(rows))
    out = [Aim("refused", "<= 1 %", str(refused), refused.interval[0] <= 0.01)]
    wrong = sum(not row["axes_right"] for row in told)
    blind = sum(row["unmapped"] > 0 for row in told)
    out.append(Aim("bed seen but not mapped", "0", str(Rate(blind, len(told))), blind == 0))
    out.append(Aim("axes of the machine wrong", "0", str(Rate(wrong, len(told))), wrong == 0))
    out += map_figures(told, 0.15, 0.4, "photos")
    for key, place, name, unit in (
        ("reversal", 0, "reversal of X", "mm"),
        ("reversal", 1, "reversal of Y", "mm"),
        ("form", 0, "X against Y", "%"),
        ("form", 1, "squareness", "degrees"),
    ):
        rows_of = [row[key][place] for row in told]
        inside = Rate(sum(abs(v - true) <= u95 for v, u95, true in rows_of), len(told))
        spread = Spread.of([v - true for v, _, true in rows_of])
        asked = inside.interval[1] >= 0.95
        out.append(Aim(f"{name} inside U95", "95 %", str(inside), asked))
        out.append(Aim(f"{name}, RMSE {unit}", "told", str(spread), True))
    return out


def _stamp(seed: int) -> str:
    camera = drawn_camera(seed, draw_case(seed).size)
    return stamp(VERSION, asdict(draw_case(seed)), asdict(camera))


STUDY = Study(
    "target",
    "One photo of a burned target, no lens file, against the truth.",
    "photos",
    ("calibration", "samples/simulator"),
    _stamp,
    run_photo,
    refusal_of,
    figures,
    sabotage="shift the map by half a pixel",
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
