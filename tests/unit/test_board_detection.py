from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from calibration.board import Board, BoardPlace, board_from_json
from calibration.detect import detect, noise_sigma
from samples.simulator.board import Lying, board_file, board_photos
from samples.simulator.camera import drawn_camera
from vision.capture.photo import Photo

CHARUCO = Board("charuco", 9, 6, 15.0, 11.0, "DICT_5X5_250")
PLAIN = Board("chessboard", 9, 6, 15.0)
PX_PER_MM = 3.6
MARGIN_MM = 20.0


@cache
def photo(board: Board, blur_px: float = 1.0) -> np.ndarray:
    """A frontal view with blur and noise; corner (x, y) mm lies at (x + margin) scale - 0.5."""
    picture = cv2.GaussianBlur(board.picture(PX_PER_MM, MARGIN_MM), (0, 0), blur_px)
    noise = np.random.default_rng(0).normal(0, 2, picture.shape)
    return np.clip(picture * 0.7 + 25 + noise, 0, 255).astype(np.uint8)


def true_px(board: Board, ids: np.ndarray) -> np.ndarray:
    return (board.points_mm(ids) + MARGIN_MM) * PX_PER_MM - 0.5


@pytest.mark.parametrize("board", [CHARUCO, PLAIN], ids=["charuco", "plain"])
def test_all_corners_are_found_to_a_fraction_of_a_pixel(board: Board) -> None:
    found = detect(photo(board), board)
    assert found.why is None
    assert found.ids.tolist() == list(range(board.corner_count))
    off = found.px - true_px(board, found.ids)
    assert np.abs(off.mean(axis=0)).max() < 0.01
    assert off.std() < 0.03
    assert found.blur_px == pytest.approx(1.05, abs=0.1)


def test_stated_noise_is_a_lower_bound_of_the_right_size() -> None:
    found = detect(photo(CHARUCO), CHARUCO)
    spread = (found.px - true_px(CHARUCO, found.ids)).std()
    assert found.sigma_px <= spread <= 3 * found.sigma_px


def test_noise_of_a_picture_is_measured() -> None:
    noisy = np.random.default_rng(1).normal(128, 3, (400, 400))
    assert noise_sigma(np.rint(noisy).astype(np.uint8)) == pytest.approx(3, rel=0.1)


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_plain_board_starts_at_its_black_square_whichever_way_it_lies(quarters: int) -> None:
    turned = np.ascontiguousarray(np.rot90(photo(PLAIN), quarters))
    found = detect(turned, PLAIN)
    height, width = photo(PLAIN).shape
    first = true_px(PLAIN, np.array([0]))[0]
    where = {
        0: first,
        1: (first[1], width - 1 - first[0]),
        2: (width - 1 - first[0], height - 1 - first[1]),
        3: (height - 1 - first[1], first[0]),
    }[quarters]
    np.testing.assert_allclose(found.px[0], where, atol=0.2)


def test_inverted_board_is_found_with_its_own_file() -> None:
    inverted = Board("charuco", 9, 6, 15.0, 11.0, "DICT_5X5_250", inverted=True)
    found = detect(photo(inverted), inverted)
    assert len(found.ids) == CHARUCO.corner_count


def test_exchanged_black_and_white_is_named() -> None:
    assert "black and white are exchanged" in (detect(255 - photo(CHARUCO), CHARUCO).why or "")


def test_mirrored_picture_is_named() -> None:
    mirrored = np.ascontiguousarray(photo(CHARUCO)[:, ::-1])
    assert "mirrored" in (detect(mirrored, CHARUCO).why or "")


def test_print_with_more_rows_than_the_file_is_named() -> None:
    shorter = Board("charuco", 9, 4, 15.0, 11.0, "DICT_5X5_250")
    why = detect(photo(CHARUCO), shorter).why or ""
    assert "18, 19" in why
    assert "beyond the board file" in why


def test_reference_marks_of_the_same_dictionary_are_not_taken_for_rows() -> None:
    scene = photo(CHARUCO).copy()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    for number, at in ((100, 20), (101, 200)):
        scene[5:61, at : at + 56] = 25 + 0.7 * dictionary.generateImageMarker(number, 56)
    scene = np.pad(scene, 40, constant_values=203)
    assert "beyond" in (detect(scene, CHARUCO).why or "")
    assert detect(scene, CHARUCO, other_markers=(100, 101)).why is None


