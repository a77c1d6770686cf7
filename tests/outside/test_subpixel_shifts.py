"""Sub-pixel shifts of real photographs, against two independent registration libraries.

Photographs: scikit-image's data (gravel, grass). Recipe: Gaussian blur of 1.2 px, exact shift by
the Fourier transform, a crop inside it (so that nothing is periodic), noise of two grey levels in
each picture. The estimator of the work's movement must be as near to the truth as an intensity
least squares with B-splines (SimpleITK), and must not err like phase correlation on a crop does
(Guizar-Sicairos, Thurman and Fienup, Opt. Lett. 33, 2008, needs a periodic picture).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage import data
from skimage.registration import phase_cross_correlation

from tests.unit.drawn_marks import FlatSurface
from vision.artwork.placing import Rigid
from vision.register.texture import fit_texture
from vision.register.tone import linear_from_grey
from vision.register.view import View

SITK = pytest.importorskip("SimpleITK")
SHIFT = (3.37, -2.61)
PITCH = 0.25


def pair(name: str) -> tuple[np.ndarray, np.ndarray]:
    picture = ndimage.gaussian_filter(getattr(data, name)().astype(float), 1.2)
    spectrum = ndimage.fourier_shift(np.fft.fft2(picture), (SHIFT[1], SHIFT[0]))
    moved = np.fft.ifft2(spectrum).real
    rng = np.random.default_rng(0)
    crop = slice(64, 448)
    before = picture[crop, crop] + rng.normal(0, 2, (384, 384))
    after = moved[crop, crop] + rng.normal(0, 2, (384, 384))
    return before, after


def view(grey: np.ndarray) -> View:
    surface = FlatSurface(size=(384, 384), pitch_mm=PITCH, u0=0.0, v0=383.0)
    levels = np.clip(grey, 0, 255).astype(np.float32)
    return View(linear_from_grey(levels), levels, np.ones_like(levels), surface)


def ours(before: np.ndarray, after: np.ndarray, start_px: tuple[float, float]) -> np.ndarray:
    inside = np.array([[5.0, 5.0], [90.0, 5.0], [90.0, 90.0], [5.0, 90.0]])
    start = Rigid(start_px[0] * PITCH, -start_px[1] * PITCH, 0.0)
    clear = np.zeros(before.shape, np.bool_)
    pivot = np.array([48.0, 48.0])
    fit = fit_texture(view(before), view(after), inside, clear, None, start, pivot)
    assert fit is not None
    step = fit.motion.apply(pivot[None])[0] - pivot + np.linalg.solve(fit.normal, fit.pull)[:2]
    return np.array([step[0], -step[1]]) / PITCH


def least_squares(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Mean squares with a third-order B-spline, gradient descent: SimpleITK."""
    method = SITK.ImageRegistrationMethod()
    method.SetMetricAsMeanSquares()
    method.SetInterpolator(SITK.sitkBSpline)
    method.SetOptimizerAsRegularStepGradientDescent(0.5, 1e-5, 200)
    method.SetInitialTransform(SITK.TranslationTransform(2, (3.0, -2.0)))
    fixed = SITK.GetImageFromArray(before.astype(np.float32))
    moving = SITK.GetImageFromArray(after.astype(np.float32))
    return np.array(method.Execute(fixed, moving).GetParameters())


@pytest.mark.parametrize("name", ["gravel", "grass"])
def test_a_photographs_shift_is_found_as_well_as_by_b_spline_least_squares(name: str) -> None:
    before, after = pair(name)
    found = ours(before, after, (3.0, -3.0))
    reference = least_squares(before, after)
    assert found == pytest.approx(SHIFT, abs=0.008)
    assert found == pytest.approx(reference, abs=0.01)


def test_the_trap_of_phase_correlation_on_a_crop_is_not_ours() -> None:
    before, after = pair("gravel")
    shift, *_ = phase_cross_correlation(before, after, upsample_factor=100, normalization=None)
    by_phase = -shift[::-1]
    error = np.abs(ours(before, after, (3.0, -3.0)) - SHIFT).max()
    assert error < np.abs(by_phase - SHIFT).max() / 2
