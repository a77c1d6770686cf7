from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.unit.movement_scenes import STILL, Drawn, about, camera, corners, touched
from vision.register.edge_checks import crooked
from vision.register.edges import SIDES
from vision.register.follow import follow_blank
from vision.register.work import find_blank


def true_beyond_mm(drawn: Drawn, edge, motion=STILL) -> float:
    place = drawn.lies.invert(motion.invert(np.array(edge.middle_mm)[None]))[0]
    k = SIDES.index(edge.side)
    return (1 if k < 2 else -1) * float(place[k % 2]) - drawn.half_mm[k % 2]


@pytest.mark.parametrize("texture", ["plain", "printed", "brushed"])
@pytest.mark.parametrize("bed", ["honeycomb", "slats", "sheet"])
def test_every_edge_of_a_blank_is_found_to_a_tenth_of_a_pixel(texture, bed):
    drawn = Drawn(texture=texture, bed=bed)
    blank = find_blank(drawn.capture(camera()), corners(drawn), 0.02)
    if bed != "slats":
        assert set(blank.edges) == set(SIDES), blank.why
    # Slats may hide an edge that lies along one of them.
    assert {"left", "right"} <= set(blank.edges), blank.why
    for edge in blank.edges.values():
        assert abs(true_beyond_mm(drawn, edge)) < 0.03
        turn = edge.normal_rad - SIDES.index(edge.side) * math.pi / 2
        assert math.remainder(turn - drawn.lies.angle_rad, 2 * math.pi) == pytest.approx(
            0, abs=1e-3
        )
    if blank.polygon_mm is None:
        return
    back = np.abs(drawn.lies.invert(blank.polygon_mm))
    assert back == pytest.approx(np.tile(drawn.half_mm, (4, 1)), abs=0.05)


def test_edges_far_from_a_small_mark_are_found():
    drawn = Drawn(half_mm=(88.0, 40.0), texture="brushed", bed="sheet")
    core = drawn.lies.apply(np.array([[-3.0, -2.0], [3.0, -2.0], [3.0, 2.0], [-3.0, 2.0]]))
    blank = find_blank(drawn.capture(camera()), core, 0.03)
    assert set(blank.edges) == set(SIDES), blank.why
    for edge in blank.edges.values():
        assert abs(true_beyond_mm(drawn, edge)) < 0.05


def test_edges_out_of_view_are_named_and_the_rest_is_measured():
    drawn = Drawn(half_mm=(30.0, 90.0), texture="plain")
    blank = find_blank(drawn.capture(camera()), corners(drawn), 0.03)
    assert set(blank.edges) == {"left", "right"}
    assert blank.polygon_mm is None
    assert blank.why == {"top": "out of view", "bottom": "out of view"}


def test_an_artwork_outside_the_view_gives_no_edges_but_a_reason():
    drawn = Drawn()
    blank = find_blank(drawn.capture(camera()), corners(drawn) + 900.0, 0.0)
    assert not blank.edges
    assert set(blank.why) == set(SIDES)


def test_a_slat_that_runs_along_the_work_is_not_taken_for_its_edge():
    # The upper edge lies within a blade as bright as the work, two millimetres below its end.
    drawn = Drawn(texture="plain", bed="slats", level=0.55, lies=about((0, 0), 100.0, 74.0, 0.0))
    blank = find_blank(drawn.capture(camera()), corners(drawn), 0.0)
    for edge in blank.edges.values():
        assert abs(true_beyond_mm(drawn, edge)) < 0.05


def test_the_blank_is_found_again_after_it_moved():
    drawn = Drawn(texture="plain")
    surface = camera()
    before = drawn.capture(surface)
    blank = find_blank(before, corners(drawn), 0.03)
    motion = about((100.0, 75.0), -5.0, 4.0, math.radians(-2.0))
    after = drawn.later(mark=True).capture(surface, motion)
    burned = touched(surface, motion.apply(corners(drawn)))
    again = follow_blank(before, after, blank, corners(drawn), burned)
    assert again is not None
    assert len(again.edges) == 4
    for edge in again.edges.values():
        assert abs(true_beyond_mm(drawn, edge, motion)) < 0.03


def test_what_is_surely_work_is_cut_at_the_edges_and_kept_to_the_core_elsewhere():
    drawn = Drawn(half_mm=(30.0, 90.0), texture="plain", lies=about((0, 0), 100.0, 75.0, 0.0))
    found = find_blank(drawn.capture(camera()), corners(drawn), 0.0)
    polygon = found.surely_inside(corners(drawn), 1.0) - [100.0, 75.0]
    assert np.abs(polygon[:, 0]) == pytest.approx(29.0, abs=0.05)
    # Nothing crosses the picture above and below: the work goes on there.
    assert np.abs(polygon[:, 1]).min() > 20.0
    faint = replace(found, why={"top": "too faint", "bottom": "too faint"})
    polygon = faint.surely_inside(corners(drawn), 1.0) - [100.0, 75.0]
    assert np.abs(polygon[:, 1]) == pytest.approx(10.0, abs=0.05)


def test_a_moved_blank_takes_its_edges_along():
    drawn = Drawn(texture="plain")
    blank = find_blank(drawn.capture(camera()), corners(drawn), 0.03)
    motion = about((100.0, 75.0), 2.0, 1.0, 0.01)
    moved = blank.moved(motion)
    for side, edge in moved.edges.items():
        assert abs(true_beyond_mm(drawn, edge, motion)) < 0.03
        assert edge.normal_rad == pytest.approx(blank.edges[side].normal_rad + 0.01)


def test_sides_are_at_right_angles_as_well_as_their_turns_are_known():
    drawn = Drawn(texture="plain")
    edges = find_blank(drawn.capture(camera()), corners(drawn), 0.03).edges
    top = edges["top"]
    tilted = {**edges, "top": replace(top, normal_rad=top.normal_rad + math.radians(1.0))}
    assert crooked(edges, 0.03) == []
    assert crooked(tilted, 0.03) == ["top"]
    doubt = {**dict.fromkeys(SIDES, 0.0), "top": math.radians(0.3)}
    assert crooked(tilted, 0.03, doubt) == []
