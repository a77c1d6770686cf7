"""The burned target: crosses and a few coded marks that the machine itself burns on a scrap sheet.

Its millimetres are the machine's own, with the machine's axes, wherever those point. Every stroke
of a cross is approached from one side, laser off, crosses in turn from either: so the machine's own
reversal shows as a step between neighbours and does not pass for the lens.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.board import (
    Board,
    BoardPlace,
    board_from_json,
    marker_dictionary,
    marker_modules_mm,
)
from calibration.errors import WitmarkError
from calibration.files import read_json, sha256
from calibration.machine import MachineAxes

Array = NDArray[np.float64]

KIND = "crosses"
# Crosses along each axis: fewer do not tell a lens, and leave no room for the marks.
_LEAST_CROSSES = 4
# White round a mark that finding it needs, in modules; and what is left free beside that.
_QUIET_MODULES = 1.0
_FREE_MM = 1.0
_MOST_CROSSES = 60
# Every dictionary has these; reference marks are numbered from 10 on.
_NUMBERS = (*range(10), *range(20, 50))


@dataclass(frozen=True)
class Target:
    """What is burned, in machine millimetres.

    Attributes
    ----------
    columns_mm, rows_mm
        Machine X and Y of the crosses, rising.
    arm_mm
        Length of each arm of a cross.
    dictionary, marker_mm, markers_mm
        Coded marks: OpenCV's dictionary, their side, and the centres by number. A mark's top edge
        faces the machine's +Y.
    """

    columns_mm: tuple[float, ...]
    rows_mm: tuple[float, ...]
    arm_mm: float
    dictionary: str
    marker_mm: float
    markers_mm: Mapping[int, tuple[float, float]]

    @property
    def crosses_mm(self) -> Array:
        """(n, 2) machine places of the crosses, numbered row by row from the lowest X and Y."""
        x, y = np.meshgrid(self.columns_mm, self.rows_mm)
        return np.stack([x.ravel(), y.ravel()], axis=1)

    @property
    def approach(self) -> Array:
        """(n,) +1 where both strokes of a cross are approached by a rising coordinate, else -1."""
        column, row = np.meshgrid(np.arange(len(self.columns_mm)), np.arange(len(self.rows_mm)))
        return np.where((column + row).ravel() % 2 == 0, 1.0, -1.0)

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Machine box (x_min, y_min, x_max, y_max) of all strokes, kerf left out."""
        arm = self.arm_mm
        return (
            self.columns_mm[0] - arm,
            self.rows_mm[0] - arm,
            self.columns_mm[-1] + arm,
            self.rows_mm[-1] + arm,
        )

    def marker_corners_mm(self, number: int) -> Array:
        """Return the (4, 2) machine corners of a mark in the detector's order, from top left."""
        half = self.marker_mm / 2
        corners = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
        return corners + self.markers_mm[number]

    def marker_areas_mm(self, number: int) -> Array:
        """Return the (n, 4) burned machine rectangles x, y, width, height of a mark."""
        x, y = self.markers_mm[number]
        side = self.marker_mm
        drawn = marker_modules_mm(self.dictionary, number, side, (0.0, 0.0))
        areas = drawn.copy()
        areas[:, 0] += x - side / 2
        areas[:, 1] = y + side / 2 - drawn[:, 1] - drawn[:, 3]
        return areas

    def axes_of(self, right: Array, up: Array) -> MachineAxes:
        """Return the machine's axes against a bed whose X runs `right` in the machine, Y `up`.

        A reversed axis is counted from the far end of the target, so that the bed's millimetres
        cover the same range.

        Parameters
        ----------
        right, up
            (2,) machine directions that the bed's X and Y are nearest to.
        """
        rows = []
        along = int(np.argmax(np.abs(right)))
        for axis, direction in ((along, right), (1 - along, up)):
            row = [0, 0]
            row[axis] = 1 if direction[axis] > 0 else -1
            rows.append((row[0], row[1]))
        low, high = np.array(self.box_mm[:2]), np.array(self.box_mm[2:])
        turned = np.minimum(np.array(rows), 0)
        x, y = -turned @ (low + high)
        return MachineAxes((rows[0], rows[1]), (float(x), float(y)))

    def to_json(self) -> dict[str, Any]:
        """Return the content of the board file."""
        return {
            "schema": "witmark.board/1",
            "kind": KIND,
            "columns_mm": list(self.columns_mm),
            "rows_mm": list(self.rows_mm),
            "arm_mm": self.arm_mm,
            "dictionary": self.dictionary,
            "marker_mm": self.marker_mm,
            "markers_mm": {str(number): list(xy) for number, xy in self.markers_mm.items()},
        }


@dataclass(frozen=True, eq=False)
class Burned:
    """A target as one picture shows it: points of the bed that the bed's map is solved from.

    Attributes
    ----------
    bed_mm
        (n, 2) bed places of all its points by number.
    height_mm
        Height of the sheet's face.
    """

    bed_mm: Array
    height_mm: float
    # Its millimetres are the machine's, however long those are.
    scale_u95: float = 0.0
    print_scale: float = 1.0
    print_scale_u95: float | None = 0.0
    shared_px: float = 0.0

    @property
    def place(self) -> BoardPlace:
        """Where it lies: its points are bed places already."""
        return BoardPlace((0.0, 0.0), 0.0, self.height_mm)

    def neighbours(self, ids: NDArray[np.integer[Any]]) -> NDArray[np.int64]:
        """Return (0, 2): each cross is found by its own strokes."""
        return np.zeros((0, 2), np.int64)

    def points_mm(self, ids: NDArray[np.integer[Any]] | None = None) -> Array:
        """Return (n, 2) places (x right, y down), all by default."""
        points = self.bed_mm if ids is None else self.bed_mm[np.asarray(ids)]
        return np.asarray(points * np.array([1.0, -1.0]))


