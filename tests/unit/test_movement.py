from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.unit.movement_scenes import SIZE, STILL, Drawn, about, box, camera, corners, touched
from vision.artwork.placing import Rigid
from vision.register.ground import ground_for
from vision.register.movement import Movement, bed_movement, work_movement
from vision.register.resample import look_up, spline_coefficients
from vision.register.work import find_blank

MOVED = about((100.0, 75.0), 3.0, -2.0, math.radians(1.2))


def measured(drawn: Drawn, motion: Rigid = STILL, bed_motion=None, **changes) -> Movement:
    surface = camera()
    before = drawn.capture(surface)
    after = drawn.later(mark=True, **changes).capture(surface, motion)
    lies = motion.apply(corners(drawn))
    blank = find_blank(before, lies, 0.03, 8.0)
    return work_movement(before, after, blank, lies, touched(surface, lies), bed_motion)


def error(moved: Movement, motion: Rigid):
    pivot = np.array(moved.pivot_mm)
    shift = motion.apply(pivot[None])[0] - pivot
    return np.array([moved.dx_mm, moved.dy_mm, moved.turn_rad]) - [*shift, motion.angle_rad]


def assert_right(moved: Movement, motion: Rigid) -> None:
    assert moved.measured, moved.why
    off = error(moved, motion)
    assert np.abs(off[:2]).max() < 0.035
    # 16.3 is the 99.9 % quantile of chi-square with three degrees of freedom.
    assert off @ np.linalg.solve(moved.covariance, off) < 16.3


@pytest.mark.parametrize("texture", ["plain", "printed", "brushed"])
@pytest.mark.parametrize("bed", ["honeycomb", "sheet"])
@pytest.mark.parametrize("motion", [STILL, MOVED], ids=["still", "moved"])
def test_movement_is_right_within_its_own_interval(texture, bed, motion):
    assert_right(measured(Drawn(texture=texture, bed=bed), motion), motion)


def test_smoke_and_other_exposure_are_not_taken_for_a_movement():
    assert_right(measured(Drawn(), MOVED, light=0.85, glow=0.05), MOVED)


def test_a_static_bed_does_not_hold_the_work_back():
    motion = about((100.0, 75.0), 0.3, 0.0, 0.0)
    assert_right(measured(Drawn(texture="plain", bed="slats"), motion), motion)


def test_plain_work_without_edges_in_view_is_not_told():
    moved = measured(Drawn(half_mm=(200.0, 200.0), texture="plain"))
    assert moved.state == "not_told"
    assert moved.covariance is None
    assert "texture" in moved.why


def test_printed_work_without_edges_in_view_is_measured_by_its_printing():
    motion = about((100.0, 75.0), 1.5, 1.0, 0.01)
    assert_right(measured(Drawn(half_mm=(200.0, 200.0)), motion), motion)


def test_work_that_is_gone_is_missing():
    moved = measured(Drawn(level=0.7), gone=True)
    assert moved.state == "missing"
    assert not moved.measured


def test_grain_that_changed_with_the_light_is_noticed():
    moved = measured(Drawn(texture="brushed"), grain=7)
    assert "light_changed" in moved.findings
    if moved.measured:
        assert_right(moved, STILL)


def test_grain_that_wandered_with_the_light_is_noticed():
    surface = camera()
    drawn = Drawn(texture="brushed")
    before = drawn.capture(surface)
    # The pattern has gone 0.5 mm across the grain, the work has not.
    wandered = drawn.later(lies=about((0, 0), 100.0, 75.5, 0.03), half_mm=(30.0, 19.999)).capture(
        surface
    )
    after = drawn.later().capture(surface)
    inside = touched(surface, drawn.lies.apply(box(29, 19)))
    linear = np.where(inside, wandered.linear, after.linear)
    grey = np.where(inside, wandered.grey, after.grey)
    blank = find_blank(before, corners(drawn), 0.03)
    none = np.zeros(SIZE[::-1], bool)
    moved = work_movement(
        before, replace(after, linear=linear, grey=grey), blank, corners(drawn), none, None
    )
    assert "light_changed" in moved.findings
    if moved.measured:
        assert np.hypot(moved.dx_mm, moved.dy_mm) < 0.05


def test_grain_without_edges_that_is_not_found_again_is_not_told():
    moved = measured(Drawn(half_mm=(200.0, 200.0), texture="brushed"), grain=7)
    assert not moved.measured


