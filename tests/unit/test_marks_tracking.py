from __future__ import annotations

import json
import math
from dataclasses import replace
from importlib.resources import files

import cv2
import jsonschema
import numpy as np
import pytest

from calibration.bed import COUNT, Bed
from calibration.board import marker_dictionary
from calibration.errors import WitmarkError
from calibration.lens import Lens
from calibration.light import LINEAR
from calibration.marker_fit import fit_marker
from calibration.marks import bends_of, detect_marks, register_marks
from calibration.marks_file import MarksFile, marks_from_json
from calibration.plane import PlaneSurface
from calibration.pose import Pose, rotation_from_vector
from calibration.tracking import resolve_camera
from samples.simulator.picture import level_from_linear

SIZE = (1280, 960)
LENS = Lens.from_values(SIZE, fx=1400, fy=1400, cx=640, cy=480, k1=-0.1, k2=0.03)
MARKS = MarksFile(
    "DICT_4X4_50",
    24.0,
    {10: (30.0, 30.0), 11: (370.0, 30.0), 12: (370.0, 270.0), 13: (30.0, 270.0)},
    turn_deg={12: 90.0},
)
GRID = np.stack(np.meshgrid([30.0, 200.0, 370.0], [30.0, 150.0, 270.0]), axis=-1).reshape(-1, 2)


def pose() -> Pose:
    turn = rotation_from_vector(np.array([math.pi - 0.12, 0.02, 0.03]))
    return Pose(turn, -turn @ np.array([200.0, 90.0, 520.0]))


def bed() -> Bed:
    covariance = np.zeros((COUNT, COUNT))
    return Bed(LENS, pose(), covariance, (0, 0, 0), (0, 0, 400, 300), 0.05, "a print's", "2026")


def capture(
    camera: Pose,
    marks: MarksFile = MARKS,
    hidden: tuple[int, ...] = (),
    blur_px: float = 0.8,
    seed: int = 0,
    exposure: float = 1.0,
) -> np.ndarray:
    """Draw the marks as the camera sees them: 16 x 16 samples per pixel, round each mark."""
    seen = replace(bed(), pose=camera)
    fine = 16
    picture = np.full((SIZE[1], SIZE[0]), LINEAR[90], np.float32)
    for number in marks.centres_mm.keys() - set(hidden):
        corners = seen.px_from_mm(marks.corners_mm(number), 0.0)
        (u0, v0), (u1, v1) = (
            np.floor(corners.min(axis=0)).astype(int) - 14,
            np.ceil(corners.max(axis=0)).astype(int) + 14,
        )
        v, u = np.mgrid[v0:v1, u0:u1]
        mm = seen.mm_from_px(np.stack([u.ravel(), v.ravel()], axis=1).astype(float), 0.0)
        mm = (mm - np.array(marks.centres_mm[number])).reshape(v1 - v0, u1 - u0, 2)
        # Within a pixel the map is linear; resizing keeps pixel centres where they are.
        mm = cv2.resize(mm, None, fx=fine, fy=fine, interpolation=cv2.INTER_LINEAR).reshape(-1, 2)
        angle = math.radians(marks.turn_deg.get(number, 0.0))
        c, s = math.cos(angle), math.sin(angle)
        own = mm @ np.array([[c, -s], [s, c]]) * [1, -1]
        cell = np.floor((own / marks.marker_mm + 0.5) * 6).astype(int)
        inside = ((cell >= 0) & (cell < 6)).all(axis=1)
        bits = marker_dictionary(marks.dictionary).generateImageMarker(number, 6)
        value = np.full(len(mm), LINEAR[230])
        value[inside] = LINEAR[np.where(bits > 0, 229, 30)][cell[inside, 1], cell[inside, 0]]
        # Light is spread by the lens before pixels and the camera's tone curve see it.
        sharp = value.reshape((v1 - v0) * fine, -1)
        spread = cv2.GaussianBlur(sharp, (0, 0), blur_px * fine, borderType=cv2.BORDER_REPLICATE)
        picture[v0:v1, u0:u1] = cv2.resize(spread, (u1 - u0, v1 - v0), interpolation=cv2.INTER_AREA)
    noisy = level_from_linear(np.minimum(exposure * picture, np.float32(1.0)))
    noisy += np.random.default_rng(seed).normal(0, 1.5, noisy.shape).astype(np.float32)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def still() -> np.ndarray:
    return capture(pose())


