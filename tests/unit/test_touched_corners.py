"""Where touched corners put a board; the rigid fit against scikit-image's as a second opinion."""

import math

import numpy as np
import pytest
from skimage.transform import EuclideanTransform

from calibration.board import BoardPlace, board_from_json
from calibration.errors import WitmarkError
from calibration.quantity import K95
from calibration.touch import CORNERS, board_from_corners

BOARD = board_from_json(
    {
        "kind": "charuco",
        "squares_x": 11,
        "squares_y": 8,
        "square_mm": 15.0,
        "marker_mm": 11.0,
        "dictionary": "DICT_5X5_250",
    },
    "board",
)
PLACE = BoardPlace((118.0, 212.0), 3.0, 0.3)
DRAWN = {
    "top-left": (0.0, 0.0),
    "top-right": (165.0, 0.0),
    "bottom-left": (0.0, 120.0),
    "bottom-right": (165.0, 120.0),
}


def corners(place=PLACE, names=CORNERS, noise=None, scale=1.0):
    """Return the bed places of corners; x right, y down on the board, as `BoardPlace` has it."""
    own = np.array([DRAWN[name] for name in names]) * scale
    bed = place.bed_points(own)[:, :2]
    if noise is not None:
        bed = bed + noise
    return {name: (float(x), float(y)) for name, (x, y) in zip(names, bed, strict=True)}


@pytest.mark.parametrize("turn_deg", [-170.0, -90.0, 0.0, 3.0, 90.0, 179.0])
@pytest.mark.parametrize("names", [CORNERS, CORNERS[:3], CORNERS[1:]])
def test_exact_touches_give_the_place_back(turn_deg, names):
    place = BoardPlace((118.0, 212.0), turn_deg, 0.3)
    found = board_from_corners(BOARD, corners(place, names))
    assert found.at_mm == pytest.approx(place.at_mm)
    assert found.turn_deg == pytest.approx(turn_deg)
    assert max(found.apart_mm.values()) < 1e-9
    assert found.larger_percent.value == pytest.approx(0.0, abs=1e-9)
    assert found.scale_note is None


def test_the_place_is_that_of_an_independent_rigid_fit():
    """scikit-image's EuclideanTransform (least squares after Umeyama, IEEE PAMI 13, 1991)."""
    rng = np.random.default_rng(5)
    touched = corners(noise=rng.normal(0, 0.2, (4, 2)))
    own = np.array([DRAWN[name] for name in touched]) * [1.0, -1.0]
    other = EuclideanTransform.from_estimate(own, np.array(list(touched.values())))
    found = board_from_corners(BOARD, touched)
    assert found.at_mm == pytest.approx(tuple(other.translation))
    assert math.radians(found.turn_deg) == pytest.approx(other.rotation)


@pytest.mark.parametrize("names", [CORNERS, CORNERS[:3]])
def test_the_stated_intervals_hold_the_true_place(names):
    rng = np.random.default_rng(8)
    inside = {"x": 0, "y": 0, "turn": 0, "size": 0}
    runs = 400
    for _ in range(runs):
        noise = rng.normal(0, 0.3 / K95, (len(names), 2))
        found = board_from_corners(BOARD, corners(names=names, noise=noise))
        inside["x"] += abs(found.at_mm[0] - 118.0) <= found.at_u_mm
        inside["y"] += abs(found.at_mm[1] - 212.0) <= found.at_u_mm
        inside["turn"] += abs(found.turn_deg - 3.0) <= found.turn_u_deg
        inside["size"] += abs(found.larger_percent.value) <= found.larger_percent.u95
    # A larger misfit widens them, so that they hold a little more than 95 %.
    assert all(0.93 * runs <= k <= 0.995 * runs for k in inside.values()), inside


def test_touches_that_fit_worse_than_typed_are_less_sure():
    rng = np.random.default_rng(2)
    noise = rng.normal(0, 0.3 / K95, (4, 2))
    good = board_from_corners(BOARD, corners(noise=noise))
    bad = board_from_corners(BOARD, corners(noise=3 * noise))
    assert bad.at_u_mm > 1.3 * good.at_u_mm


@pytest.mark.parametrize(("scale", "way"), [(1.006, "further apart"), (0.994, "closer together")])
def test_a_print_of_another_size_is_told(scale, way):
    found = board_from_corners(BOARD, corners(scale=scale))
    assert found.larger_percent.value == pytest.approx(100 * (scale - 1))
    assert way in found.scale_note
    assert "print_scale" in found.scale_note


def test_print_scale_is_believed():
    larger = board_from_json({**BOARD.to_json(), "print_scale": 1.006}, "board")
    found = board_from_corners(larger, corners(scale=1.006))
    assert found.larger_percent.value == pytest.approx(0.0, abs=1e-9)


def mirrored():
    # Seen from below: X counted to the left.
    return {name: (-x, y) for name, (x, y) in corners().items()}


def exchanged():
    touched = corners()
    return {**touched, "top-left": touched["top-right"], "top-right": touched["top-left"]}


def typed_wrong():
    touched = corners()
    x, y = touched["bottom-left"]
    return {**touched, "bottom-left": (x + 10.0, y)}


@pytest.mark.parametrize(
    ("touched", "told"),
    [
        (mirrored(), "mirror image"),
        (exchanged(), "contradict each other"),
        (typed_wrong(), "bottom-left does not fit the others"),
        (corners(scale=1.2), "20.0 % further apart"),
        (corners(names=CORNERS[:2]), "given for 2 corners"),
        ({**corners(), "middle": (1.0, 2.0)}, "no corner of the board"),
        (dict.fromkeys(CORNERS[:3], (5.0, 5.0)), "contradict each other"),
    ],
)
def test_mistakes_are_named(touched, told):
    with pytest.raises(WitmarkError) as caught:
        board_from_corners(BOARD, touched)
    assert told in str(caught.value)
