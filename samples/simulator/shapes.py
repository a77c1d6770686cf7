"""Artworks drawn by the samples themselves: strokes and areas in page millimetres, y up."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely import MultiLineString, Polygon, buffer, difference
from shapely.geometry.polygon import orient

from samples.simulator.font import text_lines, text_shape, text_width

Array = NDArray[np.float64]

_MARGIN_MM = 2.0


@dataclass(frozen=True, eq=False)
class Line:
    """A stroke to be burned: (n, 2) points; closed ones do not repeat their first point."""

    points_mm: Array
    closed: bool
    feature: str


@dataclass(frozen=True, eq=False)
class Area:
    """A region to be filled: outer ring and holes, each (n, 2) without a repeated end."""

    rings_mm: tuple[Array, ...]
    feature: str


@dataclass(frozen=True, eq=False)
class Drawing:
    """An artwork on a page whose origin is the lower left corner.

    Attributes
    ----------
    page_mm
        (width, height) of the page.
    outlines, areas
        Strokes of the outline layer and regions of the fill layer.
    both
        Names of features whose rim is outline and whose inside is fill: written as one element.
    """

    name: str
    page_mm: tuple[float, float]
    outlines: tuple[Line, ...]
    areas: tuple[Area, ...]
    both: frozenset[str] = field(default_factory=frozenset)

    def points_mm(self, layer: str) -> Array:
        """Return all (n, 2) vertices of a layer."""
        if layer == "fill":
            rings = [ring for area in self.areas for ring in area.rings_mm]
            return np.vstack(rings) if rings else np.zeros((0, 2))
        lines = [line.points_mm for line in self.outlines]
        return np.vstack(lines) if lines else np.zeros((0, 2))

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Bounding box of everything, without kerf."""
        points = np.vstack([self.points_mm("outline"), self.points_mm("fill")])
        low, high = points.min(axis=0), points.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Centre of the bounding box."""
        x0, y0, x1, y1 = self.box_mm
        return (x0 + x1) / 2, (y0 + y1) / 2


def _area(shape: Polygon, feature: str) -> Area:
    shape = orient(shape)
    rings = [np.array(ring.coords)[:-1] for ring in (shape.exterior, *shape.interiors)]
    return Area(tuple(np.asarray(ring, float) for ring in rings), feature)


def leaf_rim(length_mm: float, lobes: int, bend: float) -> Array:
    """Return the (n, 2) rim of a toothed leaf with its stalk end at the origin, tip along +x."""
    s = np.linspace(0, 1, 141)
    width = 0.34 * np.sin(np.pi * s**0.85) ** 0.85 * (1 - 0.25 * s)
    teeth = 1 + 0.09 * np.abs(np.sin(lobes * np.pi * s))
    spine = bend * np.sin(np.pi * s) * s
    upper = np.column_stack([s, spine + width * teeth])
    lower = np.column_stack([s, spine - 0.92 * width * teeth])[::-1]
    return np.asarray(length_mm * np.vstack([upper[:-1], lower[:-1]]))


def leaf_rib(length_mm: float, bend: float) -> Array:
    """Return the (n, 2) midrib of the same leaf."""
    s = np.linspace(0.06, 0.86, 40)
    return np.asarray(length_mm * np.column_stack([s, bend * np.sin(np.pi * s) * s]))


def _leaf(
    at_mm: tuple[float, float], length_mm: float, lobes: int, bend: float, feature: str
) -> tuple[Line, Area]:
    rim = leaf_rim(length_mm, lobes, bend) + at_mm
    rib = leaf_rib(length_mm, bend) + at_mm
    veins = [rib]
    for share, side in ((0.25, 1), (0.32, -1), (0.5, 1), (0.57, -1)):
        root = rib[round(share * (len(rib) - 1))]
        veins.append(np.array([root, root + length_mm * np.array([0.10, 0.13 * side])]))
    gaps = buffer(MultiLineString(veins), length_mm * 0.010, quad_segs=3)
    blade = difference(Polygon(rim), gaps)
    if not isinstance(blade, Polygon):
        raise ValueError("the veins cut the leaf in pieces")
    return Line(rim, True, feature), _area(blade, feature)


def _circle(centre: tuple[float, float], radius_mm: float) -> Array:
    turns = np.linspace(0, 2 * math.pi, 240, endpoint=False)
    return np.asarray(centre + radius_mm * np.column_stack([np.cos(turns), np.sin(turns)]))


def _text_areas(text: str, at: tuple[float, float], height: float, feature: str) -> list[Area]:
    return [
        _area(shape, f"{feature}-{index}")
        for index, shape in enumerate(text_shape(text, at, height, height * 0.16))
    ]


def _page(name: str, lines: list[Line], areas: list[Area], both: set[str] | None = None) -> Drawing:
    """Move everything so that a margin is left around it, and fit the page."""
    loose = Drawing(name, (0.0, 0.0), tuple(lines), tuple(areas))
    x0, y0, x1, y1 = loose.box_mm
    shift = np.array([_MARGIN_MM - x0, _MARGIN_MM - y0])
    return Drawing(
        name,
        # Whole tenths keep the page's size exact in the file.
        (
            math.ceil((x1 - x0 + 2 * _MARGIN_MM) * 10) / 10,
            math.ceil((y1 - y0 + 2 * _MARGIN_MM) * 10) / 10,
        ),
        tuple(
            Line(np.round(line.points_mm + shift, 4), line.closed, line.feature) for line in lines
        ),
        tuple(
            Area(tuple(np.round(ring + shift, 4) for ring in area.rings_mm), area.feature)
            for area in areas
        ),
        frozenset(both or ()),
    )


def label(size_mm: float, rng: np.random.Generator, row: int, name: str) -> Drawing:
    """Draw a leaf as fill with its outline on top, a row number and a name; `size_mm` wide."""
    lobes, bend = int(rng.integers(4, 8)), float(rng.uniform(-0.25, 0.25))
    rim, blade = _leaf((0, 0), 0.52 * size_mm, lobes, bend, "leaf")
    number = _text_areas(str(row), (0.62 * size_mm, 0.0), 0.22 * size_mm, "number")
    letter = min(0.11 * size_mm, size_mm / text_width(name, 1.0))
    word = _text_areas(name, (0.0, -0.24 * size_mm - letter), letter, "name")
    return _page("label", [rim], [blade, *number, *word])


def rectangle(size_mm: float, rng: np.random.Generator) -> Drawing:
    """Draw a plain rectangle whose outline strokes the very edge of its fill."""
    high = size_mm * float(rng.uniform(0.45, 0.75))
    ring = np.array([[0, 0], [size_mm, 0], [size_mm, high], [0, high]], float)
    return _page(
        "rectangle", [Line(ring, True, "plate")], [_area(Polygon(ring), "plate")], {"plate"}
    )


def ring_and_text(size_mm: float, rng: np.random.Generator, name: str) -> Drawing:
    """Draw a filled ring with outlined rims, and a word in its middle."""
    radius = size_mm / 2
    inner = radius * float(rng.uniform(0.78, 0.86))
    outer_rim, inner_rim = _circle((0, 0), radius), _circle((0, 0), inner)
    height = min(0.3 * size_mm, 1.5 * inner / text_width(name, 1.0))
    word = _text_areas(name, (-text_width(name, height) / 2, -height / 2), height, "word")
    lines = [Line(outer_rim, True, "ring"), Line(inner_rim[::-1], True, "ring")]
    return _page("ring", lines, [_area(Polygon(outer_rim, [inner_rim]), "ring"), *word], {"ring"})


def separate(size_mm: float, rng: np.random.Generator, name: str) -> Drawing:
    """Draw an outlined frame with a notch, and a fill of other shape inside it."""
    high = size_mm * float(rng.uniform(0.5, 0.7))
    cut = 0.12 * size_mm
    frame = np.array(
        [[0, 0], [size_mm, 0], [size_mm, high - cut], [size_mm - cut, high], [0, high]], float
    )
    bar = np.array([[0.1, 0.12], [0.5, 0.12], [0.5, 0.22], [0.1, 0.22]]) * size_mm
    _, blade = _leaf((0.56 * size_mm, high * 0.45), 0.34 * size_mm, 5, 0.2, "leaf")
    height = min(0.12 * size_mm, 0.45 * size_mm / text_width(name, 1.0))
    word = [
        Line(line, False, "word")
        for line in text_lines(name, (0.08 * size_mm, high - 0.1 * size_mm - height), height)
    ]
    hole = Line(_circle((size_mm - 1.1 * cut, 1.1 * cut), 0.4 * cut), True, "hole")
    return _page(
        "separate", [Line(frame, True, "frame"), hole, *word], [_area(Polygon(bar), "bar"), blade]
    )


def pieces(size_mm: float, rng: np.random.Generator) -> Drawing:
    """Draw several equal leaves beside each other, each a fill with its outline."""
    columns, rows = (3, 2) if rng.random() < 0.5 else (2, 2)
    pitch = size_mm / columns
    lines, areas = [], []
    for index in range(columns * rows):
        at = (pitch * (index % columns), 0.72 * pitch * (index // columns))
        rim, blade = _leaf(at, 0.82 * pitch, 5, 0.15, f"piece-{index}")
        lines.append(rim)
        areas.append(blade)
    return _page("pieces", lines, areas)


def only_fill(size_mm: float, rng: np.random.Generator, name: str) -> Drawing:
    """Draw a leaf and a word, fill only."""
    full = label(size_mm, rng, int(rng.integers(1, 25)), name)
    return _page("only_fill", [], list(full.areas))


def only_outline(size_mm: float, rng: np.random.Generator, name: str) -> Drawing:
    """Draw a leaf with its rib, a hole and a word, outlines only."""
    bend = float(rng.uniform(-0.25, 0.25))
    height = min(0.12 * size_mm, size_mm / text_width(name, 1.0))
    lines = [
        Line(leaf_rim(0.6 * size_mm, 6, bend), True, "leaf"),
        Line(leaf_rib(0.6 * size_mm, bend), False, "leaf"),
        Line(_circle((0.82 * size_mm, 0.0), 0.12 * size_mm), True, "hole"),
    ]
    lines += [
        Line(line, False, "word")
        for line in text_lines(name, (0.0, -0.24 * size_mm - height), height)
    ]
    return _page("only_outline", lines, [])


NAMES = ("BEANS", "LEEK", "CARROT", "CHARD", "ONION", "KALE", "PEAS", "BEET", "MINT", "SQUASH")

ARTS: dict[str, Callable[[float, np.random.Generator], Drawing]] = {
    "label": lambda size, rng: label(size, rng, int(rng.integers(1, 25)), _name(rng)),
    "rectangle": rectangle,
    "ring": lambda size, rng: ring_and_text(size, rng, _name(rng)),
    "separate": lambda size, rng: separate(size, rng, _name(rng)),
    "pieces": pieces,
    "only_fill": lambda size, rng: only_fill(size, rng, _name(rng)),
    "only_outline": lambda size, rng: only_outline(size, rng, _name(rng)),
}


def _name(rng: np.random.Generator) -> str:
    return NAMES[int(rng.integers(len(NAMES)))]
