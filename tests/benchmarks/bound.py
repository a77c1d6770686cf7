"""The Cramer-Rao bound: how well the layers of a scene could be placed at best.

The covariance of an unbiased estimate is never less than the inverse of the Fisher information,
which for Gaussian noise is J' C^-1 J with J the picture's derivatives: S. M. Kay, Fundamentals of
Statistical Signal Processing I: Estimation Theory, 1993, ch. 3 (3.9 for Gaussian noise); for shifts
of pictures D. Robinson and P. Milanfar, IEEE Trans. Image Processing 13 (2004) 1185. The shapes,
the kerf, the blur and how burns add up are known; the motions, the burns' strengths and the light's
level and slopes are not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.grounds import spectrum
from tests.benchmarks.scenes import PIVOT_MM, Drawing, common
from tests.benchmarks.tone import tone_slope
from tests.unit.drawn_scenes import about, blur

Array = NDArray[np.float64]

# Rounding to whole grey levels: an error spread evenly over one level.
ROUNDING_VARIANCE = 1 / 12
# Steps of the numerical derivatives: pixels at the pivot, radians (0.02 px at the far edges).
_STEP_PX, _STEP_RAD = 0.02, 1e-4


def white_bound(jacobian: Array, variance: Array | float) -> Array:
    """Return the (n, n) bound of the covariance for white noise.

    Parameters
    ----------
    jacobian
        (n, h, w) grey levels per unit of each unknown.
    variance
        Of the noise, grey levels squared, one or (h, w).
    """
    whole = jacobian.reshape(len(jacobian), -1)
    weighed = (jacobian / variance).reshape(len(jacobian), -1)
    return _inverse(whole @ weighed.T)


def coloured_bound(jacobian: Array, periodogram: Array) -> Array:
    """Return the (n, n) bound for stationary noise (Whittle's approximation).

    Parameters
    ----------
    jacobian
        (n, h, w) grey levels per unit of each unknown.
    periodogram
        (h, w) mean of |FFT|^2 / (h w) of the noise, grey levels squared.
    """
    waves = np.fft.fft2(jacobian).reshape(len(jacobian), -1)
    weighed = waves / (periodogram.ravel() * periodogram.size)
    return _inverse((waves.conj() @ weighed.T).real)


def _inverse(information: Array) -> Array:
    """Invert after bringing the unknowns to a common size."""
    size = np.sqrt(np.diag(information))
    return np.asarray(np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size))


def derivatives(drawing: Drawing) -> Array:
    """Return (n, h, w) grey levels per unit of each unknown.

    In this order: dx and dy (mm) and turn about the pivot (rad) of each layer, the layers' burns,
    the light's level and slopes. Motions by central differences of exact drawings.
    """
    spec, burns = drawing.spec, drawing.burns
    shapes = tuple(drawing.shape(i, pose) for i, pose in enumerate(spec.poses))
    light = drawing.light * drawing.texture
    slope = tone_slope(light * drawing.through)
    rows = []
    for index, motion in enumerate(spec.motions):
        others = shapes[:index] + shapes[index + 1 :]
        for axis in range(3):
            step = _STEP_RAD if axis == 2 else _STEP_PX * spec.pitch_mm
            change = np.zeros(1)
            for sign in (1, -1):
                moved = list(motion)
                moved[axis] += sign * step
                shape = drawing.shape(index, about(PIVOT_MM, *moved))
                change = change + sign * burns[index] * drawing.cells(shape)
                for other in others:
                    both = drawing.cells(common(shape, other))
                    change = change - sign * burns[0] * burns[1] * both
            rows.append(-slope * light * blur(change, spec.sigma_px) / (2 * step))
    for index, shape in enumerate(shapes):
        cells = drawing.cells(shape)
        if len(shapes) == 2:
            cells = cells - burns[1 - index] * drawing.cells(common(*shapes))
        rows.append(-slope * light * blur(cells, spec.sigma_px))
    through = drawing.texture * drawing.through
    rows += [slope * through * drawing.plane[..., k] for k in range(3)]
    return np.asarray(rows)


def bound_of(drawing: Drawing) -> Array:
    """Return (3,) standard deviations (mm, mm, rad) that no unbiased estimate can beat.

    Of the layer where there is one, else of fill minus outline. Without texture the noise is
    white. With a before capture each pixel's ground is known through that capture's noise, which
    is carried to the after capture and added. Without one the ground's texture is noise of a known
    spectrum; it is taken to be as strong everywhere as on average where the mark's edges are.
    """
    jacobian = derivatives(drawing)
    spec = drawing.spec
    variance = spec.noise**2 + ROUNDING_VARIANCE
    light = drawing.light * drawing.texture
    if spec.before:
        carried = tone_slope(light * drawing.through) * drawing.through / tone_slope(light)
        covariance = white_bound(jacobian, variance * (1 + carried**2))
    elif spec.kind == "none":
        covariance = white_bound(jacobian, variance)
    else:
        seen = light * drawing.through
        strength = (tone_slope(seen) * seen) ** 2
        # Edges tell the place: what the texture does there counts.
        shifts = [k for k in range(3 * len(spec.motions)) if k % 3 < 2]
        weight = (jacobian[shifts] ** 2).sum(axis=0)
        mean = float((weight * strength).sum() / weight.sum())
        own = spectrum(spec.kind, drawing.surface.size, spec.pitch_mm)
        covariance = coloured_bound(jacobian, mean * own + variance)
    take = take_of(len(spec.motions))
    motions = covariance[: take.shape[1], : take.shape[1]]
    return np.asarray(np.sqrt(np.diag(take @ motions @ take.T)))


def take_of(layers: int) -> Array:
    """Return the (3, 3 n) matrix from the layers' motions to what is judged: fill minus outline."""
    unit = np.eye(3)
    return unit if layers == 1 else np.hstack([unit, -unit])
