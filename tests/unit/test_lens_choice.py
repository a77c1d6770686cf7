"""The model of distortion is the one that foretells photos left out of the fit."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from calibration.board import Board
from calibration.lens import Lens
from calibration.lens_choice import fit_lens
from calibration.lens_fit import LensFit, fit_model
from calibration.lens_solve import View
from calibration.pose import Pose, rotation_from_vector

SIZE = (1280, 720)
BOARD = Board("charuco", 9, 7, 20.0, 14.0, "DICT_5X5_250")
FLAT = np.c_[BOARD.points_mm(), np.zeros(BOARD.corner_count)]
ORDINARY = Lens.from_values(
    SIZE, fx=1000, fy=1002, cx=645, cy=352, k1=-0.25, k2=0.12, p1=0.0008, p2=-0.0005, k3=-0.06
)
# 72 degrees from the axis at the left edge of the picture.
FISHEYE = Lens.from_values(
    SIZE, None, "fisheye", fx=500, fy=501, cx=645, cy=352, k1=0.03, k2=-0.01, k3=0.004, k4=-0.001
)


def views(lens: Lens, reach_deg: float, sigma: float = 0.05, count: int = 12) -> list[View]:
    """Return corners of a board turned to face the camera, up to an angle off the axis."""
    rng = np.random.default_rng(1)
    found: list[View] = []
    while len(found) < count:
        angle = np.radians(reach_deg) * np.sqrt(rng.uniform())
        way = rng.uniform(-np.pi, np.pi)
        across = np.array([np.cos(way), np.sin(way), 0.0])
        direction = np.sin(angle) * across + [0.0, 0.0, np.cos(angle)]
        facing = rotation_from_vector(
            np.cross([0.0, 0.0, 1.0], across) * angle * rng.uniform(0.5, 1)
        )
        turn = rotation_from_vector(rng.normal(0, 0.3, 3)) @ facing
        middle = direction * rng.uniform(120, 280)
        px = lens.project(Pose(turn, middle - turn @ np.array([90.0, 70.0, 0.0])).apply(FLAT))
        inside = (px > 3).all(axis=1) & (px < np.array(SIZE) - 3).all(axis=1)
        if inside.sum() >= 15:
            noisy = px[inside] + rng.normal(0, sigma, (int(inside.sum()), 2))
            found.append(View(f"{len(found)}.jpg", "", np.flatnonzero(inside), noisy))
    return found


@cache
def wide_fit() -> LensFit:
    return fit_lens(BOARD, SIZE, views(FISHEYE, 55))


@cache
def ordinary_fit() -> LensFit:
    return fit_lens(BOARD, SIZE, views(ORDINARY, 28))


def trial_of(fit: LensFit, model: str):
    [trial] = [trial for trial in fit.trials if trial.model == model]
    return trial


def test_a_fisheye_is_taken_for_one_and_found_within_its_uncertainty() -> None:
    fit = wide_fit()
    assert fit.lens.model == "fisheye"
    assert fit.rejected == ()
    off = (fit.lens.parameters - FISHEYE.parameters)[:8]
    chi2 = off @ np.linalg.solve(fit.lens.covariance[:8, :8], off)
    # 99.9 % quantile of chi-square with 8 degrees of freedom: 26.1.
    assert chi2 < 26.1
    assert fit.sigma_px == pytest.approx(0.05, rel=0.1)


def test_an_ordinary_lens_stays_one() -> None:
    fit = ordinary_fit()
    assert fit.lens.model == "brown-conrady"
    chosen, fisheye = trial_of(fit, "brown-conrady"), trial_of(fit, "fisheye")
    assert chosen.why == "foretells photos left out best"
    assert fisheye.held_out_px > 1.2 * chosen.held_out_px


def test_what_is_nearer_to_its_own_photos_alone_is_called_over_fitted() -> None:
    # Within 25 degrees of the axis the denominator of a rational lens has nothing to say.
    rational = trial_of(ordinary_fit(), "rational")
    chosen = trial_of(ordinary_fit(), "brown-conrady")
    assert rational.parameters > chosen.parameters
    if rational.held_out_px is not None:
        assert rational.rms_px < chosen.rms_px
        assert "would be over-fitted" in rational.why


def test_photos_left_out_are_missed_by_more_than_those_fitted() -> None:
    chosen = trial_of(wide_fit(), "fisheye")
    assert 1.0 < chosen.held_out_px / chosen.rms_px < 1.3


def test_a_rational_lens_comes_out_where_its_model_is_asked_for() -> None:
    truth = Lens.from_values(
        SIZE, None, "rational", fx=700, fy=702, cx=645, cy=352, k1=0.3, k4=0.6, k5=0.05
    )
    seen = views(truth, 40, sigma=0.02)
    fit = fit_model(BOARD, SIZE, seen, "rational")
    assert fit.sigma_px == pytest.approx(0.02, rel=0.15)
    px = np.concatenate([view.px for view in fit.used])
    # The terms trade against each other; where rays go hardly does, but for where each one ends.
    ours, theirs = fit.lens.rays(px), truth.rays(px)
    both = np.isfinite(ours).all(axis=1) & np.isfinite(theirs).all(axis=1)
    assert both.mean() > 0.97
    np.testing.assert_allclose(ours[both], theirs[both], atol=1e-3)


def test_one_bad_photo_does_not_choose_the_model() -> None:
    seen = views(ORDINARY, 28)
    smeared = seen[3].px + np.random.default_rng(0).normal(0, 3.0, seen[3].px.shape)
    seen[3] = View(seen[3].name, "", seen[3].ids, smeared)
    fit = fit_lens(BOARD, SIZE, seen)
    assert fit.lens.model == "brown-conrady"
    assert [view.name for view in fit.rejected] == ["3.jpg"]
