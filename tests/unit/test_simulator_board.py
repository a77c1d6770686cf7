import cv2
import numpy as np
import pytest

from samples.simulator.bed import MARKS, marks_file
from samples.simulator.board import (
    bed_board_photo,
    board_file,
    board_photos,
    board_raster,
    save_photo,
)
from samples.simulator.camera import pool_camera
from samples.simulator.motion import placed


def detector(squares=(11, 8), square=15.0, marker=11.0):
    known = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    board = cv2.aruco.CharucoBoard(squares, square, marker, known)
    # More pixels per cell than by default: blurred cells of 5 pixels are misread otherwise.
    reading = cv2.aruco.DetectorParameters()
    reading.perspectiveRemovePixelPerCell = 8
    finder = cv2.aruco.CharucoDetector(board)
    finder.setDetectorParameters(reading)
    return board, finder


@pytest.mark.parametrize(
    ("squares", "square", "marker"), [((11, 8), 15.0, 11.0), ((17, 12), 20.0, 15.0)]
)
def test_the_board_is_the_one_that_the_open_format_draws(squares, square, marker):
    board, _ = detector(squares, square, marker)
    # Seven pixels per millimetre make the cells (1/7 of a marker) whole pixels in both boards.
    px_per_mm = 7
    drawn = board.generateImage(
        (int(squares[0] * square * px_per_mm), int(squares[1] * square * px_per_mm))
    )
    raster = board_raster(board_file(*squares, square, marker))
    x, y = raster.axes_mm()
    # Compare at the centres of the drawn pixels, away from edges where both hold a mixed value.
    v, u = np.mgrid[3 : drawn.shape[0] : 8, 3 : drawn.shape[1] : 8]
    column = np.round(((u + 0.5) / px_per_mm - x[0]) / raster.pitch_mm).astype(int)
    row = np.round((-(v + 0.5) / px_per_mm - y[0]) / raster.pitch_mm).astype(int)
    ours = raster.values[row, column]
    clear = (ours < 0.01) | (ours > 0.99)
    assert clear.mean() > 0.9
    assert ((ours > 0.5) == (drawn[v, u] > 127))[clear].mean() > 0.999


@pytest.mark.slow
def test_the_boards_corners_on_the_bed_lie_where_the_camera_projects_them():
    at_mm, turn_deg, height_mm = (115.0, 215.0), 4.0, 0.3
    camera = pool_camera(5)
    photo = bed_board_photo(5, at_mm, turn_deg, height_mm, 1, noise_levels=1.0, jpeg_quality=None)
    board, finder = detector()
    corners, numbers, _, _ = finder.detectBoard(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY))
    assert len(numbers) == 70
    points, pixels = board.matchImagePoints(corners, numbers)
    flat = points.reshape(-1, 3)[:, :2] * [1, -1]
    on_bed = placed(at_mm, turn_deg).apply(flat)
    expected = camera.project(np.column_stack([on_bed, np.full(70, height_mm)]))
    miss = pixels.reshape(-1, 2) - expected
    assert np.abs(miss.mean(axis=0)).max() < 0.02
    assert miss.std() < 0.06


def test_reference_marks_are_found_where_their_file_says():
    camera = pool_camera(3)
    photo = bed_board_photo(3, (115.0, 215.0), 0.0, 0.3, 1, noise_levels=1.0)
    known = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, numbers, _ = cv2.aruco.ArucoDetector(known).detectMarkers(
        cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)
    )
    content = marks_file()
    found = dict(zip(numbers.ravel().tolist(), corners, strict=True))
    assert {str(number) for number in found} == set(content["centres_mm"])
    for mark in MARKS:
        half = mark.size_mm / 2
        square = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
        on_bed = placed(mark.centre_mm, content["turn_deg"][str(mark.number)]).apply(square)
        expected = camera.project(np.column_stack([on_bed, np.zeros(4)]))
        # First corner first: this also holds the turn of the mark.
        assert np.abs(found[mark.number][0] - expected).max() < 2.0


@pytest.mark.slow
def test_held_boards_fill_the_field_and_give_the_lens_back():
    photos, content = board_photos(2, 6, 1, noise_levels=1.0)
    board, finder = detector((content["squares_x"], content["squares_y"]))
    objects, images = [], []
    for photo in photos:
        corners, numbers, _, _ = finder.detectBoard(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY))
        points, pixels = board.matchImagePoints(corners, numbers)
        objects.append(points)
        images.append(pixels)
    everywhere = np.vstack([image.reshape(-1, 2) for image in images])
    assert (everywhere.min(axis=0) < (250, 150)).all()
    assert (everywhere.max(axis=0) > (1670, 930)).all()
    rms, matrix, _, _, _ = cv2.calibrateCamera(objects, images, (1920, 1080), None, None)
    camera = pool_camera(2)
    assert rms < 0.08
    assert np.abs(matrix - camera.matrix).max() < 2.0


def test_a_saved_photo_holds_plain_pixels(tmp_path):
    rgb = np.random.default_rng(1).integers(0, 255, (20, 30, 3), dtype=np.uint8)
    save_photo(tmp_path / "a.png", rgb)
    back = cv2.imread(str(tmp_path / "a.png"))[..., ::-1]
    assert (back == rgb).all()
    save_photo(tmp_path / "a.jpg", rgb, 88)
    assert b"Exif" not in (tmp_path / "a.jpg").read_bytes()
