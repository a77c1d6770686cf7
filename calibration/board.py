"""Calibration boards: what is printed, burned or bought, and where it lies."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibration.errors import WitmarkError
from calibration.files import read_json
from calibration.ties import neighbours

if TYPE_CHECKING:
    import cv2

Array = NDArray[np.float64]
Kind = Literal["charuco", "chessboard"]

# A printed board whose ruler line was compared with a steel rule over some 150 mm, read to 0.15 mm:
# common practice, no source.
SCALE_U95 = 0.001


@dataclass(frozen=True)
class BoardPlace:
    """Where a board lies: its origin, its turn and the height of its face.

    Attributes
    ----------
    at_mm
        Bed place of the outer corner of the board's first square.
    turn_deg
        Counter-clockwise turn seen from above.
    height_mm
        Height of the printed face above the bed.
    """

    at_mm: tuple[float, float]
    turn_deg: float
    height_mm: float

    def bed_points(self, points_mm: Array) -> Array:
        """Map (n, 2) board points (x right, y down) to (n, 3) bed points."""
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        x, y = points_mm[:, 0], -points_mm[:, 1]
        bed = np.empty((len(points_mm), 3))
        bed[:, 0] = self.at_mm[0] + c * x - s * y
        bed[:, 1] = self.at_mm[1] + s * x + c * y
        bed[:, 2] = self.height_mm
        return bed


@dataclass(frozen=True)
class Board:
    """A chessboard, with markers in its white squares (ChArUco) or plain.

    Attributes
    ----------
    kind
        "charuco" or "chessboard".
    squares_x, squares_y
        Number of squares across and down; the first square, top left, is black.
    square_mm, marker_mm
        Sides as drawn; `marker_mm` is zero on plain boards.
    dictionary
        Name of OpenCV's marker dictionary; empty on plain boards.
    first_marker
        Number of the first marker.
    inverted
        Black and white exchanged, as on anodised metal.
    print_scale
        True length over drawn length.
    print_scale_u95
        How well that is known (relative, 95 %); None where nobody said.
    place
        Where a burned target lies; None for boards that are laid down.
    """

    kind: Kind
    squares_x: int
    squares_y: int
    square_mm: float
    marker_mm: float = 0.0
    dictionary: str = ""
    first_marker: int = 0
    inverted: bool = False
    print_scale: float = 1.0
    print_scale_u95: float | None = None
    place: BoardPlace | None = None

    def __post_init__(self) -> None:
        """Refuse boards that could not be drawn."""
        if self.kind not in ("charuco", "chessboard"):
            raise ValueError(f"kind '{self.kind}' is neither charuco nor chessboard")
        if min(self.squares_x, self.squares_y) < 3 or max(self.squares_x, self.squares_y) > 100:
            raise ValueError("squares_x and squares_y must be 3 to 100")
        if not 0.1 <= self.square_mm <= 1000:
            raise ValueError("square_mm must be 0.1 to 1000")
        if not 0.5 <= self.print_scale <= 2:
            raise ValueError("print_scale must be 0.5 to 2")
        if self.print_scale_u95 is not None and not 0 <= self.print_scale_u95 <= 0.1:
            raise ValueError("print_scale_u95 must be 0 to 0.1")
        if self.kind == "charuco":
            if not 0 < self.marker_mm < self.square_mm:
                raise ValueError("marker_mm must be more than 0 and less than square_mm")
            if not self.dictionary:
                raise ValueError("dictionary is missing")
            if self.first_marker < 0:
                raise ValueError("first_marker must not be negative")

    @property
    def corners_x(self) -> int:
        """Number of inner corners across."""
        return self.squares_x - 1

    @property
    def corner_count(self) -> int:
        """Number of inner corners; they are numbered row by row from the first square."""
        return (self.squares_x - 1) * (self.squares_y - 1)

    @property
    def marker_count(self) -> int:
        """Number of markers; zero on plain boards."""
        if self.kind == "chessboard":
            return 0
        return self.squares_x * self.squares_y // 2

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height as drawn."""
        return self.squares_x * self.square_mm, self.squares_y * self.square_mm

    @property
    def looks_the_same_upside_down(self) -> bool:
        """Whether half a turn maps a plain board onto itself, colours included."""
        return self.kind == "chessboard" and (self.squares_x + self.squares_y) % 2 == 0

    @property
    def scale_u95(self) -> float:
        """How well the board's size is known: relative, 95 %."""
        return SCALE_U95 if self.print_scale_u95 is None else self.print_scale_u95

    def neighbours(self, ids: NDArray[np.integer[Any]]) -> NDArray[np.int64]:
        """Return (m, 2) positions in `ids` of corners that share a side."""
        return neighbours(ids, self.corners_x)

    @property
    def shared_px(self) -> float:
        """Standard deviation of what all corners of one photo share.

        Maps from one photo of 391 corners erred by up to 0.005 px in the middle where their
        corners, each good to 0.006 px, said 0.001 (12 simulated photos, even seeds).
        """
        return 0.0015

    def points_mm(self, ids: NDArray[np.integer[Any]] | None = None) -> Array:
        """Return (n, 2) true board places (x right, y down) of inner corners, all by default."""
        numbers = np.arange(self.corner_count) if ids is None else np.asarray(ids)
        row, column = np.divmod(numbers, self.corners_x)
        return (np.stack([column, row], axis=1) + 1.0) * (self.square_mm * self.print_scale)

    def black_squares_mm(self) -> Array:
        """Return (n, 4) rectangles x, y, width, height as drawn, black on a white sheet."""
        side = self.square_mm
        squares = [
            (column * side, row * side, side, side)
            for row in range(self.squares_y)
            for column in range(self.squares_x)
            if (row + column) % 2 == 0
        ]
        if self.kind == "chessboard":
            return np.array(squares)
        modules = []
        number = self.first_marker
        inset = (side - self.marker_mm) / 2
        for row in range(self.squares_y):
            for column in range(self.squares_x):
                if (row + column) % 2 == 0:
                    continue
                at = (column * side + inset, row * side + inset)
                modules.append(marker_modules_mm(self.dictionary, number, self.marker_mm, at))
                number += 1
        return np.concatenate([np.array(squares), *modules])

    def picture(self, px_per_mm: float, margin_mm: float = 0.0) -> NDArray[np.uint8]:
        """Return the (h, w) uint8 picture of the board with a margin of its own ground."""
        paper, ink = (0, 255) if self.inverted else (255, 0)
        width, height = (round((s + 2 * margin_mm) * px_per_mm) for s in self.size_mm)
        picture = np.full((height, width), paper, np.uint8)
        for x, y, w, h in self.black_squares_mm() + np.array([margin_mm, margin_mm, 0, 0]):
            left, right = round(x * px_per_mm), round((x + w) * px_per_mm)
            top, bottom = round(y * px_per_mm), round((y + h) * px_per_mm)
            picture[top:bottom, left:right] = ink
        return picture

    def to_json(self) -> dict[str, Any]:
        """Return the content of the board file."""
        content: dict[str, Any] = {
            "schema": "witmark.board/1",
            "kind": self.kind,
            "squares_x": self.squares_x,
            "squares_y": self.squares_y,
            "square_mm": self.square_mm,
        }
        if self.kind == "charuco":
            content["marker_mm"] = self.marker_mm
            content["dictionary"] = self.dictionary
            content["first_marker"] = self.first_marker
        content["inverted"] = self.inverted
        content["print_scale"] = self.print_scale
        if self.print_scale_u95 is not None:
            content["print_scale_u95"] = self.print_scale_u95
        if self.place is not None:
            content["place"] = {
                "at_mm": list(self.place.at_mm),
                "turn_deg": self.place.turn_deg,
                "height_mm": self.place.height_mm,
            }
        return content


