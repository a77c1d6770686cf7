"""Sub-pixel shifts of real photographs, against two independent registration libraries.

Photographs: scikit-image's data (gravel, brick, camera). Recipe: Gaussian blur of 1.2 px,
exact shift by the Fourier transform, a crop inside it (so that nothing is periodic), noise of two
grey levels in each picture. The estimator of the work's movement must be as near to the truth as an
intensity least squares with B-splines (SimpleITK), and must not err like phase correlation on a
crop does (Guizar-Sicairos, Thurman and Fienup, Opt. Lett. 33, 2008, needs a periodic picture).
"""

from __future__ import annotations

import math

import cv2
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
    height, width = grey.shape
    surface = FlatSurface(size=(width, height), pitch_mm=PITCH, u0=0.0, v0=height - 1.0)
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
    shift = SITK.TranslationTransform(2, (3.0, -2.0))
    by_least_squares(before, after, shift)
    return np.array(shift.GetParameters())


def by_least_squares(before: np.ndarray, after: np.ndarray, transform: object) -> None:
    """Fit a transform that takes the before picture's pixels to the after picture's."""
    method = SITK.ImageRegistrationMethod()
    method.SetMetricAsMeanSquares()
    method.SetInterpolator(SITK.sitkBSpline)
    method.SetOptimizerAsRegularStepGradientDescent(0.5, 1e-6, 300, 0.5, 1e-8)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetInitialTransform(transform, inPlace=True)
    pictures = (SITK.GetImageFromArray(p.astype(np.float32)) for p in (before, after))
    method.Execute(*pictures)


