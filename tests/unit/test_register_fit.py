"""The joint fit: every derivative against differences, and regions that must agree."""

from dataclasses import replace

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
    moved_at,
)
from vision.register.equations import normal_equations
from vision.register.fit import fit_layers
from vision.register.layers import half_widths, layer_maps
from vision.register.model import derivatives, look, start_state
from vision.register.pixels import scene_about
from vision.register.scene import make_setting, nudge, pairs

ARTWORK = artwork_of((PLATE,), (PLATE, HOOK))
CORNERS = np.array([[8.0, 8.0], [39.0, 8.0], [39.0, 24.0], [8.0, 24.0]])
PIVOT = (23.5, 16.0)
FILL = about(PIVOT, 0.12, -0.08, 0.004)
OUTLINE = about(PIVOT, -0.05, 0.1, -0.003)
DRAWN = Scene({"fill": ((PLATE,), FILL, 0.5), "outline": ((PLATE, HOOK), OUTLINE, 0.7)}, noise=1.0)
# Layers come in the order outline, fill, cut.
POSES = (OUTLINE, FILL)


@pytest.fixture(scope="module")
def view():
    return DRAWN.capture(seed=4)


@pytest.fixture(scope="module")
def wide_view():
    """The same seen by a camera with twice as many pixels: worth binning."""
    surface = AffineSurface(size=(392, 272), pixel_mm=0.125, u0=13.1, v0=253.7)
    return replace(DRAWN, surface=surface).capture(seed=4)


@pytest.fixture(scope="module")
def system(view):
    """A state with everything away from nothing, its setting and its weight."""
    texture = np.random.default_rng(3).normal(0, 0.02, view.linear.shape)
    scene = scene_about(view, (0.35 * (1 + texture)).astype(np.float32), CORNERS, 1, 6)
    maps = layer_maps(ARTWORK, 0.04, 1.4)
    half = half_widths(maps, KERF_MM, False)
    setting = make_setting(scene, maps, POSES, half, PIVOT, False, ())
    weight = scene.usable * setting.near
    state = start_state(setting, POSES, weight)
    state = replace(
        state,
        half_width_mm=(0.11, 0.09),
        lean_mm=((0.0, 0.0), (0.01, -0.02)),
        overlap=state.overlap + 0.05,
        survival=0.7,
        gain=tuple(np.random.default_rng(8).uniform(0.97, 1.03, (2, setting.cells))),
    )
    return setting, state, weight


