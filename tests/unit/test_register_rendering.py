"""Rendered marks against exact area coverage."""

import math

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon, box

from tests.unit.drawn_scenes import (
    HOOK,
    KERF_MM,
    PLATE,
    AffineSurface,
    about,
    artwork_of,
    burned,
    exact_coverage,
    seen_coverage,
)
from vision.register.distance import layer_distance
from vision.register.fine import fine_about
from vision.register.region import make_region
from vision.register.rendering import cover, see
from vision.register.tone import grey_from_linear, grey_slope, linear_from_grey

SURFACE = AffineSurface()
POSE = about((20.0, 16.0), 0.37, -0.22, 0.04)
ARTWORK = artwork_of((PLATE,), (PLATE, HOOK))


def whole(sub):
    width, height = SURFACE.size
    return make_region(SURFACE, (0, 0), (height, width), 1, sub)


def covered(layer, sub, pose, half_mm, lean=(0.0, 0.0)):
    region = whole(sub)
    step = region.pitch_mm / sub
    return cover(layer, pose, (20.0, 16.0), region.places_mm, step, half_mm, lean)


def rendered(layer, sub=4, kerf=KERF_MM, pose=POSE, lean=(0.0, 0.0)):
    found = layer_distance(ARTWORK, layer, 0.05, 1.5)
    return covered(found, sub, pose, kerf / 2, lean)


def test_the_drawer_of_these_tests_gives_each_cell_its_exact_area():
    shape = shapely.transform(PLATE.buffer(0.3), lambda p: p @ [[0.83, 0.3], [-0.2, 0.9]])
    got = exact_coverage(shape, 40, 40)
    i, j = np.indices((40, 40))
    cells = shapely.box(j.ravel(), i.ravel(), j.ravel() + 1, i.ravel() + 1)
    want = shapely.area(shapely.intersection(cells, shape)).reshape(40, 40)
    assert got == pytest.approx(want, abs=1e-9)


@pytest.mark.parametrize(("layer", "shapes"), [("fill", (PLATE,)), ("outline", (PLATE, HOOK))])
@pytest.mark.parametrize("kerf", [0.12, 0.2, 0.4])
def test_a_rendered_mark_covers_what_the_beam_burns(layer, shapes, kerf):
    seen = see(rendered(layer, 6, kerf).mark, 6, 0.9)
    want = sum(seen_coverage(burned(s, layer, POSE, kerf), SURFACE, 0.9) for s in shapes)
    assert np.abs(seen - want).max() < 0.02
    assert seen.sum() == pytest.approx(want.sum(), rel=0.006)


@pytest.mark.parametrize("layer", ["fill", "outline"])
@pytest.mark.parametrize("sub", [2, 4, 6])
def test_a_rendered_mark_is_not_shifted_against_the_pixels(layer, sub):
    """Half a sub-sample of shift would be 0.08 to 0.25 px; it is held to 0.003 px."""
    shapes = (PLATE,) if layer == "fill" else (PLATE, HOOK)
    seen = see(rendered(layer, sub).mark, sub, 0.9)
    want = sum(seen_coverage(burned(s, layer, POSE), SURFACE, 0.9) for s in shapes)
    along = np.stack([slope.ravel() for slope in np.gradient(want)], axis=1)
    shift, *_ = np.linalg.lstsq(along, (want - seen).ravel(), rcond=None)
    assert np.abs(shift).max() < 0.003


@pytest.mark.parametrize("sub", [2, 4])
def test_blurring_keeps_the_light_and_its_place(sub):
    sharp = np.zeros((80, 120), np.float32)
    sharp[32:34, 50:52] = 1.0
    seen = see(sharp, sub, 0.8)
    v, u = np.indices(seen.shape)
    assert seen.sum() * sub * sub == pytest.approx(4.0, rel=1e-5)
    # Sub-sample k of a pixel lies at (k + 1/2) / sub - 1/2 pixels from its centre.
    assert (u * seen).sum() / seen.sum() == pytest.approx(51 / sub - 0.5, abs=0.002)
    assert (v * seen).sum() / seen.sum() == pytest.approx(33 / sub - 0.5, abs=0.002)
    spread = ((u - 51 / sub + 0.5) ** 2 * seen).sum() / seen.sum()
    # Gaussian, plus the two sub-samples and the pixel (each about a twelfth of its width squared).
    assert spread == pytest.approx(0.8**2 + 1 / 12 + (2 / sub) ** 2 / 12, rel=0.06)


