"""The reference marks file: which markers lie on the bed, and where."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.board import marker_dictionary
from calibration.errors import WitmarkError
from calibration.files import read_json

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MarksFile:
    """Reference marks as the user describes them.

    Attributes
    ----------
    dictionary, marker_mm
        What is printed.
    centres_mm
        Bed place of each marker's centre by its number.
    turn_deg, height_mm
        Turn (0: top edge faces +Y) and height of the face, by number.
    u_mm
        U95 of a typed place.
    """

    dictionary: str
    marker_mm: float
    centres_mm: Mapping[int, tuple[float, float]]
    turn_deg: Mapping[int, float] = field(default_factory=dict)
    height_mm: Mapping[int, float] = field(default_factory=dict)
    u_mm: float = 0.5

    def corners_mm(self, number: int) -> Array:
        """Return the (4, 2) typed bed corners in the detector's order: top left, clockwise."""
        half = self.marker_mm / 2
        corners = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
        angle = math.radians(self.turn_deg.get(number, 0.0))
        c, s = math.cos(angle), math.sin(angle)
        return np.asarray(corners @ np.array([[c, s], [-s, c]]) + self.centres_mm[number])

    def to_json(self) -> dict[str, Any]:
        """Return the content of the marks file."""
        return {
            "schema": "witmark.marks/1",
            "dictionary": self.dictionary,
            "marker_mm": self.marker_mm,
            "height_mm": {str(n): self.height_mm.get(n, 0.0) for n in self.centres_mm},
            "centres_mm": {str(n): list(xy) for n, xy in self.centres_mm.items()},
            "turn_deg": {str(n): self.turn_deg.get(n, 0.0) for n in self.centres_mm},
            "u_mm": self.u_mm,
        }


def read_marks(path: Path) -> MarksFile:
    """Read a reference marks file."""
    return marks_from_json(read_json(path, "marks"), str(path))


def marks_from_json(content: dict[str, Any], where: str) -> MarksFile:
    """Return the marks that a file's content describes; `where` names the file in complaints."""
    try:
        centres = {}
        for key, value in content["centres_mm"].items():
            x, y = (float(v) for v in value)
            centres[int(key)] = (x, y)
        marker_mm = float(content["marker_mm"])
        if not centres or marker_mm <= 0:
            raise ValueError("it needs marker_mm above 0 and at least one centre")
        dictionary = str(content["dictionary"])
        size = len(marker_dictionary(dictionary).bytesList)
        if min(centres) < 0 or max(centres) >= size:
            raise ValueError(f"{dictionary} has markers 0 to {size - 1}")
        height = content.get("height_mm", 0.0)
        heights = height if isinstance(height, dict) else dict.fromkeys(centres, height)
        return MarksFile(
            dictionary=dictionary,
            marker_mm=marker_mm,
            centres_mm=centres,
            turn_deg={int(k): float(v) for k, v in content.get("turn_deg", {}).items()},
            height_mm={int(k): float(v) for k, v in heights.items()},
            u_mm=float(content.get("u_mm", 0.5)),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        reason = f"field {error} is missing" if isinstance(error, KeyError) else str(error)
        raise WitmarkError(
            where,
            f"describes no reference marks ({reason})",
            'write it as {"dictionary": "DICT_4X4_50", "marker_mm": 14, "height_mm": 0, '
            '"centres_mm": {"10": [14, 14]}}',
        ) from error
