"""The four pictures of a report: where it is, the worst place, the local offsets, the change."""

from __future__ import annotations

import numpy as np

from cli.report import drawing, raster
from cli.report.closeup import close_up
from cli.report.drawing import PENS, Array
from cli.report.sheet import LEFT, Figure, Sheet, camera_px_per_mm, window_of
from cli.report.words import number
from vision.result import Picture

# Widths of the straightened captures: for looking at, and for drawing on.
_WIDEST_PX, _GROUND_PX = 1300, 900
# Local offsets are averaged over square cells of this many sheet units.
_CELL = 42.0
# A typical arrow is at most this long; noise is not blown up beyond this factor.
_ARROW, _MOST_TIMES = 90.0, 200.0


def figures(picture: Picture) -> tuple[Figure, ...]:
    """Return the pictures of a job, in the order of the page."""
    window = window_of(picture)
    if window is None:
        return (Figure("overview", "The burned job", "The camera does not see the bed.", None),)
    native = camera_px_per_mm(picture.surface_after, window)
    width_px = int(np.clip(1.6 * native * window.width_mm, _GROUND_PX, _WIDEST_PX))
    after = raster.straightened(picture.after, picture.surface_after, window, width_px)
    ground_px = (_GROUND_PX, raster.rows_of(window, _GROUND_PX))
    ground = raster.shrunk(raster.grey_of(after), ground_px)
    sheet = Sheet(window)
    return (
        _overview(picture, sheet, after),
        close_up(picture),
        _offsets(picture, sheet, ground),
        _change(picture, sheet),
    )


def _overview(picture: Picture, sheet: Sheet, after: raster.Rgb) -> Figure:
    parts = [sheet.raster(raster.jpeg_uri(after)), sheet.grid(), sheet.clip("overview-clip")]
    pens = []
    left_out = False
    for name, motion in drawing.placed_layers(picture):
        lines = drawing.layer_lines(picture.artwork, None if name == "intended" else name)
        placed = [(sheet.units(motion.apply(points)), closed) for points, closed in lines]
        data, complete = drawing.path_data(placed)
        left_out = left_out or not complete
        parts.append(drawing.stroke_path(data, PENS[name], "overview-clip"))
        pens.append(PENS[name])
    if picture.worst_at_mm is not None:
        x, y = sheet.units(np.array([picture.worst_at_mm]))[0]
        parts.append(drawing.ring(float(x), float(y), 18.0, "worst point"))
    parts += [sheet.scale(), drawing.legend(LEFT, sheet.legend_y, pens)]
    if not pens:
        caption = "The artwork was not found, and nothing said where it should be."
    elif picture.intended is None:
        caption = "Nothing said where the artwork should be; the lines show where it was found."
    elif not picture.found:
        caption = "Dashed: where the artwork should be. It was not found."
    else:
        caption = "Dashed: where the artwork should be. Other lines: where each layer was found."
    return sheet.figure(
        "overview",
        "The burned job, seen from straight above",
        f"{caption} The grid is the bed’s, in millimetres.{drawing.LEFT_OUT if left_out else ''}",
        "".join(parts),
    )


def _offsets(picture: Picture, sheet: Sheet, ground: raster.Grey) -> Figure:
    title = "Local offsets, exaggerated"
    if len(picture.local_mm) == 0:
        return Figure("offsets", title, "No local offsets were measured.", None)
    arrows = _averaged(picture, sheet)
    sizes = np.concatenate([np.hypot(rows[:, 2], rows[:, 3]) for rows in arrows.values()])
    typical_mm = max(float(np.percentile(sizes, 90)), 1e-4)
    factor = min(drawing.nice_below(_ARROW / (typical_mm * sheet.units_per_mm)), _MOST_TIMES)
    parts = [sheet.raster(raster.jpeg_uri(raster.faded(ground))), sheet.grid()]
    for layer, rows in arrows.items():
        feet = sheet.units(rows[:, :2])
        steps = rows[:, 2:] * [1, -1] * sheet.units_per_mm * factor
        parts += [
            drawing.arrow(foot, step, PENS[layer], filled=layer != "fill")
            for foot, step in zip(feet, steps, strict=True)
        ]
    parts += [sheet.scale(), _arrow_legend(list(arrows), typical_mm, factor, sheet)]
    against = (
        "where the artwork should be"
        if picture.intended is not None
        else "the common fit of all layers, as nothing said where the artwork should be"
    )
    caption = (
        f"Arrows {factor:g}× as long as the offset, against {against}. Each arrow is the mean of "
        f"{number(_CELL / sheet.units_per_mm, 1)} mm around its foot. Filled heads: outline and "
        "cut; open heads: fill."
    )
    return sheet.figure("offsets", title, caption, "".join(parts))


