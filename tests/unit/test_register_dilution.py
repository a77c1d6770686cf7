"""The earlier capture's noise does not pass for a fading of the ground's texture under the burn."""

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.reading import NOMINAL_KERF_MM, read_core
from tests.benchmarks.scenes import Drawing, spec_of
from tests.unit.drawn_scenes import STILL
from vision.register.dilution import dilution
from vision.register.mark import measure

# Exact scenes with a capture before: a fill on wood, an outline on wood, a fill on plain ground.
FILL, LINE, PLAIN = 208, 98, 0


def measured(seed, captures=0):
    drawing = Drawing(spec_of(seed))
    before = drawing.capture_before(captures)
    view = drawing.capture(captures)
    mark = measure(view, before.linear, drawing.artwork, STILL, (), NOMINAL_KERF_MM)
    return mark, drawing.spec


@pytest.fixture(scope="module")
def wood():
    return measured(FILL)


def test_its_variance_is_told_from_what_is_left_of_both(wood):
    mark, spec = wood
    # Rounding to whole grey levels adds a twelfth.
    assert mark.fit.setting.burn.earlier_noise2 == pytest.approx(spec.noise**2 + 1 / 12, rel=0.25)


def test_texture_that_a_burn_darkens_like_the_rest_is_told_to_survive(wood):
    mark, _ = wood
    # 1.12 without what the noise adds taken away.
    assert mark.fit.state.survival == pytest.approx(1.0, abs=0.05)


def test_pull_and_bend_are_those_of_the_cost(wood):
    fit = wood[0].fit
    step = 0.01
    here, forth, back = (
        dilution(
            fit.setting,
            replace(fit.state, survival=fit.state.survival + change),
            fit.seen,
            fit.weight,
        )
        for change in (0.0, step, -step)
    )
    assert (back.cost - forth.cost) / (4 * step) == pytest.approx(here.pull, rel=1e-3)
    second = (forth.cost + back.cost - 2 * here.cost) / step**2
    assert second / 2 == pytest.approx(here.bend, rel=0.02)


def test_a_line_on_wood_is_not_pulled_aside_by_it():
    drawing = Drawing(spec_of(LINE))
    errors = [
        read_core(drawing, drawing.capture(each), drawing.capture_before(each)).error
        for each in range(3)
    ]
    # Across the grain by 3.3 um, three and a half of its standard deviations, without.
    assert abs(np.mean(errors, axis=0)[1]) < 0.0022


def test_plain_ground_has_no_texture_to_fade():
    mark, _ = measured(PLAIN)
    fit = mark.fit
    assert not fit.setting.scene.textured
    assert dilution(fit.setting, fit.state, fit.seen, fit.weight).bend == 0.0
