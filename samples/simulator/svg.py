"""A drawing as SVG, true to size."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from samples.simulator.shapes import Drawing

Array = NDArray[np.float64]


def write_svg(drawing: Drawing) -> str:
    """Return the SVG text: layers as groups, y down, one unit of the viewBox is one millimetre."""
    width, height = drawing.page_mm

    def path(points_mm: Array, closed: bool) -> str:
        steps = " L".join(f"{x:.4f} {height - y:.4f}" for x, y in points_mm)
        return f"M{steps}" + (" Z" if closed else "")

    fills, strokes, joined = [], [], []
    for area in drawing.areas:
        shape = " ".join(path(ring, True) for ring in area.rings_mm)
        if area.feature in drawing.both:
            joined.append(
                f'  <path id="{area.feature}" fill="black" fill-rule="evenodd" stroke="black" '
                f'stroke-width="0.1" d="{shape}"/>'
            )
        else:
            fills.append(f'    <path id="{area.feature}-fill" fill-rule="evenodd" d="{shape}"/>')
    for index, line in enumerate(drawing.outlines):
        if line.feature not in drawing.both:
            strokes.append(
                f'    <path id="{line.feature}-outline-{index}" '
                f'd="{path(line.points_mm, line.closed)}"/>'
            )
    rows = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.1f}mm" height="{height:.1f}mm" '
        f'viewBox="0 0 {width:.1f} {height:.1f}">',
        *joined,
    ]
    if fills:
        rows += ['  <g id="fill" fill="black" stroke="none">', *fills, "  </g>"]
    if strokes:
        rows += [
            '  <g id="outline" fill="none" stroke="black" stroke-width="0.1">',
            *strokes,
            "  </g>",
        ]
    return "\n".join([*rows, "</svg>", ""])
