from __future__ import annotations

import json
import math
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import cv2
import jsonschema
import numpy as np
import pytest

from calibration.bed import PLACE, POSE, SCALE, Bed, bed_from_json, read_bed, write_bed
from calibration.bed_fit import BedFit, solve_bed
from calibration.bed_solve import BoardObservation
from calibration.board import Board, BoardPlace
from calibration.errors import WitmarkError
from calibration.lens import COUNT, Lens
from calibration.machine import MachineAxes
from calibration.pose import Pose, rotation_from_vector, vector_from_rotation

BOARD = Board("charuco", 11, 8, 15.0, 11.0, "DICT_5X5_250")
IDS = np.arange(BOARD.corner_count)
# A lens known to about half a pixel, as calibrations give it.
LENS = Lens.from_values(
    (1920, 1080),
    covariance=np.diag(np.square([0.5, 0.5, 0.5, 0.5, 5e-4, 1e-3, 5e-5, 5e-5, 0])),
    fx=1500,
    fy=1498,
    cx=965,
    cy=530,
    k1=-0.2,
    k2=0.08,
    p1=0.001,
    p2=-0.0007,
)
HERE = BoardPlace((110.0, 200.0), 3.0, 2.5)
GRID = np.stack(np.meshgrid([5.0, 200.0, 390.0], [5.0, 150.0, 290.0]), axis=-1).reshape(-1, 2)


def camera(tilt_rad: float = 0.3) -> Pose:
    turn = rotation_from_vector(np.array([math.pi - tilt_rad, 0.05, 0.1]))
    return Pose(turn, -turn @ np.array([200.0, 150.0 - 480 * math.tan(tilt_rad), 480.0]))


def observe(typed: BoardPlace, true: BoardPlace | None = None, name: str = "a.jpg", **how: float):
    sigma, scale = how.get("sigma", 0.0), how.get("scale", 1.0)
    px = LENS.project(camera().apply((true or typed).bed_points(BOARD.points_mm() * scale)))
    noise = np.random.default_rng(len(name)).normal(0, 1, px.shape)
    return BoardObservation(name, IDS, px + sigma * noise, typed)


def solve(*observations: BoardObservation, **how: float) -> BedFit:
    return solve_bed(LENS, BOARD, observations, created="2026-01-01", **how)


@pytest.fixture(scope="module")
def bed() -> Bed:
    return solve(observe(HERE, sigma=0.05)).bed


def test_exact_corners_give_the_exact_camera() -> None:
    fit = solve(observe(HERE))
    np.testing.assert_allclose(fit.bed.pose.camera_mm, camera().camera_mm, atol=1e-6)
    np.testing.assert_allclose(fit.bed.lens.parameters, LENS.parameters, rtol=1e-8)
    assert fit.notes == ()


def test_map_agrees_with_opencv_at_any_height(bed: Bed) -> None:
    for height in (-3.0, 0.0, 2.5, 40.0):
        points = np.c_[GRID, np.full(len(GRID), height)]
        theirs, _ = cv2.projectPoints(
            points, bed.rvec, bed.tvec, bed.lens.matrix, bed.lens.coefficients
        )
        px = bed.px_from_mm(GRID, height)
        np.testing.assert_allclose(px, theirs[:, 0], atol=1e-8)
        np.testing.assert_allclose(bed.mm_from_px(px, height), GRID, atol=1e-8)


def test_ray_that_misses_the_bed_gives_nan() -> None:
    level = rotation_from_vector(np.array([math.pi / 2 + 0.1, 0.0, 0.0]))
    fit = solve(observe(HERE))
    looking_out = replace(fit.bed, pose=Pose(level, -level @ np.array([200.0, 0.0, 300.0])))
    mm = looking_out.mm_from_px(np.array([[960.0, 0.0], [960.0, 1079.0]]), 0.0)
    assert np.isnan(mm[0]).all()
    assert np.isfinite(mm[1]).all()


def test_board_turned_any_way_gives_the_same_bed() -> None:
    for turn in (-170.0, -90.0, 0.0, 45.0, 90.0, 180.0):
        place = BoardPlace((200.0, 150.0), turn, 1.0)
        found = solve(observe(place)).bed
        np.testing.assert_allclose(found.pose.camera_mm, camera().camera_mm, atol=1e-5)


def test_photos_of_one_place_are_pooled() -> None:
    exact = replace(LENS, covariance=np.zeros((COUNT, COUNT)))
    seen = [observe(HERE, sigma=0.1, name="a" * n) for n in range(1, 5)]
    one, four = (solve_bed(exact, BOARD, s, created="") for s in (seen[:1], seen))
    spread = [np.trace(fit.bed.covariance[POSE, POSE]) for fit in (one, four)]
    # Four times the corners: a quarter of the variance, but for the estimate of the noise and for
    # what corners share.
    assert 2.5 < spread[0] / spread[1] < 5.5
    assert four.misplaced_mm == (0.0,) * 4


def test_board_off_its_typed_place_is_named_against_the_others() -> None:
    places = [BoardPlace((110.0, 200.0), 0.0, 2.0), BoardPlace((210.0, 250.0), -90.0, 2.0)]
    off = BoardPlace((63.0, 180.0), 10.0, 2.0)
    typed = BoardPlace((60.0, 180.0), 10.0, 2.0)
    fit = solve(
        observe(places[0], name="a"),
        observe(places[1], name="bb"),
        observe(typed, true=off, name="ccc"),
    )
    assert max(fit.misplaced_mm) == fit.misplaced_mm[2]
    assert any(note.startswith("ccc: the board lay") for note in fit.notes)


