from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.errors import WitmarkError
from vision.artwork.placing import ANCHORS, Rigid, bed_from_page

BOX = (2.0, -3.0, 12.0, 17.0)
number = st.floats(-500.0, 500.0)


def corners(box: tuple[float, float, float, float]) -> np.ndarray:
    x0, y0, x1, y1 = box
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def test_without_anchor_the_page_origin_lies_at_the_place() -> None:
    placed = bed_from_page(BOX, (100.0, 50.0), 30.0, None, mirror=False)
    assert placed.apply(np.zeros((1, 2)))[0] == pytest.approx((100.0, 50.0))


def test_a_turn_is_counter_clockwise() -> None:
    placed = bed_from_page(BOX, (0.0, 0.0), 90.0, None, mirror=False)
    assert placed.apply(np.array([[1.0, 0.0]]))[0] == pytest.approx((0.0, 1.0), abs=1e-12)


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("turn", [0.0, 90.0, -33.0])
@pytest.mark.parametrize("anchor", sorted(ANCHORS))
def test_the_anchor_as_seen_lies_at_the_place(anchor: str, turn: float, mirror: bool) -> None:
    placed = bed_from_page(BOX, (100.0, 50.0), turn, anchor, mirror)
    # The box on the bed, turned back about the place: the anchor is where its name says.
    seen = Rigid(0.0, 0.0, math.radians(turn)).invert(placed.apply(corners(BOX)) - (100.0, 50.0))
    low, high = seen.min(axis=0), seen.max(axis=0)
    across, up = ANCHORS[anchor]
    assert low + (high - low) * (across, up) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_mirrored_artwork_keeps_its_box_and_swaps_left_and_right() -> None:
    plain = bed_from_page(BOX, (100.0, 50.0), 0.0, "lower-left", mirror=False)
    mirrored = bed_from_page(BOX, (100.0, 50.0), 0.0, "lower-left", mirror=True)
    assert mirrored.apply(corners(BOX))[[1, 0, 3, 2]] == pytest.approx(plain.apply(corners(BOX)))


def test_mirrored_artwork_without_anchor_keeps_its_box_on_the_page() -> None:
    plain = bed_from_page(BOX, (100.0, 50.0), 25.0, None, mirror=False)
    mirrored = bed_from_page(BOX, (100.0, 50.0), 25.0, None, mirror=True)
    assert mirrored.apply(corners(BOX))[[1, 0, 3, 2]] == pytest.approx(plain.apply(corners(BOX)))


def test_mirroring_changes_handedness_only_when_asked() -> None:
    for mirror in (False, True):
        placed = bed_from_page(BOX, (1.0, 2.0), 71.0, "centre", mirror)
        assert np.linalg.det(placed.matrix) == pytest.approx(-1.0 if mirror else 1.0)


def test_an_unknown_anchor_is_refused_with_the_known_ones() -> None:
    with pytest.raises(WitmarkError, match="centre, lower-left"):
        bed_from_page(BOX, (0.0, 0.0), 0.0, "middle", mirror=False)


@settings(max_examples=50, deadline=None, derandomize=True)
@given(number, number, st.floats(-7.0, 7.0), st.booleans(), st.tuples(number, number))
def test_a_motion_keeps_lengths_and_can_be_undone(x, y, angle, mirrored, where) -> None:
    motion = Rigid(x, y, angle, mirrored)
    points = np.array([where, (0.0, 0.0)])
    moved = motion.apply(points)
    assert math.dist(*moved) == pytest.approx(math.dist(*points), abs=1e-9)
    assert motion.invert(moved) == pytest.approx(points, abs=1e-9)
