"""Stated covariances of the calibration against the spread of many noisy calibrations.

Exact projections plus normal noise, so that only what the covariance claims to cover is at work.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.bed import PLACE as BED_PLACE
from calibration.bed import BedMark
from calibration.bed_fit import solve_bed
from calibration.bed_solve import BoardObservation
from calibration.board import Board, BoardPlace
from calibration.lens import Lens
from calibration.lens_fit import fit_model
from calibration.lens_solve import View
from calibration.plane import TRACKING, PlaneSurface
from calibration.pose import Pose
from calibration.tracking import resolve_from_corners

SIZE = (1920, 1080)
SIGMA_PX = 0.1
BOARD = Board("charuco", 11, 8, 15.0, 11.0, "DICT_5X5_250", print_scale_u95=0.002)
LENS = Lens.from_values(
    SIZE, fx=1500, fy=1498, cx=965, cy=530, k1=-0.2, k2=0.08, p1=0.001, p2=-0.0007, k3=-0.03
)
IDS = np.arange(BOARD.corner_count)
AT_X = BED_PLACE.start
PLACE = BoardPlace((110.0, 200.0), 3.0, 2.5)
POINTS = np.array([[20.0, 20.0], [200.0, 150.0], [380.0, 280.0], [120.0, 180.0]])
HEIGHT_MM = 5.0


def camera() -> Pose:
    tilt = Pose.from_vectors([math.pi - 0.3, 0.05, 0.1], [0, 0, 0]).rotation
    return Pose(tilt, -tilt @ np.array([200.0, -10.0, 480.0]))


def lens_views() -> list[tuple[np.ndarray, np.ndarray]]:
    """Ten held boards: (ids, exact pixels)."""
    rng = np.random.default_rng(5)
    flat = np.c_[BOARD.points_mm(), np.zeros(len(IDS))]
    views = []
    while len(views) < 10:
        turn = Pose.from_vectors(rng.normal(0, 0.35, 3), [0, 0, 0]).rotation
        depth = rng.uniform(220, 420)
        middle = depth * np.array([rng.uniform(-0.5, 0.5), rng.uniform(-0.3, 0.3), 1.0])
        pose = Pose(turn, middle - turn @ np.array([82.5, 60.0, 0.0]))
        px = LENS.project(pose.apply(flat))
        inside = (px > 5).all(axis=1) & (px[:, 0] < 1915) & (px[:, 1] < 1075)
        if inside.sum() >= 20:
            views.append((IDS[inside], px[inside]))
    return views


def noise_of_sides(rng: np.random.Generator, ids: np.ndarray) -> np.ndarray:
    """(n, 2) errors of corners by the sides through them: each side's counts for both its ends."""
    rows, columns = BOARD.squares_y - 1, BOARD.corners_x
    across = rng.normal(0, SIGMA_PX, (rows, columns + 1))
    down = rng.normal(0, SIGMA_PX, (rows + 1, columns))
    v, u = across[:, :-1] + across[:, 1:], down[:-1] + down[1:]
    return np.stack([u.ravel(), v.ravel()], axis=1)[ids] / math.sqrt(2)


@pytest.mark.slow
def test_bed_points_err_as_much_as_lens_and_pose_claim() -> None:
    exact = lens_views()
    pose = camera()
    board_px = LENS.project(pose.apply(PLACE.bed_points(BOARD.points_mm())))
    seen = LENS.project(pose.apply(np.c_[POINTS, np.full(len(POINTS), HEIGHT_MM)]))
    standardised = []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        noisy = [
            View(str(i), "", ids, px + noise_of_sides(rng, ids))
            for i, (ids, px) in enumerate(exact)
        ]
        lens = fit_model(BOARD, SIZE, noisy, "brown-conrady").lens
        found = board_px + noise_of_sides(rng, IDS)
        fit = solve_bed(
            lens, BOARD, [BoardObservation("bed", IDS, found, PLACE)], created="2026-01-01"
        )
        surface = PlaneSurface(fit.bed, HEIGHT_MM)
        error = surface.mm_from_px(seen) - POINTS
        jacobian = surface.calibration_jacobian_mm(POINTS)
        covariance = np.zeros_like(surface.calibration_covariance)
        for name in ("lens", "camera pose"):
            part = surface.terms()[name].where
            covariance[part, part] = surface.calibration_covariance[part, part]
        spread = jacobian @ covariance @ jacobian.transpose(0, 2, 1)
        standardised.append(np.einsum("na,nab,nb->n", error, np.linalg.inv(spread), error) / 2)
    per_point = np.sqrt(np.mean(standardised, axis=0))
    assert 0.9 <= np.sqrt(np.mean(standardised)) <= 1.1
    assert per_point.min() > 0.85
    assert per_point.max() < 1.15


