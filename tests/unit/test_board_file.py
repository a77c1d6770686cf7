from __future__ import annotations

import json
import math
from importlib.resources import files

import cv2
import jsonschema
import numpy as np
import pypdfium2
import pytest

from calibration.board import Board, BoardPlace, board_from_json
from calibration.errors import WitmarkError
from calibration.sheet import board_pdf

CHARUCO = Board("charuco", 11, 8, 15.0, 11.0, "DICT_5X5_250")
EXAMPLE = {
    "kind": "charuco",
    "squares_x": 11,
    "squares_y": 8,
    "square_mm": 15.0,
    "marker_mm": 11.0,
    "dictionary": "DICT_5X5_250",
}


def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(
        json.loads((files("calibration.schemas") / "board.json").read_text())
    )


def test_contracts_example_is_read() -> None:
    assert board_from_json(EXAMPLE, "board.json") == CHARUCO
    validator().validate(EXAMPLE)


@pytest.mark.parametrize(
    "board",
    [
        CHARUCO,
        Board("chessboard", 10, 7, 30.0),
        Board(
            "charuco",
            6,
            5,
            12.5,
            9.0,
            "DICT_4X4_100",
            first_marker=20,
            inverted=True,
            print_scale=0.998,
            print_scale_u95=0.0005,
            place=BoardPlace((10.0, 200.0), -90.0, 3.0),
        ),
    ],
)
def test_round_trip_holds_to_the_schema(board: Board) -> None:
    content = json.loads(json.dumps(board.to_json()))
    validator().validate(content)
    assert board_from_json(content, "board.json") == board


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"kind": "circles"}, "kind 'circles'"),
        ({"squares_x": 2}, "squares_x"),
        ({"squares_x": 4.5}, "squares_x must be a whole number"),
        ({"squares_y": True}, "squares_y must be a whole number"),
        ({"square_mm": -1}, "square_mm"),
        ({"square_mm": "wide"}, "wide"),
        ({"marker_mm": 15.0}, "marker_mm"),
        ({"dictionary": "DICT_9X9"}, "DICT_9X9"),
        ({"dictionary": "DICT_5X5_50", "first_marker": 20}, "has 50"),
        ({"print_scale": 5}, "print_scale"),
        ({"colour": "red"}, "unknown field 'colour'"),
        ({"place": {"at_mm": [1]}}, "board.json"),
    ],
)
def test_wrong_board_is_refused_with_its_field(change: dict[str, object], told: str) -> None:
    with pytest.raises(WitmarkError, match=told) as caught:
        board_from_json({**EXAMPLE, **change}, "board.json")
    assert caught.value.exit_status == 2


def test_missing_field_is_named() -> None:
    with pytest.raises(WitmarkError, match="'square_mm' is missing"):
        board_from_json({k: v for k, v in EXAMPLE.items() if k != "square_mm"}, "board.json")


def test_corners_are_numbered_and_placed_as_opencv_does() -> None:
    theirs = cv2.aruco.CharucoBoard(
        (11, 8), 15.0, 11.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    )
    corners = np.asarray(theirs.getChessboardCorners())
    np.testing.assert_allclose(CHARUCO.points_mm(), corners[:, :2], atol=1e-5)


def test_picture_is_opencvs_but_for_the_rounding_of_edges() -> None:
    theirs = cv2.aruco.CharucoBoard(
        (11, 8), 15.0, 11.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    ).generateImage((11 * 210, 8 * 210))
    ours = CHARUCO.picture(14.0)
    assert ours.shape == theirs.shape
    differ = (ours != theirs).astype(np.uint8)
    # Nothing but lines of one or two pixels differs: erosion leaves none of it.
    assert cv2.erode(differ, np.ones((4, 4), np.uint8)).sum() == 0


def test_place_maps_right_and_down_to_the_bed() -> None:
    place = BoardPlace((100.0, 50.0), 90.0, 2.0)
    # Turned by 90 degrees, the board's right is +Y and its down is +X.
    bed = place.bed_points(np.array([[10.0, 0.0], [0.0, 10.0]]))
    np.testing.assert_allclose(bed, [[100.0, 60.0, 2.0], [110.0, 50.0, 2.0]], atol=1e-12)


def test_print_scale_stretches_the_points() -> None:
    scaled = Board("chessboard", 5, 4, 10.0, print_scale=1.01)
    np.testing.assert_allclose(scaled.points_mm(np.array([0])), [[10.1, 10.1]])


@pytest.mark.parametrize(
    ("page", "size"), [("A4", (297, 210)), ("Letter", (279.4, 215.9)), ("A3", (420, 297))]
)
def test_printed_page_is_true_to_size(page: str, size: tuple[float, float]) -> None:
    sheet = pypdfium2.PdfDocument(board_pdf(CHARUCO, page))[0]
    mm = [side / 72 * 25.4 for side in sheet.get_size()]
    assert mm == pytest.approx(size, abs=0.01)
    per_mm = 8.0
    grey = np.array(sheet.render(scale=per_mm * 25.4 / 72).to_pil().convert("L"))
    # The longest dark run of the page's lower part is the ruler line.
    dark = grey[int(0.85 * len(grey)) :] < 128
    row = dark[dark.sum(axis=1).argmax()]
    ruler = np.flatnonzero(row)
    length = (ruler[-1] - ruler[0] + 1) / per_mm
    assert length % 10 == pytest.approx(0, abs=0.4) or length % 10 == pytest.approx(10, abs=0.4)
    # The board's first row of squares spans its width.
    board = grey[: int(0.85 * len(grey))] < 128
    columns = np.flatnonzero(board.any(axis=0))
    rows = np.flatnonzero(board.any(axis=1))
    assert (columns[-1] - columns[0] + 1) / per_mm == pytest.approx(165.0, abs=0.3)
    assert (rows[-1] - rows[0] + 1) / per_mm == pytest.approx(120.0, abs=0.3)


def test_printed_page_shows_the_same_board_as_the_picture() -> None:
    from calibration.detect import detect

    sheet = pypdfium2.PdfDocument(board_pdf(CHARUCO, "A4"))[0]
    grey = np.array(sheet.render(scale=6 * 25.4 / 72).to_pil().convert("L"))
    found = detect(grey, CHARUCO)
    assert len(found.ids) == 70
    side = np.linalg.norm(found.px[0] - found.px[9]) / 9 / 6
    assert side == pytest.approx(15.0, abs=0.01)


def test_same_board_gives_the_same_pdf_bytes() -> None:
    assert board_pdf(CHARUCO, "A4") == board_pdf(CHARUCO, "A4")


def test_board_larger_than_the_page_is_refused() -> None:
    with pytest.raises(WitmarkError, match="does not fit"):
        board_pdf(Board("chessboard", 20, 14, 15.0), "A4")
    with pytest.raises(WitmarkError, match="no known page"):
        board_pdf(CHARUCO, "B5")


def test_board_that_looks_the_same_upside_down_is_known() -> None:
    assert Board("chessboard", 9, 7, 10.0).looks_the_same_upside_down
    assert not Board("chessboard", 10, 7, 10.0).looks_the_same_upside_down
    assert not CHARUCO.looks_the_same_upside_down
    assert math.isclose(CHARUCO.scale_u95, 0.001)
