from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest

from calibration.bed import FORM, LENS, PLACE, POSE, SCALE, Bed, bed_from_json
from calibration.bed_fit import solve_bed
from calibration.bed_solve import BoardObservation
from calibration.board import Board, BoardPlace
from calibration.errors import WitmarkError
from calibration.lens import Lens
from calibration.plane import CAMERA, COUNT, PlaneSurface
from calibration.pose import Pose, rotation_from_vector
from calibration.surface import Surface

BOARD = Board("charuco", 11, 8, 15.0, 11.0, "DICT_5X5_250")
IDS = np.arange(BOARD.corner_count)
LENS_ = Lens.from_values(
    (1920, 1080),
    covariance=np.diag(np.square([0.5, 0.5, 0.5, 0.5, 5e-4, 1e-3, 5e-5, 5e-5, 1e-3])),
    fx=1500,
    fy=1498,
    cx=965,
    cy=530,
    k1=-0.2,
    k2=0.08,
    p1=0.001,
    p2=-0.0007,
    k3=-0.02,
)
HERE = BoardPlace((110.0, 200.0), 3.0, 2.5)
POINTS = np.array([[20.0, 20.0], [200.0, 150.0], [380.0, 280.0], [120.0, 180.0]])
HEIGHT_MM = 6.0


def camera() -> Pose:
    turn = rotation_from_vector(np.array([math.pi - 0.3, 0.05, 0.1]))
    return Pose(turn, -turn @ np.array([200.0, 0.0, 480.0]))


def solved(true: BoardPlace = HERE, scale: float = 1.0) -> Bed:
    px = LENS_.project(camera().apply(true.bed_points(BOARD.points_mm() * scale)))
    return solve_bed(LENS_, BOARD, [BoardObservation("a", IDS, px, HERE)], created="").bed


@pytest.fixture(scope="module")
def surface() -> PlaneSurface:
    return PlaneSurface(solved(), HEIGHT_MM)


def test_is_a_surface(surface: PlaneSurface) -> None:
    held: Surface = surface
    assert held.image_size == (1920, 1080)
    np.testing.assert_allclose(held.mm_from_px(held.px_from_mm(POINTS)), POINTS, atol=1e-9)


def test_jacobian_agrees_with_finite_differences(surface: PlaneSurface) -> None:
    jacobian = surface.jacobian_px_per_mm(POINTS)
    for axis in range(2):
        step = np.zeros(2)
        step[axis] = 1e-4
        numeric = (surface.px_from_mm(POINTS + step) - surface.px_from_mm(POINTS - step)) / 2e-4
        np.testing.assert_allclose(jacobian[:, :, axis], numeric, atol=1e-6)


@pytest.mark.parametrize(
    ("column", "log_focal", "shift_px"),
    [(3, 1e-5, (0.0, 0.0)), (2, 0.0, (1e-3, 0.0)), (1, 0.0, (0.0, 1e-3))],
)
def test_columns_of_the_capture_s_lens_agree_with_finite_differences(
    surface: PlaneSurface, column: int, log_focal: float, shift_px: tuple[float, float]
) -> None:
    px = surface.px_from_mm(POINTS)
    bed = surface.bed

    def places(way: int) -> np.ndarray:
        moved = (way * shift_px[0], way * shift_px[1])
        camera = bed.tracked(bed.pose, way * log_focal, bed.tracking_covariance, moved)
        return PlaneSurface(camera, HEIGHT_MM).mm_from_px(px)

    step = 2 * (log_focal + sum(shift_px))
    found = surface.calibration_jacobian_mm(POINTS)[:, :, COUNT - column]
    np.testing.assert_allclose(found, (places(1) - places(-1)) / step, rtol=1e-5, atol=1e-9)


def test_height_jacobian_agrees_with_finite_differences(surface: PlaneSurface) -> None:
    px = surface.px_from_mm(POINTS)
    up, down = (replace(surface, height_mm=HEIGHT_MM + d).mm_from_px(px) for d in (0.01, -0.01))
    np.testing.assert_allclose(surface.height_jacobian_mm(POINTS), (up - down) / 0.02, atol=1e-6)


def test_pose_columns_agree_with_finite_differences(surface: PlaneSurface) -> None:
    px = surface.px_from_mm(POINTS)
    jacobian = surface.calibration_jacobian_mm(POINTS)
    for k in range(6):
        step = np.zeros(6)
        step[k] = 1e-6 if k < 3 else 1e-4
        moved = [
            PlaneSurface(replace(surface.bed, pose=surface.bed.pose.moved(s * step)), HEIGHT_MM)
            for s in (1, -1)
        ]
        numeric = (moved[0].mm_from_px(px) - moved[1].mm_from_px(px)) / (2 * step[k])
        np.testing.assert_allclose(jacobian[:, :, POSE.start + k], numeric, rtol=1e-5, atol=1e-4)


def with_form(surface: PlaneSurface) -> PlaneSurface:
    """Return the surface of a machine whose axes are neither alike nor square."""
    rng = np.random.default_rng(5)
    covariance = surface.bed.covariance.copy()
    camera = slice(LENS.start, FORM.stop)
    scale = np.sqrt(np.diag(covariance)[camera])
    scale[FORM] = 1e-3
    root = scale[:, None] * rng.standard_normal((len(scale), 40)) / 7
    covariance[camera, camera] = root @ root.T
    return PlaneSurface(
        replace(surface.bed, form=(0.004, -0.006), covariance=covariance), HEIGHT_MM
    )


