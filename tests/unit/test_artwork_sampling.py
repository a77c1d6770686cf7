from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.artwork.sampling import artwork_layers, outline_points
from vision.artwork.strokes import Area, Artwork, Feature, Stroke

SQUARE = np.array([(0, 0), (10, 0), (10, 10), (0, 10)], dtype=float)
HOLE = np.array([(4, 4), (4, 6), (6, 6), (6, 4)], dtype=float)


def artwork(strokes: tuple[Stroke, ...] = (), areas: tuple[Area, ...] = ()) -> Artwork:
    features = tuple(Feature(f"feature {k}", (0.0, 0.0, 10.0, 10.0), 0) for k in (1, 2))
    return Artwork(strokes, areas, features, 1, 0.01)


def test_layers_are_those_that_hold_something() -> None:
    cut = Stroke("cut", SQUARE, True, 0)
    assert artwork_layers(artwork((cut,), (Area((SQUARE,), 0),))) == ("fill", "cut")
    assert artwork_layers(artwork((Stroke("fill", SQUARE, False, 0),))) == ("fill",)
    assert artwork_layers(artwork()) == ()


def test_a_closed_line_is_sampled_once_all_the_way_round() -> None:
    points, tangents, feature = outline_points(
        artwork((Stroke("outline", SQUARE, True, 1),)), "outline", 2.0
    )
    assert len(points) == 20
    assert np.hypot(*np.diff(points, axis=0, append=points[:1]).T) == pytest.approx(np.full(20, 2))
    assert tangents[1].tolist() == [1.0, 0.0]
    assert tangents[-1].tolist() == [0.0, -1.0]
    assert set(feature.tolist()) == {1}


def test_an_open_line_is_sampled_at_both_ends() -> None:
    points, _, _ = outline_points(artwork((Stroke("cut", SQUARE, False, 0),)), "cut", 7.0)
    assert points[0].tolist() == [0.0, 0.0]
    assert points[-1].tolist() == [0.0, 10.0]


def test_areas_lie_to_the_left_of_their_rings() -> None:
    points, tangents, _ = outline_points(artwork(areas=(Area((SQUARE, HOLE), 0),)), "fill", 0.5)
    left = points + 0.2 * tangents @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    in_square = np.all((left >= 0) & (left <= 10), axis=1)
    in_hole = np.all((left > 4) & (left < 6), axis=1)
    assert np.all(in_square & ~in_hole)
    assert len(points) == 80 + 16


def test_a_layer_without_lines_gives_nothing() -> None:
    points, tangents, feature = outline_points(artwork(), "outline", 1.0)
    assert points.shape == tangents.shape == (0, 2)
    assert feature.shape == (0,)


@pytest.mark.parametrize("spacing", [0.0, -1.0, math.nan])
def test_a_spacing_must_be_positive(spacing: float) -> None:
    with pytest.raises(ValueError, match="spacing"):
        outline_points(artwork(), "outline", spacing)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=2, max_size=9),
    st.floats(0.1, 30.0),
)
def test_steps_are_even_along_the_line_and_tangents_are_unit(points, spacing) -> None:
    line = np.array(points)
    lengths = np.hypot(*np.diff(line, axis=0).T)
    if lengths.min() < 1e-6:
        return
    found, tangents, _ = outline_points(
        artwork((Stroke("outline", line, False, 0),)), "outline", spacing
    )
    total = float(lengths.sum())
    steps = max(1, round(total / spacing))
    assert len(found) == steps + 1
    # No chord is longer than the way along the line.
    assert np.hypot(*np.diff(found, axis=0).T).max() <= total / steps * (1 + 1e-9)
    assert np.hypot(*tangents.T) == pytest.approx(np.ones(len(found)))
    assert found[-1] == pytest.approx(line[-1], abs=1e-9)
