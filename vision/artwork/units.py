"""Lengths and viewports of SVG: what a number means, and where a picture is put."""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from vision.artwork.affine import NUMBER, Affine

# CSS Values and Units 4, section 6.2: 1in = 2.54cm = 25.4mm = 101.6Q = 72pt = 6pc = 96px.
PX_PER_IN = 96.0
MM_PER_PX = 25.4 / PX_PER_IN
_PX_PER_UNIT = {
    "": 1.0,
    "px": 1.0,
    "in": PX_PER_IN,
    "cm": PX_PER_IN / 2.54,
    "mm": PX_PER_IN / 25.4,
    "q": PX_PER_IN / 101.6,
    "pt": PX_PER_IN / 72.0,
    "pc": PX_PER_IN / 6.0,
}
_LENGTH = re.compile(rf"\s*({NUMBER})\s*([A-Za-z]*|%)\s*")
_ALIGN = re.compile(r"(?:defer\s+)?(none|x(Min|Mid|Max)Y(Min|Mid|Max))(?:\s+(meet|slice))?")
_SHARE = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}


class Box(NamedTuple):
    """A rectangle in user units, y down."""

    x: float
    y: float
    width: float
    height: float

    @property
    def diagonal(self) -> float:
        """What a percentage of neither width nor height refers to (SVG 2, section 8.9)."""
        return math.hypot(self.width, self.height) / math.sqrt(2.0)


def parse_length(text: str, whole: float | None) -> float:
    """Return a length in user units (CSS px).

    `whole` is what 100 % stands for; None where a percentage has nothing to refer to. Raises
    ValueError for lengths that depend on a font or a window, and for everything unreadable.
    """
    match = _LENGTH.fullmatch(text)
    if match is None:
        raise ValueError(f"'{text.strip()[:30]}' is not a length")
    number, unit = float(match[1]), match[2].lower()
    if unit == "%":
        if whole is None:
            raise ValueError(f"'{text.strip()}' is a share of nothing known")
        result = number / 100.0 * whole
    elif unit in _PX_PER_UNIT:
        result = number * _PX_PER_UNIT[unit]
    else:
        raise ValueError(f"the unit of '{text.strip()[:30]}' is none of mm, cm, in, pt, pc, px, Q")
    if not math.isfinite(result):
        raise ValueError(f"'{text.strip()[:30]}' is too large")
    return result


def parse_view_box(text: str) -> Box:
    """Read a viewBox; raises ValueError where it is unreadable or has no size."""
    if re.fullmatch(rf"\s*{NUMBER}(?:(?:\s*,\s*|\s+){NUMBER}){{3}}\s*", text) is None:
        raise ValueError(f"viewBox '{text.strip()[:40]}' does not hold four numbers")
    box = Box(*(float(number) for number in re.findall(NUMBER, text)))
    if not all(math.isfinite(number) for number in box):
        raise ValueError(f"viewBox '{text.strip()[:40]}' is too large")
    if box.width <= 0.0 or box.height <= 0.0:
        raise ValueError(f"viewBox '{text.strip()[:40]}' has no size")
    return box


def fit_view_box(view: Box, port: Box, preserve_aspect_ratio: str) -> Affine:
    """Return the map from the units of the viewBox to those around the viewport.

    SVG 2, section 8.2, "Computing the equivalent transform of an SVG viewport".
    """
    match = _ALIGN.fullmatch(preserve_aspect_ratio.strip() or "xMidYMid")
    if match is None:
        raise ValueError(f"preserveAspectRatio '{preserve_aspect_ratio[:30]}' is unknown")
    across, down = port.width / view.width, port.height / view.height
    x, y = port.x, port.y
    if match[1] != "none":
        across = down = max(across, down) if match[4] == "slice" else min(across, down)
        x += _SHARE[match[2]] * (port.width - across * view.width)
        y += _SHARE[match[3]] * (port.height - down * view.height)
    return Affine(a=across, d=down, e=x - across * view.x, f=y - down * view.y)