@pytest.mark.parametrize("layer", ["fill", "outline"])
def test_derivatives_of_a_rendered_mark_are_those_of_the_rendering(layer):
    step = 0.004
    one = rendered(layer)
    for name, forth, back in (
        ("along_x", about((20, 16), step, 0, 0), about((20, 16), -step, 0, 0)),
        ("along_y", about((20, 16), 0, step, 0), about((20, 16), 0, -step, 0)),
        ("along_turn", about((20, 16), 0, 0, step / 10), about((20, 16), 0, 0, -step / 10)),
    ):
        ends = [
            see(rendered(layer, pose=_after(move, POSE)).mark, 4, 0.9) for move in (forth, back)
        ]
        size = 2 * step / (10 if name == "along_turn" else 1)
        numeric = (ends[0] - ends[1]) / size
        analytic = see(getattr(one, name), 4, 0.9)
        assert np.linalg.norm(analytic - numeric) < 0.04 * np.linalg.norm(numeric)


@pytest.mark.parametrize("layer", ["fill", "outline"])
def test_derivative_by_the_kerf_is_that_of_the_rendering(layer):
    step = 0.004
    ends = [see(rendered(layer, kerf=KERF_MM + 2 * d).mark, 4, 0.9) for d in (step, -step)]
    numeric = (ends[0] - ends[1]) / (2 * step)
    analytic = see(rendered(layer).edge, 4, 0.9)
    assert np.linalg.norm(analytic - numeric) < 0.02 * np.linalg.norm(numeric)


def test_a_lean_widens_edges_across_one_page_axis_and_narrows_those_across_the_other():
    upright = layer_distance(artwork_of((box(10, 8, 30, 24),)), "fill", 0.05, 1.5)
    pose = about((20.0, 16.0), 0.0, 0.0, 0.0)
    leant = covered(upright, 4, pose, KERF_MM / 2, (0.05, 0.0))
    exact = seen_coverage(box(9.85, 7.95, 30.15, 24.05), SURFACE, 0.9)
    assert np.abs(see(leant.mark, 4, 0.9) - exact).max() < 0.02


def test_rendering_only_near_the_edges_is_rendering_everything():
    region = whole(4)
    layer = layer_distance(ARTWORK, "fill", 0.05, 1.5)
    distance = layer.distance_at(POSE, region.centres_mm)
    inside = (distance < 0).astype(np.float32)
    near = np.abs(distance) < 0.8
    assert near.mean() < 0.25
    fine = fine_about(region, near)
    part = cover(layer, POSE, (20.0, 16.0), fine.places_mm, fine.step_mm, KERF_MM / 2)
    every = rendered("fill")
    assert fine.seen(part.mark, 0.9, inside) == pytest.approx(see(every.mark, 4, 0.9), abs=1e-4)
    assert fine.seen(part.along_x, 0.9) == pytest.approx(see(every.along_x, 4, 0.9), abs=1e-3)
    column = np.tile(np.arange(region.shape[1], dtype=np.float32), (region.shape[0], 1))
    assert (fine.repeated(column).reshape(16, -1) == fine.pixel % region.shape[1]).all()


def test_the_tone_curve_is_that_of_the_standard_and_goes_both_ways():
    # IEC 61966-2-1: linear 0.0031308 <-> 0.04045, 0.5 <-> 0.735357, 0.18 <-> 0.461356.
    linear = np.array([0.0, 0.0031308, 0.18, 0.5, 1.0], np.float32)
    encoded = np.array([0.0, 0.0404499, 0.4613561, 0.7353570, 1.0]) * 255
    grey = grey_from_linear(linear)
    assert grey == pytest.approx(encoded, abs=0.002)
    assert linear_from_grey(grey) == pytest.approx(linear, abs=2e-5)
    at = np.linspace(0.01, 0.9, 50).astype(np.float32)
    step = np.float32(1e-3)
    numeric = (grey_from_linear(at + step) - grey_from_linear(at - step)) / (2 * step)
    assert grey_slope(at) == pytest.approx(numeric, rel=0.01)


def test_levels_below_black_stay_in_order():
    dark = np.linspace(-0.01, 0.01, 21, dtype=np.float32)
    assert (np.diff(grey_from_linear(dark)) > 0).all()


def test_a_hairline_thinner_than_a_sub_sample_keeps_its_area():
    thin = layer_distance(
        artwork_of((), (Polygon([(8, 8), (30, 8), (20, 24)]),)), "outline", 0.03, 1
    )
    pose = about((20.0, 16.0), 0.0, 0.0, 0.0)
    seen = see(covered(thin, 6, pose, 0.03).mark, 6, 0.9)
    length = 22 + math.hypot(10, 16) + math.hypot(12, 16)
    per_mm2 = abs(np.linalg.det(SURFACE.matrix))
    assert seen.sum() == pytest.approx(length * 0.06 * per_mm2, rel=0.05)


def _after(move, pose):
    shift = move.apply(np.array([[pose.x_mm, pose.y_mm]]))[0]
    turned = move.angle_rad + pose.angle_rad
    return type(pose)(float(shift[0]), float(shift[1]), turned, pose.mirrored)
