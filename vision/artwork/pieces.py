"""From flattened shapes to an artwork: disjoint areas, separate features, separate blanks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import NDArray

from vision.artwork.flatten import Polyline
from vision.artwork.rings import (
    FillRule,
    fill_polygons,
    polygon_rings,
    ring_parents,
    ring_polygons,
    union,
)
from vision.artwork.strokes import Area, Artwork, Feature, Layer, Stroke

if TYPE_CHECKING:
    from shapely import Geometry, Polygon

# What lies this near burns together into one visible piece (common practice, no source: about
# one and a half kerfs of a diode laser).
TOUCH_MM = 0.3
# A blank is at least this large; smaller frames count where they hold something and are alike.
BLANK_MM = 15.0
SMALL_BLANK_MM = 8.0
ALIKE = 0.1
SAME_SHAPE = 0.01


@dataclass(frozen=True, eq=False)
class Shape:
    """One element of a drawing, flattened.

    Attributes
    ----------
    lines
        Its sub-paths in page millimetres.
    stroke
        The layer that its sub-paths are burned in as strokes, or None.
    fill_rule
        The rule that makes its sub-paths an area that is filled, or None.
    name
        Its id; empty where there is none.
    groups
        Ids of the groups around it, the nearest first.
    """

    lines: tuple[Polyline, ...]
    stroke: Layer | None
    fill_rule: FillRule | None
    name: str = ""
    groups: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Part:
    """A stroke or a connected area of one shape, before features are known."""

    source: int
    geometry: Geometry
    line: Polyline | None
    layer: Layer


def assemble(shapes: Sequence[Shape], chord_error_mm: float) -> Artwork:
    """Join flattened shapes into an artwork.

    Strokes and areas that touch, overlap or lie within TOUCH_MM of each other make one feature;
    a closed stroke and the closed strokes of the same element that are its holes do too. What
    lies inside a frame without touching it is a feature of its own. Overlapping areas are
    united. Without strokes and areas the artwork is empty.
    """
    parts = [part for index, shape in enumerate(shapes) for part in _parts(index, shape)]
    label = _components(parts)
    members: list[list[_Part]] = [[] for _ in range(int(label.max(initial=-1)) + 1)]
    for part, feature in zip(parts, label, strict=True):
        members[feature].append(part)
    strokes = tuple(
        Stroke(part.layer, part.line.points_mm, part.line.closed, int(feature))
        for part, feature in zip(parts, label, strict=True)
        if part.line is not None
    )
    areas = tuple(
        Area(polygon_rings(polygon), feature)
        for feature, group in enumerate(members)
        for polygon in _united(group)
    )
    boxes = [_box(group) for group in members]
    piece, piece_count = _blanks(strokes, [group[0].geometry for group in members], boxes)
    features = tuple(
        Feature(name, box, int(where))
        for name, box, where in zip(_names(members, shapes), boxes, piece, strict=True)
    )
    return Artwork(strokes, areas, features, piece_count, chord_error_mm)


def _parts(index: int, shape: Shape) -> Iterable[_Part]:
    import shapely

    if shape.fill_rule is not None:
        rings = [line.points_mm for line in shape.lines]
        for polygon in fill_polygons(rings, shape.fill_rule):
            yield _Part(index, polygon, None, "fill")
    if shape.stroke is not None:
        for line in shape.lines:
            path = shapely.LinearRing if line.closed else shapely.LineString
            yield _Part(index, path(line.points_mm), line, shape.stroke)


def _components(parts: Sequence[_Part]) -> NDArray[np.int64]:
    """Return the feature of each part, numbered in the order of the file."""
    import shapely

    geometries = np.array([part.geometry for part in parts], dtype=object)
    tree = shapely.STRtree(geometries)
    first, second = tree.query(geometries, predicate="dwithin", distance=TOUCH_MM)
    links = [(int(a), int(b)) for a, b in zip(first, second, strict=True) if a < b]
    leader = list(range(len(parts)))

    def find(k: int) -> int:
        while leader[k] != k:
            leader[k] = leader[leader[k]]
            k = leader[k]
        return k

    for a, b in links + _hole_links(parts):
        low, high = sorted((find(a), find(b)))
        leader[high] = low
    roots = [find(k) for k in range(len(parts))]
    number = {root: feature for feature, root in enumerate(dict.fromkeys(roots))}
    return np.array([number[root] for root in roots], dtype=np.int64)


def _hole_links(parts: Sequence[_Part]) -> list[tuple[int, int]]:
    """Return pairs of closed strokes of one element, a contour and the contour of its hole.

    Where the element is filled as well, its area touches both and joins them.
    """
    filled = {part.source for part in parts if part.line is None}
    rings: dict[int, list[int]] = {}
    for k, part in enumerate(parts):
        if part.line is not None and part.line.closed and part.source not in filled:
            rings.setdefault(part.source, []).append(k)
    links = []
    for indices in rings.values():
        lines = (parts[k].line for k in indices)
        parent, depth = ring_parents([line.points_mm for line in lines if line is not None])
        links += [
            (indices[parent[k]], indices[k]) for k in range(len(indices)) if depth[k] % 2 == 1
        ]
    return links


def _united(group: Sequence[_Part]) -> list[Polygon]:
    """Return the areas of one feature without overlap, in the order of the file."""
    filled = [part for part in group if part.line is None]
    polygons = [cast("Polygon", part.geometry) for part in filled]
    if len({part.source for part in filled}) < 2:
        return polygons
    joined = union(polygons)

    def first(polygon: Polygon) -> int:
        return next(k for k, source in enumerate(polygons) if polygon.intersects(source))

    return sorted(joined, key=first)


def _box(group: Sequence[_Part]) -> tuple[float, float, float, float]:
    import shapely

    bounds = shapely.bounds(np.array([part.geometry for part in group], dtype=object))
    low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _names(members: Sequence[Sequence[_Part]], shapes: Sequence[Shape]) -> list[str]:
    """Name features by an element's id, else by a group that is theirs alone, else by number."""
    owners: dict[str, set[int]] = {}
    for feature, group in enumerate(members):
        for part in group:
            for name in shapes[part.source].groups:
                owners.setdefault(name, set()).add(feature)
    names = []
    taken: Counter[str] = Counter()
    for feature, group in enumerate(members):
        own = [shapes[part.source].name for part in group]
        around = [name for name in shapes[group[0].source].groups if owners[name] == {feature}]
        name = next(filter(None, [*own, *around]), f"feature {feature + 1}")
        taken[name] += 1
        while taken[name] > 1:
            name = f"{name} {taken[name]}"
            taken[name] += 1
        names.append(name)
    return names


