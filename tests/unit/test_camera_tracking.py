"""A camera that moved, refocused or both, told from the corners of four reference marks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calibration.bed import COUNT, Bed, BedMark
from calibration.lens import Lens
from calibration.plane import PlaneSurface
from calibration.pose import Pose, rotation_from_vector
from calibration.tracking import CameraMoved, resolve_from_corners

LENS = Lens.from_values((1920, 1080), fx=1650, fy=1651, cx=962, cy=538, k1=-0.05, k2=0.02)
CENTRES = {10: (14.0, 14.0), 11: (386.0, 14.0), 12: (386.0, 286.0), 13: (14.0, 286.0)}
CORNERS = np.array([[-7.0, 7.0], [7.0, 7.0], [7.0, -7.0], [-7.0, -7.0]])
GRID = np.stack(np.meshgrid([30.0, 200.0, 370.0], [30.0, 150.0, 270.0]), axis=-1).reshape(-1, 2)
NUDGE = np.array([0.002, -0.001, 0.001, 0.2, 0.1, 0.3])
SIGMA_PX = 0.025
STEEP, LEANING = 2.0, 20.0


def bed(tilt_deg: float) -> Bed:
    tilt = math.radians(tilt_deg)
    turn = rotation_from_vector(np.array([math.pi - tilt, 0.0, 0.0]))
    camera = np.array([200.0, 150.0 - 470.0 * math.tan(tilt), 470.0])
    # Marks were registered with as much noise as they are seen with.
    sigma_mm = SIGMA_PX * 470.0 / 1650.0
    marks = tuple(
        BedMark(number, CORNERS + np.array(centre), 0.0, np.eye(8) * sigma_mm**2)
        for number, centre in CENTRES.items()
    )
    pose = Pose(turn, -turn @ camera)
    nothing = np.zeros((COUNT, COUNT))
    bare = Bed(LENS, pose, nothing, (0, 0, 0), (0, 0, 400, 300), 0.02, "a print's", "2026")
    return bare.with_marks(marks, "DICT_4X4_50")


def now(calibrated: Bed, percent: float = 0.0, motion: np.ndarray | None = None) -> Bed:
    """Return the camera as it is now: refocused, moved by (rad, mm), or both."""
    pose = calibrated.pose if motion is None else calibrated.pose.moved(motion)
    longer = math.log1p(percent / 100)
    return calibrated.tracked(pose, longer, calibrated.tracking_covariance)


def told(
    calibrated: Bed,
    camera: Bed,
    seed: int = 0,
    knocked: dict[int, tuple[float, float]] | None = None,
    hidden: tuple[int, ...] = (),
) -> tuple[Bed, CameraMoved]:
    """Return what is made of the marks that a camera sees."""
    rng = np.random.default_rng(seed)
    seen = {}
    for mark in calibrated.marks:
        places = mark.corners_mm + np.array((knocked or {}).get(mark.id, (0.0, 0.0)))
        seen[mark.id] = camera.px_from_mm(places, 0.0) + rng.normal(0, SIGMA_PX, (4, 2))
    return resolve_from_corners(calibrated, {n: px for n, px in seen.items() if n not in hidden})


def off_over_u95(solved: Bed, camera: Bed, height_mm: float) -> float:
    """Return the largest error of the map over the bed at a height, as a share of its U95."""
    seen = solved.mm_from_px(camera.px_from_mm(GRID, height_mm), height_mm)
    u95 = PlaneSurface(solved, height_mm).calibration_u95_mm(GRID)
    return float((np.linalg.norm(seen - GRID, axis=1) / u95).max())


@pytest.mark.parametrize("percent", [-2.5, 1.0, 3.0])
def test_a_refocus_that_no_pose_explains_is_sure_and_the_map_follows_it(percent: float) -> None:
    calibrated = bed(LEANING)
    camera = now(calibrated, percent)
    solved, said = told(calibrated, camera)
    assert said.moved is False
    assert said.corrected
    assert said.refocus is not None
    focal = said.refocus.focal_percent
    assert focal.value == pytest.approx(percent, abs=focal.u95)
    assert focal.u95 < 0.2
    assert "refocused" in said.note
    assert "its focal length is" in said.note
    for height in (0.0, 30.0):
        assert off_over_u95(solved, camera, height) < 1.0
    assert off_over_u95(solved, calibrated, 0.0) > 10.0


def test_what_a_knocked_mark_would_explain_as_well_is_not_sure() -> None:
    calibrated = bed(12.0)
    _, small = told(calibrated, now(calibrated, 1.0, NUDGE))
    assert small.refocus is not None
    assert small.refocus.confidence == "likely"
    assert any("was knocked" in rival for rival in small.refocus.rivals)
    assert "seems to have refocused and moved, or it moved and a reference mark" in small.note
    calibrated = bed(LEANING)
    _, large = told(calibrated, now(calibrated, 3.0, NUDGE))
    assert large.refocus is not None
    assert large.refocus.confidence == "sure"
    assert large.refocus.rivals == ()
    assert "the camera refocused and moved: its focal length" in large.note


def test_a_camera_that_refocused_and_moved_is_told_both() -> None:
    calibrated = bed(LEANING)
    camera = now(calibrated, 1.5, NUDGE)
    solved, said = told(calibrated, camera)
    assert said.moved is True
    assert said.refocus is not None
    assert said.refocus.also_moved
    assert said.refocus.focal_percent.value == pytest.approx(1.5, abs=0.2)
    for height in (0.0, 30.0):
        assert off_over_u95(solved, camera, height) < 1.0


def test_from_above_a_refocus_and_a_camera_come_nearer_are_never_told_apart() -> None:
    calibrated = bed(STEEP)
    nearer = np.array([0.0, 0.0, 0.0, 0.0, 0.0, -470.0 * (1 - 1 / 1.005)])
    for camera in (now(calibrated, 0.5), now(calibrated, 0.0, nearer)):
        solved, said = told(calibrated, camera)
        assert said.refocus is not None
        assert said.refocus.confidence == "likely"
        [rival] = said.refocus.rivals
        assert "nearer straight along its axis" in rival
        assert rival in said.note
        # On the bed either maps alike; above it U95 tells that the two differ.
        assert off_over_u95(solved, camera, 0.0) < 1.0
        assert off_over_u95(solved, camera, 40.0) < 1.0
    at = np.array([[380.0, 280.0]])
    low, high = (PlaneSurface(solved, h).calibration_u95_mm(at)[0] for h in (0.0, 40.0))
    assert high > 5 * low
    # A camera that came much nearer tilts the picture a little: no refocus, and not sure at all.
    _, said = told(calibrated, now(calibrated, 0.0, 6 * nearer))
    assert said.moved is True
    assert said.refocus is None


def test_a_plain_nudge_is_no_refocus_and_its_map_allows_for_a_hidden_one() -> None:
    for tilt in (STEEP, LEANING):
        calibrated = bed(tilt)
        for seed in range(10):
            motion = np.random.default_rng(seed).normal(0, 1, 6) * ([2e-3] * 3 + [0.5] * 3)
            camera = now(calibrated, 0.0, motion)
            solved, said = told(calibrated, camera, seed)
            assert said.moved is True
            assert said.refocus is None
            assert off_over_u95(solved, camera, 0.0) < 1.0
        assert solved.tracking_covariance[6, 6] > 0
    # Nothing happened: nothing is named, and the focal length is the calibration's.
    solved, said = told(calibrated, calibrated)
    assert said.moved is False
    assert said.refocus is None
    assert not solved.tracking_covariance[6].any()
    np.testing.assert_array_equal(solved.lens.parameters, calibrated.lens.parameters)


def test_one_knocked_mark_is_not_taken_for_a_refocus() -> None:
    for tilt in (STEEP, LEANING):
        calibrated = bed(tilt)
        for knock in ((0.2, 0.1), (-0.5, 0.4), (3.0, 1.0)):
            _, said = told(calibrated, calibrated, knocked={11: knock})
            assert said.refocus is None
    assert "was moved" in said.note


@pytest.mark.parametrize(("percent", "told_apart"), [(20.0, False), (30.0, True)])
def test_a_zoom_about_the_middle_is_no_refocus_and_counts_as_not_known(
    percent: float, told_apart: bool
) -> None:
    """Unless it is so large that it is told from a movement."""
    calibrated = bed(STEEP)
    inner = tuple(
        replace(mark, corners_mm=(mark.corners_mm - [200, 150]) / 2 + [200, 150])
        for mark in calibrated.marks
    )
    calibrated = calibrated.with_marks(inner, calibrated.dictionary)
    camera = now(calibrated, percent)
    solved, said = told(calibrated, camera)
    if told_apart:
        assert said.moved is False
        assert "zoomed by 1.300" in said.note
    else:
        assert said.moved is True
        assert said.refocus is None
        assert "a zoom by 1.20 would look the same" in said.note
    for height in (0.0, 40.0):
        seen = solved.mm_from_px(camera.px_from_mm(GRID, height), height)
        u95 = PlaneSurface(solved, height).calibration_u95_mm(GRID)
        assert (np.linalg.norm(seen - GRID, axis=1) < u95).all()


def test_three_marks_name_no_refocus_but_keep_the_map_honest() -> None:
    calibrated = bed(LEANING)
    camera = now(calibrated, 2.0)
    solved, said = told(calibrated, camera, hidden=(12,))
    assert said.refocus is None
    assert said.corrected
    among = np.array([CENTRES[n] for n in (10, 11, 13)])
    seen = solved.mm_from_px(camera.px_from_mm(among, 0.0), 0.0)
    u95 = PlaneSurface(solved).calibration_u95_mm(among)
    assert (np.linalg.norm(seen - among, axis=1) < u95).all()


def test_marks_typed_to_half_a_millimetre_name_no_refocus_and_u95_holds() -> None:
    """Corners of a mark that lies off are off alike: they are no four witnesses."""
    inside = 0
    for seed in range(60):
        calibrated = bed(12.0)
        together = np.kron(np.ones((4, 4)), np.eye(2)) * 0.25**2 + np.eye(8) * 1e-6
        marks = tuple(replace(mark, covariance=together) for mark in calibrated.marks)
        typed = calibrated.with_marks(marks, calibrated.dictionary)
        rng = np.random.default_rng([5, seed])
        off = {number: (rng.normal(0, 0.25), rng.normal(0, 0.25)) for number in CENTRES}
        camera = now(typed, 0.0, 6 * NUDGE)
        solved, said = told(typed, camera, seed, off)
        assert said.moved is True
        assert said.refocus is None
        place = rng.uniform([30, 30], [370, 270], (1, 2))
        seen = solved.mm_from_px(camera.px_from_mm(place, 0.0), 0.0)
        u95 = PlaneSurface(solved).calibration_u95_mm(place)[0]
        inside += bool(np.linalg.norm(seen - place) <= u95)
    # Taken for four witnesses each, they held the truth in every second case.
    assert inside >= 52


@pytest.mark.parametrize("spread_px", [5.0, 50.0, 500.0])
def test_marks_seen_anywhere_are_an_answer_and_never_a_refocus(spread_px: float) -> None:
    calibrated = bed(12.0)
    for seed in range(6):
        rng = np.random.default_rng([7, seed])
        seen = {
            mark.id: calibrated.px_from_mm(mark.corners_mm, 0.0)
            + rng.normal(0, spread_px, (1, 2))
            + rng.normal(0, spread_px / 10, (4, 2))
            for mark in calibrated.marks
        }
        _, said = resolve_from_corners(calibrated, seen)
        assert said.refocus is None
        assert said.moved is not False


def part_of(calibrated: Bed, left: float, top: float, width: float) -> Bed:
    """Return the camera whose picture is so wide a part of the calibrated one, enlarged again."""
    size = LENS.image_size
    zoom = size[0] / width
    centre = np.array(calibrated.lens.parameters[2:4])
    moved = zoom * (centre + 0.5 - (left, top)) - 0.5 - centre
    return calibrated.tracked(
        calibrated.pose,
        math.log(zoom),
        calibrated.tracking_covariance,
        (float(moved[0]), float(moved[1])),
    )


@pytest.mark.parametrize("tilt", [STEEP, LEANING])
def test_a_part_of_the_picture_is_told_and_the_map_follows_it(tilt: float) -> None:
    calibrated = bed(tilt)
    camera = part_of(calibrated, 150.0, 12.0, 1728.0)
    solved, said = told(calibrated, camera)
    assert said.refocus is not None
    assert said.refocus.cropped
    assert said.refocus.focal_percent.value == pytest.approx(100 * (1920 / 1728 - 1), abs=0.02)
    assert (said.moved, said.corrected) == (False, True)
    assert "cropped or zoomed by 1.111 to 1728 x 972 pixels from (150, 12)" in said.note
    for height in (0.0, 30.0):
        assert off_over_u95(solved, camera, height) < 1.0


def test_a_whole_picture_after_a_calibration_of_a_part_is_told_too() -> None:
    calibrated = bed(LEANING)
    camera = part_of(calibrated, -60.0, -90.0, 2100.0)
    solved, said = told(calibrated, camera)
    assert said.refocus is not None
    assert said.refocus.cropped
    assert "zoomed out by 1.094" in said.note
    assert off_over_u95(solved, camera, 20.0) < 1.0


def test_what_a_camera_come_nearer_explains_as_well_is_not_called_a_crop() -> None:
    calibrated = bed(0.0)
    width = LENS.image_size[0]
    # About the principal point of a camera right above the bed: like a camera that came nearer.
    left, top = (LENS.parameters[2:4] + 0.5) * (1 - 1 / 1.03)
    camera = part_of(calibrated, float(left), float(top), width / 1.03)
    solved, said = told(calibrated, camera)
    assert said.refocus is None or not said.refocus.cropped
    assert off_over_u95(solved, camera, 0.0) < 1.0
    assert off_over_u95(solved, camera, 20.0) < 1.0


def test_movements_refocuses_and_knocked_marks_are_no_crops() -> None:
    for tilt in (STEEP, LEANING):
        calibrated = bed(tilt)
        for seed in range(10):
            motion = np.random.default_rng(seed).normal(0, 1, 6) * ([8e-3] * 3 + [4.0] * 3)
            for percent in (0.0, 2.0):
                _, said = told(calibrated, now(calibrated, percent, motion), seed)
                assert said.refocus is None or not said.refocus.cropped
        _, said = told(calibrated, calibrated, knocked={11: (3.0, -2.0)})
        assert said.refocus is None or not said.refocus.cropped


@pytest.mark.parametrize("tilt", [0.0, STEEP, 8.0, LEANING])
def test_of_a_slight_crop_the_map_is_as_good_as_it_says_whatever_it_is_taken_for(
    tilt: float,
) -> None:
    calibrated = bed(tilt)
    for left, top in ((0.0, 0.0), (25.0, 4.0), (38.0, 20.0)):
        camera = part_of(calibrated, left, top, 1920 / 1.02)
        solved, said = told(calibrated, camera)
        assert said.corrected
        for height in (0.0, 30.0):
            assert off_over_u95(solved, camera, height) < 1.0
