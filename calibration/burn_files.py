"""The burned target as files for the machine: strokes, SVG, G-code, how long it takes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from calibration.target import Target

Point = tuple[float, float]

# What starting, stopping and switching add to a stroke (s): common practice, no source.
_STOP_S = 0.1
CAUTIONS = (
    "A laser can blind and set fire. Stay beside the machine while it burns.",
    "Wear eyewear for its wavelength, close the lid, run the extraction.",
    "Burn bare scrap that you know to be safe: never PVC or unknown coatings.",
    "Try power and speed on a corner first. The machine's manual and local codes rule.",
)


@dataclass(frozen=True)
class Burning:
    """How a target is burned.

    Attributes
    ----------
    power
        The S word, in the machine's own unit.
    speed_mm_min, travel_mm_min
        Feed of strokes, and between them.
    kerf_mm
        Width of the burned line, which the marks' hatch is spaced by.
    lead_mm
        Length of the way, laser off, by which every stroke of a cross is approached.
    """

    power: float
    speed_mm_min: float
    travel_mm_min: float
    kerf_mm: float
    lead_mm: float


@dataclass(frozen=True)
class Stroke:
    """One straight stroke; `lead` is where its approach begins, laser off, None for none."""

    start: Point
    end: Point
    lead: Point | None = None


def strokes_of(target: Target, burning: Burning) -> tuple[Stroke, ...]:
    """Return all strokes in the order in which they are burned."""
    marks = [
        stroke for number in target.markers_mm for stroke in _mark_strokes(target, number, burning)
    ]
    return (*_cross_strokes(target, burning), *marks)


def _cross_strokes(target: Target, burning: Burning) -> Iterator[Stroke]:
    columns = len(target.columns_mm)
    places, arm = target.crosses_mm.tolist(), target.arm_mm
    for row in range(len(target.rows_mm)):
        # There and back again, so that the head travels little.
        order = range(columns) if row % 2 == 0 else reversed(range(columns))
        for column in order:
            number = row * columns + column
            x, y = places[number]
            lead = -float(target.approach[number]) * burning.lead_mm
            yield Stroke((x, y - arm), (x, y + arm), (x + lead, y - arm))
            yield Stroke((x - arm, y), (x + arm, y), (x - arm, y + lead))


def _mark_strokes(target: Target, number: int, burning: Burning) -> Iterator[Stroke]:
    """Fill a mark's dark modules with strokes along X that stay within them by half a kerf."""
    inset = burning.kerf_mm / 2
    forth = True
    for x, y, width, height in target.marker_areas_mm(number).tolist():
        lines = max(2, math.ceil((height - 2 * inset) / burning.kerf_mm) + 1)
        for level in np.linspace(y + inset, y + height - inset, lines).tolist():
            ends = ((x + inset, level), (x + width - inset, level))
            yield Stroke(*(ends if forth else ends[::-1]))
            forth = not forth


def burn_minutes(strokes: tuple[Stroke, ...], burning: Burning) -> float:
    """Return about how long burning takes: lengths at the two feeds, and a stop per stroke."""
    burned = sum(math.dist(stroke.start, stroke.end) for stroke in strokes)
    leads = [stroke for stroke in strokes if stroke.lead is not None]
    approach = sum(math.dist(stroke.lead or stroke.start, stroke.start) for stroke in leads)
    travel = sum(math.dist(a.end, b.lead or b.start) for a, b in pairwise(strokes))
    stops = (len(strokes) + len(leads)) * _STOP_S / 60
    return (burned + approach) / burning.speed_mm_min + travel / burning.travel_mm_min + stops


def swept_box(strokes: tuple[Stroke, ...]) -> tuple[float, float, float, float]:
    """Return the box (x_min, y_min, x_max, y_max) that the head moves in, approaches included."""
    points = np.array(
        [point for s in strokes for point in (s.start, s.end, s.lead or s.start)], float
    )
    low, high = points.min(axis=0), points.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def gcode(target: Target, burning: Burning) -> str:
    """Return the target as G-code after RS-274: millimetres, absolute, laser off between strokes.

    T. R. Kramer, F. M. Proctor and E. Messina, "The NIST RS274NGC Interpreter", NISTIR 6556, 2000:
    G21, G90, G94, M3 with S, M5, M2, comments in round brackets.
    """
    strokes = strokes_of(target, burning)
    x0, y0, x1, y1 = swept_box(strokes)
    lines = [
        "(Witmark burned target: crosses and coded marks for a camera above the bed)",
        *(f"({line})" for line in CAUTIONS),
        f"(The head moves within X {x0:.1f} to {x1:.1f}, Y {y0:.1f} to {y1:.1f} mm)",
        f"(About {burn_minutes(strokes, burning):.0f} min at F{burning.speed_mm_min:g}, "
        f"S{burning.power:g}: set both for your scrap)",
        "G21 (millimetres)",
        "G90 (absolute)",
        "G94 (feed per minute)",
        "M5 (laser off)",
    ]
    feed = f"F{burning.speed_mm_min:g}"
    for stroke in strokes:
        lines.append(f"G0 {_words(stroke.lead or stroke.start)}")
        if stroke.lead is not None:
            lines.append(f"G1 {_words(stroke.start)} {feed}")
        lines += [f"M3 S{burning.power:g}", f"G1 {_words(stroke.end)} {feed}", "M5"]
    return "\n".join([*lines, "M2", ""])


def svg(target: Target, burning: Burning) -> str:
    """Return the strokes as SVG at true size, for machines that are fed drawings.

    The page's lower left corner is the machine's origin, or the strokes' own corner where they lie
    beyond it. A drawing says nothing of the side that a stroke is approached from.
    """
    strokes = strokes_of(target, burning)
    box = target.box_mm
    left, low = min(0.0, box[0] - 1), min(0.0, box[1] - 1)
    width, height = box[2] + 1 - left, box[3] + 1 - low
    path = " ".join(
        f"M{_number(a[0] - left)} {_number(height - a[1] + low)}"
        f"L{_number(b[0] - left)} {_number(height - b[1] + low)}"
        for a, b in ((stroke.start, stroke.end) for stroke in strokes)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f"<!-- {' '.join(CAUTIONS)} -->\n"
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}">\n'
        f'<path id="outline" d="{path}" fill="none" stroke="black" '
        f'stroke-width="{burning.kerf_mm:g}"/>\n</svg>\n'
    )


def _words(point: Point) -> str:
    return f"X{_number(point[0])} Y{_number(point[1])}"


def _number(value: float) -> str:
    return f"{round(value, 3) + 0.0:g}" if abs(value) < 1000 else f"{value:.3f}"
