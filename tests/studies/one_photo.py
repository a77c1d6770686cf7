"""The study of one photo: a printed board that fills the bed, no lens file.

Run it from the top of the checkout:

    python -m tests.studies.one_photo --seeds 0:100 --parity odd --out FOLDER

Ordinary cameras of 60 to 110 degrees and fisheyes of 100 to 130, in turn, see a board of 384 x 288
mm lie on the bed exactly where it is said to lie, printed true to size; lens and pose are solved
from that one photo as `witmark calibrate bed` does without `--lens`. One row per seed is appended
to FOLDER/one_photo.jsonl; run again, it goes on where it stopped. Even seeds are for tuning, odd
ones for judging. `--sabotage` shifts the map by half a pixel.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import asdict

from calibration.any_lens import solve_bed_any_lens
from calibration.bed_solve import BoardObservation
from calibration.board import BoardPlace, board_from_json
from calibration.detect import detect
from calibration.errors import WitmarkError
from calibration.plane import PlaneSurface
from samples.simulator.board import Lying, board_file, board_photos
from samples.simulator.camera import Camera, drawn_camera, wide_camera
from tests.studies.boards import draw_case, errors_of
from tests.studies.map_errors import map_figures
from tests.studies.rates import Rate
from tests.studies.rows import Row, stamp
from tests.studies.single import Study, refusal_of
from tests.studies.summary import Target
from vision.capture.photo import Photo

VERSION = 1
BOARD = board_file(24, 18, 16.0, 12.0, "DICT_5X5_250")
LYING = Lying((8.0, 294.0), 0.0, 0.3)


def run_photo(seed: int, sabotage: bool, code: str) -> Row:
    """Solve the bed from the photo of a seed, and hold its map against the truth."""
    case, camera = draw_case(seed), _camera(seed)
    board = board_from_json({**BOARD, "print_scale_u95": 0.0}, "board")
    [rgb], _ = board_photos(
        0,
        1,
        seed,
        size=case.size,
        place=LYING,
        board=BOARD,
        noise_levels=case.noise_levels,
        psf_px=case.psf_px,
        jpeg_quality=case.jpeg_quality,
        camera=camera,
    )
    found = detect(Photo(rgb, "", "").grey, board)
    true = "fisheye" if camera.fisheye else "brown-conrady"
    row: Row = {"code": code, "spec": {**asdict(case), "camera": asdict(camera)}, "true": true}
    if found.why is not None:
        return {**row, "refused": found.why}
    place = BoardPlace(LYING.at_mm, LYING.turn_deg, LYING.height_mm)
    seen = [BoardObservation("photo", found.ids, found.px, place)]
    try:
        fit = solve_bed_any_lens(board, seen, case.size, created="", at_u_mm=0.0, turn_u_deg=0.0)
    except WitmarkError as error:
        return {**row, "refused": error.line}
    shift_px = 0.5 if sabotage else 0.0
    errors = errors_of(PlaneSurface(fit.bed, LYING.height_mm), camera, shift_px)
    return {**row, "refused": None, "model": fit.bed.lens.model, **errors}


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of one photo, and tell the models taken."""
    whole = [row for row in rows if "error" not in row]
    told = [row for row in whole if not row["refused"]]
    refused = Rate(len(rows) - len(told), len(rows))
    right = Rate(sum(row["model"] == row["true"] for row in told), len(told))
    return [
        Target("refused", "<= 1 %", str(refused), refused.interval[0] <= 0.01),
        *map_figures(told, 0.15, 0.4, "photos"),
        Target("right kind of lens", ">= 95 %", str(right), right.share >= 0.95),
    ]


def _camera(seed: int) -> Camera:
    drawn = wide_camera if seed // 2 % 2 else drawn_camera
    return drawn(seed, draw_case(seed).size)


def _stamp(seed: int) -> str:
    return stamp(VERSION, draw_case(seed), _camera(seed))


STUDY = Study(
    "one_photo",
    "One photo of a printed board that fills the bed, no lens file, against the truth.",
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