@pytest.mark.parametrize("formed", [False, True])
def test_total_variance_is_that_of_the_joint_covariance(
    surface: PlaneSurface, formed: bool
) -> None:
    """Splitting the pose into what follows the lens and the rest changes no sum."""
    if formed:
        surface = with_form(surface)
    bed = surface.bed
    px = surface.px_from_mm(POINTS)
    columns = []
    for k in range(FORM.stop):
        scale = math.sqrt(bed.covariance[k, k]) or 1.0
        h = 1e-3 * scale
        found = []
        for sign in (1, -1):
            if k in range(LENS.start, LENS.stop):
                changed = bed.lens.parameters.copy()
                changed[k] += sign * h
                other = replace(bed, lens=bed.lens.with_parameters(changed))
            elif k in range(POSE.start, POSE.stop):
                step = np.zeros(6)
                step[k - POSE.start] = sign * h
                other = replace(bed, pose=bed.pose.moved(step))
            else:
                form = np.array(bed.form)
                form[k - FORM.start] += sign * h
                other = replace(bed, form=(float(form[0]), float(form[1])))
            found.append(PlaneSurface(other, HEIGHT_MM).mm_from_px(px))
        columns.append((found[0] - found[1]) / (2 * h))
    numeric = np.stack(columns, axis=2)
    joint = numeric @ bed.covariance[: FORM.stop, : FORM.stop] @ numeric.transpose(0, 2, 1)
    jacobian = surface.calibration_jacobian_mm(POINTS)
    split = sum(
        jacobian[:, :, part]
        @ surface.calibration_covariance[part, part]
        @ jacobian[:, :, part].transpose(0, 2, 1)
        for part in (LENS, CAMERA)
    )
    np.testing.assert_allclose(split, joint, rtol=1e-3, atol=1e-12)


def test_a_machines_form_goes_there_and_back_and_into_the_file(surface: PlaneSurface) -> None:
    formed = with_form(surface)
    px = formed.px_from_mm(POINTS)
    np.testing.assert_allclose(formed.mm_from_px(px), POINTS, atol=1e-9)
    # Right-angled millimetres: X longer than Y by 4 in a thousand, Y leaning by 6.
    square = POINTS @ np.array([[1.002, -0.003], [-0.003, 0.998]]).T
    np.testing.assert_allclose(px, surface.px_from_mm(square), atol=1e-9)
    step = np.array([1e-4, 0.0])
    numeric = (formed.px_from_mm(POINTS + step) - formed.px_from_mm(POINTS - step)) / 2e-4
    np.testing.assert_allclose(formed.jacobian_px_per_mm(POINTS)[:, :, 0], numeric, rtol=1e-6)
    read = bed_from_json(formed.bed.to_json(), "bed.json")
    assert read.form == formed.bed.form
    np.testing.assert_array_equal(read.covariance, formed.bed.covariance)
    # Files of boards hold no form, as they always did.
    assert "form" not in surface.bed.to_json()
    assert np.shape(surface.bed.to_json()["covariance"]) == (19, 19)


def test_covariance_is_block_diagonal_over_the_terms(surface: PlaneSurface) -> None:
    left = surface.calibration_covariance.copy()
    assert left.shape == (COUNT, COUNT)
    assert np.linalg.eigvalsh(left)[0] > -1e-15
    for term in surface.terms().values():
        left[term.where, term.where] = 0.0
    assert not left.any()


def test_place_columns_lead_from_the_typed_place_to_the_true_one() -> None:
    off = np.array([0.05, -0.03, math.radians(0.02)])
    true = BoardPlace(
        (HERE.at_mm[0] + off[0], HERE.at_mm[1] + off[1]),
        HERE.turn_deg + math.degrees(off[2]),
        HERE.height_mm,
    )
    surface = PlaneSurface(solved(true), HEIGHT_MM)
    seen = LENS_.project(camera().apply(np.c_[POINTS, np.full(len(POINTS), HEIGHT_MM)]))
    wrong = surface.mm_from_px(seen)
    correction = surface.calibration_jacobian_mm(wrong)[:, :, PLACE] @ off
    np.testing.assert_allclose(wrong + correction, POINTS, atol=2e-4)


def test_scale_column_leads_from_the_assumed_size_to_the_true_one() -> None:
    surface = PlaneSurface(solved(scale=1.001), HEIGHT_MM)
    seen = LENS_.project(camera().apply(np.c_[POINTS, np.full(len(POINTS), HEIGHT_MM)]))
    wrong = surface.mm_from_px(seen)
    correction = surface.calibration_jacobian_mm(wrong)[:, :, SCALE] @ [0.001]
    assert np.abs(wrong - POINTS).max() > 0.1
    np.testing.assert_allclose(wrong + correction, POINTS, atol=2e-3)


def test_terms_say_what_was_assumed(surface: PlaneSurface) -> None:
    terms = surface.terms()
    assert terms["lens"].kind == terms["camera pose"].kind == "measured"
    assert terms["place of the board"].kind == terms["scale of the board"].kind == "assumed"
    assert all(term.advice for term in terms.values())


@pytest.mark.parametrize("height_mm", [480.01, 600.0, math.nan, math.inf])
def test_height_that_the_camera_does_not_look_down_on_is_refused(height_mm: float) -> None:
    with pytest.raises(WitmarkError, match="above the camera"):
        PlaneSurface(solved(), height_mm)


@pytest.mark.slow
def test_hundred_thousand_points_take_at_most_50_ms(surface: PlaneSurface) -> None:
    points = np.random.default_rng(0).uniform(0, 300, (100_000, 2))
    times = []
    for _ in range(7):
        start = time.perf_counter()
        surface.px_from_mm(points)
        times.append(time.perf_counter() - start)
    assert min(times) <= 0.05
