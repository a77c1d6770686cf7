"""How evenly a burn was burned is learned from the capture."""

from dataclasses import replace

import numpy as np
import pytest

from tests.unit.drawn_marks import KERF, STILL, FlatSurface, artwork, capture
from vision.register.evenness import learn_burn
from vision.register.fit import fit_layers
from vision.register.mark import Mark, measure
from vision.register.model import look

BOX = ((6.0, 6.0, 54.0, 30.0),)
SURFACE = FlatSurface(size=(260, 160), v0=140.6)


@pytest.fixture(scope="module")
def even():
    """A fit of an even burn, every parameter where it belongs."""
    view = capture(SURFACE, (0.1, 0.0), (0.0, 0.0), noise=1.0, seed=2, boxes=BOX)
    mark = measure(view, None, artwork(boxes=BOX), STILL, (), KERF)
    assert isinstance(mark, Mark)
    return mark.fit


def burned(even, uneven, noise=1.0):
    """Return a fit of the same picture with gains drawn for each layer."""
    rng = np.random.default_rng(6)
    cells = even.setting.cells
    gain = tuple(np.clip(1 + sd * rng.normal(size=cells), 0.6, 1.4) for sd in uneven)
    drawn = look(even.setting, replace(even.state, gain=gain))
    grey = even.setting.scene.grey - drawn.residual + rng.normal(0, noise, drawn.residual.shape)
    scene = replace(even.setting.scene, grey=grey.astype(np.float32))
    fit = fit_layers(
        scene,
        even.setting.maps,
        even.state.poses,
        even.setting.nominal_half_mm,
        pivot_mm=even.setting.pivot_mm,
        start=even.state,
    )
    assert fit is not None
    return fit


def test_an_uneven_outline_is_told_from_an_even_fill(even):
    outline, fill = learn_burn(burned(even, (0.15, 0.0))).uneven
    assert 0.07 < outline < 0.2
    assert fill < 0.055


def test_an_uneven_fill_is_told_from_an_even_outline(even):
    outline, fill = learn_burn(burned(even, (0.0, 0.12))).uneven
    assert outline < 0.08
    assert 0.08 < fill < 0.16


def test_the_noise_is_that_of_the_pixels(even):
    assert learn_burn(burned(even, (0.1, 0.05), noise=2.0)).noise2 == pytest.approx(4.0, rel=0.3)


def test_gains_weigh_less_where_the_burn_is_less_even(even):
    burn = learn_burn(burned(even, (0.15, 0.0)))
    assert burn.strength[0] < burn.strength[1]
