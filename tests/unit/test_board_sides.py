"""Corners of a board by the whole sides of its squares: simulated photos, where they truly are."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.board import Board, BoardPlace, board_from_json
from calibration.detect import detect
from calibration.sides import by_sides
from samples.simulator.board import Lying, board_file, board_photos
from samples.simulator.camera import drawn_camera, wide_camera
from vision.capture.photo import Photo

Array = NDArray[np.float64]
SIZE = (1280, 720)
LYING = Lying((110.0, 210.0), 4.0, 0.3)
BOARD = board_from_json(board_file(), "board")


@cache
def seen(wide: bool, psf_px: float) -> tuple[NDArray[np.uint8], Array, NDArray[np.int64]]:
    """Return a grey picture, and where the camera truly sees the corners of some numbers."""
    camera = (wide_camera if wide else drawn_camera)(6, SIZE)
    [rgb], _ = board_photos(0, 1, 5, size=SIZE, place=LYING, psf_px=psf_px, camera=camera)
    place = BoardPlace(LYING.at_mm, LYING.turn_deg, LYING.height_mm)
    ids = np.arange(BOARD.corner_count)
    return Photo(rgb, "", "").grey, camera.project(place.bed_points(BOARD.points_mm(ids))), ids


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize("psf_px", [0.7, 1.9])
def test_corners_of_small_blurred_squares_are_found_to_hundredths_of_a_pixel(
    wide: bool, psf_px: float
) -> None:
    grey, true, _ = seen(wide, psf_px)
    found = detect(grey, BOARD)
    assert found.why is None
    off = found.px - true[found.ids]
    assert np.sqrt((off**2).mean()) < 0.03
    assert np.abs(off).max() < 0.12


@pytest.mark.parametrize("off_px", [0.3, 0.8])
def test_starts_that_are_off_end_at_the_same_place(off_px: float) -> None:
    grey, true, ids = seen(False, 1.2)
    rng = np.random.default_rng(0)
    start = true + rng.uniform(-off_px, off_px, true.shape)
    moved, told = by_sides(grey, BOARD, ids, start, 1.3)
    assert told.all()
    assert np.sqrt(((moved - true) ** 2).mean()) < 0.03


def test_corners_under_a_hand_stay_where_they_were() -> None:
    grey, true, ids = seen(False, 1.2)
    covered = grey.copy()
    x, y = true[ids % BOARD.corners_x == 4].mean(axis=0)
    cv2.circle(covered, (int(x), int(y)), 30, 120, -1)
    start = true + 0.2
    moved, told = by_sides(covered, BOARD, ids, start, 1.3)
    hidden = np.hypot(*(true - (x, y)).T) < 20
    assert hidden.any()
    assert not told[hidden].any()
    np.testing.assert_array_equal(moved[hidden], start[hidden])
    clear = np.hypot(*(true - (x, y)).T) > 120
    assert np.abs(moved[clear] - true[clear]).max() < 0.15


def test_hardly_a_corner_in_view_is_not_told() -> None:
    grey, true, ids = seen(False, 1.2)
    moved, told = by_sides(np.full_like(grey, 90), BOARD, ids, true, 1.3)
    assert not told.any()
    np.testing.assert_array_equal(moved, true)


def test_white_round_markers_of_a_tilted_board_moves_no_corner_of_either_colour() -> None:
    board = board_from_json(board_file(), "board")
    camera = drawn_camera(10, SIZE)
    place = BoardPlace(LYING.at_mm, LYING.turn_deg, LYING.height_mm)
    [rgb], _ = board_photos(
        0, 1, 5, size=SIZE, place=LYING, psf_px=1.4, noise_levels=0.5, camera=camera
    )
    found = detect(Photo(rgb, "", "").grey, board)
    off = found.px - camera.project(place.bed_points(board.points_mm(found.ids)))
    row, column = np.divmod(found.ids, board.corners_x)
    alternate = (-1.0) ** (row + column)
    assert np.abs((off * alternate[:, None]).mean(axis=0)).max() < 0.006


def test_a_tone_curve_of_another_camera_moves_no_corner() -> None:
    grey, true, ids = seen(False, 1.2)
    harder = np.clip(255 * (grey / 255.0) ** 1.3, 0, 255).astype(np.uint8)
    plain, other = (by_sides(picture, BOARD, ids, true, 1.3)[0] for picture in (grey, harder))
    assert np.abs((other - plain).mean(axis=0)).max() < 0.01
    assert np.sqrt(((other - true) ** 2).mean()) < 0.04


def test_a_plain_board_has_no_markers_to_allow_for() -> None:
    plain = Board("chessboard", 9, 6, 15.0)
    sharp = plain.picture(3.6, 20.0)
    rng = np.random.default_rng(0)
    noisy = cv2.GaussianBlur(sharp, (0, 0), 1.5) * 0.7 + 25 + rng.normal(0, 3, sharp.shape)
    picture = np.clip(noisy, 0, 255).astype(np.uint8)
    ids = np.arange(plain.corner_count)
    true = (plain.points_mm(ids) + 20.0) * 3.6 - 0.5
    moved, _ = by_sides(picture, plain, ids, true + 0.3, 1.5)
    assert np.sqrt(((moved - true) ** 2).mean()) < 0.02
