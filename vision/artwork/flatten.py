"""Curves to polylines, never further from the curve than the chord error."""

from __future__ import annotations

import cmath
import math
import re
from dataclasses import dataclass

import numpy as np
from fontTools.svgLib.path.parser import parse_path  # type: ignore[import-untyped]

from vision.artwork.affine import NUMBER, Affine
from vision.artwork.strokes import Points

MAX_VERTICES = 2_000_000
MAX_MM = 10_000.0
# Two points nearer than this are one: far below what any machine resolves, far above rounding.
SAME_MM = 1e-6
# A sub-path that comes back to its start this closely is closed, with or without a "Z".
CLOSED_MM = 1e-3

_GAP = r"(?:\s*,\s*|\s+)"
_SOFT = r"(?:\s*,\s*|\s*)"
_COMMANDS = re.compile(r"([MmZzLlHhVvCcSsQqTtAa])")
_NUMBERS = re.compile(rf"{NUMBER}")
_LIST = re.compile(rf"\s*(?:{NUMBER}(?:{_GAP}|(?=[-+.])|\s*$))*")
_ARC = re.compile(
    rf"({NUMBER}){_SOFT}({NUMBER}){_SOFT}({NUMBER}){_GAP}?([01]){_SOFT}([01]){_SOFT}"
    rf"({NUMBER}){_SOFT}({NUMBER}){_SOFT}"
)


@dataclass(frozen=True, eq=False)
class Polyline:
    """A flattened sub-path: (n, 2) page millimetres; a closed one does not repeat its start."""

    points_mm: Points
    closed: bool


class Pen:
    """Takes the commands of a path in user units and keeps polylines in page millimetres.

    The names of its methods are those that fontTools calls (its segment pen protocol).
    """

    def __init__(self, page: Affine, chord_error_mm: float, room: int = MAX_VERTICES) -> None:
        self._page = page
        self._error = chord_error_mm
        self._room = room
        self._points: list[complex] = []
        self._user = (0.0, 0.0)
        self._start = 0j
        self._done: list[Polyline] = []

    @property
    def polylines(self) -> tuple[Polyline, ...]:
        """The sub-paths so far that are longer than nothing."""
        return tuple(self._done)

    def moveTo(self, point: tuple[float, float]) -> None:  # noqa: N802
        """Begin a sub-path."""
        self._points = [self._map(point)]
        self._user = point

    def lineTo(self, point: tuple[float, float]) -> None:  # noqa: N802
        """Draw a straight line."""
        self._add([self._map(point)])
        self._user = point

    def qCurveTo(self, control: tuple[float, float], end: tuple[float, float]) -> None:  # noqa: N802
        """Draw a quadratic Bezier curve."""
        self._add(_quadratic(self._points[-1], self._map(control), self._map(end), self._error))
        self._user = end

    def curveTo(  # noqa: N802
        self, first: tuple[float, float], second: tuple[float, float], end: tuple[float, float]
    ) -> None:
        """Draw a cubic Bezier curve."""
        controls = (self._points[-1], self._map(first), self._map(second), self._map(end))
        self._add(_cubic(*controls, self._error))
        self._user = end

    def arcTo(  # noqa: N802
        self,
        rx: float,
        ry: float,
        rotation_deg: float,
        large: bool,
        sweep: bool,
        end: tuple[float, float],
    ) -> None:
        """Draw an elliptical arc."""
        last = self._map(end)
        if end == self._user:
            return
        if rx == 0.0 or ry == 0.0:
            self._add([last])
        else:
            centre, u, v, start_rad, sweep_rad = _arc_centre(
                complex(*self._user), complex(*end), rx, ry, rotation_deg, large, sweep
            )
            self._map((centre.real, centre.imag))
            middle = self._page.point(centre.real, centre.imag)
            u_mm = self._page.vector(u.real, u.imag)
            v_mm = self._page.vector(v.real, v.imag)
            steps = _arc_steps(u_mm, v_mm, sweep_rad, self._error)
            angles = (start_rad + sweep_rad * k / steps for k in range(1, steps))
            self._add([middle + u_mm * math.cos(t) + v_mm * math.sin(t) for t in angles] + [last])
        self._user = end

    def closePath(self) -> None:  # noqa: N802
        """End the sub-path at its beginning."""
        self._finish(closed=True)

    def endPath(self) -> None:  # noqa: N802
        """End the sub-path where it is."""
        self._finish(closed=False)

    def _map(self, point: tuple[float, float]) -> complex:
        mapped = self._page.point(*point)
        # Written so that NaN fails too.
        if not (abs(mapped.real) <= MAX_MM and abs(mapped.imag) <= MAX_MM):
            raise ValueError("a point lies more than 10 m from the page's corner")
        return mapped

    def _add(self, points: list[complex]) -> None:
        self._room -= len(points)
        if self._room < 0:
            raise ValueError(f"the curves need more than {MAX_VERTICES:,} points")
        self._points += points

    def _finish(self, closed: bool) -> None:
        points = np.array(self._points, dtype=np.complex128)
        self._points = []
        apart = np.abs(points[1:] - points[:-1]) > SAME_MM
        points = points[np.concatenate([[True], apart])]
        closed = closed or (len(points) > 2 and abs(points[0] - points[-1]) <= CLOSED_MM)
        while closed and len(points) > 1 and abs(points[0] - points[-1]) <= CLOSED_MM:
            points = points[:-1]
        if len(points) < 2:
            return
        # There and back along one line encloses nothing: it is an open stroke.
        points_mm = points.view(np.float64).reshape(-1, 2)
        self._done.append(Polyline(points_mm, bool(closed and len(points) > 2)))


