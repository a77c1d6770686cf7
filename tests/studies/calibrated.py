"""Bed calibrations of the simulated cameras: made once from board photos, kept in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed, read_bed, write_bed
from calibration.bed_fit import solve_bed
from calibration.bed_solve import BoardObservation
from calibration.board import Board, BoardPlace, board_from_json
from calibration.detect import Corners, detect
from calibration.lens_choice import fit_lens
from calibration.lens_solve import View
from calibration.marks import register_marks
from calibration.marks_file import marks_from_json
from samples.simulator.bed import BEDS, MARKS, marks_file
from samples.simulator.board import Lying, board_photos
from tests.studies.rows import sources_stamp, stamp
from vision.capture.photo import Photo

# Changes whenever the way the calibrations are made does.
VERSION = 1
LENS_PHOTOS = 10
NOISE_LEVELS = 2.0

_ROOT = Path(__file__).resolve().parents[2]


def bed_of(camera_index: int, variant: int, size: tuple[int, int], cache: Path) -> Bed:
    """Return the calibrated bed of a simulated camera, from the cache or made now.

    `variant` draws other photos of the same camera. The file's name holds the sources of
    calibration and simulator, so that a cache is never stale.
    """
    code = sources_stamp(_ROOT, ("calibration", "samples/simulator"))
    name = stamp(VERSION, camera_index, variant, size, code)
    path = cache / f"bed-{camera_index}-{variant}-{name}.json"
    if not path.exists():
        cache.mkdir(parents=True, exist_ok=True)
        write_bed(path, make_bed(camera_index, variant, size), {"study": VERSION})
    return read_bed(path)


def make_bed(camera_index: int, variant: int, size: tuple[int, int]) -> Bed:
    """Calibrate a simulated camera through the calibration's own functions.

    Ten photos of the board held up, one of it lying on the bed with the reference marks in view,
    exactly where it is said to lie and printed true to size: what is left is the noise of the
    corners and what it does to the map.
    """
    rng = np.random.default_rng([9100, camera_index, variant])
    look: dict[str, Any] = {
        "size": size,
        "bed": str(rng.choice(BEDS)),
        "noise_levels": NOISE_LEVELS,
    }
    pictures, content = board_photos(camera_index, LENS_PHOTOS, variant, **look)
    board = board_from_json({**content, "print_scale_u95": 0.0}, "board")
    views = []
    for number, rgb in enumerate(pictures):
        found = _find(rgb, board)
        views.append(View(f"lens {number}", "", found.ids, found.px, found.why))
    lens = fit_lens(board, size, views).lens

    at_mm = (118.0 + float(rng.uniform(-15, 15)), 212.0 + float(rng.uniform(-15, 15)))
    lying = Lying(at_mm, float(rng.uniform(-6, 6)), 0.3)
    [rgb], _ = board_photos(camera_index, 1, 1000 + variant, place=lying, **look)
    found = _find(rgb, board)
    place = BoardPlace(lying.at_mm, lying.turn_deg, lying.height_mm)
    seen = [BoardObservation("bed", found.ids, found.px, place)]
    solved = solve_bed(lens, board, seen, created="", at_u_mm=0.0, turn_u_deg=0.0).bed
    marks = marks_from_json(marks_file(), "marks")
    return register_marks(solved, marks, [Photo(rgb, "bed", "").grey])[0]


def _find(rgb: NDArray[np.uint8], board: Board) -> Corners:
    return detect(Photo(rgb, "board", "").grey, board, [mark.number for mark in MARKS])
