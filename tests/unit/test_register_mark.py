"""The measuring core on captures drawn in closed form (`drawn_marks`)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.unit.drawn_marks import KERF, STILL, FlatSurface, artwork, capture, one_exposure
from vision.artwork.placing import Rigid
from vision.measure.trust import trust
from vision.register.local import local_offsets
from vision.register.locate import locate
from vision.register.mark import Mark, measure
from vision.register.view import NotFound, View

SURFACE = FlatSurface()
MIDDLE = (24.0, 24.0)


def measured(view: View, layers: str = "both", start: Rigid = STILL, **options: object) -> Mark:
    mark = measure(view, None, artwork(layers), start, (), KERF, **options)  # type: ignore[arg-type]
    assert isinstance(mark, Mark)
    return mark


def shift(mark: Mark, layer: str) -> np.ndarray:
    at = np.array([MIDDLE])
    return (mark.poses[layer].apply(at) - at)[0]


@pytest.mark.parametrize("offset", [(0.31, 0.22), (-1.1, 0.9)])
def test_fill_and_outline_on_the_same_edges_are_told_apart(offset: tuple[float, float]) -> None:
    view = capture(SURFACE, offset, (0.0, 0.0), noise=1.5, seed=3)
    mark = measured(view)
    found = shift(mark, "fill") - shift(mark, "outline")
    assert found == pytest.approx(offset, abs=0.015)


def test_light_marks_on_dark_ground_are_measured_like_dark_ones() -> None:
    view = capture(SURFACE, (0.2, -0.1), (0.0, 0.05), burn_fill=-1.6, burn_outline=-2.4, noise=1.0)
    mark = measured(view)
    assert shift(mark, "fill") == pytest.approx((0.2, -0.1), abs=0.025)
    assert shift(mark, "outline") == pytest.approx((0.0, 0.05), abs=0.025)
    assert mark.contrast["fill"] > 20


@pytest.mark.parametrize("layers", ["fill", "outline"])
def test_one_layer_alone_without_noise_is_placed_to_a_thousandth_of_a_millimetre(
    layers: str,
) -> None:
    offset = (0.117, -0.063)
    fill, outline = (offset, None) if layers == "fill" else (None, offset)
    mark = measured(capture(SURFACE, fill, outline), layers)
    assert shift(mark, layers) == pytest.approx(offset, abs=0.0015)


def test_an_outline_that_lies_far_from_its_fill_is_not_lost_to_the_fills_edge() -> None:
    view = capture(SURFACE, (0.0, 0.0), (1.3, -1.2), noise=2.0, seed=5)
    mark = measured(view)
    assert shift(mark, "outline") == pytest.approx((1.3, -1.2), abs=0.02)
    assert shift(mark, "fill") == pytest.approx((0.0, 0.0), abs=0.02)


@pytest.mark.parametrize(("enough", "binning"), [(1_000_000, 1), (3_000, 2), (10, 2)])
def test_of_more_pixels_than_are_of_use_some_are_binned(
    monkeypatch: pytest.MonkeyPatch, enough: int, binning: int
) -> None:
    """Pixels of 0.11 mm: three of them would be coarser than those of an ordinary camera."""
    monkeypatch.setattr("vision.register.mark._ENOUGH_PIXELS", enough)
    close = FlatSurface((620, 480), 0.11, 22.3, 455.6)
    mark = measured(capture(close, (0.22, -0.14), (0.0, 0.06), noise=2.0, seed=8))
    assert mark.scene.region.bin == binning
    assert shift(mark, "fill") == pytest.approx((0.22, -0.14), abs=0.025)
    assert shift(mark, "outline") == pytest.approx((0.0, 0.06), abs=0.025)


def test_local_offsets_are_those_of_all_gains_solved_with_them() -> None:
    """Gains of the burn are eliminated cell by cell; solved all at once they give the same."""
    mark = measured(capture(SURFACE, (0.2, 0.1), (0.0, 0.05), noise=2.0, seed=4))
    fit, scene = mark.fit, mark.scene
    whole = np.zeros(scene.region.shape, np.int64)
    found = {o.layer: o for o in local_offsets(scene, fit, whole, mark.inflation)}
    strongest = np.max([np.abs(levels) for levels in fit.expected], axis=0)
    core = scene.usable * scene.region.core > 0
    burned = strongest > 0.02 * strongest.max()
    use = core & burned
    patch, burn = fit.setting.cell[use], fit.setting.burn
    rows = []
    for layer, levels in enumerate(fit.expected):
        rows.extend([*fit.moves[3 * layer : 3 * layer + 2, use], levels[use]])
    prior, away = [0.5**-2, 0.5**-2, 1.0] * 2, [0.0] * 6
    for number in np.unique(patch):
        for layer, own in enumerate(fit.by_gain):
            rows.append(own[use] * (patch == number))
            prior.append(burn.uneven[layer] ** -2)
            away.append(1 - fit.state.gain[layer][number])
    jacobian = np.array(rows, float)
    white = max(fit.noise, 0.3) ** 2 * mark.inflation
    covariance = np.linalg.inv(jacobian @ jacobian.T / white + np.diag(prior))
    right = jacobian @ fit.residual[use] / white + np.array(prior) * away
    left = [fit.residual[use] - covariance @ right @ jacobian, fit.residual[core & ~burned]]
    least = min(float((part**2).mean()) for part in left) / fit.noise**2
    unexplained = max(1.0, least)
    for layer, offset in found.items():
        part = slice(3 * layer, 3 * layer + 2)
        assert offset.shift_mm == pytest.approx((covariance @ right)[part], abs=1e-6)
        assert offset.covariance == pytest.approx(
            unexplained * covariance[part, part], rel=1e-4, abs=1e-9
        )
    assert sorted(found) == [0, 1]


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_a_print_that_no_earlier_capture_shows_moves_no_part_of_a_mark(seed: int) -> None:
    blots = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, (200, 260)), (0, 0), 5.0)
    ink = np.where(blots > np.quantile(blots, 0.85), 0.55, 1.0)
    printed = cv2.GaussianBlur(ink, (0, 0), 0.9)
    view = capture(SURFACE, (0.0, 0.0), (0.0, 0.0), noise=1.5, seed=seed, texture=printed)
    for layer in trust(measured(view)):
        # Taken as sure as plain cells are, 0.06 to 0.38 of either layer lay elsewhere.
        assert layer.displaced_share < 0.01
        assert layer.seen_share > 0.95


def test_blank_work_is_not_taken_for_a_mark() -> None:
    view = capture(SURFACE, None, None, noise=2.0)
    found = locate(view, None, artwork(), STILL, False, KERF)
    if not isinstance(found, NotFound):
        mark = measure(view, None, artwork(), found.pose, (), KERF)
        assert not isinstance(mark, Mark) or all(layer.faint for layer in trust(mark))


def test_a_faint_layer_is_named_as_too_faint() -> None:
    view = capture(SURFACE, (0.0, 0.0), (0.0, 0.0), burn_fill=0.5, burn_outline=0.002, noise=2.5)
    by_name = {layer.layer: layer for layer in trust(measured(view))}
    assert by_name["outline"].faint
    assert not by_name["fill"].faint


def test_a_covered_part_is_seen_as_missing() -> None:
    view = capture(SURFACE, (0.0, 0.0), (0.0, 0.0), noise=1.0)
    grey, linear = view.grey.copy(), view.linear.copy()
    grey[:, 120:] = grey[0, 0]
    linear[:, 120:] = linear[0, 0]
    mark = measure(View(linear, grey, view.usable, SURFACE), None, artwork(), STILL, (), KERF)
    assert isinstance(mark, Mark)
    assert min(layer.seen_share for layer in trust(mark)) < 0.75


def test_a_fill_that_moved_half_way_through_disagrees_with_itself() -> None:
    still = capture(SURFACE, (0.0, 0.0), None, noise=1.0, seed=1)
    moved = capture(SURFACE, (0.5, 0.0), None, noise=1.0, seed=2)
    grey, linear = still.grey.copy(), still.linear.copy()
    grey[:100], linear[:100] = moved.grey[:100], moved.linear[:100]
    mark = measured(View(linear, grey, still.usable, SURFACE), "fill")
    (layer,) = trust(mark)
    assert layer.displaced_share > 0.06
    assert layer.displaced_mm > 0.15


def doubled(apart: tuple[float, float]) -> View:
    """Return a fill of two directions of hatch, each of half the burn, that lie apart."""
    x, y = apart[0] / 2, apart[1] / 2
    first = capture(SURFACE, (x, y), None, noise=1.0, seed=3)
    second = capture(SURFACE, (-x, -y), None, noise=1.0, seed=4)
    return one_exposure([first, second])


@pytest.mark.parametrize("apart", [(0.3, 0.0), (0.0, 0.25), (-0.25, 0.25)])
def test_a_fill_whose_hatch_directions_lie_apart_looks_doubled(apart: tuple[float, float]) -> None:
    (layer,) = trust(measured(doubled(apart), "fill"))
    # Along the diagonals only the corners tell, and what they tell counts as far as it is likely.
    assert layer.doubled_mm == pytest.approx(np.hypot(*apart), rel=0.3)


def test_a_fill_of_one_place_does_not_look_doubled() -> None:
    (layer,) = trust(measured(doubled((0.0, 0.0)), "fill"))
    assert layer.doubled_mm == 0.0


def test_a_fill_smeared_by_half_a_pixel_is_not_taken_for_a_doubled_one() -> None:
    (layer,) = trust(measured(doubled((0.5 * SURFACE.pitch_mm, 0.0)), "fill"))
    assert layer.doubled_mm == 0.0


@pytest.mark.parametrize(("grain", "kept"), [(0.0, False), (0.15, True)])
def test_the_before_captures_noise_is_not_taken_for_texture(grain: float, kept: bool) -> None:
    field = np.random.default_rng(2).normal(size=SURFACE.size[::-1])
    texture = 1 + grain * field
    before = capture(SURFACE, None, None, noise=3.0, seed=7, texture=texture)
    after = capture(SURFACE, (0.05, 0.1), None, noise=3.0, seed=8, texture=texture)
    mark = measure(after, before.linear, artwork("fill"), STILL, (), KERF)
    assert isinstance(mark, Mark)
    assert bool(mark.fit.setting.scene.texture.any()) == kept
    assert shift(mark, "fill") == pytest.approx((0.05, 0.1), abs=0.02)
