"""What is measured of captures of notched shapes, drawn by exact area, under a turned camera."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely

from tests.unit.drawn_scenes import (
    DISC,
    HOOK,
    KERF_MM,
    PLATE,
    STILL,
    AffineSurface,
    Scene,
    about,
    artwork_of,
    moved_at,
)
from vision.artwork.placing import Rigid
from vision.diagnose.causes import Evidence
from vision.diagnose.doubts import doubts_of
from vision.measure.trust import trust
from vision.register.locate import locate
from vision.register.mark import Mark, measure
from vision.register.tone import grey_from_linear
from vision.register.view import NotFound, View

MIDDLE = (23.5, 16.0)
TURNED = about(MIDDLE, 0.12, -0.08, 0.006)
OTHER = about(MIDDLE, -0.07, 0.15, -0.004)
NEAR = AffineSurface(size=(300, 208), pixel_mm=0.16, u0=9.7, v0=194.4)


def measured(view, artwork, start=STILL, ground=None, negative=False):
    mark = measure(view, ground, artwork, start, (), KERF_MM, negative)
    assert isinstance(mark, Mark), mark
    return mark


def errors(mark, truth):
    """Return (n, 3) errors of the layers named in the truth."""
    return np.array([moved_at(mark.poses[name], pose, MIDDLE) for name, pose in truth.items()])


def offset_error(mark, fill, outline):
    """Return the error of fill minus outline, mm."""
    off = errors(mark, {"fill": fill, "outline": outline})
    return float(np.hypot(*(off[0] - off[1])[:2]))


def grain(surface, seed, amount=0.03):
    """Return texture of brushed metal, mean one."""
    width, height = surface.size
    noise = np.random.default_rng(seed).normal(size=(height, width))
    lines = cv2.GaussianBlur(noise, (0, 0), 6.0, sigmaY=0.7)
    return 1 + amount * lines / lines.std()


@pytest.mark.parametrize(
    ("outline", "within_mm"),
    # An outline that covers part of one edge of the fill leaves its shift and its width hard to
    # tell apart.
    [(STILL, 0.012), (about(MIDDLE, 0.05, 0.0, 0.0), 0.016), (OTHER, 0.012), (TURNED, 0.012)],
)
def test_fill_and_outline_of_the_same_edge_are_told_apart_to_some_micrometres(outline, within_mm):
    scene = Scene(
        {"fill": ((PLATE,), STILL, 0.5), "outline": ((PLATE,), outline, 0.7)}, NEAR, noise=1.0
    )
    mark = measured(scene.capture(seed=1), artwork_of((PLATE,), (PLATE,)))
    assert offset_error(mark, STILL, outline) < within_mm
    assert np.abs(errors(mark, {"fill": STILL, "outline": outline})[:, 2]).max() < 1e-3


@pytest.mark.parametrize(
    ("layer", "burn"), [("fill", 0.6), ("outline", -1.5), ("cut", 0.6)], ids=str
)
def test_one_layer_alone_is_placed_whatever_its_polarity(layer, burn):
    light = 0.35 if burn > 0 else 0.12
    scene = Scene({layer: ((PLATE, HOOK), TURNED, burn)}, NEAR, light=light, noise=1.0)
    shapes = {"fill": ((), (), ()), "outline": ((), (), ()), "cut": ((), (), ())}
    shapes = [(PLATE, HOOK) if name == layer else () for name in shapes]
    mark = measured(scene.capture(seed=2), artwork_of(*shapes))
    assert mark.layers == (layer,)
    assert np.abs(errors(mark, {layer: TURNED})[:, :2]).max() < 0.005
    assert np.sign(mark.contrast[layer]) == -np.sign(burn)


def test_a_lighter_fill_within_a_darker_outline():
    """Engraved metal may flip from layer to layer."""
    layers = {"fill": ((PLATE,), TURNED, -0.6), "outline": ((PLATE,), OTHER, 0.6)}
    scene = Scene(layers, NEAR, light=0.2, noise=1.0)
    mark = measured(scene.capture(seed=3), artwork_of((PLATE,), (PLATE,)))
    assert offset_error(mark, TURNED, OTHER) < 0.01
    assert mark.contrast["fill"] > 0 > mark.contrast["outline"]


@pytest.mark.parametrize("sigma_px", [0.6, 1.4])
def test_the_cameras_blur_need_not_be_known(sigma_px):
    layers = {"fill": ((PLATE,), TURNED, 0.5), "outline": ((PLATE, HOOK), OTHER, 0.7)}
    scene = Scene(layers, noise=1.0, sigma_px=sigma_px)
    mark = measured(scene.capture(seed=4), artwork_of((PLATE,), (PLATE, HOOK)))
    assert offset_error(mark, TURNED, OTHER) < 0.012


@pytest.mark.parametrize("true_kerf", [0.14, 0.28])
def test_a_wrong_kerf_does_not_move_the_mark(true_kerf):
    layers = {"fill": ((PLATE,), TURNED, 0.5), "outline": ((PLATE, HOOK), OTHER, 0.7)}
    scene = Scene(layers, NEAR, noise=1.0, kerf_mm=true_kerf)
    mark = measured(scene.capture(seed=5), artwork_of((PLATE,), (PLATE, HOOK)))
    assert offset_error(mark, TURNED, OTHER) < 0.008


@pytest.mark.parametrize("away", [(0.3, 0.0), (-0.25, 0.25)])
def test_a_start_beside_the_truth_does_not_end_in_a_wrong_minimum(away):
    """An outline on the very edge of its fill has a second, wrong minimum near by."""
    layers = {"fill": ((PLATE,), STILL, 0.5), "outline": ((PLATE,), STILL, 0.7)}
    view = Scene(layers, noise=1.5).capture(seed=6)
    start = Rigid(*away, 0.0)
    mark = measured(view, artwork_of((PLATE,), (PLATE,)), start)
    assert offset_error(mark, STILL, STILL) < 0.03
    assert np.abs(errors(mark, {"fill": STILL, "outline": STILL})[:, :2]).max() < 0.02


def test_the_before_capture_takes_the_grain_out():
    layers = {"fill": ((PLATE,), TURNED, 0.35), "outline": ((PLATE,), OTHER, 0.5)}
    scene = Scene(layers, noise=0.7)
    artwork = artwork_of((PLATE,), (PLATE,))
    with_ground, without = [], []
    for seed in range(2):
        texture = grain(scene.surface, seed, 0.05)
        view = scene.capture(seed, texture)
        ground = replace(scene, layers={}).capture(seed + 50, texture).linear
        known = measured(view, artwork, ground=ground)
        blind = measured(view, artwork)
        with_ground.append(offset_error(known, TURNED, OTHER))
        without.append(offset_error(blind, TURNED, OTHER))
        assert known.fit.noise < 0.7 * blind.fit.noise
        assert np.trace(known.covariance) < np.trace(blind.covariance)
    assert max(with_ground) < 0.02
    assert max(without) < 0.2
    assert np.mean(with_ground) < np.mean(without)


def test_mirrored_artwork_is_measured_where_it_lies():
    there = Rigid(47.0, 0.0, 0.004, mirrored=True)
    outline = Rigid(47.1, -0.07, 0.0, mirrored=True)
    layers = {"fill": ((PLATE,), there, 0.5), "outline": ((PLATE, HOOK), outline, 0.7)}
    view = Scene(layers, NEAR, noise=1.0).capture(seed=7)
    start = Rigid(47.0, 0.0, 0.0, mirrored=True)
    mark = measured(view, artwork_of((PLATE,), (PLATE, HOOK)), start)
    assert offset_error(mark, there, outline) < 0.006
    assert all(pose.mirrored for pose in mark.poses.values())


def test_where_the_ground_is_burned_what_was_left_standing_is_measured():
    scene = Scene({"fill": ((PLATE, HOOK), TURNED, 0.6)}, NEAR, noise=1.0, negative=True)
    mark = measured(scene.capture(seed=8), artwork_of((PLATE, HOOK)), negative=True)
    assert np.abs(errors(mark, {"fill": TURNED})[:, :2]).max() < 0.006
    assert mark.contrast["fill"] > 0


def test_a_rings_turn_is_that_of_the_other_layer_and_its_middle_is_its_own():
    ring = about(MIDDLE, 0.1, -0.2, 0.0)
    layers = {"fill": ((HOOK,), TURNED, 0.5), "outline": ((DISC,), ring, 0.7)}
    view = Scene(layers, NEAR, noise=1.0).capture(seed=9)
    mark = measured(view, artwork_of((HOOK,), (DISC,)))
    assert mark.round_layers == ("outline",)
    assert mark.poses["outline"].angle_rad == mark.poses["fill"].angle_rad
    centre = np.array([[23.0, 16.0]])
    assert mark.poses["outline"].apply(centre) == pytest.approx(ring.apply(centre), abs=0.005)


def test_a_ring_alone_does_not_turn_away():
    layers = {"outline": ((DISC,), about(MIDDLE, 0.2, 0.1, 0.0), 0.7)}
    view = Scene(layers, noise=2.0).capture(seed=10)
    mark = measured(view, artwork_of((), (DISC,)), about(MIDDLE, 0.0, 0.0, 0.03))
    assert mark.poses["outline"].angle_rad == 0.03
    centre = np.array([[23.0, 16.0]])
    want = about(MIDDLE, 0.2, 0.1, 0.0).apply(centre)
    assert mark.poses["outline"].apply(centre) == pytest.approx(want, abs=0.01)


WIDE = AffineSurface(size=(420, 330), pixel_mm=0.25, u0=120.3, v0=230.6)


@pytest.mark.parametrize(
    ("dx", "dy", "turn_deg", "burn"),
    [(20.0, -20.0, 10.0, 0.6), (-20.0, 12.0, -10.0, -1.5)],
)
def test_a_mark_twenty_millimetres_and_ten_degrees_off_is_found(dx, dy, turn_deg, burn):
    there = about(MIDDLE, dx, dy, math.radians(turn_deg))
    light = 0.35 if burn > 0 else 0.1
    layers = {"fill": ((PLATE,), there, burn), "outline": ((PLATE, HOOK), there, burn)}
    view = Scene(layers, WIDE, light=light, noise=2.0).capture(seed=11)
    artwork = artwork_of((PLATE,), (PLATE, HOOK))
    found = locate(view, None, artwork, STILL, False, KERF_MM)
    assert not isinstance(found, NotFound)
    mark = measured(view, artwork, found.pose)
    assert offset_error(mark, there, there) < 0.02
    assert np.abs(errors(mark, {"fill": there, "outline": there})[:, :2]).max() < 0.02


def test_without_a_place_it_is_found_anywhere_in_the_picture():
    there = about(MIDDLE, 27.0, -22.0, math.radians(3.0))
    layers = {"fill": ((PLATE,), there, 0.6), "outline": ((PLATE, HOOK), there, 0.7)}
    view = Scene(layers, WIDE, noise=2.0).capture(seed=12)
    found = locate(view, None, artwork_of((PLATE,), (PLATE, HOOK)), STILL, True, KERF_MM)
    assert not isinstance(found, NotFound)
    assert np.hypot(*moved_at(found.pose, there, MIDDLE)[:2]) < 0.3
    assert found.rivals == ()


def test_two_marks_alike_are_told_and_the_nearer_one_is_taken():
    here, there = about(MIDDLE, 1.0, 0.0, 0.0), about(MIDDLE, 8.0, 20.0, 0.0)
    both = tuple(shapely.transform(PLATE, pose.apply) for pose in (here, there))
    view = Scene({"fill": (both, STILL, 0.6)}, WIDE, noise=2.0).capture(seed=13)
    found = locate(view, None, artwork_of((PLATE,)), STILL, False, KERF_MM)
    assert not isinstance(found, NotFound)
    assert np.hypot(*moved_at(found.pose, here, MIDDLE)[:2]) < 0.3
    assert len(found.rivals) == 1
    assert np.hypot(*moved_at(found.rivals[0], there, MIDDLE)[:2]) < 0.3


def test_blank_brushed_work_is_refused():
    blank = Scene({}, noise=2.0)
    view = blank.capture(seed=14, texture=grain(blank.surface, 3, 0.04))
    artwork = artwork_of((PLATE,), (PLATE, HOOK))
    found = locate(view, None, artwork, STILL, False, KERF_MM)
    mark = (
        found if isinstance(found, NotFound) else measure(view, None, artwork, found.pose, (), 0.2)
    )
    assert isinstance(mark, NotFound) or all(layer.faint for layer in trust(mark))
    assert not found or isinstance(mark, Mark)


def test_artwork_beyond_the_picture_is_told():
    view = Scene({}).capture()
    far = Rigid(500.0, 0.0, 0.0)
    for result in (
        locate(view, None, artwork_of((PLATE,)), far, False, KERF_MM),
        measure(view, None, artwork_of((PLATE,)), far, (), KERF_MM),
    ):
        assert isinstance(result, NotFound)
        assert result.outside_view
        assert not result


def test_artwork_larger_than_the_picture_is_told():
    giant = shapely.transform(PLATE, lambda p: p * 40)
    found = locate(Scene({}).capture(), None, artwork_of((giant,)), STILL, True, KERF_MM)
    assert isinstance(found, NotFound)
    assert "larger" in found.why


def halves(layers, other, surface=NEAR, split_mm=17.0):
    """Return a capture whose lower part shows one scene and its upper part another."""
    first = Scene(layers, surface, noise=1.0).capture(seed=20)
    second = Scene(other, surface, noise=1.0).capture(seed=21)
    width, height = surface.size
    pixels = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1)
    y = surface.mm_from_px(pixels.reshape(-1, 2).astype(float))[:, 1].reshape(height, width)
    upper = y > split_mm
    return View(
        np.where(upper, second.linear, first.linear),
        np.where(upper, second.grey, first.grey),
        first.usable,
        surface,
    )


def test_a_layer_that_moved_while_it_was_burned_is_named():
    moved_mm = 0.3
    here = {"fill": ((PLATE,), STILL, 0.5)}
    there = {"fill": ((PLATE,), Rigid(moved_mm, 0.0, 0.0), 0.5)}
    mark = measured(halves(here, there), artwork_of((PLATE,)))
    (layer,) = trust(mark)
    assert layer.displaced_share > 0.06
    assert layer.displaced_mm > 0.3 * moved_mm


def test_a_layer_that_lay_still_agrees_with_itself():
    layers = {"fill": ((PLATE,), TURNED, 0.5), "outline": ((PLATE, HOOK), OTHER, 0.7)}
    mark = measured(halves(layers, layers), artwork_of((PLATE,), (PLATE, HOOK)))
    for layer in trust(mark):
        assert layer.displaced_share == 0.0
        assert layer.seen_share > 0.97
        assert not layer.faint


@pytest.mark.parametrize("covered_above_mm", [15.0, 20.0])
def test_a_mark_that_is_partly_covered_is_not_judged(covered_above_mm):
    layers = {"fill": ((PLATE,), STILL, 0.5), "outline": ((PLATE, HOOK), STILL, 0.7)}
    view = halves(layers, {}, split_mm=covered_above_mm)
    mark = measured(view, artwork_of((PLATE,), (PLATE, HOOK)))
    evidence = Evidence({}, None, None, None, trust(mark), 0, False, None, None)
    assert doubts_of(evidence, False)


def test_saturated_glare_does_not_pull_the_mark():
    layers = {"fill": ((PLATE,), TURNED, 0.5), "outline": ((PLATE, HOOK), OTHER, 0.7)}
    view = Scene(layers, NEAR, noise=1.0).capture(seed=22)
    v, u = np.indices(view.grey.shape)
    spot = 1.2 * np.exp(-((u - 120) ** 2 + (v - 110) ** 2) / (2 * 9.0**2)).astype(np.float32)
    linear = np.minimum(view.linear + spot, 1.0)
    grey = 255 * np.where(linear > 0.0031308, 1.055 * linear ** (1 / 2.4) - 0.055, 12.92 * linear)
    usable = (grey < 254).astype(np.float32)
    glared = View(linear, grey.astype(np.float32), usable, NEAR)
    mark = measured(glared, artwork_of((PLATE,), (PLATE, HOOK)))
    assert offset_error(mark, TURNED, OTHER) < 0.03


def test_a_mark_beside_a_strong_glare_is_found_once_what_is_smooth_is_taken_out():
    away = Rigid(9.0, -7.0, 0.1)
    layers = {"fill": ((PLATE,), away, 0.3), "outline": ((PLATE, HOOK), away, 0.4)}
    view = Scene(layers, NEAR, noise=1.5).capture(seed=23)
    v, u = np.indices(view.grey.shape)
    middle = np.array(view.grey.shape) / 2
    spot = 0.6 * np.exp(-((u - middle[1]) ** 2 + (v - middle[0]) ** 2) / (2 * 25.0**2))
    linear = np.minimum(view.linear + spot.astype(np.float32), 1.0)
    glared = View(linear, grey_from_linear(linear), (linear < 0.98).astype(np.float32), NEAR)
    artwork = artwork_of((PLATE,), (PLATE, HOOK))
    found = locate(glared, None, artwork, STILL, False, KERF_MM, flattened=True)
    assert not isinstance(found, NotFound)
    x0, y0, x1, y1 = artwork.box_mm
    middle_mm = np.array([[(x0 + x1) / 2, (y0 + y1) / 2]])
    assert np.hypot(*(found.pose.apply(middle_mm) - away.apply(middle_mm))[0]) < 0.5
    assert found.pose.angle_rad == pytest.approx(0.1, abs=0.02)


def test_nothing_stands_out_of_flattened_blank_work():
    blank = Scene({}, noise=2.0)
    view = blank.capture(seed=14, texture=grain(blank.surface, 3, 0.04))
    artwork = artwork_of((PLATE,), (PLATE, HOOK))
    found = locate(view, None, artwork, STILL, False, KERF_MM, flattened=True)
    assert isinstance(found, NotFound)
