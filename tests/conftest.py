"""Photos of a board by a simple pinhole camera, shared by tests of the command line."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

# Sums in an order that does not depend on the number of cores; read when numpy is loaded.
os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

import cv2
import numpy as np
import pytest

from calibration.board import Board, BoardPlace, marker_dictionary
from calibration.files import write_json
from calibration.pose import Pose, rotation_from_vector

SIZE = (1280, 960)
FOCAL_PX = 1250.0
BOARD = Board("charuco", 9, 6, 20.0, 15.0, "DICT_5X5_250")
PLACE = BoardPlace((90.0, 200.0), 4.0, 2.0)
MARKS = {10: (30.0, 30.0), 11: (320.0, 30.0), 12: (320.0, 250.0), 13: (30.0, 250.0)}
MARK_MM = 24.0


@dataclass(frozen=True)
class Bench:
    """A folder with board photos, made once; tests copy what they spoil.

    Attributes
    ----------
    folder
        `lens/*.png` (6 photos), `bed.png`, `nudged.png`, `board.json`, `marks.json`, `lens.json`.
    camera
        The true pose, camera from bed.
    """

    folder: Path
    camera: Pose

    @property
    def bed_options(self) -> list[str]:
        """The options of `calibrate bed` that are true of `bed.png`."""
        x, y = PLACE.at_mm
        return [
            *("--board", str(self.folder / "board.json")),
            *("--lens", str(self.folder / "lens.json")),
            *("--at", f"{x},{y}", "--turn", str(PLACE.turn_deg)),
            *("--height", str(PLACE.height_mm)),
        ]


@pytest.fixture
def study_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[int], list[str]]:
    """Return the options of a study of one seed, seen by a camera calibrated from few photos.

    Rows go to the test's folder `rows`, beds to `beds`.
    """
    from tests.studies import calibrated

    monkeypatch.setattr(calibrated, "LENS_PHOTOS", 3)
    folders = ["--out", str(tmp_path / "rows"), "--cache", str(tmp_path / "beds")]
    return lambda seed: ["--seeds", f"{seed}:{seed + 1}", "--workers", "0", *folders]


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    from cli.app import run

    folder = tmp_path_factory.mktemp("bench")
    (folder / "lens").mkdir()
    write_json(folder / "board.json", BOARD.to_json())
    marks = {
        "dictionary": "DICT_4X4_50",
        "marker_mm": MARK_MM,
        "centres_mm": {str(n): list(xy) for n, xy in MARKS.items()},
    }
    (folder / "marks.json").write_text(json.dumps(marks))
    rng = np.random.default_rng(1)
    for number in range(6):
        heading = number * math.pi / 3
        lean = 0.45 * np.array([math.cos(heading), math.sin(heading), 0.1])
        turn = rotation_from_vector(lean)
        away = 60.0 * np.array([math.cos(2 * heading), math.sin(2 * heading), 0.0])
        held = Pose(turn, np.array([0.0, 0.0, 330.0]) + away - turn @ np.array([90.0, 60.0, 0.0]))
        _write(folder / "lens" / f"p{number}.png", [(board_picture(), held)], rng)
    turn = rotation_from_vector(np.array([math.pi - 0.2, 0.03, 0.02]))
    camera = Pose(turn, -turn @ np.array([175.0, 45.0, 470.0]))
    _write(folder / "bed.png", _scene(camera), rng)
    nudge = np.array([0.002, -0.001, 0.001, 0.2, 0.1, 0.3])
    _write(folder / "nudged.png", _scene(camera.moved(nudge)), rng)
    arguments = ["--board", str(folder / "board.json"), "--out", str(folder / "lens.json")]
    assert run(["calibrate", "lens", str(folder / "lens"), *arguments]) == 0
    return Bench(folder, camera)


@pytest.fixture
def draw() -> Callable[[Path, np.ndarray], Path]:
    """Return a function that writes a grey picture as PNG."""

    def write(path: Path, grey: np.ndarray) -> Path:
        assert cv2.imwrite(str(path), grey)
        return path

    return write


# A picture with its scale (px per mm) and the place of its upper left corner on its own plane.
Flat = tuple[np.ndarray, float, tuple[float, float]]


def board_picture() -> Flat:
    """The board with a white margin, on its own plane (x right, y down)."""
    return BOARD.picture(8.0, 12.0), 8.0, (-12.0, -12.0)


def _scene(camera: Pose) -> list[tuple[Flat, Pose]]:
    """The board and the reference marks lying on the bed."""
    flats = [(board_picture(), _lying(camera, PLACE))]
    for number, (x, y) in MARKS.items():
        marker = marker_dictionary("DICT_4X4_50").generateImageMarker(number, int(MARK_MM * 10))
        marker = np.pad(marker, 60, constant_values=255)
        corner = BoardPlace((x - MARK_MM / 2, y + MARK_MM / 2), 0.0, 0.0)
        flats.append(((marker, 10.0, (-6.0, -6.0)), _lying(camera, corner)))
    return flats


def _lying(camera: Pose, place: BoardPlace) -> Pose:
    """Camera from the plane of a sheet that lies on the bed (x right, y down)."""
    c, s = math.cos(math.radians(place.turn_deg)), math.sin(math.radians(place.turn_deg))
    turn = np.array([[c, s, 0.0], [s, -c, 0.0], [0.0, 0.0, -1.0]])
    return camera.before(turn, np.array([*place.at_mm, place.height_mm]))


def _write(path: Path, flats: list[tuple[Flat, Pose]], rng: np.random.Generator) -> None:
    """Draw flat pictures through a pinhole at twice the size, shrink, blur a little, add noise."""
    twice = np.full((2 * SIZE[1], 2 * SIZE[0]), 90, np.uint8)
    # Pixel centres at integers: pixel u of the photo spans 2u and 2u + 1 of the doubled one.
    camera = np.array(
        [[2 * FOCAL_PX, 0, SIZE[0] - 0.5], [0, 2 * FOCAL_PX, SIZE[1] - 0.5], [0, 0, 1.0]]
    )
    for (picture, scale, corner), pose in flats:
        plane = np.column_stack([pose.rotation[:, 0], pose.rotation[:, 1], pose.translation_mm])
        to_mm = np.array(
            [
                [1 / scale, 0, corner[0] + 0.5 / scale],
                [0, 1 / scale, corner[1] + 0.5 / scale],
                [0, 0, 1.0],
            ]
        )
        soft = cv2.GaussianBlur((picture * 0.75 + 30).astype(np.uint8), (0, 0), scale / 8)
        cv2.warpPerspective(
            soft,
            camera @ plane @ to_mm,
            (2 * SIZE[0], 2 * SIZE[1]),
            dst=twice,
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_TRANSPARENT,
        )
    small = cv2.resize(twice, SIZE, interpolation=cv2.INTER_AREA).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), 0.6) + rng.normal(0, 1.5, small.shape)
    assert cv2.imwrite(str(path), np.clip(np.rint(small), 0, 255).astype(np.uint8))
