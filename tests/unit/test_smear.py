"""A camera that moves while it looks is noticed by fill and outline alike, and by no fill alone."""

from __future__ import annotations

import numpy as np
import pytest

from tests.unit.drawn_marks import KERF, STILL, FlatSurface, artwork, capture, one_exposure
from vision.measure.trust import trust
from vision.register.mark import Mark, measure
from vision.register.rendering import unlike
from vision.register.view import View

SURFACE = FlatSurface()
OFFSET = (0.3, 0.2)


def moving(along: tuple[float, float]) -> View:
    """Return fill and outline seen by a camera that moves by so many pixels while it looks."""
    views = []
    for seed, part in enumerate((np.arange(9) - 4) / 9):
        # The camera's rows run down, the surface's Y up.
        x, y = part * SURFACE.pitch_mm * np.array([along[0], -along[1]])
        fill = (OFFSET[0] + x, OFFSET[1] + y)
        views.append(capture(SURFACE, fill, (x, y), noise=1.5, seed=seed))
    return one_exposure(views)


def measured(view: View, layers: str = "both") -> Mark:
    mark = measure(view, None, artwork(layers), STILL, (), KERF)
    assert isinstance(mark, Mark)
    return mark


@pytest.mark.parametrize(("along", "unlike_px2"), [((1.2, 0.0), 0.12), ((0.0, 1.2), -0.12)])
def test_a_camera_that_moves_by_more_than_a_pixel_is_noticed_and_how(
    along: tuple[float, float], unlike_px2: float
) -> None:
    mark = measured(moving(along))
    # An even movement over L pixels has a second moment of L^2 / 12 (of a uniform distribution).
    assert mark.fit.setting.scene.smear[0] == pytest.approx(unlike_px2, abs=0.03)
    at = np.array([[24.0, 24.0]])
    found = (mark.poses["fill"].apply(at) - mark.poses["outline"].apply(at))[0]
    assert found == pytest.approx(OFFSET, abs=0.01)


def test_a_camera_that_stands_still_is_not_told_to_move() -> None:
    view = capture(SURFACE, OFFSET, (0.0, 0.0), noise=1.5, seed=3)
    assert measured(view).fit.setting.scene.smear == (0.0, 0.0)


@pytest.mark.parametrize("apart", [0.15, 0.2, 0.3])
def test_a_fill_whose_hatch_directions_lie_apart_is_not_taken_for_the_cameras_doing(
    apart: float,
) -> None:
    halves = [
        capture(SURFACE, (sign * apart / 2, 0.0), (0.0, 0.0), noise=1.0, seed=seed)
        for seed, sign in ((3, 1), (4, -1))
    ]
    mark = measured(one_exposure(halves))
    assert mark.fit.setting.scene.smear == (0.0, 0.0)


def test_fills_alone_are_not_believed() -> None:
    halves = [
        capture(SURFACE, (sign * 0.15, 0.0), None, noise=1.0, seed=seed)
        for seed, sign in ((3, 1), (4, -1))
    ]
    mark = measured(one_exposure(halves), "fill")
    assert mark.fit.setting.scene.smear == (0.0, 0.0)
    (layer,) = trust(mark)
    assert layer.doubled_mm > 0.2


def test_second_moments_change_a_picture_as_a_blur_does() -> None:
    rows, columns = np.mgrid[:40, :40].astype(np.float64)
    bell = np.exp(-((columns - 20.3) ** 2 + (rows - 19.6) ** 2) / (2 * 4.0**2))
    wider = np.exp(-((columns - 20.3) ** 2 / (16.0 + 0.1) + (rows - 19.6) ** 2 / (16.0 - 0.1)) / 2)
    wider *= 16.0 / np.sqrt((16.0 + 0.1) * (16.0 - 0.1))
    # Along u 0.1 px^2 more, along v as much less: 0.2 px^2 unlike.
    change = 0.2 * unlike(bell.astype(np.float32))[0]
    assert np.abs(change - (wider - bell)).max() < 0.03 * np.abs(wider - bell).max()