@pytest.fixture(scope="module")
def marked(still: np.ndarray) -> Bed:
    found, notes = register_marks(bed(), MARKS, [still])
    assert notes == ()
    return found


def test_marks_are_found_to_a_fraction_of_a_pixel(still: np.ndarray) -> None:
    found = detect_marks(still, "DICT_4X4_50", [10, 11, 12, 13])
    assert sorted(found) == [10, 11, 12, 13]
    for number, px in found.items():
        true = bed().px_from_mm(MARKS.corners_mm(number), 0.0)
        assert np.abs(px - true).max() < 0.04


def test_a_lens_that_is_known_to_bend_a_mark_makes_corners_surer() -> None:
    wide = bed()
    parameters = wide.lens.parameters.copy()
    parameters[4:6] = [-0.25, 0.05]
    wide = replace(wide, lens=wide.lens.with_parameters(parameters), id="")
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    quarters = 0.75 * square + 0.25 * np.roll(square, -1, 0)
    for number in (10, 13):
        corners = MARKS.corners_mm(number)
        bends = bends_of(wide, corners, 0.0)
        assert bends is not None
        # A side is a parabola: a quarter along it lies off by three quarters as much.
        px = wide.px_from_mm(corners, 0.0)
        flat = cv2.getPerspectiveTransform(square, px.astype(np.float32))
        chord = cv2.perspectiveTransform(quarters[None].astype(float), flat)[0]
        quarter = wide.px_from_mm(0.75 * corners + 0.25 * np.roll(corners, -1, 0), 0.0)
        np.testing.assert_allclose(quarter - chord, 0.75 * bends, atol=0.012)
        assert np.abs(bends).max() > 0.05
    rough = []
    for known in (False, True):
        errors = []
        for seed in range(4):
            grey = capture(pose(), seed=seed)
            told = {n: bends_of(bed(), MARKS.corners_mm(n), 0.0) for n in MARKS.centres_mm}
            found = detect_marks(grey, "DICT_4X4_50", list(told), bends_px=told if known else None)
            for number, px in found.items():
                errors.append(px - bed().px_from_mm(MARKS.corners_mm(number), 0.0))
        rough.append(float(np.sqrt(np.mean(np.square(errors)))))
    assert rough[1] < 0.85 * rough[0]
    assert rough[1] < 0.012


def test_what_an_overexposed_mark_lost_moves_no_corner() -> None:
    """White that the camera cut off looks larger than it is to whoever takes it for white."""
    bright = capture(pose(), exposure=2.0)
    assert np.mean(bright == 255) > 0.003
    found = detect_marks(bright, "DICT_4X4_50", [10, 11, 12, 13])
    assert len(found) == 4
    for number, px in found.items():
        true = bed().px_from_mm(MARKS.corners_mm(number), 0.0)
        assert np.abs(px - true).max() < 0.05


@pytest.mark.parametrize("what", ["blank", "noise", "edge", "another mark", "no square"])
def test_what_is_no_such_mark_is_not_fitted(still: np.ndarray, what: str) -> None:
    (rough,) = detect_marks(still, "DICT_4X4_50", [10], rough_too=True).values()
    cells = marker_dictionary("DICT_4X4_50").generateImageMarker(10, 6) > 0
    picture = still.copy()
    if what == "blank":
        picture[:] = 200
    elif what == "noise":
        picture[:] = np.random.default_rng(2).integers(0, 256, picture.shape)
    elif what == "edge":
        picture[:, : int(rough[:, 0].mean())] = 30
    elif what == "another mark":
        cells = marker_dictionary("DICT_4X4_50").generateImageMarker(11, 6) > 0
    else:
        rough = np.repeat(rough[:1], 4, axis=0)
    assert fit_marker(picture, cells, rough) is None