def _change(picture: Picture, sheet: Sheet) -> Figure:
    title = "What changed between before and after"
    if picture.before is None:
        return Figure("change", title, "There is no before capture to compare with.", None)
    # Each capture goes through its own map, so that a camera that moved in between cancels out,
    # and both are resampled alike, so that no edge differs by its sharpness alone.
    after, before = (
        raster.grey_of(raster.straightened(capture, surface, sheet.window, _GROUND_PX))
        for capture, surface in (
            (picture.after, picture.surface_after),
            (picture.before, picture.surface_before or picture.surface_after),
        )
    )
    change, reach = raster.signed_difference(after, before)
    parts = [
        sheet.raster(raster.jpeg_uri(change)),
        sheet.grid(),
        sheet.scale(),
        _grey_legend(reach, sheet.legend_y),
    ]
    caption = (
        "Middle grey: no change. Darker: darker after; lighter: lighter after. Black and white "
        f"mean {reach:g} grey levels or more. An edge with one dark and one light rim has moved."
    )
    return sheet.figure("change", title, caption, "".join(parts))


def _averaged(picture: Picture, sheet: Sheet) -> dict[str, Array]:
    """Return per layer (n, 4) x, y, dx, dy in mm, averaged over the cells of a coarse net."""
    names = np.array(picture.local_layer)
    result = {}
    for layer in dict.fromkeys(picture.local_layer):
        rows = picture.local_mm[names == layer]
        cells = np.floor(sheet.units(rows[:, :2]) / _CELL).astype(int)
        _, place = np.unique(cells, axis=0, return_inverse=True)
        place = place.ravel()
        count = np.bincount(place)
        sums = [np.bincount(place, weights=rows[:, k]) / count for k in range(4)]
        result[layer] = np.stack(sums, axis=1)
    return result


def _arrow_legend(layers: list[str], typical_mm: float, factor: float, sheet: Sheet) -> str:
    x, y = LEFT, sheet.legend_y
    parts = []
    for layer in layers:
        foot, step = np.array([x, y - 6]), np.array([46.0, 0.0])
        parts.append(drawing.arrow(foot, step, PENS[layer], filled=layer != "fill"))
        parts.append(drawing.text(x + 56, y, layer))
        x += 156
    sample_mm = drawing.nice_below(1.4 * typical_mm)
    length = sample_mm * sheet.units_per_mm * factor
    return (
        "".join(parts)
        + f'<path d="M{x:.1f} {y - 6:.1f}h{length:.1f}m0 -6v12M{x:.1f} {y - 12:.1f}v12" '
        'stroke="#111" stroke-width="2" fill="none"/>'
        + drawing.text(
            x + length + 12, y, f"an arrow this long is {sample_mm:g} mm (arrows {factor:g}×)"
        )
    )


def _grey_legend(reach: float, y: float) -> str:
    count, left = 9, LEFT + 140
    swatches = []
    for k in range(count):
        level = round(128 + (2 * k / (count - 1) - 1) * 127)
        swatches.append(
            f'<rect x="{left + 32 * k:.1f}" y="{y - 16:.1f}" width="32" height="18" '
            f'fill="rgb({level},{level},{level})" stroke="#111" stroke-width=".6"/>'
        )
    return (
        drawing.text(left - 10, y, f"−{reach:g} darker", "end")
        + "".join(swatches)
        + drawing.text(left + 32 * count + 10, y, f"+{reach:g} lighter, in grey levels")
    )
