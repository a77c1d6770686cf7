"""Read artwork from SVG: strokes make the outline, fills make the fill."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from lxml import etree

from calibration.errors import WitmarkError
from vision.artwork.affine import Affine, parse_transform, translation
from vision.artwork.css import INHERITED, StyleSheet, is_painted, is_zero, parse_style_sheets
from vision.artwork.document import local_name, read_svg_tree, text_of
from vision.artwork.flatten import MAX_MM, MAX_VERTICES, Pen, Polyline
from vision.artwork.outlines import SHAPES, draw_shape
from vision.artwork.pieces import Shape, assemble
from vision.artwork.rings import FillRule
from vision.artwork.strokes import Artwork, Layer
from vision.artwork.units import MM_PER_PX, Box, fit_view_box, parse_length, parse_view_box

MAX_ELEMENTS = 200_000
MAX_DEPTH = 200
_XLINK = "{http://www.w3.org/1999/xlink}href"
_LAYER_ID = re.compile(r"(outline|fill|cut)s?(?![A-Za-z])", re.IGNORECASE)
_GROUPS = {"g", "a"}
_REFUSED = {
    "text": ("is text", "convert it to paths in the drawing program"),
    "flowRoot": ("is text", "convert it to paths in the drawing program"),
    "image": ("is a picture", "trace it to paths or leave it out"),
    "foreignObject": ("is not drawn in SVG", "convert it to paths or leave it out"),
}
_DRAWN = _GROUPS | _REFUSED.keys() | SHAPES | {"svg", "use", "switch"}
_CUTTERS = {
    "clip-path": "cut the shapes to size (intersection of paths) and release the clip",
    "mask": "cut the shapes to size (intersection of paths) and release the mask",
    "filter": "remove the effect or convert it to paths",
}
_MARKERS = ("marker", "marker-start", "marker-mid", "marker-end")
_PLAIN = "write the page's width and height in mm, and a viewBox"
_MEND = "mend the element or save the drawing again as plain SVG"


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
    root = read_svg_tree(path)
    where = str(path)
    try:
        sheet = parse_style_sheets(
            text_of(element)
            for element in root.iter(etree.Element)
            if local_name(element) == "style"
        )
        page, port = _page(sheet.declared(root), root)
    except ValueError as error:
        raise WitmarkError(where, str(error), _PLAIN if "style" not in str(error) else _MEND) from (
            error
        )
    drawing = _Drawing(where, sheet, chord_error_mm, _by_id(root))
    start = _Place(page, port, INHERITED, None)
    shapes = [shape for child in root for shape in drawing.visit(child, start.inherit({}))]
    artwork = assemble(shapes, chord_error_mm)
    if not artwork.features:
        hidden = f" (hidden elements: {drawing.hidden})" if drawing.hidden else ""
        raise WitmarkError(
            where, f"holds no strokes and no areas{hidden}", "draw what is to be burned as paths"
        )
    return artwork


@dataclass(frozen=True)
class _Place:
    """What an element takes over from what stands around it.

    Attributes
    ----------
    page
        Page millimetres from user units.
    port
        The viewBox (what percentages refer to), in user units.
    style
        Inherited properties.
    layer
        The layer that an id around it names.
    name
        Id of the <use> that brought it here.
    groups
        Ids of the groups around it, nearest first.
    clips
        Maps from page millimetres to the unit square of the viewports that cut it off.
    using
        Ids of what is being used, to find a circle.
    """

    page: Affine
    port: Box
    style: Mapping[str, str]
    layer: Layer | None
    name: str = ""
    groups: tuple[str, ...] = ()
    clips: tuple[Affine, ...] = ()
    using: tuple[str, ...] = ()
    depth: int = 0

    def inherit(self, declared: Mapping[str, str]) -> _Place:
        """Return the place with an element's declared properties, one level down."""
        style = {
            name: self.style[name] if declared.get(name, "inherit") == "inherit" else declared[name]
            for name in INHERITED
        }
        return replace(self, style=style, depth=self.depth + 1)


