"""The budget: what shared and separate influences do, and the physics behind their sizes."""

import math

import numpy as np
import pytest

from calibration.plane import PlaneSurface
from calibration.quantity import K95
from tests.unit.movement_scenes import camera
from vision.measure.budget import (
    HATCH_SPACING_MM,
    Assumptions,
    Influence,
    influences,
    table,
)
from vision.measure.offsets import Offset

POINTS = {
    "fill": np.array([[90.0, 70.0], [110.0, 70.0], [110.0, 85.0], [90.0, 85.0]]),
    "outline": np.array([[88.0, 68.0], [112.0, 68.0], [112.0, 87.0], [88.0, 87.0]]),
}
AT = np.array([100.0, 77.5])


def said(**changes):
    values = {
        "at_sigma_mm": 0.0,
        "turn_sigma_rad": 0.0,
        "at_stated": True,
        "height_sigma_mm": 0.0,
        "height_stated": True,
        "depth_mm": 0.0,
        "has_place": True,
    }
    return Assumptions(**{**values, **changes})


def every(surface=None, **changes):
    gap = {name: np.zeros((3, 8)) for name in POINTS}
    return {i.name: i for i in influences(surface or camera(), POINTS, AT, said(**changes), gap)}


def test_the_focus_plane_is_a_line_of_its_own_beside_the_height():
    assert "height of the focus plane" not in every(height_sigma_mm=0.1)
    told = every(height_sigma_mm=0.1, focus_sigma_mm=0.3, focus_stated=False)
    height, focus = told["height of the surface"], told["height of the focus plane"]
    assert (height.kind, focus.kind) == ("measured", "assumed")
    assert focus.on("fill") == pytest.approx(9 * height.on("fill"))
    assert "--focus-height" in focus.advice


def test_what_moves_both_layers_alike_leaves_their_difference_alone():
    eye = {"fill": np.eye(3), "outline": np.eye(3)}
    covariance = np.diag([0.04, 0.09, 1e-4])
    shared = Influence("a", "assumed", "", eye, covariance)
    separate = Influence("b", "assumed", "", eye, covariance, shared=False)
    assert shared.on("fill") == pytest.approx(covariance)
    assert shared.between("fill", "outline") == pytest.approx(np.zeros((3, 3)))
    assert separate.between("fill", "outline") == pytest.approx(2 * covariance)


def test_a_layer_that_does_not_feel_it_gets_nothing():
    only = Influence("a", "assumed", "", {"fill": np.eye(3)}, np.eye(3))
    assert only.on("outline") == pytest.approx(np.zeros((3, 3)))
    assert only.between("fill", "outline") == pytest.approx(np.eye(3))


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 20.0])
def test_a_wrong_height_moves_the_mark_as_the_tilted_camera_sees_it(tilt_deg):
    """A point d above the assumed plane, seen at angle a, looks d tan a off."""
    surface = camera(tilt_deg)
    found = every(surface, height_sigma_mm=0.1)["height of the surface"]
    response = found.response["outline"][:, 0]
    pixels = surface.px_from_mm(POINTS["outline"])
    higher = PlaneSurface(surface.bed, 0.1)
    moved = (higher.mm_from_px(pixels) - POINTS["outline"]) / 0.1
    assert response[:2] == pytest.approx(moved.mean(axis=0), abs=2e-3)
    assert math.hypot(*response[:2]) == pytest.approx(math.tan(math.radians(tilt_deg)), abs=0.02)


def test_the_height_hardly_touches_fill_against_outline():
    found = every(camera(20.0), height_sigma_mm=0.1)["height of the surface"]
    alone = np.sqrt(np.diag(found.on("fill"))[:2]).max()
    apart = np.sqrt(np.diag(found.between("fill", "outline"))[:2]).max()
    assert alone > 0.02
    assert apart < 0.02 * alone


def test_a_deep_floor_moves_the_fill_alone_by_at_most_its_depth_times_the_slope():
    found = every(camera(20.0), depth_mm=0.3)["depth of the burn"]
    assert not found.on("outline").any()
    # Anywhere from nothing to d tan a, its middle corrected: uniform, sigma = width / sqrt(12).
    sigma = math.sqrt(np.linalg.eigvalsh(found.on("fill")[:2, :2])[-1])
    assert sigma == pytest.approx(0.3 * math.tan(math.radians(20.0)) / math.sqrt(12), rel=0.05)


def test_a_typed_place_moves_all_layers_and_only_where_there_is_one():
    found = every(at_sigma_mm=0.2, turn_sigma_rad=0.003)["place of the artwork as typed"]
    assert np.diag(found.on("fill")) == pytest.approx([0.04, 0.04, 9e-6])
    assert not found.between("fill", "outline").any()
    assert "place of the artwork as typed" not in every(at_sigma_mm=0.2, has_place=False)


def test_scorch_is_each_layers_own():
    found = every()["scorch on one side of the strokes"]
    assert not found.common
    assert K95 * math.sqrt(found.on("fill")[0, 0]) == pytest.approx(0.03)
    assert found.between("fill", "outline") == pytest.approx(2 * found.on("fill"))


def test_the_ends_of_a_hatch_are_uniform_within_a_spacing():
    gap = {name: np.zeros((3, 8)) for name in POINTS}
    gap["fill"][0, :2] = 0.5, -0.5
    found = {i.name: i for i in influences(camera(), POINTS, AT, said(), gap)}
    hatch = found["where the last hatch stroke lies"]
    assert hatch.on("fill")[0, 0] == pytest.approx(0.5 * HATCH_SPACING_MM**2 / 12)


def test_the_table_lists_what_matters_the_largest_first():
    offset = Offset(np.zeros(3), AT, np.diag([1e-4, 4e-4, 1e-9]), np.zeros((3, 3)))
    parts = []
    for name, size in (("small", 0.005), ("nothing", 1e-5), ("large", 0.1)):
        eye = {"fill": np.eye(3)}
        one = Influence(name, "assumed", "do", eye, np.eye(3) * size**2)
        parts.append((one, one.on("fill")))
    rows = table("placement.fill", offset, parts)
    assert [row.name for row in rows] == ["large", "image noise, texture and uneven burn", "small"]
    assert [row.u95_mm for row in rows] == pytest.approx([0.196, 0.0392, 0.0098], rel=1e-3)
    assert rows[1].kind == "measured"
    assert all(row.quantity == "placement.fill" for row in rows)
