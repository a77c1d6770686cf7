"""Dark work on a dark bed: what the surroundings show, and what is told of the work's movement."""

import math

import numpy as np
import pytest

from tests.unit import test_register_rim as rims
from vision.artwork.placing import Rigid
from vision.register import movement
from vision.register.camouflage import surroundings
from vision.register.view import View
from vision.register.work import Blank

INSIDE = np.array([(24.0, 22.0), (58.0, 22.0), (58.0, 48.0), (24.0, 48.0)])
STILL = Rigid(0.0, 0.0, 0.0)


def level(view: View) -> float:
    """Return the work's grey level in a view."""
    u, v = view.surface.px_from_mm(INSIDE.mean(axis=0)[None])[0].astype(int)
    return float(np.median(view.grey[v - 20 : v + 20, u - 20 : u + 20]))


def bed(x, y):
    """Return the light of a honeycomb with thin walls in three directions."""
    walls = np.zeros(np.broadcast(x, y).shape, bool)
    for angle in 0.13 + np.arange(3) * math.pi / 3:
        across = math.cos(angle) * x + math.sin(angle) * y
        walls |= np.abs((across / 4.1) % 1 - 0.5) < 0.03
    return np.where(walls, rims.WALL, rims.CELL)


@pytest.fixture(autouse=True, scope="module")
def honeycomb():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rims, "bed", bed)
        yield


@pytest.fixture(scope="module")
def before(honeycomb):
    return rims.capture(seed=1)


def seen(before, after):
    burned = np.zeros(after.grey.shape, np.bool_)
    return surroundings(before, after, STILL, INSIDE, level(before), burned)


@pytest.mark.parametrize("light", [1.0, 0.85])
def test_about_work_at_rest_nothing_has_changed_though_the_light_has(before, light):
    told = seen(before, rims.capture(seed=2, light=light))
    assert told.changed_mm2 < 0.1
    assert told.alike > 0.6


@pytest.mark.parametrize("shift", [(0.4, 0.0), (0.0, -0.5), (-0.3, 0.3)])
def test_about_work_that_moved_something_has_changed(before, shift):
    assert seen(before, rims.capture(shift, seed=3)).changed_mm2 > 1.0


def test_what_the_burn_touched_does_not_count_as_changed(before):
    after = rims.capture((0.5, 0.0), seed=3)
    everything = np.ones(after.grey.shape, np.bool_)
    told = surroundings(before, after, STILL, INSIDE, level(before), everything)
    assert (told.alike, told.changed_mm2) == (1.0, 0.0)


def test_a_bed_that_is_lighter_than_the_work_does_not_look_like_it(before):
    burned = np.zeros(before.grey.shape, np.bool_)
    told = surroundings(before, before, STILL, INSIDE, level(before) - 60, burned)
    assert told.alike < 0.05


def work_told(monkeypatch, before, after, dx_mm):
    """Return what becomes of a movement that edges and grain have told."""
    told = movement.Movement(
        "measured", dx_mm, 0.0, 0.0, (41.0, 35.0), np.eye(3) * 1e-5, STILL, None
    )
    monkeypatch.setattr(movement, "follow_blank", lambda *_: None)
    monkeypatch.setattr(movement, "_joined", lambda *_: told)
    blank = Blank({}, 0.0, (41.0, 35.0), level(before), None)
    burned = np.zeros(after.grey.shape, np.bool_)
    return movement.work_movement(before, after, blank, INSIDE, burned)


def test_work_told_at_rest_that_moved_among_its_like_is_not_told(monkeypatch, before):
    told = work_told(monkeypatch, before, rims.capture((0.5, 0.0), seed=4), 0.01)
    assert not told.measured
    assert "hardly differs from the bed" in told.why


def test_work_told_at_rest_that_lies_still_among_its_like_is_told_as_surely(monkeypatch, before):
    told = work_told(monkeypatch, before, rims.capture(seed=4), 0.01)
    assert told.measured
    assert np.sqrt(told.covariance[0, 0]) < 0.006


def test_a_movement_among_its_like_is_less_sure_than_edges_say(monkeypatch, before):
    told = work_told(monkeypatch, before, rims.capture((0.5, 0.0), seed=4), 0.3)
    assert told.measured
    assert np.sqrt(told.covariance[0, 0]) == pytest.approx(0.12, rel=0.01)