def lay_out(
    area_mm: tuple[float, float, float, float],
    pitch_mm: float,
    arm_mm: float,
    marker_mm: float,
    dictionary: str,
    first_marker: int | None = None,
) -> Target:
    """Return a target that fills a box (x_min, y_min, x_max, y_max) of machine millimetres.

    Its marks are numbered from `first_marker` on. Without one their numbers follow from the layout,
    so that the file of another target is not taken for this one's, whose millimetres would differ.

    Raises
    ------
    WitmarkError
        Where the box is too small, or crosses and marks would meet.
    """
    x0, y0, x1, y1 = area_mm
    try:
        modules = marker_dictionary(dictionary).markerSize + 2
    except ValueError as error:
        raise WitmarkError("--dictionary", str(error), "use a name such as DICT_4X4_50") from error
    quiet = _QUIET_MODULES * marker_mm / modules
    least = max(marker_mm + 2 * (quiet + _FREE_MM), 2 * (arm_mm + _FREE_MM))
    if pitch_mm < least:
        raise WitmarkError(
            f"--pitch {pitch_mm:g}",
            f"leaves no room for marks of {marker_mm:g} mm and arms of {arm_mm:g} mm",
            f"use {math.ceil(least)} or more, or smaller marks (--marker)",
        )
    lines = []
    for low, high in ((x0, x1), (y0, y1)):
        count = math.floor((high - low - 2 * arm_mm) / pitch_mm + 1e-9) + 1
        if not _LEAST_CROSSES <= count <= _MOST_CROSSES:
            raise WitmarkError(
                f"--area {x0:g},{y0:g},{x1:g},{y1:g}",
                f"holds {max(count, 0)} crosses in a row at a pitch of {pitch_mm:g} mm",
                f"there must be {_LEAST_CROSSES} to {_MOST_CROSSES}: change --area or --pitch",
            )
        first = (low + high - (count - 1) * pitch_mm) / 2
        lines.append(tuple(round(first + i * pitch_mm, 3) for i in range(count)))
    columns, rows = lines
    cells = [(0, 0), (-2, 0), (0, -2), (-2, -2), ((len(columns) - 1) // 2, (len(rows) - 1) // 2)]
    numbers = (
        _numbers_of((columns, rows, arm_mm, marker_mm), len(cells))
        if first_marker is None
        else range(first_marker, first_marker + len(cells))
    )
    markers = {
        number: (
            round((columns[i] + columns[i + 1]) / 2, 3),
            round((rows[j] + rows[j + 1]) / 2, 3),
        )
        for number, (i, j) in zip(numbers, cells, strict=True)
    }
    return target_from_json(
        Target(columns, rows, arm_mm, dictionary, marker_mm, markers).to_json(), "board --burn"
    )


def _numbers_of(layout: object, count: int) -> list[int]:
    """Return so many marker numbers that stand for a layout."""
    digest = sha256(repr(layout).encode())
    pool, numbers = list(_NUMBERS), []
    for k in range(count):
        numbers.append(pool.pop(int(digest[8 * k : 8 * k + 8], 16) % len(pool)))
    return numbers


def read_pattern(path: Path) -> Board | Target:
    """Read a board file: of a printed board, or of a burned target."""
    content = read_json(path, "board")
    if content.get("kind") == KIND:
        return target_from_json(content, str(path))
    return board_from_json(content, str(path))


def target_from_json(content: dict[str, Any], where: str) -> Target:
    """Return the target that a board file's content describes; `where` names the file."""
    try:
        strange = sorted(set(content) - {*Target.__dataclass_fields__, "schema", "kind"})
        if strange:
            raise ValueError(f"unknown field '{strange[0]}'")
        columns, rows = (
            tuple(float(value) for value in content[name]) for name in ("columns_mm", "rows_mm")
        )
        for line in (columns, rows):
            if not _LEAST_CROSSES <= len(line) <= _MOST_CROSSES or not (np.diff(line) > 0).all():
                count = f"{_LEAST_CROSSES} to {_MOST_CROSSES}"
                raise ValueError(f"columns_mm and rows_mm hold {count} rising numbers")
        markers = {}
        for key, value in content["markers_mm"].items():
            x, y = (float(v) for v in value)
            markers[int(key)] = (x, y)
        target = Target(
            columns,
            rows,
            float(content["arm_mm"]),
            str(content["dictionary"]),
            float(content["marker_mm"]),
            markers,
        )
        numbers = [*columns, *rows, target.arm_mm, target.marker_mm, *sum(markers.values(), ())]
        if not np.isfinite(numbers).all() or max(np.abs(numbers)) > 1e5:
            raise ValueError("its numbers must be finite millimetres")
        if min(target.arm_mm, target.marker_mm) <= 0:
            raise ValueError("arm_mm and marker_mm must be above 0")
        size = len(marker_dictionary(target.dictionary).bytesList)
        if len(markers) < 3 or min(markers) < 0 or max(markers) >= size:
            raise ValueError(f"it needs three marks or more, numbered 0 to {size - 1}")
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        reason = f"field {error} is missing" if isinstance(error, KeyError) else str(error)
        raise WitmarkError(
            where,
            f"describes no burned target ({reason})",
            "write one with 'witmark board --burn --out DIR'",
        ) from error
    return target
