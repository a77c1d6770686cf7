"""A steel rule in a picture of the bed: how many of its millimetres go into one of the map's.

Along a rule's edge its lines are a wave of one cycle per millimetre. Where and which way it lies is
found by the energy of that wave over the bed; how long its millimetres are, by the slope of the
wave's phase along it (complex demodulation: P. Bloomfield, "Fourier Analysis of Time Series", 1976,
chapter 6). The wave's direction is that of its fastest phase, so no edge needs to be traced.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed
from calibration.light import LINEAR
from calibration.plane import CAMERA, PlaneSurface

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Grey = NDArray[np.uint8]

# Search: pitch of the straightened picture, directions, and the wave packets that are looked for.
_PITCH_MM = 0.2
_DIRECTIONS = 36
_ALONG_MM, _ACROSS_MM = 5.0, 1.0
_BAND = 0.4  # cycles per mm kept on either side of the wave
_RUN_MM = 60.0
_BEYOND_MM = 15.0
# A rule stands out from all other places and directions by this factor.
_STANDS_OUT = 8.0
# Fine look: half width across the lines, steps, length of the low pass, and how bright a stretch
# must be against the middle of the brightest to count.
_HALF_WIDE_MM = 1.4
_STEP_MM, _ROW_MM = 0.1, 0.2
_SMOOTH_MM = 4.0
_FAINT = 0.4
_LEAST_LENGTH_MM = 50.0
# Phases (cycles) that scatter by more than this are not those of a rule.
_MOST_SCATTER = 0.08
_ROUNDS = 5
# Waves that no rule has, cycles per mm, and how much stronger than them its own must be.
_OTHERS = (0.77, 0.87, 1.13, 1.23)
_CLEAR = 4.0


@dataclass(frozen=True, eq=False)
class RuleLook:
    """What one picture of a rule says.

    Attributes
    ----------
    direction
        (2,) unit vector along the rule, on the bed; either way is meant.
    middle_mm
        (2,) bed place of the middle of the stretch that was used.
    length_mm
        Its length.
    stretch
        Millimetres of the rule per millimetre of the map, less one.
    own_sigma
        Standard uncertainty of that from the picture.
    by_map
        (k,) change of it with each of the map's parameters, as in
        `PlaneSurface.calibration_jacobian_mm`; those of the board's place and scale left out.
    why
        Why there is none; None where there is.
    """

    direction: Array
    middle_mm: Array
    length_mm: float
    stretch: float
    own_sigma: float
    by_map: Array
    why: str | None = None


def look_at_rule(grey: Grey, bed: Bed, height_mm: float) -> RuleLook:
    """Measure a rule that lies anywhere in view, any way.

    Parameters
    ----------
    grey
        (h, w) uint8, of the bed's camera.
    bed
        The map.
    height_mm
        Height of the rule's face above the bed.
    """
    surface = PlaneSurface(bed, height_mm)
    image = LINEAR[grey]
    place = _find(image, surface)
    if place is None:
        return _none("no rule with millimetre lines is seen: bring it nearer, sharp, without glare")
    return _measured(image, surface, *place)


def _none(why: str) -> RuleLook:
    return RuleLook(np.zeros(2), np.zeros(2), 0.0, 0.0, math.inf, np.zeros(CAMERA.stop), why)


def _find(image: NDArray[np.float32], surface: PlaneSurface) -> tuple[Array, float] | None:
    """Return a (2,) place on the rule's lines and their direction (rad), or None."""
    left, low, right, high = surface.bed.field_mm
    x = np.arange(left - _BEYOND_MM, right + _BEYOND_MM, _PITCH_MM)
    y = np.arange(low - _BEYOND_MM, high + _BEYOND_MM, _PITCH_MM)
    flat = _straightened(image, surface, x, y)
    # Every place counts alike, whatever its light; what is not seen counts nothing.
    seen = np.isfinite(flat)
    flat = np.where(seen, flat, np.median(flat[seen]) if seen.any() else 0.0).astype(np.float32)
    fine = flat - cv2.GaussianBlur(flat, (0, 0), 1.0 / _PITCH_MM)
    level = np.sqrt(cv2.GaussianBlur(fine**2, (0, 0), 4.0 / _PITCH_MM))
    fine = np.where(seen, fine / np.maximum(level, 1e-3), 0.0)
    spectrum = np.fft.fft2(fine)
    fx, fy = (np.asarray(np.fft.fftfreq(n, _PITCH_MM), float) for n in (len(x), len(y)))
    best, found = 0.0, None
    means = []
    for number in range(_DIRECTIONS):
        angle = math.pi * number / _DIRECTIONS
        energy, step_x, step_y = _energy(spectrum, fx, fy, angle)
        run = _run_kernel(angle, step_x, step_y)
        told = cv2.filter2D(energy, -1, run, borderType=cv2.BORDER_CONSTANT)
        means.append(float(np.median(told)))
        most = float(told.max())
        if most > best:
            row, column = np.unravel_index(int(np.argmax(told)), told.shape)
            best = most
            found = np.array([x[0] + column * step_x, y[0] + row * step_y]), angle
    if found is None or best < _STANDS_OUT * float(np.mean(means)):
        return None
    return found