@pytest.mark.parametrize("blur_px", [1.0, 2.0, 3.0])
def test_soft_photos_show_all_corners_where_they_are(blur_px: float) -> None:
    """Markers of few pixels a module cannot all be read any more; the squares go on."""
    found = detect(photo(CHARUCO, blur_px), CHARUCO)
    assert len(found.ids) == CHARUCO.corner_count
    np.testing.assert_allclose(found.px, true_px(CHARUCO, found.ids), atol=0.07 * blur_px)


@pytest.mark.parametrize("blur_px", [5.0, 7.0])
def test_blurred_photo_is_named(blur_px: float) -> None:
    assert "blurred" in (detect(photo(CHARUCO, blur_px), CHARUCO).why or "")


def test_picture_without_contrast_and_picture_without_board_are_told_apart() -> None:
    assert "no contrast" in (detect(np.full((300, 400), 90, np.uint8), CHARUCO).why or "")
    texture = np.random.default_rng(0).integers(0, 255, (300, 400)).astype(np.uint8)
    assert "not in view" in (detect(texture, PLAIN).why or "")


@pytest.mark.parametrize(("cut", "blur_px"), [(150, 1.0), (230, 2.0)])
def test_a_board_that_reaches_out_of_a_soft_picture_is_followed_to_its_edge(
    cut: int, blur_px: float
) -> None:
    for whole, offset in (
        (photo(CHARUCO, blur_px)[:, cut:], (cut, 0)),
        (photo(CHARUCO, blur_px)[cut // 2 :], (0, cut // 2)),
        (photo(CHARUCO, blur_px)[:, :-cut], (0, 0)),
    ):
        found = detect(np.ascontiguousarray(whole), CHARUCO)
        assert found.why is None
        true = true_px(CHARUCO, found.ids) - offset
        np.testing.assert_allclose(found.px, true, atol=0.2)


def test_board_mostly_hidden_is_refused_and_half_hidden_is_used() -> None:
    half = photo(CHARUCO).copy()
    half[:, half.shape[1] // 2 :] = 60
    found = detect(half, CHARUCO)
    assert found.why is None
    assert 8 <= len(found.ids) < CHARUCO.corner_count
    np.testing.assert_allclose(found.px, true_px(CHARUCO, found.ids), atol=0.2)
    # What hides the board makes no corners at its own edge, wherever that runs.
    for edge in range(100, 320, 15):
        most = photo(CHARUCO).copy()
        most[:, edge:] = 60
        seen = detect(most, CHARUCO)
        assert (seen.why is None) == (len(seen.ids) >= 8)
        if seen.why is None:
            np.testing.assert_allclose(seen.px, true_px(CHARUCO, seen.ids), atol=0.2)


def test_corners_of_which_no_two_are_neighbours_are_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ids = np.array([0, 2, 4, 9, 11, 13, 16, 18, 20])
    told = (ids, true_px(CHARUCO, ids), np.zeros(0, np.int64), photo(CHARUCO))
    monkeypatch.setattr("calibration.detect.charuco_corners", lambda *_: told)
    assert detect(photo(CHARUCO), CHARUCO).why == "no two corners side by side are seen"


def test_a_board_is_followed_where_hardly_a_marker_can_be_read() -> None:
    # Modules of 2 px, seen through a blur of 1.9.
    board = board_from_json(board_file(), "board")
    size, lying = (1280, 720), Lying((115.0, 212.0), 0.0, 0.3)
    camera = drawn_camera(1666, size)
    [rgb], _ = board_photos(0, 1, 3, size=size, place=lying, psf_px=1.9, camera=camera)
    found = detect(Photo(rgb, "", "").grey, board, range(10, 20))
    assert found.why is None
    place = BoardPlace(lying.at_mm, lying.turn_deg, lying.height_mm)
    off = found.px - camera.project(place.bed_points(board.points_mm(found.ids)))
    assert len(off) >= 30
    assert np.sqrt((off**2).mean()) < 0.08