@pytest.mark.slow
def test_place_and_scale_of_the_board_err_as_much_as_typed() -> None:
    """The systematic part: boards laid off their typed place, and printed off their size."""
    pose = camera()
    at_u, turn_u = 0.5, 0.3
    standardised = []
    for seed in range(300):
        rng = np.random.default_rng([7, seed])
        x, y = rng.normal(0, at_u / 1.96, 2)
        turn = rng.normal(0, turn_u / 1.96)
        scale = 1 + rng.normal(0, 0.002 / 1.96)
        true = BoardPlace((110.0 + x, 200.0 + y), 3.0 + turn, 2.5)
        px = LENS.project(pose.apply(true.bed_points(BOARD.points_mm() * scale)))
        px += rng.normal(0, 0.02, px.shape)
        fit = solve_bed(LENS, BOARD, [BoardObservation("bed", IDS, px, PLACE)], created="")
        surface = PlaneSurface(fit.bed, HEIGHT_MM)
        seen = LENS.project(pose.apply(np.c_[POINTS, np.full(len(POINTS), HEIGHT_MM)]))
        error = surface.mm_from_px(seen) - POINTS
        jacobian = surface.calibration_jacobian_mm(POINTS)
        spread = jacobian @ surface.calibration_covariance @ jacobian.transpose(0, 2, 1)
        standardised.append(np.einsum("na,nab,nb->n", error, np.linalg.inv(spread), error) / 2)
    assert 0.9 <= np.sqrt(np.mean(standardised)) <= 1.1


def test_two_places_lay_the_frame_with_half_the_variance() -> None:
    """Closed form: the mean of two independent places has 1 / sqrt(2) of their uncertainty."""
    pose = camera()
    second = BoardPlace((150.0, 240.0), -20.0, 2.5)
    observations = [
        BoardObservation(str(i), IDS, LENS.project(pose.apply(p.bed_points(BOARD.points_mm()))), p)
        for i, p in enumerate((PLACE, second))
    ]
    one = solve_bed(LENS, BOARD, observations[:1], created="").bed.covariance[AT_X, AT_X]
    two = solve_bed(LENS, BOARD, observations, created="").bed.covariance[AT_X, AT_X]
    assert one == pytest.approx((0.5 / 1.959964) ** 2)
    assert two == pytest.approx(one / 2, rel=1e-9)


@pytest.mark.slow
def test_a_nudged_camera_is_found_as_well_as_claimed() -> None:
    pose = camera()
    px = LENS.project(pose.apply(PLACE.bed_points(BOARD.points_mm())))
    px += np.random.default_rng(3).normal(0, 0.05, px.shape)
    bed = solve_bed(LENS, BOARD, [BoardObservation("bed", IDS, px, PLACE)], created="").bed
    corner = np.array([[-7.0, 7.0], [7.0, 7.0], [7.0, -7.0], [-7.0, -7.0]])
    centres = {10: (14.0, 14.0), 11: (386.0, 14.0), 12: (386.0, 286.0), 13: (14.0, 286.0)}
    nudge = np.array([0.001, -0.0008, 0.0005, 0.1, 0.2, -0.1])
    sigma = 0.06
    standardised = []
    moved = 0
    for seed in range(200):
        rng = np.random.default_rng([11, seed])
        marks, seen = [], {}
        for number, centre in centres.items():
            true = corner + np.array(centre)
            clean = bed.px_from_mm(true, 0.0)
            found = bed.mm_from_px(clean + rng.normal(0, sigma, (4, 2)), 0.0)
            own = np.zeros((8, 8))
            inverse = np.linalg.inv(PlaneSurface(bed).jacobian_px_per_mm(found))
            for k in range(4):
                own[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = inverse[k] @ inverse[k].T * sigma**2
            marks.append(BedMark(number, found, 0.0, own))
            shifted = bed.lens.project(bed.pose.moved(nudge).apply(np.c_[true, np.zeros(4)]))
            seen[number] = shifted + rng.normal(0, sigma, (4, 2))
        marked = bed.with_marks(tuple(marks), "DICT_4X4_50")
        solved, told = resolve_from_corners(marked, seen)
        moved += bool(told.moved)
        true_px = bed.lens.project(bed.pose.moved(nudge).apply(np.c_[POINTS, np.zeros(4)]))
        surface = PlaneSurface(solved, 0.0)
        error = surface.mm_from_px(true_px) - POINTS
        jacobian = surface.calibration_jacobian_mm(POINTS)[:, :, TRACKING]
        spread = jacobian @ solved.tracking_covariance @ jacobian.transpose(0, 2, 1)
        standardised.append(np.einsum("na,nab,nb->n", error, np.linalg.inv(spread), error) / 2)
    assert moved == 200
    # The noise of the marks is taken as at least 0.05 px and inflated by the residuals.
    assert 0.85 <= np.sqrt(np.mean(standardised)) <= 1.1


def test_a_camera_that_stands_still_is_rarely_called_moved() -> None:
    pose = camera()
    px = LENS.project(pose.apply(PLACE.bed_points(BOARD.points_mm())))
    bed = solve_bed(LENS, BOARD, [BoardObservation("bed", IDS, px, PLACE)], created="").bed
    corner = np.array([[-7.0, 7.0], [7.0, 7.0], [7.0, -7.0], [-7.0, -7.0]])
    marks = tuple(
        BedMark(n, corner + np.array(c), 0.0, np.zeros((8, 8)))
        for n, c in enumerate([(14.0, 14.0), (386.0, 14.0), (386.0, 286.0)])
    )
    marked = bed.with_marks(marks, "DICT_4X4_50")
    called = 0
    for seed in range(200):
        rng = np.random.default_rng([13, seed])
        seen = {
            m.id: bed.px_from_mm(m.corners_mm, 0.0) + rng.normal(0, 0.05, (4, 2)) for m in marks
        }
        called += bool(resolve_from_corners(marked, seen)[1].moved)
    assert called <= 2


def LENS_OF(bed: object) -> Lens:  # noqa: N802
    return bed.lens  # type: ignore[attr-defined]
