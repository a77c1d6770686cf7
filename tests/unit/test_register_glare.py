"""A glare over a mark is told by the ground about it and taken off; sloping light is not one."""

from dataclasses import replace

import numpy as np
import pytest

from tests.unit.drawn_marks import BOXES, KERF, STILL, FlatSurface, artwork, capture
from vision.register.glare import glare_over
from vision.register.mark import measure
from vision.register.tone import grey_from_linear, linear_from_grey
from vision.register.view import View

# The mark's upper right corner.
CORNER_MM = BOXES[0][2:]


@pytest.fixture(scope="module")
def fit():
    view = capture(FlatSurface(), (0.0, 0.0), (0.0, 0.0), noise=1.5, seed=3)
    return measure(view, None, artwork(), STILL, (), KERF).fit


def lit(fit, light):
    """Return the fit as if other light, by place (x, y) mm, had lain over its pixels."""
    scene = fit.setting.scene
    x, y = (place.astype(np.float64) for place in scene.region.centre_places())
    grey = grey_from_linear((linear_from_grey(scene.grey) * light(x, y)).astype(np.float32))
    return replace(fit, setting=replace(fit.setting, scene=replace(scene, grey=grey)))


def test_even_or_sloping_light_is_no_glare(fit):
    assert glare_over(fit) < 1.1
    assert glare_over(lit(fit, lambda x, y: 1 + 0.01 * x - 0.005 * y)) < 1.1


def test_a_bright_spot_over_the_mark_is_told_about_as_bright_as_it_is(fit):
    def spot(x, y):
        away2 = (x - CORNER_MM[0]) ** 2 + (y - CORNER_MM[1]) ** 2
        return 1 + 0.5 * np.exp(-away2 / (2 * 5.0**2))

    assert glare_over(lit(fit, spot)) == pytest.approx(1.5, abs=0.15)


def brighter(added, seed=5, moved=(0.15, -0.1)):
    """Return a capture of the marks, the fill moved, with light added by place (x, y) mm."""
    surface = FlatSurface()
    view = capture(surface, moved, (0.0, 0.0), noise=1.5, seed=seed)
    v, u = np.indices(view.grey.shape)
    x, y = surface.mm_from_px(np.stack([u.ravel(), v.ravel()], 1).astype(float)).T
    light = added(x, y).reshape(view.grey.shape).astype(np.float32)
    linear = np.minimum(view.linear + light, 1.0)
    grey = np.rint(grey_from_linear(linear))
    usable = (grey < 254).astype(np.float32)
    return View(linear_from_grey(grey), grey, usable, surface), light


def halo(x, y):
    """Return the light of a lamp's reflection above the marks' corner, linear, 1 is white."""
    away2 = (x - CORNER_MM[0]) ** 2 + (y - CORNER_MM[1] - 4.0) ** 2
    return 0.8 * np.exp(-away2 / (2 * 6.0**2))


def test_the_light_of_a_glare_is_taken_off_before_the_layers_are_fitted():
    view, light = brighter(halo)
    mark = measure(view, None, artwork(), STILL, (), KERF)
    scene = mark.scene
    count = scene.usable * scene.region.core > 0
    truth = scene.region.cut(light)
    bright = count & (truth > 0.2)
    assert np.abs(scene.stray - truth)[bright].max() < 0.25 * truth[bright].max()
    off = [mark.poses["fill"].x_mm - mark.poses["outline"].x_mm]
    off.append(mark.poses["fill"].y_mm - mark.poses["outline"].y_mm)
    # Twice what is stated of either axis.
    assert off == pytest.approx([0.15, -0.1], abs=0.06)


def test_no_light_is_taken_off_where_there_is_no_glare():
    view, _ = brighter(lambda x, y: 0 * x)
    assert not measure(view, None, artwork(), STILL, (), KERF).scene.stray.any()


def test_a_bright_thing_with_edges_is_no_glare():
    def strip(x, y):
        return 0.4 * (np.abs(y - CORNER_MM[1] + 6.0) < 2.5)

    view, _ = brighter(strip)
    assert not measure(view, None, artwork(), STILL, (), KERF).scene.stray.any()


def test_how_much_of_a_layer_is_lost_in_white_is_told():
    def flood(x, y):
        return 1.0 * (x > CORNER_MM[0] - 6.0)

    view, _ = brighter(flood)
    mark = measure(view, None, artwork(), STILL, (), KERF)
    x0, _, x1, _ = artwork().box_mm
    assert mark.white_share["fill"] == pytest.approx(6.0 / (x1 - x0), abs=0.1)
    still, _ = brighter(lambda x, y: 0 * x)
    assert not any(measure(still, None, artwork(), STILL, (), KERF).white_share.values())
