"""When a layer's numbers are not trusted; the rows of features."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.unit.drawn_scenes import (
    HOOK,
    KERF_MM,
    PLATE,
    STILL,
    AffineSurface,
    Scene,
    about,
    artwork_of,
    shot,
)
from vision.artwork.placing import Rigid
from vision.measure.features import feature_rows, local_table
from vision.measure.trust import trust
from vision.register.doubled import Doubling
from vision.register.local import LocalOffset
from vision.register.mark import measure

QUIET = np.eye(2) * 0.01**2


def cell(number, shift=(0.0, 0.0), strength=1.0, sigma=0.02, energy=1000.0, covariance=QUIET):
    place = np.array([10.0 * number, 5.0])
    return LocalOffset(0, number, place, np.array(shift), covariance, strength, sigma, energy)


def told(cells, significance=200.0, contrast=-50.0, place_sigma_mm=0.005, covered=0.0):
    """Return the trust in one layer that was seen like this, 0.25 mm to a pixel."""
    mark = SimpleNamespace(
        layers=("fill",),
        local=tuple(cells),
        covariance=np.diag([place_sigma_mm**2, place_sigma_mm**2, 1e-8]),
        significance={"fill": significance},
        contrast={"fill": contrast},
        strength={"fill": 0.6},
        width={"fill": 1.0},
        doubled={},
        covered_share={"fill": covered},
        white_share={"fill": 0.0},
        scene=SimpleNamespace(region=SimpleNamespace(pitch_mm=0.25)),
    )
    (layer,) = trust(mark)
    return layer


def test_a_clear_layer_is_trusted():
    layer = told([cell(k) for k in range(6)])
    assert layer.faint == ""
    assert (layer.seen_share, layer.displaced_share, layer.displaced_mm) == (1.0, 0.0, 0.0)
    assert layer.place_sigma_px == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"significance": 4.0}, "too faint"),
        ({"contrast": -0.6}, "too faint"),
        ({"place_sigma_mm": 0.2}, "not found"),
    ],
)
def test_what_is_too_faint_or_badly_placed_says_so(changes, words):
    assert words in told([cell(0)], **changes).faint


def beside(significance, contrast, strength, width=1.0, strongest=1000.0):
    """Return the trust in an outline beside a fill that is seen far better."""
    mark = SimpleNamespace(
        layers=("outline", "fill"),
        local=(cell(0), replace(cell(0), layer=1)),
        covariance=np.eye(6) * 1e-6,
        significance={"outline": significance, "fill": strongest},
        contrast={"outline": contrast, "fill": -80.0},
        strength={"outline": strength, "fill": 0.6},
        width={"outline": width, "fill": 1.0},
        doubled={},
        covered_share={"outline": 0.0, "fill": 0.0},
        white_share={"outline": 0.0, "fill": 0.0},
        scene=SimpleNamespace(region=SimpleNamespace(pitch_mm=0.25)),
    )
    outline, fill = trust(mark)
    assert fill.faint == ""
    return outline


@pytest.mark.parametrize(
    ("significance", "contrast", "faint"),
    [
        (4.6, -20.0, True),
        (4.9, -20.0, True),
        (5.1, -20.0, False),
        (13.0, -3.0, True),
        (40.0, -3.0, False),
    ],
)
def test_what_may_be_the_edge_of_a_stronger_layer_is_too_faint(significance, contrast, faint):
    outline = beside(significance, contrast, 0.7)
    assert ("beside the fill" in outline.faint) == faint


@pytest.mark.parametrize("width", [0.3, 0.6])
def test_a_line_as_strong_as_its_fill_but_far_thinner_than_the_kerf_may_be_the_fills_edge(width):
    assert "beside the fill" in beside(20.0, -20.0, 0.7, width).faint
    assert beside(20.0, -20.0, 0.7, 1.0).faint == ""
    # Strength and width trade: a thin line that is stronger is as much of a line.
    assert beside(20.0, -20.0, 0.5 / width, width).faint == ""


@pytest.mark.parametrize(
    ("significance", "width", "faint"), [(9.0, 1.6, True), (12.0, 1.6, False), (12.0, 1.2, True)]
)
def test_a_line_half_as_strong_but_wider_is_as_much_of_a_line(significance, width, faint):
    assert (beside(significance, -20.0, 0.33, width).faint != "") == faint


def test_what_is_far_weaker_than_the_strongest_layer_may_be_grain():
    assert "too faint to judge (" in beside(12.0, -20.0, 0.1, strongest=150.0).faint
    assert beside(16.0, -20.0, 0.1, strongest=150.0).faint == ""


@pytest.mark.parametrize(("significance", "strength"), [(4.0, 0.7), (5.0, 0.3)])
def test_what_is_hardly_there_is_too_faint_however_strong(significance, strength):
    assert "too faint to judge (" in beside(significance, -20.0, strength).faint


def test_layers_of_which_nothing_is_seen_are_too_faint_and_hidden_by_none():
    mark = SimpleNamespace(
        layers=("outline", "fill"),
        local=(cell(0), replace(cell(0), layer=1)),
        covariance=np.eye(6) * 1e-6,
        significance={"outline": 0.0, "fill": 0.0},
        contrast={"outline": 0.0, "fill": 0.0},
        strength={"outline": 0.0, "fill": 0.0},
        width={"outline": 1.0, "fill": 1.0},
        doubled={},
        covered_share={"outline": 0.0, "fill": 0.0},
        white_share={"outline": 0.0, "fill": 0.0},
        scene=SimpleNamespace(region=SimpleNamespace(pitch_mm=0.25)),
    )
    for layer in trust(mark):
        assert "too faint to judge (0.0" in layer.faint
        assert layer.hidden_by == ""


@pytest.mark.parametrize("strength", [-0.5, 0.1, 0.4])
@pytest.mark.parametrize(("significance", "faint"), [(20.0, True), (45.0, True), (60.0, False)])
def test_what_is_told_otherwise_than_its_fill_must_be_seen_far_better(
    significance, faint, strength
):
    outline = beside(significance, 20.0, strength)
    assert ("beside the fill" in outline.faint) == faint


def test_a_layer_of_which_no_cell_is_seen_is_not_seen():
    assert told([]).seen_share == 0.0


def test_what_something_covers_is_told_beside_what_is_seen_of_the_rest():
    layer = told([cell(0), cell(1)], covered=0.3)
    assert (layer.covered_share, layer.seen_share) == (0.3, 1.0)


def test_cells_count_by_what_they_should_show():
    layer = told([cell(0, energy=3000.0), cell(1, strength=0.1, energy=1000.0)])
    assert layer.seen_share == pytest.approx(0.75)


def test_a_cell_that_noise_alone_can_make_look_empty_counts_as_seen():
    assert told([cell(0, strength=0.2, sigma=0.15)]).seen_share == 1.0
    assert told([cell(0, strength=0.2, sigma=0.05)]).seen_share == 0.0


def test_one_cell_far_off_is_named_with_its_place():
    layer = told([*(cell(k) for k in range(5)), cell(5, shift=(0.3, -0.4))])
    assert layer.displaced_share == pytest.approx(1 / 6)
    assert layer.displaced_mm == pytest.approx(0.5)
    assert layer.displaced_at_mm == (50.0, 5.0)


def test_small_offsets_as_scorch_makes_them_are_no_movement():
    layer = told([cell(k, shift=(0.05, 0.0)) for k in range(6)])
    assert layer.displaced_share == 0.0


def test_a_cell_that_cannot_tell_is_no_movement():
    vague = np.eye(2) * 0.4**2
    layer = told([*(cell(k) for k in range(5)), cell(5, shift=(0.5, 0.5), covariance=vague)])
    assert layer.displaced_share == 0.0


def measured(hook_shift=(0.0, 0.0), hook_burn=0.6):
    """Return artwork and mark of a plate in place and a hook shifted by itself."""
    artwork = artwork_of((PLATE, HOOK))
    layers = {
        "fill": ((PLATE,), STILL, 0.6),
        # Drawn as a layer of its own, but one layer of the artwork.
        " fill": ((HOOK,), Rigid(*hook_shift, 0.0), hook_burn),
    }
    scene = Scene({}, AffineSurface(size=(300, 208), pixel_mm=0.16, u0=9.7, v0=194.4), noise=1.0)
    keep = np.ones((scene.surface.size[1], scene.surface.size[0]))
    for shapes, pose, burn in layers.values():
        one = Scene({"fill": (shapes, pose, burn)}, scene.surface)
        keep = keep * one.through()
    mark = measure(shot(scene, keep, 5), None, artwork, STILL, (), KERF_MM)
    return artwork, mark


def rows_of(artwork, mark):
    nothing = {name: np.zeros((3, 3)) for name in mark.layers}
    return feature_rows(artwork, 0, mark, STILL, nothing)


def test_each_feature_has_a_row_with_its_own_displacement():
    plate, hook = rows_of(*measured((0.25, -0.15)))
    assert hook.dx_mm.value - plate.dx_mm.value == pytest.approx(0.25, abs=0.05)
    assert hook.dy_mm.value - plate.dy_mm.value == pytest.approx(-0.15, abs=0.05)
    assert (plate.name, hook.name) == ("shape 0", "shape 1")
    assert plate.centre_mm == pytest.approx((19.0, 16.0))
    assert plate.contrast.value < -20
    assert plate.note == ""


def test_features_in_place_lie_in_place_within_their_uncertainty():
    for row in rows_of(*measured()):
        assert abs(row.dx_mm.value) < max(2 * row.dx_mm.u95, 0.006)
        assert abs(row.dy_mm.value) < max(2 * row.dy_mm.u95, 0.006)
        assert row.distance_mm.interval[0] < 0.006


def test_a_feature_that_was_not_burned_has_no_number_or_is_called_faint():
    _, hook = rows_of(*measured(hook_burn=0.0))
    assert hook.dx_mm.value is None or hook.note == "faint"


def test_local_displacements_are_told_against_the_intended_place():
    _, mark = measured()
    expected = about((23.5, 16.0), -0.2, 0.1, 0.0)
    table, names = local_table(mark, expected, mark.local)
    assert table.shape == (len(mark.local), 4)
    assert set(names) == {"fill"}
    assert np.median(table[:, 2:], axis=0) == pytest.approx([0.2, -0.1], abs=0.02)


def doubled_by(unlike_mm2, sigma_mm2):
    """Return the trust in a fill whose blur is so unlike in different directions."""
    mark = SimpleNamespace(
        layers=("fill",),
        local=(cell(0),),
        covariance=np.eye(3) * 1e-6,
        significance={"fill": 500.0},
        contrast={"fill": -80.0},
        strength={"fill": 0.6},
        width={"fill": 1.0},
        doubled={"fill": Doubling(np.array([unlike_mm2, 0.0]), np.eye(2) * sigma_mm2**2)},
        covered_share={"fill": 0.0},
        white_share={"fill": 0.0},
        scene=SimpleNamespace(region=SimpleNamespace(pitch_mm=0.28)),
    )
    (layer,) = trust(mark)
    return layer


@pytest.mark.parametrize(
    ("unlike_mm2", "sigma_mm2", "apart_mm", "surely"),
    [
        (0.0225, 0.002, 0.30, True),
        (0.0144, 0.003, 0.24, False),
        (0.0144, 0.010, 0.0, False),
        (0.0040, 0.001, 0.0, False),
    ],
)
def test_a_fill_looks_doubled_beyond_chance_and_what_a_camera_does(
    unlike_mm2, sigma_mm2, apart_mm, surely
):
    layer = doubled_by(unlike_mm2, sigma_mm2)
    assert layer.doubled_mm == pytest.approx(apart_mm, abs=0.01)
    assert layer.surely_doubled == surely
