"""The study of boards that are hard to read: blurred, partly lost in glare, half hidden.

Run it from the top of the checkout:

    python -m tests.studies.spoilt_boards --seeds 0:600 --parity odd --out FOLDER

Every seed is one photo of the printed board held before a drawn camera of 60 to 110 degrees, 720p
to 12 MP, blurred by 0.6 to 2 px; in turn nothing else, a glare that leaves a fifth of its squares
white, or something over half of them. A photo counts as usable where twelve of its corners or more
are in view and bare. One row per seed is appended to FOLDER/spoilt_boards.jsonl; run again, it goes
on where it stopped. Even seeds are for tuning, odd ones for judging. `--sabotage` numbers the
corners one too high.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import asdict

import numpy as np

from calibration.board import board_from_json
from calibration.detect import detect
from samples.simulator.board import board_file
from samples.simulator.camera import drawn_camera
from samples.simulator.picture import Optics
from samples.simulator.spoilt_board import Spoilt, spoilt_photo
from tests.studies.boards import WRONG_PX, draw_case
from tests.studies.rates import Rate
from tests.studies.rows import Row, stamp
from tests.studies.single import Study
from tests.studies.summary import Target
from vision.capture.photo import Photo

VERSION = 1
KINDS = {
    "blurred": Spoilt(),
    "glare": Spoilt(glare_share=0.2),
    "half hidden": Spoilt(hidden_share=0.5),
}
_USABLE = 12


def run_photo(seed: int, sabotage: bool, code: str) -> Row:
    """Look for the board in the photo of a seed, and hold its corners against the truth."""
    case, kind = draw_case(seed), _kind(seed)
    camera = drawn_camera(seed, case.size)
    optics = Optics(case.psf_px, case.noise_levels, jpeg_quality=case.jpeg_quality)
    content = board_file()
    photo = spoilt_photo(camera, content, KINDS[kind], optics, seed)
    found = detect(Photo(photo.picture, "", "").grey, board_from_json(content, "board"))
    row: Row = {
        "code": code,
        "kind": kind,
        "spec": {**asdict(case), "camera": asdict(camera)},
        "bare": int(photo.bare.sum()),
        "why": found.why,
    }
    if found.why is not None:
        return row
    ids = (found.ids + 1) % len(photo.corners_px) if sabotage else found.ids
    off = np.hypot(*(found.px - photo.corners_px[ids]).T)
    # Under something only a corner that is told can be wrong, wherever it is told to lie.
    return {
        **row,
        "corners": len(ids),
        "wrong_ids": int((off > WRONG_PX).sum()),
        "rms_px": float(np.sqrt((off**2).mean())),
    }


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of boards that are hard to read."""
    usable = [row for row in rows if "error" not in row and row["bare"] >= _USABLE]
    out = []
    for kind in KINDS:
        own = [row for row in usable if row["kind"] == kind]
        rate = Rate(sum(row["why"] is None for row in own), len(own))
        out.append(Target(f"board found, {kind}", ">= 99 %", str(rate), rate.share >= 0.99))
    told = [row for row in usable if row["why"] is None]
    wrong = sum(row["wrong_ids"] for row in told)
    corners = sum(row["corners"] for row in told)
    out.append(Target("wrong corner ids", "0", f"{wrong} of {corners}", wrong == 0))
    bare = sum(row["bare"] for row in told)
    out.append(Target("corners told, and bare", "-", f"{corners}, {bare}", True))
    return out


def _kind(seed: int) -> str:
    return list(KINDS)[seed // 2 % 3]


def _said(row: Row) -> str | None:
    return None if row.get("why") is None else f": {row['why']}"


def _stamp(seed: int) -> str:
    case = draw_case(seed)
    return stamp(VERSION, case, drawn_camera(seed, case.size), KINDS[_kind(seed)])


STUDY = Study(
    "spoilt_boards",
    "Boards that are blurred, partly lost in glare or half hidden: found, and rightly numbered?",
    "photos",
    ("calibration", "samples/simulator"),
    _stamp,
    run_photo,
    _said,
    figures,
    sabotage="number the corners one too high",
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