def test_known_place_weighs_in_the_covariance_and_is_told_as_measured() -> None:
    assumed = solve(observe(HERE)).bed
    known = solve(observe(HERE), at_u_mm=0.1, turn_u_deg=0.05).bed
    assert not assumed.place_measured
    assert known.place_measured
    k95 = 1.959964
    expected = np.square([0.1 / k95, 0.1 / k95, math.radians(0.05) / k95])
    np.testing.assert_allclose(np.diag(known.covariance[PLACE, PLACE]), expected)
    np.testing.assert_allclose(assumed.covariance[SCALE, SCALE], [[(0.001 / k95) ** 2]])


def test_burned_board_needs_no_typed_place() -> None:
    burned = replace(BOARD, place=HERE)
    fit = solve_bed(LENS, burned, [observe(HERE)], created="2026-01-01")
    assert "machine" in fit.bed.traceability
    assert fit.bed.covariance[SCALE, SCALE] == 0.0
    assert np.diag(fit.bed.covariance[PLACE, PLACE]).max() < 1e-10


def test_corners_that_are_wrong_are_left_out() -> None:
    seen = observe(HERE, sigma=0.05)
    px = seen.px.copy()
    px[[3, 40]] += [2.0, -1.5]
    fit = solve(replace(seen, px=px))
    assert fit.dropped == (2,)
    assert fit.rms_px[0] < 0.1


def test_lens_of_another_focus_is_noticed() -> None:
    refocused = LENS.with_parameters(LENS.parameters * np.r_[1.02, 1.02, np.ones(COUNT - 2)])
    tilted = BoardPlace((110.0, 200.0), 3.0, 2.5)
    high = BoardPlace((150.0, 240.0), 30.0, 60.0)
    fit = solve_bed(
        refocused,
        BOARD,
        [observe(tilted, sigma=0.02), observe(high, sigma=0.02, name="bb")],
        created="",
    )
    assert any("focus" in note for note in fit.notes)


@pytest.mark.parametrize("count", [0, 3])
def test_too_little_to_solve_is_told(count: int) -> None:
    few = [replace(observe(HERE), ids=IDS[:count], px=observe(HERE).px[:count])]
    with pytest.raises(WitmarkError):
        solve(*(few if count else []))


def test_mirrored_picture_puts_the_camera_below_and_is_told() -> None:
    seen = observe(HERE)
    mirrored = replace(seen, px=seen.px * [-1, 1] + [2 * 965.0, 0])
    with pytest.raises(WitmarkError):
        solve(mirrored)


def test_bed_file_round_trip(tmp_path: Path, bed: Bed) -> None:
    path = tmp_path / "bed.json"
    write_bed(path, bed, {"note": "for people"})
    content = json.loads(path.read_text())
    schema = json.loads((files("calibration.schemas") / "bed.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(content)
    back = read_bed(path)
    assert back.id == bed.id == content["id"]
    np.testing.assert_allclose(back.px_from_mm(GRID, 3.0), bed.px_from_mm(GRID, 3.0), atol=1e-9)
    np.testing.assert_array_equal(back.covariance, bed.covariance)


def test_identity_follows_the_content(bed: Bed) -> None:
    content = json.loads(json.dumps(bed.to_json()))
    content["bed_from_machine"] = {"axes": [[-1, 0], [0, 1]], "offset_mm": [400, 0]}
    edited = bed_from_json(content, "bed.json")
    assert edited.id != bed.id
    assert edited.machine == MachineAxes(((-1, 0), (0, 1)), (400.0, 0.0))
    # A capture's own pose is not another calibration.
    assert replace(bed, pose=camera()).id == bed.id


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"covariance": [[1.0]]}, "19 x 19"),
        ({"camera_from_bed": {"rvec_rad": [0, 0, 0], "tvec_mm": [0, 0, 100]}}, "below the bed"),
        ({"bed_from_machine": {"axes": [[1, 1], [0, 1]], "offset_mm": [0, 0]}}, "axes"),
        ({"lens": {}}, "'model' is missing"),
        ({"pivot_mm": None}, "no usable bed"),
    ],
)
def test_unusable_bed_file_is_refused(bed: Bed, change: dict[str, object], told: str) -> None:
    content = {**json.loads(json.dumps(bed.to_json())), **change}
    with pytest.raises(WitmarkError, match=told):
        bed_from_json(content, "bed.json")


def test_machine_axes_map_there_and_back() -> None:
    points = np.random.default_rng(0).uniform(0, 400, (20, 2))
    for axes in (((0, -1), (1, 0)), ((-1, 0), (0, -1)), ((0, 1), (1, 0))):
        machine = MachineAxes(axes, (400.0, 12.0))
        there = machine.bed_from_machine(points)
        np.testing.assert_allclose(machine.machine_from_bed(there), points, atol=1e-12)
    origin_at_the_right = MachineAxes(((-1, 0), (0, 1)), (400.0, 0.0))
    bed_mm = origin_at_the_right.bed_from_machine(np.array([[10.0, 20.0]]))
    np.testing.assert_array_equal(bed_mm, [[390.0, 20.0]])


def test_rotation_vectors_agree_with_opencv_even_at_half_a_turn() -> None:
    rng = np.random.default_rng(4)
    for angle in (1e-9, 1e-4, 1.0, 3.0, math.pi - 1e-7, math.pi):
        axis = rng.normal(size=3)
        vector = angle * axis / np.linalg.norm(axis)
        rotation = rotation_from_vector(vector)
        np.testing.assert_allclose(rotation, cv2.Rodrigues(vector)[0], atol=1e-12)
        back = rotation_from_vector(vector_from_rotation(rotation))
        np.testing.assert_allclose(back, rotation, atol=1e-12)
