"""Draw the basic shapes of SVG (SVG 2, section 10) and its paths with a pen."""

from __future__ import annotations

import re
from collections.abc import Mapping

from lxml import etree

from vision.artwork.flatten import Pen, draw_path, parse_points
from vision.artwork.units import Box, parse_length

SHAPES = {"path", "rect", "circle", "ellipse", "line", "polyline", "polygon"}
_CSS_PATH = re.compile(r"""path\(\s*(['"])(.*)\1\s*\)""", re.DOTALL)


def draw_shape(
    element: etree._Element, tag: str, declared: Mapping[str, str], port: Box, pen: Pen
) -> None:
    """Draw one of SHAPES; raises ValueError where its numbers cannot be read.

    Parameters
    ----------
    declared
        Its geometry properties after the cascade (x, width, r ..); other attributes are read
        from the element.
    port
        What percentages refer to, in user units.
    """

    def length(name: str, whole: float) -> float:
        return parse_length(declared.get(name) or element.get(name) or "0", whole)

    def extent(name: str, whole: float) -> float | None:
        text = declared.get(name, "auto")
        if text == "auto":
            return None
        number = parse_length(text, whole)
        if number < 0.0:
            raise ValueError(f"{name} is negative")
        return number

    if tag == "path":
        data = declared.get("d", "")
        quoted = _CSS_PATH.fullmatch(data)
        draw_path(quoted[2] if quoted else data, pen)
    elif tag == "line":
        pen.moveTo((length("x1", port.width), length("y1", port.height)))
        pen.lineTo((length("x2", port.width), length("y2", port.height)))
        pen.endPath()
    elif tag in ("polyline", "polygon"):
        points = parse_points(element.get("points", ""))
        if points:
            pen.moveTo(points[0])
            for point in points[1:]:
                pen.lineTo(point)
            if tag == "polygon":
                pen.closePath()
            else:
                pen.endPath()
    elif tag == "rect":
        x, y = length("x", port.width), length("y", port.height)
        width = extent("width", port.width) or 0.0
        height = extent("height", port.height) or 0.0
        rx, ry = extent("rx", port.width), extent("ry", port.height)
        rx, ry = (ry if rx is None else rx) or 0.0, (rx if ry is None else ry) or 0.0
        if width > 0.0 and height > 0.0:
            _rect(Box(x, y, width, height), min(rx, width / 2), min(ry, height / 2), pen)
    else:
        x, y = length("cx", port.width), length("cy", port.height)
        if tag == "circle":
            rx = ry = extent("r", port.diagonal)
        else:
            rx, ry = extent("rx", port.width), extent("ry", port.height)
            rx, ry = (ry if rx is None else rx), (rx if ry is None else ry)
        if rx and ry:
            _ellipse(x, y, rx, ry, pen)


def _rect(box: Box, rx: float, ry: float, pen: Pen) -> None:
    left, top = box.x, box.y
    right, bottom = left + box.width, top + box.height
    pen.moveTo((left + rx, top))
    pen.lineTo((right - rx, top))
    pen.arcTo(rx, ry, 0.0, False, True, (right, top + ry))
    pen.lineTo((right, bottom - ry))
    pen.arcTo(rx, ry, 0.0, False, True, (right - rx, bottom))
    pen.lineTo((left + rx, bottom))
    pen.arcTo(rx, ry, 0.0, False, True, (left, bottom - ry))
    pen.lineTo((left, top + ry))
    pen.arcTo(rx, ry, 0.0, False, True, (left + rx, top))
    pen.closePath()


def _ellipse(x: float, y: float, rx: float, ry: float, pen: Pen) -> None:
    pen.moveTo((x + rx, y))
    for end in ((x, y + ry), (x - rx, y), (x, y - ry), (x + rx, y)):
        pen.arcTo(rx, ry, 0.0, False, True, end)
    pen.closePath()
