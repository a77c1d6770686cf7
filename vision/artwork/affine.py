"""Affine maps of the plane, and the `transform` attribute that writes them down."""

from __future__ import annotations

import math
import re
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"

_FUNCTION = re.compile(r"\s*,?\s*([A-Za-z]+)\s*\(([^()]*)\)")
_ARGUMENTS = re.compile(rf"\s*(?:{NUMBER}(?:\s*,\s*|\s+|(?=[-+.])|\s*$))*")
_COUNTS = {
    "matrix": (6,),
    "translate": (1, 2),
    "scale": (1, 2),
    "rotate": (1, 3),
    "skewX": (1,),
    "skewY": (1,),
}


class Affine(NamedTuple):
    """The map (x, y) -> (a x + c y + e, b x + d y + f), named as in SVG 1.1, section 7.4."""

    a: float = 1.0
    b: float = 0.0
    c: float = 0.0
    d: float = 1.0
    e: float = 0.0
    f: float = 0.0

    def after(self, first: Affine) -> Affine:
        """Return the map that applies `first` and then this one."""
        return Affine(
            self.a * first.a + self.c * first.b,
            self.b * first.a + self.d * first.b,
            self.a * first.c + self.c * first.d,
            self.b * first.c + self.d * first.d,
            self.a * first.e + self.c * first.f + self.e,
            self.b * first.e + self.d * first.f + self.f,
        )

    def point(self, x: float, y: float) -> complex:
        """Map a point; the result is x + i y."""
        return complex(self.a * x + self.c * y + self.e, self.b * x + self.d * y + self.f)

    def vector(self, x: float, y: float) -> complex:
        """Map a direction (no shift); the result is x + i y."""
        return complex(self.a * x + self.c * y, self.b * x + self.d * y)

    def inverse(self) -> Affine:
        """Return the map back; ZeroDivisionError where the map is flat."""
        det = self.a * self.d - self.b * self.c
        a, b, c, d = self.d / det, -self.b / det, -self.c / det, self.a / det
        return Affine(a, b, c, d, -a * self.e - c * self.f, -b * self.e - d * self.f)

    def holds(self, points: NDArray[np.float64], slack: float) -> bool:
        """Whether (n, 2) points are mapped into the unit square, give or take the slack."""
        mapped = points @ np.array([[self.a, self.b], [self.c, self.d]]) + (self.e, self.f)
        return bool(np.all((mapped >= -slack) & (mapped <= 1.0 + slack)))

    @property
    def flat(self) -> bool:
        """Whether the map squashes the plane onto a line or a point, which draws nothing."""
        size = max(abs(self.a), abs(self.b), abs(self.c), abs(self.d))
        return abs(self.a * self.d - self.b * self.c) <= 1e-12 * size * size


def translation(x: float, y: float) -> Affine:
    """Return the map that shifts by (x, y)."""
    return Affine(e=x, f=y)


def parse_transform(text: str) -> Affine:
    """Read a transform list (SVG 2, "Coordinate Systems", section 8.5).

    Raises ValueError for anything that a lenient reader would skip: an unknown function, a wrong
    count of numbers, a unit, leftovers.
    """
    whole = Affine()
    position = 0
    end = len(text.rstrip())
    if text.strip() in ("", "none"):
        return whole
    while position < end:
        match = _FUNCTION.match(text, position)
        if match is None:
            raise ValueError(f"'{text[position:end].strip()[:30]}' is not a transform")
        whole = whole.after(_single(match[1], match[2]))
        position = match.end()
    if not all(math.isfinite(number) for number in whole):
        raise ValueError("the transform is not finite")
    return whole


def _single(name: str, arguments: str) -> Affine:
    counts = _COUNTS.get(name)
    if counts is None:
        raise ValueError(f"'{name}' is not a transform")
    if _ARGUMENTS.fullmatch(arguments) is None:
        raise ValueError(f"'{name}({arguments[:30]})' does not hold plain numbers")
    v = [float(number) for number in re.findall(NUMBER, arguments)]
    if len(v) not in counts:
        raise ValueError(f"'{name}' needs {' or '.join(map(str, counts))} numbers, not {len(v)}")
    if name == "matrix":
        return Affine(*v)
    if name == "translate":
        return translation(v[0], v[1] if len(v) == 2 else 0.0)
    if name == "scale":
        return Affine(a=v[0], d=v[-1])
    angle = math.radians(v[0])
    if name == "skewX":
        return Affine(c=math.tan(angle))
    if name == "skewY":
        return Affine(b=math.tan(angle))
    cos, sin = math.cos(angle), math.sin(angle)
    turn = Affine(cos, sin, -sin, cos)
    if len(v) == 1:
        return turn
    return translation(v[1], v[2]).after(turn).after(translation(-v[1], -v[2]))
