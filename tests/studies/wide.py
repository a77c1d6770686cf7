"""The study of wide lenses: as that of printed boards, by fisheyes of 100 to 130 degrees.

Run it from the top of the checkout:

    python -m tests.studies.wide --seeds 0:100 --parity odd --out FOLDER

A fisheye sees a board held up twelve times, turned to face it, and then lying on the bed; lens and
bed are solved as `witmark calibrate` does. Which model of distortion was taken is told, too. One
row per seed is appended to FOLDER/wide.jsonl; run again, it goes on where it stopped. Even seeds
are for tuning, odd ones for judging. `--sabotage` shifts the map by half a pixel.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from samples.simulator.camera import Camera, wide_camera
from tests.studies import boards
from tests.studies.rates import Rate
from tests.studies.rows import Row, stamp
from tests.studies.single import Study, refusal_of
from tests.studies.summary import Target

VERSION = 1


def run_camera(seed: int, sabotage: bool, code: str) -> Row:
    """Calibrate the fisheye of a seed, and hold its map against the truth."""
    return boards.calibrate(seed, _camera(seed), sabotage, code)


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of printed boards, and tell the models taken."""
    told = [row for row in rows if "model" in row]
    right = Rate(sum(row["model"] == "fisheye" for row in told), len(told))
    return [
        *boards.figures(rows),
        Target("fisheye taken", ">= 95 %", str(right), right.share >= 0.95),
    ]


def _camera(seed: int) -> Camera:
    return wide_camera(seed, boards.draw_case(seed).size)


def _stamp(seed: int) -> str:
    return stamp(VERSION, boards.draw_case(seed), _camera(seed))


STUDY = Study(
    "wide",
    "Twelve photos of a printed board by a fisheye, and one on the bed, against the truth.",
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
