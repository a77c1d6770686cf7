"""What all photos of a board show alike of its own errors: exact projections with normal noise."""

from __future__ import annotations

import numpy as np

from calibration.board_errors import board_errors
from calibration.lens_fit import LensFit, fit_model
from calibration.lens_solve import View
from calibration.pose import Pose
from tests.unit.test_lens_fit import BOARD, IDS, LENS, SIZE


def photographed(off_mm: np.ndarray, count: int = 12, sigma: float = 0.03) -> LensFit:
    """A lens from photos of a board whose corners lie (n, 3) off their places."""
    rng = np.random.default_rng(6)
    true = np.c_[BOARD.points_mm(), np.zeros(len(IDS))] + off_mm
    views: list[View] = []
    while len(views) < count:
        turn = Pose.from_vectors(rng.normal(0, 0.35, 3), [0, 0, 0]).rotation
        depth = rng.uniform(280, 420)
        middle = depth * np.array([rng.uniform(-0.4, 0.4), rng.uniform(-0.2, 0.2), 1.0])
        px = LENS.project(Pose(turn, middle - turn @ np.array([90.0, 70.0, 0.0])).apply(true))
        if (px > 3).all() and (px < np.array(SIZE) - 3).all():
            views.append(View(f"{len(views)}", "", IDS, px + rng.normal(0, sigma, px.shape)))
    return fit_model(BOARD, SIZE, views, "brown-conrady")


def nothing() -> np.ndarray:
    return np.zeros((len(IDS), 3))


def test_a_board_as_its_file_says_shows_nothing() -> None:
    assert board_errors(photographed(nothing())) is None


def test_a_row_printed_off_its_place_is_told_within_its_uncertainty() -> None:
    off = nothing()
    off[16:24, 1] = 0.2
    told = board_errors(photographed(off))
    assert told is not None
    # Poses take up what a row of six moves the whole board by.
    assert 0.1 < told.in_plane_mm < 0.2 + told.in_plane_u95_mm
    assert told.in_plane_u95_mm < 0.03
    assert told.off_plane_mm < 3 * told.off_plane_u95_mm


def test_a_buckled_board_is_told_to_lie_off_its_plane() -> None:
    off = nothing()
    x = BOARD.points_mm()[:, 0]
    off[:, 2] = 1.5 * np.sin(np.pi * (x - x.min()) / np.ptp(x))
    told = board_errors(photographed(off))
    assert told is not None
    # A gutter of 1.5 mm rises at most 1.0 mm over the plane that fits it best.
    assert 0.6 < told.off_plane_mm < 1.5
    assert told.off_plane_u95_mm < 0.2


def test_a_handful_of_photos_tells_nothing_of_the_board() -> None:
    off = nothing()
    off[:, 2] = np.linspace(-1, 1, len(IDS)) ** 2
    assert board_errors(photographed(off, count=4)) is None
