"""The vector part of the pictures: lines of the artwork, arrows, scales, as SVG text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from html import escape

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork
from vision.result import Picture

Array = NDArray[np.float64]

# A sheet is this wide in its own units; at the text width of A4 one unit is 0.18 mm.
SHEET = 1000.0
_MOST_POINTS = 20_000
LEFT_OUT = " There are too many lines to draw; the smallest are left out."


@dataclass(frozen=True)
class Pen:
    """How one kind of line looks: told apart by dash and weight first, by colour second."""

    name: str
    colour: str
    weight: float
    dash: str


# Blue, orange and purple of Okabe and Ito's palette for colour-blind readers ("Color Universal
# Design", 2008), darkened where needed for paper.
PENS = {
    "intended": Pen("where it should be", "#111111", 1.9, "10 6"),
    "outline": Pen("outline, as found", "#0063a3", 2.3, ""),
    "fill": Pen("fill, as found", "#c04a00", 2.4, "2.4 3.6"),
    "cut": Pen("cut, as found", "#7b3f8c", 2.3, "12 3.5 2.4 3.5"),
}


def layer_lines(artwork: Artwork, layer: str | None) -> list[tuple[Array, bool]]:
    """Return the lines of one layer (None: of all) in page mm, with whether each is closed.

    A fill is drawn by the edges of its areas.
    """
    lines = [
        (stroke.points_mm, stroke.closed)
        for stroke in artwork.strokes
        if layer in (None, stroke.layer)
    ]
    if layer in (None, "fill"):
        lines += [(ring, True) for area in artwork.areas for ring in area.rings_mm]
    return lines


def placed_layers(picture: Picture) -> list[tuple[str, Rigid]]:
    """Return (name of the pen, placement) in the order of drawing: intended below, then found."""
    placed = [] if picture.intended is None else [("intended", picture.intended)]
    return placed + list(picture.found.items())


def path_data(lines: Sequence[tuple[Array, bool]]) -> tuple[str, bool]:
    """Return SVG path data of lines in sheet units, and whether all lines are in it.

    Points that nobody would see are left out. Where there are still more than a page should
    carry, the drawing becomes coarser; at last the smallest lines are left out.
    """
    tolerance = 0.15
    thinned = [(_thin(points, tolerance, closed), closed) for points, closed in lines]
    while sum(len(points) for points, _ in thinned) > _MOST_POINTS and tolerance < 4:
        tolerance *= 3
        thinned = [(_thin(points, tolerance, closed), closed) for points, closed in thinned]
    drawn = [(points, closed) for points, closed in thinned if len(points) > 1]
    if sum(len(points) for points, _ in drawn) > _MOST_POINTS:
        drawn.sort(key=lambda line: -float(np.ptp(line[0], axis=0).max()))
        total = np.cumsum([len(points) for points, _ in drawn])
        kept = drawn[: int(np.searchsorted(total, _MOST_POINTS, side="right"))]
    else:
        kept = drawn
    return "".join(_subpath(points, closed) for points, closed in kept), len(kept) == len(drawn)


def stroke_path(data: str, pen: Pen, clip: str | None = None) -> str:
    """Return a line with a pale rim, so that it shows on dark and on bright ground alike."""
    if not data:
        return ""
    dash = f' stroke-dasharray="{pen.dash}"' if pen.dash else ""
    clipped = f' clip-path="url(#{clip})"' if clip else ""
    shape = f'd="{data}" fill="none" stroke-linejoin="round"{dash}'
    return (
        f"<g{clipped}>"
        f'<path {shape} stroke="#fff" stroke-opacity=".75" stroke-width="{pen.weight + 1.4:.1f}"/>'
        f'<path {shape} stroke="{pen.colour}" stroke-width="{pen.weight}"/></g>'
    )


def thick(pen: Pen) -> Pen:
    """Return the pen for a close-up, where the lines lie far apart."""
    return replace(pen, weight=1.4 * pen.weight)


def clip_rect(name: str, x: float, y: float, width: float, height: float) -> str:
    """Return the definition of a rectangle that lines are clipped to."""
    return (
        f'<clipPath id="{name}"><rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" '
        f'height="{height:.1f}"/></clipPath>'
    )


def image(uri: str, x: float, y: float, width: float, height: float, pixels: bool = False) -> str:
    """Return an embedded picture; `pixels` keeps its blocks sharp."""
    style = ' style="image-rendering:pixelated"' if pixels else ""
    return (
        f'<image href="{uri}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" '
        f'preserveAspectRatio="none"{style}/>'
    )


def text(x: float, y: float, words: str, anchor: str = "start", size: float = 18.0) -> str:
    """Return a line of text on the white sheet."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}">'
        f"{escape(words)}</text>"
    )