def moved(setting, state, number, step):
    """Return the state with one parameter changed; parameters in the order of the columns."""
    count = len(setting.maps)
    if number < 3 * count:
        change = [0.0, 0.0, 0.0]
        change[number % 3] = step / (setting.scale_mm if number % 3 == 2 else 1.0)
        poses = list(state.poses)
        poses[number // 3] = nudge(poses[number // 3], PIVOT, *change)
        return replace(state, poses=tuple(poses))
    number -= 3 * count
    if number == 0:
        return replace(state, sigma_px=state.sigma_px + step)
    number -= 1
    if number < count:
        half = list(state.half_width_mm)
        half[number] += step
        return replace(state, half_width_mm=tuple(half))
    number -= count
    if number < 2 * count:
        lean = [list(pair) for pair in state.lean_mm]
        lean[number // 2][number % 2] += step
        return replace(state, lean_mm=tuple(tuple(pair) for pair in lean))
    number -= 2 * count
    amplitude = [values.copy() for values in state.amplitude]
    for values in amplitude:
        if number < len(values):
            values[number] += step
            return replace(state, amplitude=tuple(amplitude))
        number -= len(values)
    for name in ("overlap", "light"):
        values = getattr(state, name).copy()
        if number < len(values):
            values[number] += step
            return replace(state, **{name: values})
        number -= len(values)
    name = ("survival", "soft_mm")[number]
    return replace(state, **{name: getattr(state, name) + step})


def test_every_derivative_is_that_of_the_model(system):
    setting, state, weight = system
    columns, _ = derivatives(setting, state, look(setting, state))
    count = len(setting.maps)
    first_burn = 3 * count + 1 + count + 2 * count
    outline_lean = range(3 * count + 1 + count, 3 * count + 1 + count + 2)
    for number, analytic in enumerate(columns):
        if number in outline_lean:
            assert not analytic.any()
            continue
        step = 0.004 if number < first_burn else 0.002
        forth, back = (
            look(setting, moved(setting, state, number, sign * step)) for sign in (1, -1)
        )
        numeric = (back.residual - forth.residual) / (2 * step)
        error = np.linalg.norm(weight * (analytic - numeric))
        assert error < 0.04 * np.linalg.norm(weight * numeric), number


def test_the_derivative_by_a_gain_is_that_of_its_own_cell(system):
    setting, state, _ = system
    _, local = derivatives(setting, state, look(setting, state))
    for layer in (0, 1):
        cell = int(np.bincount(setting.cell.ravel(), (local[layer] ** 2).ravel()).argmax())
        pictures = []
        for sign in (1, -1):
            gain = [values.copy() for values in state.gain]
            gain[layer][cell] += 0.002 * sign
            pictures.append(look(setting, replace(state, gain=tuple(gain))).residual)
        numeric = (pictures[1] - pictures[0]) / 0.004
        assert np.abs(numeric[setting.cell != cell]).max() == 0.0
        error = np.abs(numeric - local[layer] * (setting.cell == cell))
        assert error.max() < 0.01 * np.abs(numeric).max()


def equations(system, **changes):
    setting, state, weight = system
    said = {"free": True, "uneven": True, **changes}
    return normal_equations(setting, state, look(setting, state), weight, **said)


def test_the_normal_matrix_is_made_of_the_derivatives(system):
    setting, state, weight = system
    found = equations(system, uneven=False)
    motions = slice(0, 2)  # shifts have no prior
    flat = found.columns.reshape(len(found.columns), -1).astype(float)
    products = (flat * weight.ravel()) @ flat.T
    assert found.normal[motions, motions] == pytest.approx(products[motions, motions], rel=1e-3)
    pull = (flat * weight.ravel()) @ look(setting, state).residual.ravel()
    assert found.gradient[motions] == pytest.approx(pull[motions], rel=1e-3, abs=1.0)
    assert (np.linalg.eigvalsh(found.normal) > 0).all()


def test_eliminating_the_gains_is_solving_for_all_at_once(system):
    setting, state, weight = system
    found = equations(system)
    plain = equations(system, uneven=False)
    size = len(plain.gradient)
    count = len(found.local)
    used = weight.ravel() > 0
    cell = setting.cell.ravel()[used]
    wide = np.zeros((setting.cells * count, used.sum()))
    for layer, own in enumerate(found.local):
        wide[cell * count + layer, np.arange(used.sum())] = own.ravel()[used]
    flat = plain.columns.reshape(size, -1)[:, used].astype(float)
    w = weight.ravel()[used].astype(float)
    # The system's layers are taken to be burned as evenly as each other.
    strength, scatter = setting.burn.strength[0], setting.burn.scatter
    whole = np.block(
        [
            [plain.normal, (flat * w) @ wide.T],
            [(wide * w) @ flat.T, (wide * w) @ wide.T + strength * np.eye(len(wide))],
        ]
    )
    residual = look(setting, state).residual.ravel()[used]
    expected = np.stack([1 - gain for gain in state.gain], axis=1).ravel()
    right = np.concatenate([plain.gradient, (wide * w) @ residual + strength * expected])
    delta = np.linalg.solve(whole, right)
    ours = np.linalg.solve(found.normal, found.gradient)
    assert ours == pytest.approx(delta[:size], rel=1e-3, abs=1e-4)
    assert found.gains(ours).ravel() == pytest.approx(delta[size:], rel=1e-3, abs=1e-4)
    # The motions' covariance counts the gains as estimated.
    whole_covariance = np.linalg.inv(whole)[:6, :6]
    least = 1e-5 * np.abs(whole_covariance).max()
    told = np.linalg.inv(found.normal)[:6, :6]
    assert told == pytest.approx(whole_covariance, rel=1e-3, abs=least)
    # And what the priors hold back: their own scatter, carried through the whole system.
    scattered = np.zeros_like(whole)
    scattered[:size, :size] = plain.prior
    scattered[size:, size:] = scatter * strength * np.eye(len(wide))
    answer = np.linalg.inv(whole)[:6]
    ours = np.linalg.inv(found.normal)[:6]
    want = answer @ scattered @ answer.T
    least = 1e-5 * np.abs(want).max()
    assert ours @ found.prior @ ours.T == pytest.approx(want, rel=2e-3, abs=least)
    effective = found.effective(setting.cell).reshape(size, -1)[:, used]
    products = (effective * w) @ flat.T
    assert products[:2, :2] == pytest.approx(found.normal[:2, :2], rel=1e-3)


def test_what_is_held_has_no_part_in_the_step(system):
    setting, _, _ = system
    found = equations(system, free=False)
    step = np.linalg.solve(found.normal, found.gradient)
    blur_to_lean = slice(3 * len(setting.maps), 3 * len(setting.maps) + 1 + 6)
    assert np.abs(step[blur_to_lean]).max() == 0.0


def fit(view, binning, sub, near=None, corners=CORNERS):
    maps = layer_maps(ARTWORK, 0.05, 1.4)
    half = half_widths(maps, KERF_MM, False)
    region = None if near is None else (maps, near)
    scene = scene_about(view, None, corners, binning, sub, region)
    start = about(PIVOT, 0.05, 0.03, 0.001)
    found = fit_layers(scene, maps, (start, start), half, pivot_mm=PIVOT, iterations=20)
    assert found is not None
    return scene, found


def shifts(found):
    return np.array([moved_at(p, t, PIVOT) for p, t in zip(found.state.poses, POSES, strict=True)])


def test_a_mosaic_of_tiles_and_the_whole_rectangle_end_in_the_same_place():
    view = replace(DRAWN, surface=AffineSurface(size=(260, 220), v0=170.6)).capture(seed=4)
    wide = np.array([[2.0, 2.0], [58.0, 2.0], [58.0, 38.0], [2.0, 38.0]])
    whole, by_whole = fit(view, 1, 2, corners=wide)
    tiles, by_tiles = fit(view, 1, 2, near=(STILL, STILL), corners=wide)
    assert tiles.region.row.size < 0.85 * whole.region.row.size
    assert np.abs(shifts(by_whole) - shifts(by_tiles))[:, :2].max() < 0.0015
    assert np.abs(shifts(by_tiles))[:, :2].max() < 0.015


def test_binned_pixels_end_where_the_captures_own_do(wide_view):
    """With sub-samples of the same size, so that edges are softened alike."""
    _, own = fit(wide_view, 1, 2)
    _, binned = fit(wide_view, 2, 4)
    assert np.abs(shifts(own) - shifts(binned))[:, :2].max() < 0.004
    assert np.abs(shifts(binned))[:, :2].max() < 0.012


def test_turn_blur_and_kerf_are_found_with_the_shift(view):
    _, found = fit(view, 1, 4)
    assert np.abs(shifts(found))[:, :2].max() < 0.008
    assert np.abs(shifts(found)[:, 2]).max() < 8e-4
    assert found.state.sigma_px == pytest.approx(0.9, abs=0.08)
    assert found.state.half_width_mm == pytest.approx((0.1, 0.1), abs=0.02)
    assert found.noise == pytest.approx(1.0, abs=0.2)
    assert found.explained > 0.95


def test_tied_layers_get_one_motion(view):
    maps = layer_maps(ARTWORK, 0.12, 2.5)
    scene = scene_about(view, None, CORNERS, 2, 2)
    half = half_widths(maps, KERF_MM, False)
    found = fit_layers(
        scene, maps, (STILL, STILL), half, pivot_mm=PIVOT, tied=True, free=False, robust=False
    )
    assert found.motions == 3
    assert found.state.poses[0] == found.state.poses[1]
    both = np.array([moved_at(STILL, pose, PIVOT)[:2] for pose in POSES])
    ours = -moved_at(found.state.poses[0], STILL, PIVOT)[:2]
    assert (ours > both.min(axis=0) - 0.01).all()
    assert (ours < both.max(axis=0) + 0.01).all()


def test_too_few_pixels_are_refused(view):
    maps = layer_maps(ARTWORK, 0.12, 2.5)
    scene = scene_about(view, None, CORNERS, 1, 2)
    nothing = replace(scene, usable=np.zeros_like(scene.usable))
    half = half_widths(maps, KERF_MM, False)
    assert fit_layers(nothing, maps, (STILL, STILL), half, pivot_mm=PIVOT) is None


def test_pairs_of_layers_are_in_the_order_of_the_overlaps():
    assert pairs(1) == []
    assert pairs(3) == [(0, 1), (0, 2), (1, 2)]
