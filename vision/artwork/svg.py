"""Read artwork from SVG: strokes make the outline, fills make the fill."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from lxml import etree

from calibration.errors import WitmarkError
from vision.artwork.affine import Affine
from vision.artwork.css import StyleSheet, parse_style_sheets
from vision.artwork.document import local_name, read_svg_tree, text_of
from vision.artwork.drawing import Drawing
from vision.artwork.flatten import MAX_MM
from vision.artwork.pieces import assemble
from vision.artwork.strokes import Artwork
from vision.artwork.units import MM_PER_PX, Box, fit_view_box, parse_length, parse_view_box


def read_svg(path: Path, chord_error_mm: float = 0.01) -> Artwork:
    """Read an SVG file (SVG 1.1 and the static part of SVG 2) as artwork in page millimetres.

    The page's origin is the lower left corner of the viewport, y up. Without width and height the
    viewBox counts at 96 px per inch; width and height of 100 % count as missing.

    - A stroked element gives outline strokes, a filled one gives an area, one with both gives
      both; which colour is all one. A gradient is a fill; opacity burns in full unless it is 0.
    - Ids of elements or groups that begin with `outline`, `fill` or `cut` (as `outline-2`) decide
      instead; the innermost counts. In `outline` and `cut` every sub-path is a stroke, painted or
      not. In `fill` every filled or closed sub-path is an area; an open one that is not filled is
      a hatch stroke of the layer "fill".
    - Stroke width, dashes, caps and joins are ignored: the kerf is the machine's.
    - What is not shown (display, visibility, opacity 0, within <defs>) is not burned. What lies
      beyond the page's edge is.
    - Text, pictures, clips, masks, filters, markers and patterns are refused, as they would
      change what is burned; so is whatever cannot be read with certainty.

    Parameters
    ----------
    chord_error_mm
        Largest distance between a curve and the polyline that stands for it.

    Raises
    ------
    WitmarkError
        On one line: the element, what is wrong with it, how to mend it.
    """
    if not chord_error_mm > 0.0:
        raise ValueError(f"the chord error must be positive: {chord_error_mm!r}")
    root = read_svg_tree(path)
    where = str(path)
    sheet = _style_sheet(root, where)
    try:
        page, port = _page(sheet.declared(root), root)
    except ValueError as error:
        raise WitmarkError(
            where, str(error), "write the page's width and height in mm, and a viewBox"
        ) from error
    drawing = Drawing(where, sheet, chord_error_mm, root)
    artwork = assemble(list(drawing.shapes(page, port)), chord_error_mm)
    if not artwork.features:
        hidden = f" (hidden elements: {drawing.hidden})" if drawing.hidden else ""
        raise WitmarkError(
            where, f"holds no strokes and no areas{hidden}", "draw what is to be burned as paths"
        )
    return artwork


def _style_sheet(root: etree._Element, where: str) -> StyleSheet:
    styles = (element for element in root.iter(etree.Element) if local_name(element) == "style")
    try:
        return parse_style_sheets(text_of(element) for element in styles)
    except ValueError as error:
        raise WitmarkError(
            where, str(error), "write the paint into the elements (presentation attributes)"
        ) from error


def _page(declared: Mapping[str, str], root: etree._Element) -> tuple[Affine, Box]:
    """Return the map from the root's user units to the page, and its viewBox."""
    view_box = root.get("viewBox")
    view = None if view_box is None else parse_view_box(view_box)
    width, height = (_side(declared.get(name, "")) for name in ("width", "height"))
    if view is None and (width is None or height is None):
        raise ValueError("the page has no size: <svg> lacks width and height as well as a viewBox")
    # One side that is missing follows from the other and the shape of the viewBox.
    shape = view or Box(0.0, 0.0, 1.0, 1.0)
    if width is None:
        width = shape.width if height is None else height * shape.width / shape.height
    if height is None:
        height = width * shape.height / shape.width
    if width <= 0.0 or height <= 0.0:
        raise ValueError(f"the page has no size (width {width:g} px, height {height:g} px)")
    if max(width, height) * MM_PER_PX > MAX_MM:
        raise ValueError("the page is larger than 10 m")
    port = Box(0.0, 0.0, width, height)
    flip = Affine(a=MM_PER_PX, d=-MM_PER_PX, f=height * MM_PER_PX)
    if view is None:
        return flip, port
    fit = fit_view_box(view, port, root.get("preserveAspectRatio", ""))
    return flip.after(fit), view


def _side(text: str) -> float | None:
    return None if text.strip() in ("", "auto", "100%") else parse_length(text, None)