def test_a_bumped_camera_is_seen_by_the_bed_and_taken_out_of_the_work():
    drawn = Drawn()
    told, true = camera(), camera(bump_rad=0.002)
    before, after = drawn.capture(told), replace(drawn.later().capture(true), surface=told)
    keep_out = touched(told, drawn.lies.apply(box(34, 24)))
    bed = bed_movement(before, after, keep_out)
    assert bed.measured
    assert np.hypot(bed.dx_mm, bed.dy_mm) == pytest.approx(0.8, abs=0.1)
    blank = find_blank(before, corners(drawn), 0.03)
    none = np.zeros(SIZE[::-1], bool)
    moved = work_movement(before, after, blank, corners(drawn), none, bed.apparent)
    assert moved.measured
    assert np.hypot(moved.dx_mm, moved.dy_mm) < 0.03
    assert np.hypot(*(moved.apparent.apply(np.array([[100.0, 75.0]]))[0] - [100.0, 75.0])) > 0.7


def test_a_bed_that_lies_still_is_told_so():
    drawn = Drawn()
    surface = camera()
    keep_out = touched(surface, drawn.lies.apply(box(40, 30)))
    bed = bed_movement(drawn.capture(surface), drawn.later().capture(surface, MOVED), keep_out)
    assert_right(bed, STILL)


def test_a_bed_wholly_covered_is_not_told():
    drawn = Drawn()
    surface = camera()
    everything = np.ones(SIZE[::-1], bool)
    bed = bed_movement(drawn.capture(surface), drawn.later().capture(surface), everything)
    assert bed.state == "not_told"


def test_nothing_is_resampled_where_nothing_moved():
    drawn = Drawn()
    surface = camera()
    before, after = drawn.capture(surface), drawn.later().capture(surface)
    assert np.array_equal(ground_for(before, after, STILL), before.linear)


def test_the_ground_is_what_the_moved_work_would_show():
    drawn = replace(Drawn(), noise=0.0)
    tilted = camera(tilt_deg=12.0)
    before, after = drawn.capture(camera()), drawn.capture(tilted, MOVED)
    ground = ground_for(before, after, MOVED)
    inside = touched(
        tilted,
        MOVED.apply(drawn.lies.apply(box(28, 18))),
    )
    # The light hangs on the picture in these scenes, not on the bed: its ratio is smooth.
    ratio = (after.linear / ground)[inside]
    assert np.std(ratio) < 0.02
    assert np.std((after.linear / before.linear)[inside]) > 0.1


def test_outside_the_box_the_ground_is_the_before_capture():
    drawn = Drawn()
    surface = camera()
    before, after = drawn.capture(surface), drawn.later().capture(surface, MOVED)
    part = (200, 150, 420, 330)
    ground = ground_for(before, after, MOVED, part)
    assert np.array_equal(ground[:150], before.linear[:150])
    whole = ground_for(before, after, MOVED)
    assert ground[150:330, 200:420] == pytest.approx(whole[150:330, 200:420], abs=1e-3)
    assert np.array_equal(ground_for(before, after, MOVED, (50, 50, 50, 80)), before.linear)


def test_splines_agree_with_an_independent_library():
    ndimage = pytest.importorskip("scipy.ndimage")
    picture = np.random.default_rng(5).standard_normal((60, 70)).astype(np.float32)
    v, u = np.mgrid[8:50:1.37, 9:60:1.21].astype(np.float32)
    ours = look_up(spline_coefficients(picture), u, v)
    theirs = ndimage.map_coordinates(picture.astype(float), [v, u], order=3, mode="mirror")
    assert ours == pytest.approx(theirs, abs=2e-4)


def test_a_line_of_the_bed_beyond_the_works_edge_is_not_taken_for_the_edge():
    drawn = Drawn()
    surface = camera()
    before = drawn.capture(surface)
    blank = find_blank(before, corners(drawn), 0.03)
    assert blank.edges
    # As if each edge had been found where half of what lies inside of it is bed.
    beyond = {side: replace(edge, inner=0.6 * edge.inner) for side, edge in blank.edges.items()}
    spoiled = replace(blank, edges=beyond).without_bed_lines()
    assert not spoiled.edges
    assert set(spoiled.why) >= set(beyond)
    after = drawn.later().capture(surface, MOVED)
    none = np.zeros(SIZE[::-1], bool)
    moved = work_movement(before, after, spoiled, MOVED.apply(corners(drawn)), none)
    assert "edges" not in moved.fit_note or moved.fit_note.startswith("0 edges")
    assert blank.without_bed_lines().edges == blank.edges
    sound = work_movement(before, after, blank, MOVED.apply(corners(drawn)), none)
    assert_right(sound, MOVED)
