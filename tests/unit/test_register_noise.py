"""Uncertainty from residuals: white noise against the textbook, coloured noise against trials."""

import numpy as np
import pytest
import scipy.ndimage

from vision.register.noise import autocovariance_spectrum, carry_through, padded
from vision.register.starts import other_places

SHAPE = (90, 110)
REACH = 16


def design(seed=0):
    """Three smooth derivative images and a constant."""
    rng = np.random.default_rng(seed)
    rows = [scipy.ndimage.gaussian_filter(rng.normal(size=SHAPE), 1.2) for _ in range(3)]
    return np.array([*rows, np.full(SHAPE, 0.1)])


def sandwich(columns, residual, weight=None):
    weight = np.ones(SHAPE, np.float32) if weight is None else weight
    flat = (columns * weight).reshape(len(columns), -1)
    gain = np.linalg.inv(flat @ columns.reshape(len(columns), -1).T)
    influence = np.tensordot(gain, columns * weight, 1)
    spectrum = autocovariance_spectrum(residual.astype(np.float32), weight, REACH)
    return carry_through(influence, spectrum, padded(SHAPE, REACH))


def test_on_white_noise_the_sandwich_is_the_textbook_covariance():
    """s^2 (J'J)^-1."""
    columns = design()
    flat = columns.reshape(4, -1)
    textbook = 2.5**2 * np.linalg.inv(flat @ flat.T)
    rng = np.random.default_rng(3)
    mean = np.mean([sandwich(columns, rng.normal(0, 2.5, SHAPE)) for _ in range(24)], axis=0)
    scale = np.sqrt(np.outer(np.diag(textbook), np.diag(textbook)))
    assert np.abs((mean - textbook) / scale).max() < 0.08


@pytest.mark.parametrize("kind", ["blurred", "brushed"])
def test_on_coloured_noise_the_sandwich_is_the_spread_of_many_fits(kind):
    columns = design()
    flat = columns.reshape(4, -1)
    solve = np.linalg.solve(flat @ flat.T, flat)
    rng = np.random.default_rng(11)
    wide = (1.4, 1.4) if kind == "blurred" else (0.4, 4.0)
    fits, stated = [], []
    for trial in range(300):
        noise = scipy.ndimage.gaussian_filter(rng.normal(size=SHAPE), wide, mode="wrap")
        noise *= 3.0 / noise.std()
        fit = solve @ noise.ravel()
        fits.append(fit)
        if trial < 30:
            residual = noise - np.tensordot(fit, columns, 1)
            stated.append(np.diag(sandwich(columns, residual)))
    spread = np.var(fits, axis=0)
    white = 9.0 * np.diag(np.linalg.inv(flat @ flat.T))
    # White noise would say up to several times too little.
    assert (spread[:3] / white[:3]).max() > 2.5
    assert np.mean(stated, axis=0)[:3] == pytest.approx(spread[:3], rel=0.25)


def test_pixels_that_do_not_count_have_no_say():
    columns = design()
    rng = np.random.default_rng(7)
    residual = rng.normal(0, 1.0, SHAPE)
    weight = np.ones(SHAPE, np.float32)
    weight[:, 60:] = 0.0
    clean = sandwich(columns, residual, weight)
    residual[:, 60:] += 500.0
    assert sandwich(columns, residual, weight) == pytest.approx(clean, rel=1e-9)


def test_the_sandwich_has_no_negative_variance():
    columns = design()
    stripes = np.tile(np.array([1.0, -1.0]), 55) * np.ones((90, 1))
    assert np.linalg.eigvalsh(sandwich(columns, stripes)).min() > -1e-15


def test_other_places_of_a_layer_are_found_with_their_strength():
    rng = np.random.default_rng(4)
    shape = np.zeros((80, 100), np.float32)
    shape[30:50, 40:43] = 10.0
    shape[30:33, 40:60] = 10.0
    left = np.roll(shape, (7, -11), axis=(0, 1)) * np.float32(0.8)
    left += np.roll(shape, (-9, 5), axis=(0, 1)) * np.float32(-0.5)
    left += rng.normal(0, 0.5, left.shape).astype(np.float32)
    best, second = other_places(left, shape, np.ones_like(left), 14, 6)[:2]
    assert (best.right_px, best.down_px) == (-11, 7)
    assert best.strength == pytest.approx(0.8, abs=0.03)
    there = np.roll(shape, (7, -11), axis=(0, 1))
    drop = float((left * there).sum()) ** 2 / float((there**2).sum())
    assert best.drop == pytest.approx(drop, rel=1e-3)
    assert (second.right_px, second.down_px) == (5, -9)
    # The first copy reaches into the second, so that it looks a little weaker.
    assert second.strength == pytest.approx(-0.5, abs=0.1)


def test_a_layer_that_adds_nothing_has_no_other_place():
    nothing = np.zeros((40, 40), np.float32)
    assert other_places(nothing + 1, nothing, nothing + 1, 5, 3) == []
