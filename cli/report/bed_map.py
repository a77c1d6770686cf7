"""The picture of how well places on the bed are known."""

from __future__ import annotations

import numpy as np

from calibration.uncertainty_map import UncertaintyMap
from cli.report import drawing
from cli.report.sheet import svg_sheet

_LEFT, _TOP, _ROOM = 70.0, 20.0, 900.0
# The palest and the darkest grey of a cell: black numbers can be read on both.
_PALE, _DARK = 250, 165


def bed_map_svg(told: UncertaintyMap) -> str:
    """Return an SVG with the U95 of a bed's places in millimetres, darker where it is larger."""
    step = told.step_mm
    across = len(told.x_mm)
    side = _ROOM / across
    bottom = _TOP + side * len(told.y_mm)

    def at(x_mm: float, y_mm: float) -> tuple[float, float]:
        left, low = told.x_mm[0] - step / 2, told.y_mm[0] - step / 2
        return _LEFT + (x_mm - left) / step * side, bottom - (y_mm - low) / step * side

    seen = told.u95_mm[np.isfinite(told.u95_mm)]
    least, most = float(seen.min()), float(seen.max())
    size = min(20.0, side / 3)
    parts = []
    for j, y in enumerate(told.y_mm):
        for i, x in enumerate(told.x_mm):
            value = told.u95_mm[j, i]
            if not np.isfinite(value):
                continue
            u, v = at(x, y)
            grey = round(_PALE - (_PALE - _DARK) * (value - least) / max(most - least, 1e-9))
            parts.append(
                f'<rect x="{u - side / 2:.1f}" y="{v - side / 2:.1f}" width="{side:.1f}" '
                f'height="{side:.1f}" fill="rgb({grey},{grey},{grey})" stroke="#fff"/>'
            )
            parts.append(drawing.text(u, v + size / 3, f"{value:.2f}", "middle", size))
    for x in told.x_mm:
        parts.append(drawing.text(at(x, 0)[0], bottom + 22, f"{x:g}", "middle"))
    for y in told.y_mm:
        parts.append(drawing.text(_LEFT - 8, at(0, y)[1] + 6, f"{y:g}", "end"))
    parts.append(drawing.text(_LEFT + _ROOM, bottom + 46, "X, mm", "end"))
    parts.append(drawing.text(_LEFT - 8, _TOP + 14, "Y, mm", "end"))
    left, low, right, high = told.field_mm
    (u0, v1), (u1, v0) = at(left, low), at(right, high)
    parts.append(
        f'<rect x="{u0:.1f}" y="{v0:.1f}" width="{u1 - u0:.1f}" height="{v1 - v0:.1f}" '
        'fill="none" stroke="#111" stroke-width="2" stroke-dasharray="10 6"/>'
    )
    caption = (
        f"Radius in mm that holds the true place with 95 %, from {least:.2f} to {most:.2f}, at a "
        f"height of {told.height_mm:g} mm.",
        "Dashed: the calibrated field; beyond it the map is extrapolated.",
    )
    for number, line in enumerate(caption):
        parts.append(drawing.text(_LEFT, bottom + 76 + 26 * number, line))
    inner = f'<g font-family="sans-serif">{"".join(parts)}</g>'
    title = "How well places on the bed are known"
    return svg_sheet("bed", title, " ".join(caption), bottom + 120, inner)