def correlation(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Enhanced correlation coefficient, bilinear (Evangelidis and Psarakis, 2008): OpenCV."""
    warp = np.eye(2, 3, dtype=np.float32)
    warp[:, 2] = (3.0, -2.0)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 300, 1e-8)
    pictures = (before.astype(np.float32), after.astype(np.float32))
    cv2.findTransformECC(*pictures, warp, cv2.MOTION_TRANSLATION, stop, None, 1)
    return warp[:, 2]


def by_phase(before: np.ndarray, after: np.ndarray, normalization: str | None) -> np.ndarray:
    shift, *_ = phase_cross_correlation(
        before, after, upsample_factor=100, normalization=normalization
    )
    return np.asarray(-shift[::-1])


@pytest.mark.parametrize("name", ["gravel", "camera"])
def test_a_photographs_shift_is_found_as_well_as_by_two_other_libraries(name: str) -> None:
    before, after = pair(name)
    found = ours(before, after, (3.0, -3.0))
    assert found == pytest.approx(SHIFT, abs=0.005)
    assert found == pytest.approx(least_squares(before, after), abs=0.005)
    # Its bilinear interpolation pulls by about 0.005 px.
    assert found == pytest.approx(correlation(before, after), abs=0.012)


def test_a_start_two_pixels_off_ends_in_the_same_place() -> None:
    before, after = pair("gravel")
    near, far = ours(before, after, (3.0, -3.0)), ours(before, after, (1.8, -1.0))
    assert far == pytest.approx(near, abs=5e-4)


def test_the_traps_of_phase_correlation_on_a_crop_are_not_ours() -> None:
    """It errs by hundredths of a pixel on gravel, and by a brick's whole period on a wall."""
    for name, normalization, at_least in (("gravel", None, 0.02), ("brick", "phase", 1.0)):
        before, after = pair(name)
        assert np.abs(by_phase(before, after, normalization) - SHIFT).max() > at_least
        assert np.abs(ours(before, after, (3.0, -3.0)) - SHIFT).max() < 0.005


def test_a_photographs_turn_is_found_as_well_as_by_b_spline_least_squares() -> None:
    picture = ndimage.gaussian_filter(data.gravel().astype(float), 1.2)
    turn, shift = math.radians(0.8), np.array([1.7, -0.9])
    c, s = math.cos(turn), math.sin(turn)
    back = np.array([[c, s], [-s, c]])  # u right, v down: what the moved picture looks up
    middle = np.array([255.5, 255.5])
    offset = middle - back @ (middle + shift)
    # Quintic splines; the library counts rows first.
    turned = ndimage.affine_transform(picture, back[::-1, ::-1], offset[::-1], order=5)
    rng = np.random.default_rng(0)
    crop = slice(64, 448)
    before, after = (part[crop, crop] + rng.normal(0, 2, (384, 384)) for part in (picture, turned))
    centre = np.array([[191.5, 191.5]])
    first, second = view(before), view(after)
    pivot = first.surface.mm_from_px(centre)[0]
    inside = np.array([[8.0, 8.0], [87.0, 8.0], [87.0, 87.0], [8.0, 87.0]])
    clear = np.zeros(before.shape, np.bool_)
    fit = fit_texture(first, second, inside, clear, None, Rigid(0.0, 0.0, 0.0), pivot)
    assert fit is not None
    moved = first.surface.px_from_mm(fit.motion.apply(pivot[None]))[0] - centre[0]
    reference = SITK.Euler2DTransform()
    reference.SetCenter(centre[0].tolist())
    by_least_squares(before, after, reference)
    assert moved == pytest.approx(shift, abs=0.005)
    assert moved == pytest.approx(reference.GetTranslation(), abs=0.005)
    # Clockwise as v points down: seen from above the bed it turns the other way round.
    assert math.degrees(fit.motion.angle_rad) == pytest.approx(-0.8, abs=0.0005)
    assert fit.motion.angle_rad == pytest.approx(-reference.GetAngle(), abs=5e-6)


@pytest.mark.slow
def test_the_error_and_the_stated_uncertainty_are_the_cramer_rao_bound() -> None:
    """Of two equally noisy pictures: 2 sigma^2 (sum of g g')^-1, g the picture's gradient.

    Robinson and Milanfar, "Fundamental performance limits in image registration", IEEE TIP 13,
    2004 (title from memory; the formula is the standard one). The fit softens both pictures, which
    costs little here, since the photograph is soft itself.
    """
    size, rim, noise, shift = 160, 16, 4.0, (-0.40, 0.30)
    picture = ndimage.gaussian_filter(data.gravel().astype(float), 2.0)
    moved = np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(picture), shift[::-1])).real
    crop, core = slice(180, 180 + size), slice(180 + rim, 180 + size - rim)
    gradient = np.stack([g[core, core].ravel() for g in np.gradient(picture)[::-1]])
    bound = np.sqrt(2 * noise**2 * np.diag(np.linalg.inv(gradient @ gradient.T)))
    low, high = rim * PITCH, (size - rim - 1) * PITCH
    inside = np.array([[low, low], [high, low], [high, high], [low, high]])
    pivot = np.array([(low + high) / 2] * 2)
    clear = np.zeros((size, size), np.bool_)
    found, stated = [], []
    rng = np.random.default_rng(3)
    for _ in range(40):
        before, after = (
            view(part[crop, crop] + rng.normal(0, noise, (size, size))) for part in (picture, moved)
        )
        fit = fit_texture(before, after, inside, clear, None, Rigid(0.0, 0.0, 0.0), pivot)
        assert fit is not None
        step = fit.motion.apply(pivot[None])[0] - pivot
        found.append(step * (1, -1) / PITCH)
        stated.append(np.sqrt(np.diag(np.linalg.inv(fit.normal)))[:2] / PITCH)
    assert np.mean(found, axis=0) == pytest.approx(shift, abs=0.004)
    # 40 trials know a standard deviation to 11 %.
    assert (np.std(found, axis=0) / bound > 0.7).all()
    assert (np.std(found, axis=0) / bound < 1.35).all()
    assert np.mean(stated, axis=0) / bound == pytest.approx([1.0, 1.0], abs=0.15)