def _blanks(
    strokes: Sequence[Stroke],
    places: Sequence[Geometry],
    boxes: Sequence[tuple[float, float, float, float]],
) -> tuple[NDArray[np.int64], int]:
    """Return the blank of each feature, and the number of blanks.

    Blanks are told by their frames: the outermost closed outlines or cuts, of which small ones
    (less than half the largest) are left out. There are several blanks where two or more frames
    lie beside each other, all at least BLANK_MM both ways or all about equal, each with
    something inside or all of one shape. Everything outside the frames goes to the nearest.
    """
    import shapely

    alone = np.zeros(len(places), dtype=np.int64)
    closed = [stroke for stroke in strokes if stroke.closed and stroke.layer != "fill"]
    if len(closed) < 2:
        return alone, 1
    _, depth = ring_parents([stroke.points_mm for stroke in closed])
    outer = [stroke for stroke, around in zip(closed, depth, strict=True) if around == 0]
    sides = np.array([np.sort(np.ptp(stroke.points_mm, axis=0)) for stroke in outer])
    large = np.flatnonzero(np.all(sides >= 0.5 * sides.max(axis=0), axis=1))
    if len(large) < 2:
        return alone, 1
    frames = [outer[k] for k in large]
    sides = sides[large]
    polygons = ring_polygons([frame.points_mm for frame in frames])
    tree = shapely.STRtree(polygons)
    if not np.all(shapely.is_valid(polygons)):
        return alone, 1
    if len(tree.query(polygons, predicate="intersects")[0]) > len(polygons):
        return alone, 1
    corners = np.array(boxes)
    boxed = shapely.box(corners[:, 0], corners[:, 1], corners[:, 2], corners[:, 3])
    inside, frame_of = tree.query(boxed, predicate="within")
    own = {frame.feature for frame in frames}
    holding = {int(f) for k, f in zip(inside, frame_of, strict=True) if k not in own}
    equal = bool(np.all(np.ptp(sides, axis=0) <= ALIKE * sides.max(axis=0)))
    roomy = sides.min() >= BLANK_MM
    filled = len(holding) == len(frames)
    if not (
        (filled and (roomy or (equal and sides.min() >= SMALL_BLANK_MM)))
        or (roomy and _one_shape(polygons))
    ):
        return alone, 1
    nearest = tree.query_nearest(np.array(places, dtype=object), all_matches=False)
    piece = alone
    piece[nearest[0]] = nearest[1]
    for index, frame in enumerate(frames):
        piece[frame.feature] = index
    return piece, len(frames)


def _one_shape(polygons: NDArray[np.object_]) -> bool:
    """Whether polygons agree in area, perimeter and the longest way across, whatever their turn."""
    import shapely

    hulls = shapely.minimum_bounding_radius(polygons)
    for size in (shapely.area(polygons), shapely.length(polygons), hulls):
        if np.ptp(size) > SAME_SHAPE * size.max():
            return False
    return True