class _Drawing:
    """Walks the elements of one file and yields what they draw."""

    def __init__(
        self,
        where: str,
        sheet: StyleSheet,
        chord_error_mm: float,
        by_id: Mapping[str, etree._Element],
    ) -> None:
        self._where = where
        self._sheet = sheet
        self._error = chord_error_mm
        self._by_id = by_id
        self._elements = 0
        self._vertices = 0
        self.hidden = 0

    def visit(self, element: etree._Element, around: _Place) -> Iterator[Shape]:
        """Yield the shapes of an element and of what it holds."""
        tag = local_name(element)
        if tag not in _DRAWN:
            return
        self._elements += 1
        if self._elements > MAX_ELEMENTS or around.depth > MAX_DEPTH:
            raise WitmarkError(
                self._where,
                f"unfolds to more than {MAX_ELEMENTS:,} elements or {MAX_DEPTH} levels",
                "simplify the drawing (clones of clones)",
            )
        try:
            yield from self._visit(element, tag, around)
        except ValueError as error:
            raise WitmarkError(self._where, f"{_label(element)}: {error}", _MEND) from error

    def _visit(self, element: etree._Element, tag: str, around: _Place) -> Iterator[Shape]:
        declared = self._sheet.declared(element)
        if declared.get("display") == "none" or is_zero(declared.get("opacity", "1")):
            self.hidden += 1
            return
        for name, mend in _CUTTERS.items():
            if declared.get(name, "none") not in ("none", "inherit"):
                raise WitmarkError(self._where, f"{_label(element)} has a {name}", mend)
        if declared.get("transform-origin", ""):
            raise ValueError("transform-origin is not understood")
        place = around.inherit(declared)
        page = place.page.after(parse_transform(declared.get("transform", "")))
        if page.flat:
            self.hidden += 1
            return
        place = _named(replace(place, page=page), element, is_group=tag not in SHAPES)
        if tag in _REFUSED:
            self._refuse(element, tag, place)
        elif tag in SHAPES:
            yield from self._shape(element, tag, place, declared)
        elif tag == "use":
            yield from self._use(element, place, declared)
        elif tag == "svg":
            yield from self._viewport(element, place, declared, declared)
        elif tag == "switch":
            chosen = (
                child
                for child in element
                if local_name(child)
                and child.get("requiredExtensions") is None
                and child.get("systemLanguage") is None
            )
            for child in list(chosen)[:1]:
                yield from self.visit(child, place)
        else:
            for child in element:
                yield from self.visit(child, place)

    def _refuse(self, element: etree._Element, tag: str, place: _Place) -> None:
        empty = tag in ("text", "flowRoot") and not text_of(element).strip()
        if empty or place.style["visibility"] != "visible":
            self.hidden += 1
            return
        what, mend = _REFUSED[tag]
        raise WitmarkError(self._where, f"{_label(element)} {what}", mend)

    def _use(
        self, element: etree._Element, place: _Place, declared: Mapping[str, str]
    ) -> Iterator[Shape]:
        target = element.get("href", element.get(_XLINK, "")).strip()
        used = self._by_id.get(target[1:]) if target.startswith("#") else None
        if used is None:
            raise WitmarkError(
                self._where,
                f"{_label(element)} uses '{target[:40]}', which is not in this file",
                "turn clones into plain objects and save again",
            )
        if target in place.using:
            raise WitmarkError(
                self._where, f"{_label(element)} uses itself", "remove the circular clone"
            )
        x = parse_length(declared.get("x") or "0", place.port.width)
        y = parse_length(declared.get("y") or "0", place.port.height)
        place = replace(
            place,
            page=place.page.after(translation(x, y)),
            using=(*place.using, target),
            name=element.get("id", place.name),
        )
        if local_name(used) not in ("svg", "symbol"):
            yield from self.visit(used, place)
            return
        own = self._sheet.declared(used)
        if own.get("display") == "none" or is_zero(own.get("opacity", "1")):
            self.hidden += 1
            return
        page = place.page.after(parse_transform(own.get("transform", "")))
        size = {k: declared[k] for k in ("width", "height") if declared.get(k, "auto") != "auto"}
        inner = replace(place.inherit(own), page=page)
        yield from self._viewport(used, _named(inner, used, is_group=True), own | size, own)

    def _viewport(
        self,
        element: etree._Element,
        place: _Place,
        size: Mapping[str, str],
        declared: Mapping[str, str],
    ) -> Iterator[Shape]:
        """Yield what a nested <svg> or a used <symbol> draws in its own viewport."""
        port = Box(
            parse_length(size.get("x") or "0", place.port.width),
            parse_length(size.get("y") or "0", place.port.height),
            _size(size.get("width"), place.port.width),
            _size(size.get("height"), place.port.height),
        )
        if port.width <= 0.0 or port.height <= 0.0:
            self.hidden += 1
            return
        clips = place.clips
        if declared.get("overflow", "hidden") not in ("visible", "auto"):
            unit = Affine(a=port.width, d=port.height, e=port.x, f=port.y)
            clips = (*clips, place.page.after(unit).inverse())
        view_box = element.get("viewBox")
        if view_box is None:
            view, inner = Box(0.0, 0.0, port.width, port.height), translation(port.x, port.y)
        else:
            view = parse_view_box(view_box)
            inner = fit_view_box(view, port, element.get("preserveAspectRatio", ""))
        place = replace(place, page=place.page.after(inner), port=view, clips=clips)
        for child in element:
            yield from self.visit(child, place)

    def _shape(
        self, element: etree._Element, tag: str, place: _Place, declared: Mapping[str, str]
    ) -> Iterator[Shape]:
        style = place.style
        if style["visibility"] != "visible":
            self.hidden += 1
            return
        fill = tag != "line" and is_painted(style["fill"], style["fill-opacity"])
        stroke = is_painted(style["stroke"], style["stroke-opacity"])
        if not fill and not stroke and place.layer is None:
            self.hidden += 1
            return
        self._refuse_paint(element, style)
        pen = Pen(place.page, self._error, MAX_VERTICES - self._vertices)
        draw_shape(element, tag, declared, place.port, pen)
        lines = pen.polylines
        self._vertices += sum(len(line.points_mm) for line in lines)
        for clip in place.clips:
            if not all(clip.holds(line.points_mm, 1e-4) for line in lines):
                raise WitmarkError(
                    self._where,
                    f"{_label(element)} is cut off by the edge of a nested <svg> or <symbol>",
                    "cut the shapes to size or set overflow to visible",
                )
        for burned, layer, filled in _meaning(lines, place.layer, fill, stroke):
            rule: FillRule = "evenodd" if style["fill-rule"] == "evenodd" else "nonzero"
            yield Shape(
                burned,
                layer,
                rule if filled else None,
                place.name or element.get("id", ""),
                place.groups,
            )

    def _refuse_paint(self, element: etree._Element, style: Mapping[str, str]) -> None:
        for name in ("fill", "stroke"):
            match = re.match(r"""url\(\s*['"]?#([^'")]*)""", style[name])
            server = self._by_id.get(match[1].strip()) if match else None
            if server is not None and local_name(server) == "pattern":
                raise WitmarkError(
                    self._where,
                    f"{_label(element)} is painted with a pattern",
                    "convert the pattern to paths",
                )
        if any(style[name] != "none" for name in _MARKERS) and local_name(element) in (
            "path",
            "line",
            "polyline",
            "polygon",
        ):
            raise WitmarkError(
                self._where, f"{_label(element)} carries markers", "convert the markers to paths"
            )


