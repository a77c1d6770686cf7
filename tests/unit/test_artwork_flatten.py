from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.artwork.affine import Affine, parse_transform
from vision.artwork.flatten import Pen, draw_path, parse_points

coordinate = st.floats(-200.0, 200.0)
point = st.tuples(coordinate, coordinate)
chord_error = st.sampled_from([0.5, 0.01, 0.002])
factor = st.floats(0.05, 20.0)
matrix = st.builds(
    lambda sx, sy, turn, shear, mirror: parse_transform(
        f"rotate({turn}) skewX({shear}) scale({sx},{-sy if mirror else sy})"
    ),
    factor,
    factor,
    st.floats(-180.0, 180.0),
    st.floats(-60.0, 60.0),
    st.booleans(),
)


def flat(data: str, page: Affine = Affine(), error: float = 0.01) -> list[tuple[np.ndarray, bool]]:  # noqa: B008
    pen = Pen(page, error)
    draw_path(data, pen)
    return [(line.points_mm, line.closed) for line in pen.polylines]


def mapped(page: Affine, points: np.ndarray) -> np.ndarray:
    return points @ np.array([[page.a, page.b], [page.c, page.d]]) + (page.e, page.f)


def farthest(dense: np.ndarray, line: np.ndarray) -> float:
    return float(shapely.distance(shapely.points(dense), shapely.LineString(line)).max())


@settings(max_examples=60, deadline=None, derandomize=True)
@given(points=st.tuples(point, point, point, point), page=matrix, error=chord_error)
def test_a_cubic_stays_within_the_chord_error(points, page, error) -> None:
    (x0, y0), *rest = points
    data = f"M{x0!r},{y0!r} C" + " ".join(f"{x!r},{y!r}" for x, y in rest)
    lines = flat(data, page, error)
    if not lines:
        assert np.ptp(mapped(page, np.array(points)), axis=0).max() < 1e-3
        return
    t = np.linspace(0.0, 1.0, 501)[:, None]
    p0, p1, p2, p3 = np.array(points)
    # De Casteljau, unlike the code's polynomial form.
    a, b, c = p0 + t * (p1 - p0), p1 + t * (p2 - p1), p2 + t * (p3 - p2)
    d, e = a + t * (b - a), b + t * (c - b)
    dense = mapped(page, d + t * (e - d))
    line, closed = lines[0]
    assert farthest(dense, np.vstack([line, line[:1]]) if closed else line) <= error * 1.001 + 2e-3


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    r=st.tuples(st.floats(0.5, 150.0), st.floats(0.5, 150.0)),
    turn=st.floats(-90.0, 90.0),
    start=st.floats(-180.0, 180.0),
    sweep=st.floats(5.0, 355.0),
    positive=st.booleans(),
    page=matrix,
    error=chord_error,
)
def test_an_arc_stays_within_the_chord_error(r, turn, start, sweep, positive, page, error) -> None:
    signed = math.radians(sweep if positive else -sweep)
    angles = math.radians(start) + np.linspace(0.0, signed, 401)
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    local = np.column_stack([r[0] * np.cos(angles), r[1] * np.sin(angles)])
    dense = local @ np.array([[c, s], [-s, c]])
    (x0, y0), (x1, y1) = dense[0].tolist(), dense[-1].tolist()
    arc = (*r, turn, int(sweep > 180), int(positive), x1, y1)
    data = f"M{x0!r},{y0!r} A" + " ".join(map(repr, arc))
    line, _ = flat(data, page, error)[0]
    scale = max(abs(v) for v in page[:4]) * max(r)
    assert farthest(mapped(page, dense), line) <= error * 1.001 + 1e-6 * scale


def test_the_number_of_points_follows_the_chord_error() -> None:
    coarse, fine = (len(flat("M0,0 A50,50 0 0 1 100,0", error=e)[0][0]) for e in (0.1, 0.001))
    # Sagitta of a circle: e = r (1 - cos(h / 2)), so ten times the points for e / 100.
    assert fine == pytest.approx(10 * coarse, rel=0.1)


def test_radii_that_cannot_reach_are_scaled_up() -> None:
    # SVG 2, appendix B.2.5: the arc becomes a half ellipse around the middle of the chord.
    line, _ = flat("M0,0 A1,1 0 0 1 20,0")[0]
    assert np.hypot(*(line - (10.0, 0.0)).T) == pytest.approx(np.full(len(line), 10.0))
    assert line[:, 1].min() == pytest.approx(-10.0, abs=0.01)


