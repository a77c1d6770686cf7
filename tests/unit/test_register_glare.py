"""A glare over a mark is told by the ground about it; sloping light is not one."""

from dataclasses import replace

import numpy as np
import pytest

from tests.unit.drawn_marks import BOXES, KERF, STILL, FlatSurface, artwork, capture
from vision.register.glare import glare_over
from vision.register.mark import measure
from vision.register.tone import grey_from_linear, linear_from_grey

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
