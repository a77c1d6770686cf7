"""Coarse movement of a textured surface: normalised cross-correlation of two masked pictures.

D. Padfield, "Masked object registration in the Fourier domain", IEEE Transactions on Image
Processing 21(5), 2012; here on pictures without their slow changes, whose mean is nought.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.average import local_mean
from vision.register.layout import PITCH_MM, lay_out
from vision.register.scene import nudge
from vision.register.view import View

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_SLOW_MM = 2.5
_SOFT_MM = 0.35
_OVERLAP = 0.35
_TURN_REACH = math.radians(5.0)
_LEAST = 0.12
_STANDS_OUT = 6.0
_RIVAL = 0.8
_PEAK_MM = 1.6


def find_shift(
    before: View,
    after: View,
    inside_mm: Array,
    keep_out: NDArray[np.bool_],
    start: Rigid,
    pivot_mm: Array,
    known: Array,
    reach_mm: float,
) -> Rigid | None:
    """Find the movement of a polygon's texture; None where no place stands out.

    Parameters
    ----------
    before, after
        The captures.
    inside_mm
        (n, 2) convex polygon in the before capture that moves as one.
    keep_out
        (h, w) pixels of the after capture that must not count.
    start
        What is known already.
    pivot_mm
        (2,) place about which turns are told.
    known
        (3, 3) inverse covariance of the start (mm, mm, rad); nought where nothing is known.
    reach_mm
        How far to look.
    """
    weak = np.diag([reach_mm**-2, reach_mm**-2, _TURN_REACH**-2])
    loose: Array = np.linalg.inv(known + weak).astype(np.float64)
    radius = float(np.hypot(*(inside_mm - pivot_mm).T).max())
    spread = 2.5 * math.sqrt(loose[2, 2])
    step = 0.8 / radius
    count = math.ceil(min(spread, _TURN_REACH) / step) if spread > step else 0
    frame = Rigid(float(pivot_mm[0]), float(pivot_mm[1]), 0.0)
    low = inside_mm.min(axis=0) - pivot_mm - 2
    high = inside_mm.max(axis=0) - pivot_mm + 2
    first, first_mask = _textured(before, frame, low, high, None)
    pitch = PITCH_MM
    polygon = ((inside_mm - pivot_mm - low) / pitch).round()
    shape = np.zeros(first.shape, np.uint8)
    cv2.fillConvexPoly(shape, polygon.astype(np.int32), 1)
    first_mask = first_mask * shape
    if first_mask.sum() < 200:
        return None
    best: tuple[float, Rigid] | None = None
    for turn in step * np.arange(-count, count + 1):
        moved = nudge(start, _place(start, pivot_mm), 0.0, 0.0, float(turn))
        centre = moved.apply(pivot_mm[None])[0]
        there = Rigid(float(centre[0]), float(centre[1]), moved.angle_rad)
        second, second_mask = _textured(after, there, low - reach_mm, high + reach_mm, keep_out)
        found = _peak(first, first_mask, second, second_mask, there.matrix, loose, pitch)
        if found is not None and (best is None or found[0] > best[0]):
            dx, dy = there.matrix @ np.array(found[1])
            best = (found[0], nudge(moved, _place(moved, pivot_mm), float(dx), float(dy), 0.0))
    return None if best is None else best[1]


def _place(motion: Rigid, pivot_mm: Array) -> tuple[float, float]:
    centre = motion.apply(pivot_mm[None])[0]
    return float(centre[0]), float(centre[1])


def _textured(
    view: View, frame: Rigid, low: Array, high: Array, keep_out: NDArray[np.bool_] | None
) -> tuple[Image, Image]:
    """Return the picture without its slow changes, and where it counts."""
    layout = lay_out(view, frame, low, high, keep_out)
    mask = layout.seen
    slow = local_mean(layout.grey, mask, _SLOW_MM / layout.pitch_mm)
    fast = np.asarray((layout.grey - slow) * mask, np.float32)
    soft = cv2.GaussianBlur(fast, (0, 0), _SOFT_MM / layout.pitch_mm)
    return np.asarray(soft * mask, np.float32), mask


def _peak(
    first: Image,
    first_mask: Image,
    second: Image,
    second_mask: Image,
    turn: Array,
    loose: Array,
    pitch: float,
) -> tuple[float, tuple[float, float]] | None:
    """Return the height of the best shift (mm, in the layout's axes) and the shift."""
    rows, columns = (a - b + 1 for a, b in zip(second.shape, first.shape, strict=True))
    first = first * first_mask

    def slide(large: Image, small: Image) -> Image:
        return np.asarray(
            cv2.filter2D(large, cv2.CV_32F, small, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)[
                :rows, :columns
            ]
        )

    product = slide(second, first)
    energy_first = slide(second_mask, first * first)
    energy_second = slide(second * second, first_mask)
    number = slide(second_mask, first_mask)
    score = product / np.sqrt(np.maximum(energy_first * energy_second, 1e-6))
    score[number < _OVERLAP * number.max()] = 0.0
    y, x = np.meshgrid(
        pitch * (np.arange(rows) - (rows - 1) / 2),
        pitch * (np.arange(columns) - (columns - 1) / 2),
        indexing="ij",
    )
    # Only places that what is known already allows.
    shift = np.stack([x, y], -1) @ turn.T
    far = np.einsum(
        "ijk,kl,ijl->ij", shift, np.linalg.inv(loose[:2, :2] + 0.3**2 * np.eye(2)), shift
    )
    allowed = far < 3.0**2
    if not allowed.any():
        return None
    at = np.where(allowed, score, -1.0)
    i, j = np.unravel_index(int(np.argmax(at)), at.shape)
    height = float(at[i, j])
    typical = 1.4826 * float(np.median(np.abs(score[number > 0])))
    elsewhere = allowed & (np.hypot(x - x[i, j], y - y[i, j]) > _PEAK_MM)
    rival = float(score[elsewhere].max()) if elsewhere.any() else 0.0
    if height < max(_LEAST, _STANDS_OUT * typical) or rival > _RIVAL * height:
        return None
    return height, (float(x[i, j]), float(y[i, j]))
