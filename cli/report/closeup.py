"""The worst place in the camera's own pixels, with the artwork's lines projected onto them."""

from __future__ import annotations

import math

import numpy as np

from cli.report import drawing, raster
from cli.report.drawing import PENS, SHEET, Array
from cli.report.sheet import Figure, svg_sheet
from cli.report.words import number
from vision.result import Picture

_NAME, _TITLE = "close-up", "The worst place, in the camera’s own pixels"
# Pixels of the camera across and down, and the size of the block that each becomes.
_SIZE_PX, _BLOCK = (60, 36), 16
# A straight line on the work may bend in the picture; in steps this short it does not.
_STEP_MM = 0.4


def close_up(picture: Picture) -> Figure:
    """Return the surroundings of the worst place, magnified without smoothing."""
    if picture.worst_at_mm is None:
        caption = "Nothing was measured, so there is no worst place to show."
        return Figure(_NAME, _TITLE, caption, None)
    centre_mm = np.array(picture.worst_at_mm)
    centre_px = picture.surface_after.px_from_mm(centre_mm[None])[0]
    high, wide = picture.after.shape[:2]
    if not (
        np.isfinite(centre_px).all() and (centre_px >= 0).all() and (centre_px < [wide, high]).all()
    ):
        return Figure(_NAME, _TITLE, "The worst place lies outside of the capture.", None)
    part, column, row = raster.true_pixels(picture.after, centre_px, _SIZE_PX)
    rows, columns = part.shape[:2]
    unit = SHEET / columns
    height = rows * unit
    jacobian = picture.surface_after.jacobian_px_per_mm(centre_mm[None])[0]  # (2, 2) px per mm

    def units(points_px: Array) -> Array:
        # The centre of the camera's pixel (column, row) is the centre of its block.
        return np.asarray((points_px - [column, row] + 0.5) * unit)

    reach_mm = math.hypot(columns, rows) / float(np.linalg.svd(jacobian, compute_uv=False).min())
    parts = [
        drawing.clip_rect("close-up-clip", 0, 0, SHEET, height),
        drawing.image(raster.block_uri(part, _BLOCK), 0, 0, SHEET, height, pixels=True),
    ]
    pens = []
    left_out = False
    for name, motion in drawing.placed_layers(picture):
        layer = None if name == "intended" else name
        runs: list[tuple[Array, bool]] = []
        for points, closed in drawing.layer_lines(picture.artwork, layer):
            for run in _near(motion.apply(points), closed, centre_mm, reach_mm):
                seen = picture.surface_after.px_from_mm(run)
                if np.isfinite(seen).all():
                    runs.append((units(seen), False))
        data, complete = drawing.path_data(runs)
        left_out = left_out or not complete
        if data:
            parts.append(drawing.stroke_path(data, drawing.thick(PENS[name]), "close-up-clip"))
            pens.append(PENS[name])
    x, y = units(centre_px[None])[0]
    parts += [
        drawing.ring(float(x), float(y), 1.6 * unit, "worst point"),
        _axes(jacobian * unit, height),
        drawing.legend(4, height + 32, pens),
    ]
    across, down = 1 / np.linalg.norm(jacobian, axis=1)  # mm per pixel along u and v
    caption = (
        f"Each block is one pixel of the camera, about {number(across, 2)} × {number(down, 2)} mm "
        "on the work here; nothing was smoothed. The corner shows 1 mm along the bed’s X and Y."
    ) + (drawing.LEFT_OUT if left_out else "")
    svg = svg_sheet(_NAME, _TITLE, caption, height + 44, "".join(parts))
    return Figure(_NAME, _TITLE, caption, svg)


def _near(points_mm: Array, closed: bool, centre_mm: Array, reach_mm: float) -> list[Array]:
    """Return the parts of a polyline within reach of a place, each (n, 2) mm in short steps."""
    if closed:
        points_mm = np.concatenate([points_mm, points_mm[:1]])
    starts, steps = points_mm[:-1], np.diff(points_mm, axis=0)  # (m, 2)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    safe = np.maximum(lengths, 1e-9)
    along = ((centre_mm - starts) * steps).sum(axis=1) / safe**2
    nearest = starts + np.clip(along, 0, 1)[:, None] * steps
    hits = np.flatnonzero(np.hypot(*(nearest - centre_mm).T) <= reach_mm)
    # A long line is cut to the part near the place before it is divided.
    first = np.maximum(0.0, along - reach_mm / safe)
    last = np.minimum(1.0, along + reach_mm / safe)
    runs: list[list[Array]] = []
    previous = -2
    for k in hits:
        count = max(2, math.ceil((last[k] - first[k]) * lengths[k] / _STEP_MM) + 1)
        share = np.linspace(first[k], last[k], count)
        piece = starts[k] + share[:, None] * steps[k]
        if k == previous + 1 and first[k] == 0.0 and last[previous] == 1.0:
            runs[-1].append(piece[1:])
        else:
            runs.append([piece])
        previous = int(k)
    return [np.concatenate(run) for run in runs]


def _axes(units_per_mm: Array, height: float) -> str:
    """Return 1 mm along X and along Y as the camera sees them, for the lower left corner.

    `units_per_mm` is (2, 2): sheet units (right, down) per mm of X and Y.
    """
    steps = units_per_mm.T  # row 0: X, row 1: Y
    low, high = np.minimum(0, steps).min(axis=0), np.maximum(0, steps).max(axis=0)
    foot = np.array([42.0 - low[0], height - 34.0 - high[1]])
    size = high - low
    parts = [
        f'<rect x="10" y="{foot[1] + low[1] - 38:.1f}" width="{size[0] + 116:.1f}" '
        f'height="{size[1] + 62:.1f}" fill="#fff" fill-opacity=".9"/>'
    ]
    for step, name in zip(steps, ("1 mm X", "1 mm Y"), strict=True):
        parts.append(
            f'<path d="M{foot[0]:.1f} {foot[1]:.1f}l{step[0]:.1f} {step[1]:.1f}" stroke="#111" '
            'stroke-width="3" stroke-linecap="square"/>'
        )
        x, y = foot + step
        beside = abs(step[0]) > abs(step[1])
        parts.append(drawing.text(*((x + 10, y + 6) if beside else (x - 22, y - 11)), name))
    return "".join(parts)