def _straightened(
    image: NDArray[np.float32], surface: PlaneSurface, x: Array, y: Array
) -> NDArray[np.float32]:
    """Return the picture on a (rows y, columns x) grid of the bed; NaN where it is not seen."""
    # The map is smooth: every tenth place is enough, and the rest lies between.
    step = 10
    coarse_x, coarse_y = x[::step], y[::step]
    places = np.stack(np.meshgrid(coarse_x, coarse_y), axis=-1).reshape(-1, 2)
    px = surface.px_from_mm(places).reshape(len(coarse_y), len(coarse_x), 2).astype(np.float32)
    column, row = np.meshgrid(np.arange(len(x)) / step, np.arange(len(y)) / step)
    u, v = (
        cv2.remap(
            np.ascontiguousarray(px[..., axis]),
            column.astype(np.float32),
            row.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for axis in (0, 1)
    )
    return np.asarray(
        cv2.remap(
            image, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=math.nan
        ),
        np.float32,
    )


def _energy(
    spectrum: Complex, fx: Array, fy: Array, angle: float
) -> tuple[NDArray[np.float32], float, float]:
    """Return the energy of the wave in one direction on a coarse grid, and the grid's steps, mm.

    The band round the wave is shifted to nought and cut out, so that few places are needed.
    """
    kx, ky = math.cos(angle), math.sin(angle)
    columns = np.flatnonzero(np.abs(fx - kx) <= _BAND)
    rows = np.flatnonzero(np.abs(fy - ky) <= _BAND)
    along = (fx[columns][None] - kx) * kx + (fy[rows][:, None] - ky) * ky
    across = -(fx[columns][None] - kx) * ky + (fy[rows][:, None] - ky) * kx
    packet = np.exp(-2 * math.pi**2 * ((along * _ALONG_MM) ** 2 + (across * _ACROSS_MM) ** 2))
    band = spectrum[np.ix_(rows, columns)] * packet
    order_x, order_y = np.argsort(fx[columns]), np.argsort(fy[rows])
    band = np.fft.ifftshift(band[np.ix_(order_y, order_x)])
    energy = np.abs(np.fft.ifft2(band)) ** 2
    step_x = _PITCH_MM * len(fx) / len(columns)
    step_y = _PITCH_MM * len(fy) / len(rows)
    return energy.astype(np.float32), step_x, step_y


def _run_kernel(angle: float, step_x: float, step_y: float) -> NDArray[np.float32]:
    """Return the mean over a stretch along a direction, as a kernel on a coarse grid."""
    reach = math.ceil(_RUN_MM / 2 / min(step_x, step_y))
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for t in np.linspace(-_RUN_MM / 2, _RUN_MM / 2, 4 * reach + 1):
        column = round(reach + t * math.cos(angle) / step_x)
        row = round(reach + t * math.sin(angle) / step_y)
        kernel[row, column] = 1.0
    return np.asarray(kernel / kernel.sum(), np.float32)


def _measured(
    image: NDArray[np.float32], surface: PlaneSurface, place: Array, angle: float
) -> RuleLook:
    """Follow the wave's phase along the rule, turning to the direction in which it is fastest."""
    for rounds_left in reversed(range(_ROUNDS)):
        along = np.array([math.cos(angle), math.sin(angle)])
        values, t, w = _strip(image, surface, place, along)
        if len(t) < _LEAST_LENGTH_MM / _STEP_MM:
            return _none("the rule reaches out of the picture where it is looked for")
        wave = _demodulated(values, t, 1.0)
        # The lines lean across the strip where the direction is off: that much is turned.
        lean = _lean(wave, w)
        straight = np.sum(wave * np.exp(-2j * math.pi * lean * w)[:, None], axis=0)
        used = _stretch_used(np.abs(straight), t)
        middle = float(t[used].mean()) if len(used) else 0.0
        if not rounds_left or (abs(lean) < 1e-3 and abs(middle) < 1.0):
            break
        # One cycle per millimetre along, `lean` cycles across.
        angle += math.atan2(lean, 1.0)
        place = place + middle * along
    length = float(np.ptp(t[used])) if len(used) else 0.0
    if length < _LEAST_LENGTH_MM:
        return _none(
            f"only {length:.0f} mm of the rule's lines are seen, {_LEAST_LENGTH_MM:.0f} are needed"
        )
    beside = max(
        float((np.abs(_demodulated(values, t, other)[:, used]) ** 2).mean()) for other in _OTHERS
    )
    if float((np.abs(wave[:, used]) ** 2).mean()) < _CLEAR * beside:
        return _none("no millimetre lines are seen: bring the rule nearer, sharp, without glare")
    cycles = np.unwrap(np.angle(straight[used])) / (2 * math.pi)
    weight = np.abs(straight[used]) ** 2
    away = t[used] - np.average(t[used], weights=weight)
    slope = float(np.sum(weight * away * cycles) / np.sum(weight * away**2))
    rest = cycles - np.average(cycles, weights=weight) - slope * away
    scatter = float(np.sqrt(np.average(rest**2, weights=weight)))
    if scatter > _MOST_SCATTER:
        return _none("the lines do not run on evenly: something else may look like a rule")
    slope = math.hypot(1.0 + slope, lean) - 1.0
    # Neighbouring phases are alike over the low pass: so many are independent of each other.
    independent = max(length / (2 * math.sqrt(math.pi) * _SMOOTH_MM), 2.5)
    spread = math.sqrt(float(np.average(away**2, weights=weight)))
    own = scatter / spread / math.sqrt(independent - 2)
    middle_mm = place + (t[used[0]] + t[used[-1]]) / 2 * along
    by_map = _response(surface, middle_mm, along, length)
    return RuleLook(along, middle_mm, length, slope, own, by_map)


def _strip(
    image: NDArray[np.float32], surface: PlaneSurface, place: Array, along: Array
) -> tuple[Array, Array, Array]:
    """Return (rows, n) the picture beside a line, its slow variation taken out, and t, w in mm."""
    left, low, right, high = surface.bed.field_mm
    reach = math.hypot(right - left, high - low)
    t = np.arange(-reach, reach, _STEP_MM)
    w = np.arange(-_HALF_WIDE_MM, _HALF_WIDE_MM + 1e-9, _ROW_MM)
    across = np.array([-along[1], along[0]])
    places = place + t[None, :, None] * along + w[:, None, None] * across
    px = surface.px_from_mm(places.reshape(-1, 2)).reshape(*places.shape).astype(np.float32)
    rows, columns = image.shape
    seen = np.isfinite(px).all(axis=2) & (px >= 0).all(axis=2)
    seen &= (px[..., 0] <= columns - 1) & (px[..., 1] <= rows - 1)
    # Only what is seen of the line over its whole width; the rest of it says nothing.
    whole = seen.all(axis=0)
    if not whole.any():
        return np.zeros((len(w), 0)), t[:0], w
    middle = int(np.argmin(np.where(whole, np.abs(t), math.inf)))
    first = middle - int(np.argmin(np.append(whole[: middle + 1][::-1], False)))
    last = middle + int(np.argmin(np.append(whole[middle:], False)))
    part = slice(first + 1, last)
    t, px = t[part], np.nan_to_num(px[:, part])
    values = cv2.remap(
        image, np.ascontiguousarray(px[..., 0]), np.ascontiguousarray(px[..., 1]), cv2.INTER_LINEAR
    )
    sigma = 1.0 / _STEP_MM
    values = values - cv2.GaussianBlur(values, (0, 0), sigmaX=sigma, sigmaY=1e-3)
    return np.asarray(values, np.float64), t, w


def _demodulated(values: Array, t: Array, per_mm: float) -> Complex:
    """Return (rows, n) the complex amplitude of a wave of so many cycles per mm along the rows."""
    turned = values * np.exp(-2j * math.pi * per_mm * t)
    smooth = _SMOOTH_MM / _STEP_MM
    real, imaginary = (
        cv2.GaussianBlur(part_of.astype(np.float64), (0, 0), sigmaX=smooth, sigmaY=1e-3)
        for part_of in (turned.real, turned.imag)
    )
    return np.asarray(real + 1j * imaginary)


def _lean(wave: Complex, w: Array) -> float:
    """Return by how many cycles per mm the phase advances across the strip."""
    leans = np.linspace(-0.12, 0.12, 241)
    fans = np.exp(-2j * math.pi * leans[:, None] * w)
    power = (np.abs(fans @ wave) ** 2).sum(axis=1)
    return float(leans[int(np.argmax(power))])


def _stretch_used(strength: Array, t: Array) -> NDArray[np.int64]:
    """Return the numbers of the places of the longest stretch in which the lines are seen."""
    usual = float(np.median(np.sort(strength)[-max(3, int(_LEAST_LENGTH_MM / _STEP_MM)) :]))
    clear = np.concatenate([[False], strength > _FAINT * usual, [False]])
    edges = np.flatnonzero(np.diff(clear.astype(int)))
    runs = edges.reshape(-1, 2)
    if not len(runs):
        return np.zeros(0, np.int64)
    first, last = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    # Where the low pass reaches beyond the rule's end the phase is drawn aside.
    inset = int(_SMOOTH_MM / _STEP_MM)
    return np.arange(first + inset, max(last - inset, first + inset))


def _response(surface: PlaneSurface, middle: Array, along: Array, length: float) -> Array:
    """Return (k,) relative change of the rule's length with each of the map's parameters."""
    ends = middle + np.array([[-0.5], [0.5]]) * length * along
    jacobian = surface.calibration_jacobian_mm(ends)[:, :, : CAMERA.stop]
    # A place that the map puts too far along makes the rule longer in the map: fewer of its own
    # millimetres go into one of the map's.
    return np.asarray(-(along @ (jacobian[1] - jacobian[0])) / length)