def test_dirt_on_a_mark_hardly_moves_its_corners() -> None:
    clean = capture(pose())
    (before,) = detect_marks(clean, "DICT_4X4_50", [11]).values()
    left, top = np.round((before[0] + before[1]) / 2).astype(int)
    dirty = clean.copy()
    dirty[top - 3 : top + 4, left - 6 : left + 6] = 120
    (px,) = detect_marks(dirty, "DICT_4X4_50", [11]).values()
    assert np.abs(px - before).max() < 0.05


def test_a_softer_picture_moves_no_corner(still: np.ndarray) -> None:
    sharp = detect_marks(still, "DICT_4X4_50", [10, 11, 12, 13])
    soft = detect_marks(capture(pose(), blur_px=1.05), "DICT_4X4_50", [10, 11, 12, 13])
    outwards = []
    for number in sharp:
        middle = sharp[number].mean(axis=0)
        away = (sharp[number] - middle) / np.linalg.norm(sharp[number] - middle, axis=1)[:, None]
        outwards.append(float(((soft[number] - sharp[number]) * away).sum(axis=1).mean()))
    # In the picture's own tone curve the marks would shrink by 0.2 px here.
    assert abs(float(np.mean(outwards))) < 0.02


def test_registered_places_are_the_true_ones(marked: Bed) -> None:
    for mark in marked.marks:
        np.testing.assert_allclose(mark.corners_mm, MARKS.corners_mm(mark.id), atol=0.04)
        assert np.linalg.eigvalsh(mark.covariance)[0] > 0
    content = json.loads(json.dumps(marked.to_json()))
    schema = json.loads((files("calibration.schemas") / "bed.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(content)


def test_camera_that_stands_still_keeps_its_calibration(marked: Bed, still: np.ndarray) -> None:
    solved, told = resolve_camera(marked, still)
    assert told.moved is False
    assert not told.corrected
    assert solved.pose is marked.pose
    assert told.shift_mm.low == 0.0
    assert solved.tracking_covariance.any()


def test_nudged_camera_is_noticed_told_and_corrected(marked: Bed) -> None:
    nudge = np.array([0.002, -0.001, 0.001, 0.2, 0.1, 0.3])
    solved, told = resolve_camera(marked, capture(pose().moved(nudge)))
    assert told.moved is True
    assert told.corrected
    assert told.marks_seen == 4
    truth = replace(marked, pose=pose().moved(nudge))
    px = truth.px_from_mm(GRID, 0.0)
    uncorrected = np.linalg.norm(marked.mm_from_px(px, 0.0) - GRID, axis=1)
    corrected = np.linalg.norm(solved.mm_from_px(px, 0.0) - GRID, axis=1)
    assert uncorrected.min() > 0.25
    assert corrected.max() < 0.05
    assert told.shift_mm.value == pytest.approx(uncorrected.max(), rel=0.15)
    assert "the camera moved" in told.note
    # What the check itself does not know goes into the map's uncertainty.
    surface = PlaneSurface(solved)
    where = surface.terms()["movement of the camera"].where
    assert np.trace(surface.calibration_covariance[where, where]) > 0


def test_fewer_than_three_marks_are_not_corrected_and_that_is_said(marked: Bed) -> None:
    nudge = np.array([0.002, -0.001, 0.001, 0.2, 0.1, 0.3])
    for hidden, camera, moved in (
        ((10, 12), pose().moved(nudge), True),
        ((10, 12), pose(), None),
        # One alone may have been knocked.
        ((10, 12, 13), pose().moved(nudge), None),
    ):
        solved, told = resolve_camera(marked, capture(camera, hidden=hidden))
        assert solved is marked
        assert told.moved is moved
        assert not told.corrected
        assert f"{4 - len(hidden)} of 4 reference marks are in view" in told.note
        assert ("elsewhere than calibrated" in told.note) == (moved is True)
        assert told.shift_mm.value is None


def test_mark_that_was_itself_moved_is_named_and_not_used(marked: Bed) -> None:
    knocked = replace(MARKS, centres_mm={**MARKS.centres_mm, 11: (367.0, 32.0)})
    solved, told = resolve_camera(marked, capture(pose(), knocked))
    assert "reference mark 11 itself was moved" in told.note
    assert told.moved is False
    assert solved.pose is marked.pose


def test_bed_without_marks_cannot_tell(still: np.ndarray) -> None:
    solved, told = resolve_camera(bed(), still)
    assert told.moved is None
    assert "no reference marks" in told.note
    assert not solved.tracking_covariance.any()


def test_typed_place_that_disagrees_is_told_and_the_measured_one_kept(still: np.ndarray) -> None:
    mistyped = replace(MARKS, centres_mm={**MARKS.centres_mm, 10: (35.0, 30.0)})
    found, notes = register_marks(bed(), mistyped, [still])
    assert any("reference mark 10 lies 5.0 mm" in note for note in notes)
    assert found.marks[0].centre_mm == pytest.approx((30.0, 30.0), abs=0.1)


def test_marks_out_of_view_are_told(still: np.ndarray) -> None:
    more = replace(MARKS, centres_mm={**MARKS.centres_mm, 20: (200.0, 30.0)})
    found, notes = register_marks(bed(), more, [still])
    assert notes == ("reference mark 20 is not in view",)
    assert len(found.marks) == 4


def test_contracts_example_is_read_and_round_trips() -> None:
    example = {
        "dictionary": "DICT_4X4_50",
        "marker_mm": 14.0,
        "height_mm": 0.0,
        "centres_mm": {"10": [14, 14]},
        "turn_deg": {"10": 0},
    }
    schema = json.loads((files("calibration.schemas") / "marks.json").read_text())
    validator = jsonschema.Draft202012Validator(schema)
    validator.validate(example)
    marks = marks_from_json(example, "marks.json")
    # Turn 0: the marker's top edge faces +Y, and the detector starts at its top left.
    np.testing.assert_allclose(marks.corners_mm(10), [[7, 21], [21, 21], [21, 7], [7, 7]])
    content = json.loads(json.dumps(marks.to_json()))
    validator.validate(content)
    assert marks_from_json(content, "marks.json") == marks


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"centres_mm": {}}, "at least one centre"),
        ({"centres_mm": {"60": [0, 0]}}, "markers 0 to 49"),
        ({"centres_mm": {"a": [0, 0]}}, "no reference marks"),
        ({"centres_mm": [1, 2]}, "no reference marks"),
        ({"marker_mm": 0}, "marker_mm"),
        ({"dictionary": "DICT_X"}, "DICT_X"),
    ],
)
def test_wrong_marks_file_is_refused(change: dict[str, object], told: str) -> None:
    content = {"dictionary": "DICT_4X4_50", "marker_mm": 14, "centres_mm": {"1": [0, 0]}}
    with pytest.raises(WitmarkError, match=told):
        marks_from_json({**content, **change}, "marks.json")


@pytest.mark.parametrize("blur_px", [1.3, 2.2])
def test_marks_are_found_in_a_soft_picture_and_do_not_seem_to_move(
    marked: Bed, blur_px: float
) -> None:
    soft = capture(pose(), blur_px=blur_px)
    assert len(detect_marks(soft, "DICT_4X4_50", [10, 11, 12, 13])) == 4
    _, moved = resolve_camera(marked, soft)
    assert moved.moved is False
    assert moved.marks_seen == 4