def test_a_radius_of_nothing_is_a_straight_line() -> None:
    assert flat("M0,0 A0,5 0 0 1 20,0")[0][0].tolist() == [[0.0, 0.0], [20.0, 0.0]]


def test_doubled_points_and_sub_paths_of_no_length_are_dropped() -> None:
    lines = flat("M1,1 L1,1 1,1 z M0,0 L0,0 5,0 5,0 5,5 M9,9 M7,7 L7,7")
    assert [(line.tolist(), closed) for line, closed in lines] == [
        ([[0.0, 0.0], [5.0, 0.0], [5.0, 5.0]], False)
    ]


def test_a_sub_path_that_returns_to_its_start_is_closed() -> None:
    line, closed = flat("M0,0 L5,0 5,5 0,0")[0]
    assert closed
    assert len(line) == 3


def test_there_and_back_is_an_open_stroke() -> None:
    assert flat("M0,0 L5,0 z")[0][1] is False


def test_a_command_after_a_close_begins_at_the_old_start() -> None:
    lines = flat("M3,4 h5 v5 z l-1,-1")
    assert lines[1][0].tolist() == [[3.0, 4.0], [2.0, 3.0]]


def test_every_way_to_write_a_number_is_read_alike() -> None:
    assert flat("M00.5-1.e1+2.5.5,1E1\n\t3")[0][0].tolist() == [[0.5, -10], [2.5, 0.5], [10, 3]]


@pytest.mark.parametrize(
    "data",
    [
        "L1 1",
        "5 5 M0 0 L1 1",
        "M0 0 L1 1 # 2 2",
        "M0 0 L1 1 garbage L3 3",
        "M0 0 L1",
        "M0 0 C1 2 3 4",
        "M0 0 L1 1,,2 2",
        "M0 0 Z 3 3",
        "M0 0 A1 1 0 2 0 3 3",
        "M0 0 A1 1 0 0 0 3",
        "M0 0 L NaN 3",
        "M0 0 L inf 3",
        "M0 0 L 1e999 3",
        "M0 0 L 1e9 3",
        "M0 0 A 1e9 1e9 0 0 0 3 3",
        "M0 0 L 1 −1",
        "M",
    ],
)
def test_what_a_lenient_reader_would_skip_is_refused(data: str) -> None:
    with pytest.raises(ValueError, match=r"begin|plain numbers|needs sets|not an arc|large|10 m"):
        flat(data)


def test_points_need_pairs() -> None:
    assert parse_points("0,0 10-5\n3 4") == [(0.0, 0.0), (10.0, -5.0), (3.0, 4.0)]
    with pytest.raises(ValueError, match="sets of 2"):
        parse_points("0,0 10")


def test_a_pen_stops_at_its_room() -> None:
    pen = Pen(Affine(), 1e-9, room=1000)
    with pytest.raises(ValueError, match="points"):
        draw_path("M0,0 A50,50 0 0 1 100,0", pen)


@settings(max_examples=50, deadline=None, derandomize=True)
@given(first=matrix, second=matrix, where=point)
def test_maps_compose_and_undo(first, second, where) -> None:
    inner = first.point(*where)
    both = second.after(first).point(*where)
    assert both == pytest.approx(second.point(inner.real, inner.imag), rel=1e-9, abs=1e-6)
    back = first.inverse().point(inner.real, inner.imag)
    assert (back.real, back.imag) == pytest.approx(where, abs=1e-6)


@pytest.mark.parametrize(
    "text",
    [
        "foo(3)",
        "translate(1px)",
        "scale(1 2 3)",
        "matrix(1 0 0 1 2)",
        "translate(1 2) garbage",
        "rotate(nan)",
        "rotate(10 5)",
        "scale(1,,2)",
        "scale(1e200) scale(1e200)",
        "rotate(",
    ],
)
def test_unreadable_transforms_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"not a transform|plain numbers|needs|finite"):
        parse_transform(text)


def test_flat_maps_are_told() -> None:
    assert parse_transform("scale(0,1)").flat
    assert not parse_transform("scale(1e-5)").flat
