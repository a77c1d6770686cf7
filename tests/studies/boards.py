"""The study of printed boards: twelve photos by a drawn camera, then one of the board on the bed.

Run it from the top of the checkout:

    python -m tests.studies.boards --seeds 0:40 --parity odd --out FOLDER

A camera of 60 to 110 degrees, up to 35 degrees tilted, 720p to 12 MP, sees a board held up twelve
times; lens, then bed are solved as `witmark calibrate` does, the board lying exactly where it is
said to lie and printed true to size. One row per seed is appended to FOLDER/boards.jsonl; run
again, it goes on where it stopped. Then come the figures; the exit status is 1 where a target is
missed. Even seeds are for tuning, odd ones for judging. `--sabotage` shifts the map by half a
pixel.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.bed_fit import solve_bed
from calibration.bed_solve import BoardObservation
from calibration.board import BoardPlace, board_from_json
from calibration.detect import detect
from calibration.errors import WitmarkError
from calibration.lens_choice import fit_lens
from calibration.lens_solve import View
from calibration.plane import PlaneSurface
from samples.simulator.board import Lying, board_photos
from samples.simulator.camera import Camera, drawn_camera
from tests.studies.map_errors import MapErrors, map_figures
from tests.studies.rates import Rate
from tests.studies.rows import Row, stamp
from tests.studies.single import Study, refusal_of
from tests.studies.summary import Target
from vision.capture.photo import Photo

Array = NDArray[np.float64]

VERSION = 1
PHOTOS = 12
SIZES = ((1280, 720), (1920, 1080), (4000, 3000))
# A corner that is found this far from where it is has another corner's number.
WRONG_PX = 3.0


@dataclass(frozen=True)
class Case:
    """One camera, its photos' look, and where the board lies on the bed."""

    size: tuple[int, int]
    noise_levels: float
    psf_px: float
    jpeg_quality: int
    at_mm: tuple[float, float]
    turn_deg: float


def draw_case(seed: int) -> Case:
    """Return the calibration of a seed; equal seeds give equal photos."""
    rng = np.random.default_rng([9007, seed])
    return Case(
        SIZES[int(rng.choice(3, p=(0.35, 0.55, 0.1)))],
        float(rng.uniform(1, 4)),
        float(rng.uniform(0.6, 2.0)),
        int(rng.integers(80, 96)),
        (float(rng.uniform(100, 135)), float(rng.uniform(195, 230))),
        float(rng.uniform(-8, 8)),
    )


def run_camera(seed: int, sabotage: bool, code: str) -> Row:
    """Calibrate the camera of a seed, and hold its map against the truth."""
    return calibrate(seed, drawn_camera(seed, draw_case(seed).size), sabotage, code)


def calibrate(seed: int, camera: Camera, sabotage: bool, code: str) -> Row:
    """Calibrate a camera from the photos of a seed, and hold its map against the truth."""
    case = draw_case(seed)
    look: dict[str, Any] = {
        "size": case.size,
        "noise_levels": case.noise_levels,
        "psf_px": case.psf_px,
        "jpeg_quality": case.jpeg_quality,
        "camera": camera,
    }
    pictures, content = board_photos(0, PHOTOS, seed, **look)
    board = board_from_json({**content, "print_scale_u95": 0.0}, "board")
    views = []
    for number, rgb in enumerate(pictures):
        found = detect(Photo(rgb, "", "").grey, board)
        views.append(View(f"photo {number}", "", found.ids, found.px, found.why))
    lying = Lying(case.at_mm, case.turn_deg, 0.3)
    [rgb], _ = board_photos(0, 1, 1000 + seed, place=lying, **look)
    found = detect(Photo(rgb, "", "").grey, board, range(10, 20))
    row: Row = {
        "code": code,
        "spec": {**asdict(case), "camera": asdict(camera)},
        "photos": PHOTOS,
        "found": sum(view.why is None for view in views),
        "bed_found": found.why is None,
        "wrong_ids": 0,
    }
    place = BoardPlace(lying.at_mm, lying.turn_deg, lying.height_mm)
    if found.why is None:
        true = camera.project(place.bed_points(board.points_mm(found.ids)))
        row["wrong_ids"] = int((np.hypot(*(found.px - true).T) > WRONG_PX).sum())
    try:
        lens = fit_lens(board, case.size, views).lens
        row["model"] = lens.model
        seen = [BoardObservation("bed", found.ids, found.px, place)]
        fit = solve_bed(lens, board, seen, created="", at_u_mm=0.0, turn_u_deg=0.0)
    except WitmarkError as error:
        return {**row, "refused": error.line}
    errors = errors_of(PlaneSurface(fit.bed, 0.3), camera, 0.5 if sabotage else 0.0)
    return {**row, "refused": None, **errors}


def errors_of(surface: PlaneSurface, camera: Camera, shift_px: float) -> Row:
    """Return errors of bed points in pixels and in standard deviations."""
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(10, 390, 9), np.linspace(10, 290, 7)))
    places = np.stack([x, y], axis=1)
    px = camera.project(np.c_[places, np.full(len(places), surface.height_mm)]) + shift_px
    errors = MapErrors.of(surface, places, px)
    middle = (np.abs(x - 200) < 80) & (np.abs(y - 150) < 60)
    corner = np.isin(x, (10, 390)) & np.isin(y, (10, 290))
    return {
        "middle_px": errors.rms_px(middle),
        "corner_px": errors.rms_px(corner),
        "misfit": float(errors.misfit[errors.told].mean() / 2),
    }


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of twelve photos of a printed board."""
    whole = [row for row in rows if "error" not in row]
    told = [row for row in whole if not row["refused"]]
    photos = Rate(
        sum(row["found"] + row["bed_found"] for row in whole),
        sum(row["photos"] + 1 for row in whole),
    )
    out = [Target("board found", ">= 99 %", str(photos), photos.share >= 0.99)]
    wrong = sum(row["wrong_ids"] for row in whole)
    out.append(Target("wrong corner ids", "0", str(wrong), wrong == 0))
    refused = Rate(len(rows) - len(told), len(rows))
    out.append(Target("refused", "<= 1 %", str(refused), refused.interval[0] <= 0.01))
    out += map_figures(told, 0.05, 0.15, "cameras")
    return out


def _stamp(seed: int) -> str:
    return stamp(VERSION, draw_case(seed), drawn_camera(seed, draw_case(seed).size))


STUDY = Study(
    "boards",
    "Twelve photos of a printed board and one on the bed, against the truth.",
    "cameras",
    ("calibration", "samples/simulator"),
    _stamp,
    run_camera,
    refusal_of,
    figures,
    sabotage="shift the map by half a pixel",
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
