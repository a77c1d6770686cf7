"""Walk the elements of a drawing and tell what each of them burns."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

from lxml import etree

from calibration.errors import WitmarkError
from vision.artwork.affine import Affine, parse_transform, translation
from vision.artwork.css import INHERITED, StyleSheet, is_painted, is_zero
from vision.artwork.document import local_name, text_of
from vision.artwork.flatten import MAX_VERTICES, Pen, Polyline
from vision.artwork.outlines import SHAPES, draw_shape
from vision.artwork.pieces import Shape
from vision.artwork.rings import FillRule
from vision.artwork.strokes import Layer
from vision.artwork.units import Box, fit_view_box, parse_length, parse_view_box

# Drawings nest less than this, and clones of clones are how a small file unfolds to a huge one.
MAX_CLONED = 20_000
MAX_DEPTH = 150
_XLINK = "{http://www.w3.org/1999/xlink}href"
_LAYER_ID = re.compile(r"(outline|fill|cut)s?(?![A-Za-z])", re.IGNORECASE)
_LAYERS: dict[str, Layer] = {"outline": "outline", "fill": "fill", "cut": "cut"}
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
_MEND = "mend the element or save the drawing again as plain SVG"


@dataclass(frozen=True)
class Place:
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
    layer: Layer | None = None
    name: str = ""
    groups: tuple[str, ...] = ()
    clips: tuple[Affine, ...] = ()
    using: tuple[str, ...] = ()
    depth: int = 0

    def inherit(self, declared: Mapping[str, str]) -> Place:
        """Return the place with an element's declared properties, one level down."""
        style = {
            name: self.style[name] if declared.get(name, "inherit") == "inherit" else declared[name]
            for name in INHERITED
        }
        return replace(self, style=style, depth=self.depth + 1)

    def named(self, element: etree._Element) -> Place:
        """Return the place with what an element's id says: its layer, or the name of a group."""
        identifier = element.get("id", "")
        match = _LAYER_ID.match(identifier)
        if match is not None:
            return replace(self, layer=_LAYERS[match[1].lower()])
        if identifier and local_name(element) not in SHAPES:
            return replace(self, groups=(identifier, *self.groups))
        return self


class Drawing:
    """Walks the elements of one file and yields what they draw."""

    def __init__(
        self,
        where: str,
        sheet: StyleSheet,
        chord_error_mm: float,
        root: etree._Element,
    ) -> None:
        self._where = where
        self._sheet = sheet
        self._error = chord_error_mm
        self._root = root
        self._by_id = _by_id(root)
        self._cloned = 0
        self._vertices = 0
        self.hidden = 0

    def shapes(self, page: Affine, port: Box) -> Iterator[Shape]:
        """Yield what the whole file draws.

        Parameters
        ----------
        page
            Page millimetres from the root's user units.
        port
            The root's viewBox, in user units.
        """
        with self._blaming(self._root):
            declared = self._sheet.declared(self._root)
            if declared.get("transform", ""):
                raise ValueError("a transform of the outermost <svg> is not understood")
            place = self._enter(self._root, Place(page, port, INHERITED), declared)
        if place is not None:
            # The root's id names the drawing, not a part of it.
            place = replace(place, groups=())
            for child in self._root:
                yield from self._visit(child, place)

    def _visit(self, element: etree._Element, around: Place) -> Iterator[Shape]:
        """Yield the shapes of an element and of what it holds."""
        tag = local_name(element)
        if tag not in _DRAWN:
            return
        self._cloned += bool(around.using)
        if self._cloned > MAX_CLONED or around.depth > MAX_DEPTH:
            raise WitmarkError(
                self._where,
                f"unfolds to more than {MAX_CLONED:,} cloned elements or {MAX_DEPTH} levels",
                "turn clones into plain objects or leave some out",
            )
        with self._blaming(element):
            declared = self._sheet.declared(element)
            place = self._enter(element, around, declared)
            if place is not None:
                yield from self._draw(element, tag, place, declared)

    @contextmanager
    def _blaming(self, element: etree._Element) -> Iterator[None]:
        """Say on one line which element a ValueError is about."""
        try:
            yield
        except ValueError as error:
            raise WitmarkError(self._where, f"{_label(element)}: {error}", _MEND) from error

    def _enter(
        self, element: etree._Element, around: Place, declared: Mapping[str, str]
    ) -> Place | None:
        """Return the place within an element, or None where nothing of it is shown."""
        if declared.get("display") == "none" or is_zero(declared.get("opacity", "1")):
            self.hidden += 1
            return None
        for name, mend in _CUTTERS.items():
            if declared.get(name, "none") not in ("none", "inherit"):
                raise WitmarkError(self._where, f"{_label(element)} has a {name}", mend)
        if declared.get("transform-origin", ""):
            raise ValueError("transform-origin is not understood")
        page = around.page.after(parse_transform(declared.get("transform", "")))
        if page.flat:
            self.hidden += 1
            return None
        return replace(around.inherit(declared), page=page).named(element)

    def _draw(
        self, element: etree._Element, tag: str, place: Place, declared: Mapping[str, str]
    ) -> Iterator[Shape]:
        if tag in _REFUSED:
            self._refuse(element, tag, place)
        elif tag in SHAPES:
            yield from self._shape(element, tag, place, declared)
        elif tag == "use":
            yield from self._use(element, place, declared)
        elif tag == "svg":
            yield from self._viewport(element, place, declared)
        else:
            children = list(element)
            if tag == "switch":
                children = [child for child in children if _shown_by_switch(child)][:1]
            for child in children:
                yield from self._visit(child, place)

    def _refuse(self, element: etree._Element, tag: str, place: Place) -> None:
        empty = tag in ("text", "flowRoot") and not text_of(element).strip()
        if empty or place.style["visibility"] != "visible":
            self.hidden += 1
            return
        what, mend = _REFUSED[tag]
        raise WitmarkError(self._where, f"{_label(element)} {what}", mend)

    def _use(
        self, element: etree._Element, place: Place, declared: Mapping[str, str]
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
            yield from self._visit(used, place)
            return
        own = self._sheet.declared(used)
        inner = self._enter(used, place, own)
        if inner is not None:
            size = {k: declared[k] for k in ("width", "height") if k in declared}
            yield from self._viewport(used, inner, own | size)

    def _viewport(
        self,
        element: etree._Element,
        place: Place,
        declared: Mapping[str, str],
    ) -> Iterator[Shape]:
        """Yield what a nested <svg> or a used <symbol> draws in its own viewport."""
        port = Box(
            parse_length(declared.get("x") or "0", place.port.width),
            parse_length(declared.get("y") or "0", place.port.height),
            _size(declared.get("width"), place.port.width),
            _size(declared.get("height"), place.port.height),
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
            yield from self._visit(child, place)

    def _shape(
        self, element: etree._Element, tag: str, place: Place, declared: Mapping[str, str]
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


def _size(text: str | None, whole: float) -> float:
    return whole if text in (None, "", "auto") else parse_length(text or "", whole)


def _shown_by_switch(child: etree._Element) -> bool:
    return (
        local_name(child) != ""
        and child.get("requiredExtensions") is None
        and child.get("systemLanguage") is None
    )


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