def read_board(path: Path) -> Board:
    """Read a board file."""
    return board_from_json(read_json(path, "board"), str(path))


def board_from_json(content: dict[str, Any], where: str) -> Board:
    """Return the board that a file's content describes; `where` names the file in complaints."""
    known = {*Board.__dataclass_fields__, "schema"}
    try:
        strange = sorted(set(content) - known)
        if strange:
            raise ValueError(f"unknown field '{strange[0]}'")
        place = content.get("place")
        board = Board(
            kind=content["kind"],
            squares_x=_whole(content, "squares_x"),
            squares_y=_whole(content, "squares_y"),
            square_mm=float(content["square_mm"]),
            marker_mm=float(content.get("marker_mm", 0.0)),
            dictionary=str(content.get("dictionary", "")),
            first_marker=_whole(content, "first_marker", 0),
            inverted=bool(content.get("inverted", False)),
            print_scale=float(content.get("print_scale", 1.0)),
            print_scale_u95=_optional(content.get("print_scale_u95")),
            place=None if place is None else place_from_json(place),
        )
    except (KeyError, TypeError, ValueError) as error:
        reason = f"field {error} is missing" if isinstance(error, KeyError) else str(error)
        raise WitmarkError(
            where, f"describes no board ({reason})", "write one with 'witmark board --out DIR'"
        ) from error
    if board.kind == "charuco":
        _check_dictionary(board, where)
    return board


def place_from_json(content: dict[str, Any]) -> BoardPlace:
    """Return the place that a board file holds; KeyError, TypeError, ValueError where wrong."""
    x, y = (float(v) for v in content["at_mm"])
    return BoardPlace((x, y), float(content["turn_deg"]), float(content["height_mm"]))


def marker_dictionary(name: str) -> cv2.aruco.Dictionary:
    """Return one of OpenCV's marker dictionaries by its name; ValueError where there is none."""
    import cv2

    number = getattr(cv2.aruco, name, None)
    if not name.startswith("DICT_") or not isinstance(number, int):
        raise ValueError(f"dictionary '{name}' is not one of OpenCV's")
    return cv2.aruco.getPredefinedDictionary(number)


def marker_modules_mm(
    dictionary: str, number: int, side_mm: float, at_mm: tuple[float, float]
) -> Array:
    """Return (n, 4) black rectangles x, y, width, height of one marker, x right, y down.

    Neighbouring black modules of a row are joined, so that printers leave no hairlines.
    """
    found = marker_dictionary(dictionary)
    across = found.markerSize + 2
    bits = found.generateImageMarker(number, across) < 128
    module = side_mm / across
    rectangles = []
    for row in range(across):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], bits[row].astype(int), [0]])))
        for start, stop in edges.reshape(-1, 2):
            x, y = at_mm[0] + start * module, at_mm[1] + row * module
            rectangles.append((x, y, (stop - start) * module, module))
    return np.array(rectangles)


def _check_dictionary(board: Board, where: str) -> None:
    try:
        size = len(marker_dictionary(board.dictionary).bytesList)
    except ValueError as error:
        raise WitmarkError(where, str(error), "use a name such as DICT_5X5_250") from error
    if board.first_marker + board.marker_count > size:
        raise WitmarkError(
            where,
            f"needs markers up to {board.first_marker + board.marker_count - 1}, "
            f"{board.dictionary} has {size}",
            "use a larger dictionary, a smaller first_marker or fewer squares",
        )


def _whole(content: dict[str, Any], name: str, default: int | None = None) -> int:
    value = content[name] if default is None else content.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{name} must be a whole number")
    return value


def _optional(value: Any) -> float | None:
    return None if value is None else float(value)
