"""Rings of points to areas: fill rules, unions, and which way round a ring runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from vision.artwork.strokes import Points

if TYPE_CHECKING:
    from shapely import Geometry, Polygon

FillRule = Literal["evenodd", "nonzero"]
# Smaller areas are what rounding leaves where two edges nearly coincide.
MIN_AREA_MM2 = 1e-6
# Pairs of a point and an edge that are looked at in one go.
_BLOCK = 1_000_000


def fill_polygons(rings_mm: Sequence[Points], rule: FillRule) -> list[Polygon]:
    """Return the disjoint polygons that a path fills, self-intersections resolved.

    The rings are cut where they cross, the plane between them falls into faces, and each face is
    kept or left by its winding number (SVG 2, section 13.4.2, "fill-rule").

    Parameters
    ----------
    rings_mm
        Each (n, 2) without a repeated end point; the last point is joined to the first.
    """
    import shapely

    rings = [ring for ring in rings_mm if len(ring) >= 3]
    if not rings:
        return []
    if len(rings) <= 2:
        # The common cases, a plain shape and one with a hole, need no faces.
        simple = list(ring_polygons(rings))
        if all(polygon.is_valid for polygon in simple):
            if len(simple) == 1:
                return _sound(simple)
            first, second = simple
            opposite = first.exterior.is_ccw != second.exterior.is_ccw
            if rule == "evenodd" or opposite:
                return _polygons(first.symmetric_difference(second))
            return _polygons(first.union(second))
    lines = [shapely.LinearRing(ring) for ring in rings]
    faces = shapely.get_parts(shapely.polygonize([shapely.union_all(lines)]))
    inside = shapely.point_on_surface(faces)
    winding = _winding(shapely.get_coordinates(inside), rings)
    kept = faces[winding % 2 != 0 if rule == "evenodd" else winding != 0]
    # The faces share their edges point by point, so that joining them needs no new crossings.
    return _polygons(shapely.coverage_union_all(kept))


def union(polygons: Sequence[Polygon]) -> list[Polygon]:
    """Return disjoint polygons that cover what the given ones cover."""
    import shapely

    if len(polygons) < 2:
        return _sound(polygons)
    return _polygons(shapely.union_all(list(polygons)))


def polygon_rings(polygon: Polygon) -> tuple[Points, ...]:
    """Return the outer ring (counter-clockwise, y up), then the holes (clockwise)."""
    from shapely.geometry.polygon import orient

    whole = orient(polygon, 1.0)
    return tuple(np.array(ring.coords)[:-1, :2] for ring in (whole.exterior, *whole.interiors))


def ring_polygons(rings_mm: Sequence[Points]) -> NDArray[np.object_]:
    """Return the polygon within each ring, valid or not, as an array of geometries."""
    import shapely

    index = np.repeat(np.arange(len(rings_mm)), [len(ring) for ring in rings_mm])
    lines = shapely.linearrings(np.concatenate(rings_mm), indices=index)
    return np.asarray(shapely.polygons(lines), dtype=object)


def ring_parents(rings_mm: Sequence[Points]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (parent, depth) of rings that do not cross.

    The parent is the index of the smallest ring around each, -1 where there is none; the depth
    is the number of rings around it.
    """
    import shapely

    parent = np.full(len(rings_mm), -1)
    depth = np.zeros(len(rings_mm), dtype=np.int64)
    if len(rings_mm) < 2:
        return parent, depth
    polygons = ring_polygons(rings_mm)
    size = shapely.area(polygons)
    # A self-crossing ring still has a first point, and a point lies in or out by even-odd.
    starts = shapely.points(np.array([ring[0] for ring in rings_mm]))
    child, around = shapely.STRtree(polygons).query(starts, predicate="within")
    for inner, outer in zip(child, around, strict=True):
        if inner == outer or size[outer] <= size[inner]:
            continue
        depth[inner] += 1
        if parent[inner] < 0 or size[outer] < size[parent[inner]]:
            parent[inner] = outer
    return parent, depth


def _polygons(geometry: Geometry) -> list[Polygon]:
    import shapely

    parts = shapely.get_parts(geometry)
    return _sound([part for part in parts if isinstance(part, shapely.Polygon)])


def _sound(polygons: Sequence[Polygon]) -> list[Polygon]:
    return [polygon for polygon in polygons if polygon.area > MIN_AREA_MM2]


def _winding(points: Points, rings: Sequence[Points]) -> NDArray[np.int64]:
    """Return how often the rings run around each of (n, 2) points, counter-clockwise positive.

    Crossings of a ray to the right: Hormann and Agathos, Comput. Geom. 20 (2001) 131.
    """
    total = np.zeros(len(points), dtype=np.int64)
    blocks = [np.hstack([ring, np.concatenate([ring[1:], ring[:1]])]) for ring in rings]
    if len(points) * sum(map(len, blocks)) < _BLOCK:
        blocks = [np.vstack(blocks)]
    for edges in blocks:
        low, high = edges[:, :2].min(axis=0), edges[:, :2].max(axis=0)
        near = np.flatnonzero(np.all((points >= low) & (points <= high), axis=1))
        x0, y0, x1, y1 = edges.T
        step = max(1, _BLOCK // len(edges))
        for chunk in (near[k : k + step] for k in range(0, len(near), step)):
            # (points, edges)
            x, y = points[chunk, :1], points[chunk, 1:]
            left = (x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)
            up = (y0 <= y) & (y < y1) & (left > 0.0)
            down = (y1 <= y) & (y < y0) & (left < 0.0)
            total[chunk] += up.sum(axis=1) - down.sum(axis=1)
    return total
