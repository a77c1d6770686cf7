"""A stroke font of our own: capitals and digits on a grid 4 wide and 6 high."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely import MultiLineString, MultiPolygon, Polygon, buffer

Array = NDArray[np.float64]

# Polylines of grid points "xy", strokes parted by blanks.
_GLYPHS = {
    " ": "",
    "A": "0026 2640 1232",
    "B": "000636454433 0333424130 0030",
    "C": "45362616050110203041",
    "D": "00062645412000",
    "E": "46060040 0333",
    "F": "4606 0600 0333",
    "G": "453616050110304143 4323",
    "H": "0006 4640 0343",
    "I": "1030 1636 2026",
    "J": "464130100102",
    "K": "0006 4603 0340",
    "L": "060040",
    "M": "0006234640",
    "N": "00064046",
    "O": "10010516364541303010",
    "P": "000636454433 0333",
    "Q": "10010516364541303010 2240",
    "R": "000636454433 0333 2340",
    "S": "45361605043442413010 1001",
    "T": "0646 2620",
    "U": "060110304146",
    "V": "062046",
    "W": "0610233046",
    "X": "0046 0640",
    "Y": "0623 4623 2320",
    "Z": "06460040",
    "0": "1001051636454130 3010",
    "1": "1526 2620 1030",
    "2": "05163645440040",
    "3": "0516364544334241301001 3313",
    "4": "360242 3230",
    "5": "4606033342413010 1001",
    "6": "3616050110304142330302",
    "7": "064610",
    "8": "13040516364544331302011030414233",
    "9": "10304145361605041343",
}


def text_lines(text: str, at_mm: tuple[float, float], height_mm: float) -> list[Array]:
    """Return the strokes of a line of text as (n, 2) polylines; `at_mm` is its lower left.

    Raises ValueError for a character that the font does not have.
    """
    scale = height_mm / 6
    lines = []
    for place, letter in enumerate(text):
        if letter not in _GLYPHS:
            raise ValueError(f"the font has no {letter!r}")
        for stroke in _GLYPHS[letter].split():
            grid = np.array(
                [[int(a), int(b)] for a, b in zip(stroke[::2], stroke[1::2], strict=True)], float
            )
            keep = np.append(True, np.any(np.diff(grid, axis=0) != 0, axis=1))
            lines.append((grid[keep] + (6 * place, 0)) * scale + at_mm)
    return [line for line in lines if len(line) > 1]


def text_width(text: str, height_mm: float) -> float:
    """Return the width of a line of text."""
    return (6 * len(text) - 2) * height_mm / 6


def text_shape(
    text: str, at_mm: tuple[float, float], height_mm: float, pen_mm: float
) -> list[Polygon]:
    """Return the text as filled shapes drawn with a round pen."""
    drawn = buffer(MultiLineString(text_lines(text, at_mm, height_mm)), pen_mm / 2, quad_segs=6)
    return list(drawn.geoms) if isinstance(drawn, MultiPolygon) else [drawn]