def draw_path(data: str, pen: Pen) -> None:
    """Draw the `d` attribute of a path with a pen.

    fontTools interprets the commands (relative, shorthand, closing) and leaves arcs to the pen.
    Like most readers it skips what it does not understand; the numbers are therefore checked and
    rewritten first, after the grammar of SVG 2, section 9.3.9. Raises ValueError.
    """
    parts = _COMMANDS.split(data)
    if parts[0].strip() == "none" and len(parts) == 1:
        return
    if parts[0].strip():
        raise ValueError(f"the path begins with '{parts[0].strip()[:20]}', not with a move")
    if len(parts) > 1 and parts[1] not in "Mm":
        raise ValueError("the path does not begin with a move")
    strict = []
    for command, arguments in zip(parts[1::2], parts[2::2], strict=True):
        strict.append(command + _plain_arguments(command, arguments))
    parse_path(" ".join(strict), pen)


def parse_points(text: str) -> list[tuple[float, float]]:
    """Read the `points` of a polygon or polyline; raises ValueError."""
    numbers = [float(number) for number in _plain_arguments("L", text).split()] if text else []
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def _plain_arguments(command: str, arguments: str) -> str:
    """Return the numbers after a command, one blank between them, after checking their count."""
    if command in "Aa":
        numbers: list[str] = []
        position = len(arguments) - len(arguments.lstrip())
        while position < len(arguments):
            match = _ARC.match(arguments, position)
            if match is None:
                raise ValueError(f"'{command} {arguments.strip()[:30]}' is not an arc")
            numbers += match.groups()
            position = match.end()
    else:
        if _LIST.fullmatch(arguments) is None:
            raise ValueError(f"'{command} {arguments.strip()[:30]}' does not hold plain numbers")
        numbers = _NUMBERS.findall(arguments)
    need = {"A": 7, "C": 6, "S": 4, "Q": 4, "H": 1, "V": 1, "Z": 0}.get(command.upper(), 2)
    if (need == 0) != (not numbers) or (need and len(numbers) % need):
        raise ValueError(f"'{command}' needs sets of {need} numbers, not {len(numbers)}")
    if not all(math.isfinite(float(text)) for text in numbers):
        raise ValueError(f"'{command} {arguments.strip()[:30]}' holds a number that is too large")
    if command in "Aa":
        flags = (3, 4)
        return " ".join(
            text if k % 7 in flags else repr(float(text)) for k, text in enumerate(numbers)
        )
    return " ".join(repr(float(text)) for text in numbers)


def _steps(second_derivative: float, error: float) -> int:
    # A chord over 1/n of the parameter errs by at most max|p''| / (8 n^2).
    return max(1, math.ceil(math.sqrt(second_derivative / (8.0 * error))))


def _quadratic(p0: complex, p1: complex, p2: complex, error: float) -> list[complex]:
    n = _steps(2.0 * abs(p0 - 2.0 * p1 + p2), error)
    points = []
    for k in range(1, n):
        t = k / n
        s = 1.0 - t
        points.append(s * s * p0 + 2.0 * s * t * p1 + t * t * p2)
    return [*points, p2]


def _cubic(p0: complex, p1: complex, p2: complex, p3: complex, error: float) -> list[complex]:
    # p'' runs straight from 6 (p0 - 2 p1 + p2) to 6 (p1 - 2 p2 + p3): its ends bound it.
    n = _steps(6.0 * max(abs(p0 - 2.0 * p1 + p2), abs(p1 - 2.0 * p2 + p3)), error)
    points = []
    for k in range(1, n):
        t = k / n
        s = 1.0 - t
        points.append(s * s * s * p0 + 3.0 * s * t * (s * p1 + t * p2) + t * t * t * p3)
    return [*points, p3]


def _arc_steps(u: complex, v: complex, sweep_rad: float, error: float) -> int:
    """Return the chords for an arc c + u cos t + v sin t.

    It is the image of a unit circle under (u, v): the sagitta 1 - cos(h / 2) of the circle grows
    by no more than the largest singular value.
    """
    square = abs(u) ** 2 + abs(v) ** 2
    area = (u.conjugate() * v).imag
    largest = math.sqrt((square + math.sqrt(max(square * square - 4.0 * area * area, 0.0))) / 2.0)
    step = math.pi / 2.0 if largest <= error else 2.0 * math.acos(1.0 - error / largest)
    return max(1, math.ceil(abs(sweep_rad) / step))


def _arc_centre(
    start: complex,
    end: complex,
    rx: float,
    ry: float,
    rotation_deg: float,
    large: bool,
    sweep: bool,
) -> tuple[complex, complex, complex, float, float]:
    """Return centre, half axes, start angle and swept angle of an arc given by its ends.

    SVG 2, appendix B.2.4 and B.2.5 (radii that cannot reach are scaled up).
    """
    turn = cmath.rect(1.0, math.radians(rotation_deg))
    half = (start - end) / 2.0 / turn
    # In units of the radii the ellipse is a unit circle, and the centre lies on the bisector.
    chord = complex(half.real / rx, half.imag / ry)
    length = abs(chord)
    if length > 1.0:
        rx, ry, chord = rx * length, ry * length, chord / length
        length = 1.0
    rise = math.sqrt(max(1.0 / (length * length) - 1.0, 0.0))
    offset = (1j if large == sweep else -1j) * rise * chord
    first = cmath.phase(chord - offset)
    swept = cmath.phase((-chord - offset) / (chord - offset))
    if sweep and swept < 0.0:
        swept += 2.0 * math.pi
    elif not sweep and swept > 0.0:
        swept -= 2.0 * math.pi
    if swept == 0.0:
        swept = 2.0 * math.pi if sweep else -2.0 * math.pi
    centre = complex(offset.real * rx, offset.imag * ry) * turn + (start + end) / 2.0
    return centre, rx * turn, ry * 1j * turn, first, swept