def _meaning(
    lines: tuple[Polyline, ...], layer: Layer | None, fill: bool, stroke: bool
) -> Iterator[tuple[tuple[Polyline, ...], Layer | None, bool]]:
    """Yield (sub-paths, layer of their strokes, whether they are an area) of one element."""
    if layer is None:
        yield lines, "outline" if stroke else None, fill
    elif layer == "fill":
        wide = tuple(line for line in lines if line.closed or (fill and len(line.points_mm) > 2))
        if wide:
            yield wide, None, True
        hatch = tuple(line for line in lines if line not in wide)
        if hatch:
            yield hatch, "fill", False
    else:
        yield lines, layer, False


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


def _size(text: str | None, whole: float) -> float:
    return whole if text in (None, "", "auto") else parse_length(text or "", whole)


def _named(place: _Place, element: etree._Element, is_group: bool) -> _Place:
    identifier = element.get("id", "")
    match = _LAYER_ID.match(identifier)
    if match is not None:
        names: dict[str, Layer] = {"outline": "outline", "fill": "fill", "cut": "cut"}
        return replace(place, layer=names[match[1].lower()])
    if is_group and identifier:
        return replace(place, groups=(identifier, *place.groups))
    return place


def _by_id(root: etree._Element) -> dict[str, etree._Element]:
    found: dict[str, etree._Element] = {}
    for element in root.iter(etree.Element):
        found.setdefault(element.get("id", ""), element)
    found.pop("", None)
    return found


def _label(element: etree._Element) -> str:
    identifier = element.get("id")
    name = f' id="{identifier[:40]}"' if identifier else ""
    return f"<{local_name(element)}{name}> on line {element.sourceline}"
