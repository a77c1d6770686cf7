"""Displacements: told elsewhere, combined, their intervals against trials."""

import math

import numpy as np
import pytest

from calibration.quantity import K95, Quantity
from vision.artwork.placing import Rigid
from vision.measure.offsets import (
    Offset,
    combine,
    displacement,
    length_interval,
    offset_between,
    offset_of,
    only_worst,
    reaching,
    rigid_response,
    worst,
)
from vision.result import Displacement

NOTHING = np.zeros((3, 3))
A = np.array([[4e-4, 1e-4, 2e-6], [1e-4, 3e-4, -1e-6], [2e-6, -1e-6, 1e-6]])
B = np.diag([1e-4, 2e-4, 4e-7])
TOLD = Offset(np.array([0.12, -0.05, 0.004]), np.array([100.0, 80.0]), A, B)


def test_telling_it_elsewhere_and_back_changes_nothing():
    back = TOLD.told_at(np.array([130.0, 60.0])).told_at(TOLD.at_mm)
    assert back.vector == pytest.approx(TOLD.vector)
    assert back.covariance == pytest.approx(TOLD.covariance)


def test_told_elsewhere_the_covariance_is_that_of_drawn_displacements():
    there = np.array([140.0, 95.0])
    drawn = np.random.default_rng(1).multivariate_normal(TOLD.vector, TOLD.covariance, 200_000)
    away = there - TOLD.at_mm
    shifted = drawn[:, :2] + drawn[:, 2:] * np.array([-away[1], away[0]])
    told = TOLD.told_at(there)
    assert told.vector[:2] == pytest.approx(shifted.mean(axis=0), abs=5e-4)
    assert told.covariance[:2, :2] == pytest.approx(np.cov(shifted.T), rel=0.02, abs=2e-6)


def test_the_best_known_point_of_a_turned_piece_is_not_always_its_middle():
    """A correlated turn makes one side surer than the middle: carrying must keep it."""
    lopsided = Offset(np.zeros(3), np.zeros(2), np.diag([1e-4, 1e-4, 1e-6]), NOTHING)
    lopsided.statistical[1, 2] = lopsided.statistical[2, 1] = -9e-6
    sigma = [lopsided.told_at(np.array([x, 0.0])).covariance[1, 1] ** 0.5 for x in (-9, 0, 9)]
    assert sigma[2] < 0.5 * sigma[1] < sigma[1] < sigma[0]


@pytest.mark.parametrize("angle_deg", [0.0, 10.0, -90.0])
def test_where_it_is_minus_where_it_should_be(angle_deg):
    expected = Rigid(50.0, 40.0, math.radians(angle_deg))
    found = Rigid(50.3, 39.9, math.radians(angle_deg + 0.5))
    page = np.array([0.0, 0.0])
    told = offset_between(found, expected, page, expected.apply(page[None])[0], A)
    assert told.vector == pytest.approx([0.3, -0.1, math.radians(0.5)])


def test_a_turn_across_half_a_circle_stays_small():
    expected, found = Rigid(0.0, 0.0, math.pi - 0.001), Rigid(0.0, 0.0, -math.pi + 0.001)
    told = offset_between(found, expected, np.zeros(2), np.zeros(2), A)
    assert told.vector[2] == pytest.approx(0.002)


def test_combining_is_generalised_least_squares():
    there = Offset(np.array([0.2, 0.02, 0.001]), np.array([120.0, 70.0]), 2 * A, B)
    both, chi2, freedom = combine([TOLD, there], [NOTHING, NOTHING])
    moved = there.told_at(TOLD.at_mm)
    whole = np.block([[TOLD.statistical, NOTHING], [NOTHING, moved.statistical]])
    design = np.vstack([np.eye(3), np.eye(3)])
    values = np.concatenate([TOLD.vector, moved.vector])
    weight = np.linalg.inv(whole)
    covariance = np.linalg.inv(design.T @ weight @ design)
    best = covariance @ design.T @ weight @ values
    left = values - design @ best
    assert both.vector == pytest.approx(best)
    assert both.statistical == pytest.approx(covariance)
    assert (chi2, freedom) == (pytest.approx(left @ weight @ left), 3)


def test_what_all_share_is_not_averaged_away():
    many, _, _ = combine([TOLD] * 10, [NOTHING] * 10)
    assert many.statistical == pytest.approx(A / 10)
    assert many.systematic == pytest.approx(B)


def test_one_alone_disagrees_with_nobody():
    same, chi2, freedom = combine([TOLD], [NOTHING])
    assert same.vector == pytest.approx(TOLD.vector)
    assert (chi2, freedom) == (0.0, 0)


@pytest.mark.parametrize("true_mm", [0.0, 0.02, 0.3])
def test_the_interval_of_a_length_covers_the_true_length(true_mm):
    rng = np.random.default_rng(3)
    covariance = np.array([[4e-4, 1.5e-4], [1.5e-4, 2e-4]])
    drawn = rng.multivariate_normal([true_mm, 0.0], covariance, 4000)
    low, high = length_interval(drawn, np.tile(covariance, (4000, 1, 1)))
    share = ((low <= true_mm) & (true_mm <= high)).mean()
    assert share > 0.94
    # A length near zero is hardly ever missed at the high end, one far from it rarely at the low.
    assert share < (0.96 if true_mm == 0.0 else 0.995)
    assert (high < true_mm).mean() < 0.033