def boxed_text(x: float, y: float, words: str, anchor: str = "start") -> str:
    """Return a line of text with a pale rim, to be read on a photograph."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="18" stroke="#fff" '
        f'stroke-width="4" stroke-linejoin="round" paint-order="stroke" font-weight="600">'
        f"{escape(words)}</text>"
    )


def ring(x: float, y: float, radius: float, words: str) -> str:
    """Return a ring around a place, with its name above it or, at the top edge, below it."""
    circle = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" fill="none"'
    below = y - radius < 40
    return (
        f'{circle} stroke="#fff" stroke-width="4.5"/>{circle} stroke="#111" stroke-width="2"/>'
        + boxed_text(x, y + radius + 24 if below else y - radius - 9, words, "middle")
    )


def scale_bar(right: float, bottom: float, units_per_mm: float, room: float) -> str:
    """Return a scale bar that ends at (right, bottom), about a fifth of the room long."""
    length_mm = nice_below(room / 5 / units_per_mm)
    length = length_mm * units_per_mm
    left = right - length
    halves = "".join(
        f'<rect x="{left + k * length / 4:.1f}" y="{bottom - 8:.1f}" width="{length / 4:.1f}" '
        f'height="8" fill="{"#111" if k % 2 == 0 else "#fff"}"/>'
        for k in range(4)
    )
    return (
        f'<rect x="{left - 12:.1f}" y="{bottom - 34:.1f}" width="{length + 24:.1f}" height="44" '
        'fill="#fff" fill-opacity=".88"/>'
        f'{halves}<rect x="{left:.1f}" y="{bottom - 8:.1f}" width="{length:.1f}" height="8" '
        'fill="none" stroke="#111" stroke-width="1"/>'
        + text((left + right) / 2, bottom - 15, f"{length_mm:g} mm", "middle")
    )


def legend(x: float, y: float, pens: Iterable[Pen]) -> str:
    """Return samples of the pens with their names, in one row."""
    parts = []
    for pen in pens:
        dash = f' stroke-dasharray="{pen.dash}"' if pen.dash else ""
        parts.append(
            f'<path d="M{x:.1f} {y - 5:.1f}h46" stroke="{pen.colour}" fill="none" '
            f'stroke-width="{pen.weight + 0.5:.1f}"{dash}/>' + text(x + 54, y, pen.name)
        )
        x += 54 + 9.4 * len(pen.name) + 34
    return "".join(parts)


def arrow(start: Array, step: Array, pen: Pen, filled: bool) -> str:
    """Return an arrow from start by step, both in sheet units; a dot where it has no length.

    Filled and open heads tell layers apart without colour.
    """
    length = math.hypot(*step)
    x, y = start
    dot = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.4" fill="{pen.colour}"/>'
    if length < 3:
        return dot
    along = step / length
    across = np.array([-along[1], along[0]])
    head = min(11.0, 0.6 * length)
    tip = start + step
    left, right = (
        tip - head * along + 0.42 * head * across,
        tip - head * along - 0.42 * head * across,
    )
    neck = tip - head * along
    dash = "" if filled else ' stroke-dasharray="4 2.5"'
    fill = pen.colour if filled else "#fff"
    return (
        f'{dot}<path d="M{x:.1f} {y:.1f}L{neck[0]:.1f} {neck[1]:.1f}" stroke="{pen.colour}" '
        f'stroke-width="1.9"{dash}/>'
        f'<path d="M{tip[0]:.1f} {tip[1]:.1f}L{left[0]:.1f} {left[1]:.1f}L{right[0]:.1f} '
        f'{right[1]:.1f}Z" fill="{fill}" stroke="{pen.colour}" stroke-width="1.4" '
        'stroke-linejoin="round"/>'
    )


def nice_below(value: float) -> float:
    """Return the largest 1, 2 or 5 times a power of ten that is not above a positive value."""
    power = 10.0 ** math.floor(math.log10(value) + 1e-9)
    step = next(step for step in (5.0, 2.0, 1.0) if step * power <= value * (1 + 1e-9))
    return step * power


def _thin(points: Array, tolerance: float, closed: bool) -> Array:
    import cv2

    if len(points) < 3:
        return points
    thinned = cv2.approxPolyDP(points.astype(np.float32)[:, None], tolerance, closed)
    return np.asarray(thinned[:, 0], dtype=np.float64)


def _subpath(points: Array, closed: bool) -> str:
    body = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return f"M{body}{'Z' if closed else ''}"
