from __future__ import annotations

import math

import numpy as np
import pytest

from vision.measure.margins import margins
from vision.register.edges import SIDES, Edge
from vision.register.work import Blank


def blank(turn_rad: float = 0.0, missing: tuple[str, ...] = (), wall_mm: float = 0.0) -> Blank:
    """A work of 60 x 40 mm about (100, 50)."""
    edges, why = {}, {}
    for k, side in enumerate(SIDES):
        if side in missing:
            why[side] = "out of view"
            continue
        normal = turn_rad + k * math.pi / 2
        reach = 30.0 if k % 2 == 0 else 20.0
        middle = np.array([100.0, 50.0]) + reach * np.array([math.cos(normal), math.sin(normal)])
        edges[side] = Edge(
            side,
            (float(middle[0]), float(middle[1])),
            normal,
            15.0,
            np.diag([0.01**2, 0.0005**2]),
            0.2,
            0.3,
            wall_mm=wall_mm if side == "bottom" else 0.0,
        )
    return Blank(edges, turn_rad, (100.0, 50.0), 100.0, None, why)


MARK = np.array([[80.0, 40.0], [115.0, 40.0], [115.0, 62.0], [80.0, 62.0]])


def test_margins_are_the_nearest_points_distances():
    found = margins(blank(), MARK, 0.0)
    assert list(found) == ["left_mm", "right_mm", "bottom_mm", "top_mm"]
    values = {name: q.value for name, q in found.items()}
    assert values == pytest.approx({"left_mm": 10, "right_mm": 15, "bottom_mm": 10, "top_mm": 8})


def test_sides_are_named_in_the_artworks_axes():
    quarter = margins(blank(), MARK, math.pi / 2)
    # The artwork's right looks along the bed's Y, so its right edge is the upper one.
    assert quarter["right_mm"].value == pytest.approx(8)
    assert quarter["top_mm"].value == pytest.approx(10)
    assert quarter["left_mm"].value == pytest.approx(10)
    assert quarter["bottom_mm"].value == pytest.approx(15)


def test_margins_turn_with_the_work():
    c, s = math.cos(0.1), math.sin(0.1)
    turned = (MARK - [100, 50]) @ np.array([[c, s], [-s, c]]) + [100, 50]
    found = margins(blank(0.1), turned, 0.1)
    assert found["right_mm"].value == pytest.approx(15)
    assert found["top_mm"].value == pytest.approx(8)


def test_uncertainty_grows_away_from_the_middle_of_the_edge():
    # Offset 0.01 mm, turn 0.0005 rad times the distance from the middle, 0.15 px of 0.2 mm.
    found = margins(blank(), np.array([[125.0, 50.0]]), 0.0)["right_mm"]
    assert found.u95 == pytest.approx(1.96 * math.hypot(0.01, 0.03), rel=1e-3)
    far = margins(blank(), np.array([[125.0, 90.0]]), 0.0)["right_mm"]
    assert far.u95 == pytest.approx(1.96 * math.hypot(0.01, 0.03, 0.0005 * 40), rel=1e-3)


def test_a_wall_that_shows_lengthens_the_interval_inwards_only():
    found = margins(blank(wall_mm=0.5), MARK, 0.0)["bottom_mm"]
    plain = margins(blank(), MARK, 0.0)["bottom_mm"]
    assert found.interval[0] == pytest.approx(plain.interval[0] - 0.5)
    assert found.interval[1] == pytest.approx(plain.interval[1])


def test_a_mark_over_the_edge_has_a_negative_margin():
    assert margins(blank(), MARK + np.array([20.0, 0.0]), 0.0)["right_mm"].value == pytest.approx(
        -5
    )


def test_an_edge_that_was_not_seen_says_why_and_none_gives_none():
    found = margins(blank(missing=("top",)), MARK, 0.0)
    assert found["top_mm"].value is None
    assert found["top_mm"].why == "out of view"
    assert found["left_mm"].value == pytest.approx(10)
    assert margins(blank(missing=SIDES), MARK, 0.0) is None
    assert margins(blank(), np.empty((0, 2)), 0.0) is None