def test_the_interval_of_a_length_far_from_zero_ends_where_its_own_direction_says():
    low, high = length_interval(np.array([[3.0, 4.0]]), np.eye(2)[None] * 0.01**2)
    # Square roots of the 95 % quantiles of chi-square with two degrees of freedom (5.9915), as the
    # low end must do for lengths near zero, and with one (3.8415).
    assert (low[0], high[0]) == (pytest.approx(4.97552, abs=4e-5), pytest.approx(5.01960, abs=4e-5))


def test_the_worst_point_is_the_worst_of_a_brute_search():
    rng = np.random.default_rng(8)
    points = TOLD.at_mm + rng.uniform(-40, 40, (300, 2))
    length, where = worst(TOLD, points)
    c, s = math.cos(TOLD.vector[2]), math.sin(TOLD.vector[2])
    turned = (points - TOLD.at_mm) @ np.array([[c, -s], [s, c]]).T + TOLD.at_mm
    moved = np.hypot(*(turned + TOLD.vector[:2] - points).T)
    assert length.value == pytest.approx(moved.max())
    assert where == pytest.approx(points[moved.argmax()])
    assert length.interval[0] < length.value < length.interval[1]


def test_the_interval_of_the_worst_point_covers_the_true_worst():
    rng = np.random.default_rng(9)
    points = TOLD.at_mm + np.array([[-30.0, -20], [30, -20], [30, 20], [-30, 20]])
    true = np.array([0.10, 0.04, 0.002])
    exact, _ = worst(Offset(true, TOLD.at_mm, A, NOTHING), points)
    held = 0
    for vector in rng.multivariate_normal(true, A, 400):
        found, _ = worst(Offset(vector, TOLD.at_mm, A, NOTHING), points)
        held += found.interval[0] <= exact.value <= found.interval[1]
    assert held >= 0.93 * 400


def test_a_displacement_is_reported_in_millimetres_and_degrees():
    told = displacement(TOLD, TOLD.at_mm + np.array([[0.0, 0.0], [20.0, 0.0]]))
    sigma = np.sqrt(np.diag(TOLD.covariance))
    assert told.dx_mm.value == pytest.approx(0.12)
    assert told.dx_mm.u95 == pytest.approx(K95 * sigma[0])
    assert told.rotation_deg.value == pytest.approx(math.degrees(0.004))
    assert told.rotation_deg.u95 == pytest.approx(math.degrees(K95 * sigma[2]))
    assert told.distance_mm.value == pytest.approx(0.13)
    # At (20, 0) the turn lifts the point by 0.08 mm: (0.12, 0.03); here it stays at 0.13.
    assert told.worst_mm.value == pytest.approx(0.13, abs=5e-4)
    assert told.measured


def test_a_turn_that_cannot_be_seen_has_no_number_but_a_reason():
    told = displacement(TOLD, TOLD.at_mm[None], "the outline is round")
    assert told.rotation_deg.value is None
    assert told.rotation_deg.why == "the outline is round"
    again = offset_of(told, TOLD.at_mm)
    assert again.vector == pytest.approx([0.12, -0.05, 0.0])


def test_a_displacement_that_was_not_measured_is_no_offset():
    assert offset_of(Displacement.missing("too faint"), np.zeros(2)) is None


def test_where_pieces_differ_only_the_worst_point_is_told():
    small = displacement(TOLD, TOLD.at_mm[None])
    large = displacement(
        Offset(3 * TOLD.vector, TOLD.at_mm + 5, A, B), TOLD.at_mm[None] + [[9.0, 0.0]]
    )
    both = only_worst([small, large, Displacement.missing("gone")], "they differ")
    assert both.worst_mm is large.worst_mm
    assert both.worst_at_mm == large.worst_at_mm
    assert both.dx_mm == Quantity.missing("they differ")
    assert not both.measured


def test_the_response_to_a_rigid_move_is_that_move():
    rng = np.random.default_rng(2)
    points = rng.uniform(0, 50, (30, 2))
    at = np.array([20.0, 10.0])
    away = points - at
    moves = np.stack(
        [
            np.tile([1.0, 0.0], (30, 1)),
            np.stack([-away[:, 1], away[:, 0]], axis=1),
            away,  # a growth is no rigid move
        ],
        axis=2,
    )
    response = rigid_response(moves, points, at)
    assert response[:, :2] == pytest.approx(np.array([[1, 0], [0, 0], [0, 1.0]]), abs=1e-9)
    assert response[:2, 2] == pytest.approx(away.mean(axis=0), rel=0.2)


def test_a_worst_point_that_may_lie_further_has_a_wider_interval_upwards():
    points = np.array([[90.0, 70.0], [110.0, 90.0]])
    told = displacement(TOLD, points)
    further = reaching(told, 0.1)
    low, high = told.worst_mm.interval
    assert further.worst_mm.interval == pytest.approx((low, high + 0.1))
    assert further.worst_mm.value == told.worst_mm.value
    assert further.dx_mm == told.dx_mm
    missing = Displacement.missing("not seen")
    assert reaching(missing, 0.1) is missing
    either = reaching(told, 0.1, 0.02)
    assert either.worst_mm.high == further.worst_mm.high
    assert either.worst_mm.low == pytest.approx(max(0.0, further.worst_mm.low - 0.02))
    assert reaching(told, 9.0, 9.0).worst_mm.low == 0.0


def test_a_worst_point_that_something_else_may_explain_begins_at_nothing_and_ends_as_before():
    told = displacement(TOLD, TOLD.at_mm + np.array([[0.0, 0.0], [20.0, 0.0]]))
    assert told.worst_mm.interval[0] > 0
    loose = reaching(told, 0.0, math.inf).worst_mm
    assert loose.interval == (0.0, told.worst_mm.interval[1])
    assert loose.value == told.worst_mm.value
