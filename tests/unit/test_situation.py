"""What the reference marks say of the camera reaches the job."""

import math

import numpy as np
import pytest

from calibration.bed import COUNT, Bed, BedMark
from calibration.lens import Lens
from calibration.pose import Pose, rotation_from_vector
from calibration.quantity import Quantity
from calibration.tracking import CameraMoved
from vision import situation
from vision.capture.photo import Photo

SIZE = (320, 180)
MISSING = Quantity.missing("too few")


def bed(marked: bool) -> Bed:
    turn = rotation_from_vector(np.array([math.pi, 0.0, 0.0]))
    pose = Pose(turn, -turn @ np.array([200.0, 150.0, 470.0]))
    lens = Lens.from_values(SIZE, fx=275, fy=275, cx=160, cy=90)
    box = (0.0, 0.0, 400.0, 300.0)
    plain = Bed(lens, pose, np.zeros((COUNT, COUNT)), (0, 0, 0), box, 0.02, "a print's", "2026")
    corners = np.array([[-7.0, 7.0], [7.0, 7.0], [7.0, -7.0], [-7.0, -7.0]])
    mark = BedMark(1, corners + 100.0, 0.0, np.eye(8) * 1e-4)
    return plain.with_marks((mark,), "DICT_4X4_50") if marked else plain


@pytest.mark.parametrize(
    ("moved", "seen", "doubt", "unwatched", "warned"),
    [
        (CameraMoved(None, False, 2, MISSING, MISSING, "2 of 4"), True, False, True, True),
        (CameraMoved(True, False, 2, MISSING, MISSING, "elsewhere"), True, True, True, True),
        (CameraMoved(None, False, 4, MISSING, MISSING, "contradict"), True, True, True, True),
        (CameraMoved(None, False, 0, MISSING, MISSING, "no marks"), False, False, True, False),
        (
            CameraMoved(True, True, 4, Quantity(1.0, 0.1), Quantity(3.0, 0.2), "corrected"),
            True,
            False,
            False,
            False,
        ),
    ],
)
def test_what_marks_could_not_tell_or_correct_is_a_doubt_and_a_warning(
    monkeypatch: pytest.MonkeyPatch,
    moved: CameraMoved,
    seen: bool,
    doubt: bool,
    unwatched: bool,
    warned: bool,
) -> None:
    monkeypatch.setattr(situation, "resolve_camera", lambda bed, grey: (bed, moved))
    photo = Photo(np.full((SIZE[1], SIZE[0], 3), 90, np.uint8), "after", "")
    told = situation.see_captures([photo], [], bed(seen), 0.0)
    assert told.camera_doubt is doubt
    assert told.unwatched is unwatched
    assert told.warnings == ((f"the after capture: {moved.note}",) if warned else ())


def test_an_overexposed_capture_is_warned_of(monkeypatch: pytest.MonkeyPatch) -> None:
    still = CameraMoved(False, False, 0, MISSING, MISSING, "no reference marks")
    monkeypatch.setattr(situation, "resolve_camera", lambda bed, grey: (bed, still))
    pixels = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
    dim = situation.see_captures([Photo(pixels, "after", "")], [], bed(False), 0.0)
    bright = pixels.copy()
    bright[: SIZE[1] // 10] = 255
    told = situation.see_captures([Photo(bright, "after", "")], [], bed(False), 0.0)
    assert dim.warnings == ()
    (warning,) = told.warnings
    assert warning.startswith("the after capture: 1")
    assert "overexposed" in warning
