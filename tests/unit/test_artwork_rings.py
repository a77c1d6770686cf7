from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon, box

from vision.artwork.rings import fill_polygons, polygon_rings, ring_parents, union


def square(x: float, y: float, side: float, clockwise: bool = False) -> np.ndarray:
    ring = np.array([(x, y), (x + side, y), (x + side, y + side), (x, y + side)], dtype=float)
    return ring[::-1] if clockwise else ring


def area(polygons: list[Polygon]) -> float:
    return sum(polygon.area for polygon in polygons)


def signed_area(ring: np.ndarray) -> float:
    (x, y), (x1, y1) = ring.T, np.roll(ring, -1, axis=0).T
    return float(np.sum(x * y1 - x1 * y) / 2.0)


def turns_around(ring: np.ndarray, x: float, y: float) -> int:
    """Winding number by summing angles, which the code does not do."""
    angle = np.arctan2(ring[:, 1] - y, ring[:, 0] - x)
    step = (np.diff(angle, append=angle[:1]) + math.pi) % (2.0 * math.pi) - math.pi
    return round(float(step.sum()) / (2.0 * math.pi))


def pentagram() -> np.ndarray:
    angles = math.pi / 2 + np.arange(5) * 4 * math.pi / 5
    return 10.0 * np.column_stack([np.cos(angles), np.sin(angles)])


def test_a_pentagram_has_a_hole_by_even_odd_and_none_by_non_zero() -> None:
    # SVG 2, section 13.4.2: the star of the fill-rule pictures.
    hollow, full = (fill_polygons([pentagram()], rule) for rule in ("evenodd", "nonzero"))
    # Pentagon inside a pentagram of radius R: radius R (3 - sqrt 5) / 2.
    inner = 10.0 * (3.0 - math.sqrt(5.0)) / 2.0
    pentagon = 2.5 * inner**2 * math.sin(2 * math.pi / 5)
    assert area(full) - area(hollow) == pytest.approx(pentagon)
    assert len(full) == 1
    assert not any(polygon.contains(Point(0, 0)) for polygon in hollow)
    assert full[0].contains(Point(0, 0))


@pytest.mark.parametrize(("clockwise", "nonzero_area"), [(False, 100.0), (True, 84.0)])
def test_a_ring_within_a_ring(clockwise: bool, nonzero_area: float) -> None:
    rings = [square(0, 0, 10), square(3, 3, 4, clockwise)]
    assert area(fill_polygons(rings, "evenodd")) == pytest.approx(84.0)
    assert area(fill_polygons(rings, "nonzero")) == pytest.approx(nonzero_area)


def test_an_island_in_a_hole_is_an_area_of_its_own() -> None:
    rings = [square(0, 0, 20), square(3, 3, 14), square(6, 6, 8)]
    polygons = fill_polygons(rings, "evenodd")
    assert sorted(round(polygon.area) for polygon in polygons) == [64, 400 - 196]


def test_a_bow_tie_is_two_triangles() -> None:
    ring = np.array([(0, 0), (10, 10), (10, 0), (0, 10)], dtype=float)
    polygons = fill_polygons([ring], "nonzero")
    assert len(polygons) == 2
    assert area(polygons) == pytest.approx(50.0)


def test_rings_without_area_fill_nothing() -> None:
    flat = np.array([(0, 0), (5, 0), (9, 0)], dtype=float)
    assert fill_polygons([flat, flat[:2]], "nonzero") == []
    assert fill_polygons([], "evenodd") == []


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    rings=st.lists(
        st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), min_size=3, max_size=9),
        min_size=1,
        max_size=3,
    ),
    rule=st.sampled_from(["evenodd", "nonzero"]),
)
def test_areas_agree_with_winding_numbers_by_angles(rings, rule) -> None:
    arrays = [np.array(ring, dtype=float) for ring in rings]
    polygons = fill_polygons(arrays, rule)
    # Places off the integer grid and off its simple diagonals.
    for x, y in np.random.default_rng(7).uniform(0.0, 12.0, (60, 2)):
        near = Point(x, y)
        lines = [Polygon(ring).exterior for ring in arrays]
        if min(line.distance(near) for line in lines) < 1e-6:
            continue
        winding = sum(turns_around(ring, x, y) for ring in arrays)
        inside = winding % 2 == 1 if rule == "evenodd" else winding != 0
        assert sum(polygon.contains(near) for polygon in polygons) == int(inside)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.booleans(), st.booleans(), st.floats(0.0, 360.0))
def test_outer_rings_run_counter_clockwise_and_holes_clockwise(first, second, turn) -> None:
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    rotation = np.array([[c, s], [-s, c]])
    rings = [square(0, 0, 10, first) @ rotation, square(3, 3, 4, second) @ rotation]
    (polygon,) = fill_polygons(rings, "evenodd")
    outer, hole = polygon_rings(polygon)
    assert signed_area(outer) == pytest.approx(100.0)
    assert signed_area(hole) == pytest.approx(-16.0)
    assert len(outer) == 4


def test_overlapping_areas_are_united_and_separate_ones_kept() -> None:
    joined = union([box(0, 0, 10, 10), box(5, 5, 15, 15), box(30, 0, 31, 1)])
    assert sorted(round(polygon.area) for polygon in joined) == [1, 175]


def test_ring_parents_tell_the_smallest_ring_around() -> None:
    rings = [square(6, 6, 2), square(0, 0, 20), square(5, 5, 8), square(40, 0, 3)]
    parent, depth = ring_parents(rings)
    assert parent.tolist() == [2, -1, 1, -1]
    assert depth.tolist() == [2, 0, 1, 0]
