"""The camera of one capture, fitted to its reference marks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.bed import TRACKED, Bed, BedMark
from calibration.marks import CORNER_SIGMA_PX
from calibration.pose import Pose
from calibration.quantity import chi2_by_chance

Array = NDArray[np.float64]

# Focusing changes a webcam's focal length by fractions of a per cent to a few per cent (common
# practice, no source): by less than 4 % with 95 %.
FOCAL_SIGMA = 0.02
# Beyond this it has been zoomed rather than focused (logarithm).
ZOOM = 3 * FOCAL_SIGMA
_WIDEST = 1.0

_POSE, _FOCAL = slice(0, 6), 6
SHIFT = slice(7, 9)
# 99.9 % quantile of a normal variable.
_NORMAL = 3.090


@dataclass(frozen=True, eq=False)
class CameraFit:
    """A camera that explains the marks of a capture.

    Attributes
    ----------
    step
        (9,) from the calibration: small motion of the pose (rad, mm), logarithm of the focal
        length over the calibrated one, shift of the principal point (px).
    pose
        The camera's pose.
    covariance
        (9, 9) of the step; zero what was held.
    chi2, degrees
        What is left unexplained, what was expected beforehand included; its degrees of freedom.
    excess
        By mark, the largest residual of a corner in standard deviations.
    """

    step: Array
    pose: Pose
    covariance: Array
    chi2: float
    degrees: int
    excess: Mapping[int, float]

    @property
    def scale(self) -> float:
        """How much larger the variance of corners seems than it is taken for, at least 1."""
        return max(1.0, self.chi2 / self.degrees)

    @property
    def consistent(self) -> bool:
        """Whether noise explains what is left (99.9 %)."""
        return self.chi2 <= chi2_by_chance(self.degrees, _NORMAL)

    @property
    def worst(self) -> int:
        """The mark that is explained worst."""
        return max(self.excess, key=lambda number: self.excess[number])

    @property
    def log_focal(self) -> float:
        """Logarithm of the focal length over the calibrated one."""
        return float(self.step[_FOCAL])


def fit_camera(
    bed: Bed,
    marks: Sequence[BedMark],
    found_px: Mapping[int, Array],
    *,
    moves: bool = True,
    refocuses: bool = False,
    crops: bool = False,
) -> CameraFit:
    """Fit pose, focal length, both or neither to (4, 2) corners by mark number.

    Corners carry the noise of this capture and that of the calibration's own look at the marks.
    Both focal lengths change by one factor, by about `FOCAL_SIGMA`, and by any if the picture may
    have been cropped: then the principal point goes with them. Else it stays as calibrated, as
    distortion (of normalised directions) always does.

    Raises
    ------
    numpy.linalg.LinAlgError
        Where the marks are nowhere near.
    """
    points = np.concatenate([np.c_[mark.corners_mm, np.full(4, mark.height_mm)] for mark in marks])
    px = np.concatenate([found_px[mark.id] for mark in marks])
    own = np.stack([mark.covariance for mark in marks])
    sigma2 = max(bed.sigma_px, CORNER_SIGMA_PX) ** 2
    free = np.array([*[moves] * 6, refocuses or crops, crops, crops])
    expected = np.zeros((TRACKED, TRACKED))
    if moves and refocuses:
        # From above, focal length and height hardly tell apart.
        expected[_FOCAL, _FOCAL] = FOCAL_SIGMA**-2
    step, pose = np.zeros(TRACKED), bed.pose
    robust = np.ones(len(marks))
    for _ in range(30):
        seen = bed.tracked(pose, float(step[_FOCAL]), bed.tracking_covariance, step[SHIFT])
        projected, per_mm, per_pose, per_lens = seen.px_with_jacobians(points)
        residual = (px - projected).reshape(len(marks), 8)
        per_step = seen.per_tracked(per_pose, per_lens).reshape(len(marks), 8, TRACKED)
        noise = _noise(per_mm, own, sigma2)  # (marks, 8, 8)
        weight = np.linalg.inv(noise) * robust[:, None, None]
        side = np.einsum("nai,nab,nb->i", per_step, weight, residual) - expected @ step
        matrix = np.einsum("nai,nab,nbj->ij", per_step, weight, per_step) + expected
        change = np.zeros(TRACKED)
        change[free] = np.linalg.solve(matrix[np.ix_(free, free)], side[free])
        if not np.isfinite(change).all():
            raise np.linalg.LinAlgError("the camera ran away from the marks")
        pose = pose.moved(change[_POSE])
        step = step + change
        # Marks that lie anywhere must not carry it beyond what a number can hold.
        step[_FOCAL] = np.clip(step[_FOCAL], -_WIDEST, _WIDEST)
        # Whole marks are weighted down together, since a mark moves as one (Huber's weights).
        per_mark = _corner_lengths(residual, noise).max(axis=1)
        robust = np.minimum(1.0, 3.0 / np.maximum(per_mark, 1e-9))
        if float(change @ matrix @ change) < 1e-10:
            break
    left = np.einsum("na,nab,nb->n", residual, np.linalg.inv(noise), residual)
    chi2 = float((robust * left).sum() + step @ expected @ step)
    # What is expected of the focal length counts as one more observation.
    degrees = 2 * len(px) + int(expected.any()) - int(free.sum())
    covariance = np.zeros((TRACKED, TRACKED))
    inverse = np.linalg.inv(matrix[np.ix_(free, free)]) * max(1.0, chi2 / degrees)
    covariance[np.ix_(free, free)] = (inverse + inverse.T) / 2
    step[_POSE] = bed.pose.step_to(pose)
    excess = {mark.id: float(worst) for mark, worst in zip(marks, per_mark, strict=True)}
    return CameraFit(step, pose, covariance, chi2, degrees, excess)


def _noise(per_mm: Array, own: Array, sigma2: float) -> Array:
    """Return (marks, 8, 8) covariance of each mark's corners in pixels."""
    to_px = np.zeros((len(own), 8, 8))
    for corner in range(4):
        block = slice(2 * corner, 2 * corner + 2)
        to_px[:, block, block] = per_mm[corner::4, :, :2]
    return np.asarray(to_px @ own @ to_px.transpose(0, 2, 1) + np.eye(8) * sigma2)


def _corner_lengths(residual: Array, noise: Array) -> Array:
    """Return (marks, 4) residuals of the corners in standard deviations."""
    by_corner = residual.reshape(-1, 4, 2)
    blocks = noise.reshape(-1, 4, 2, 4, 2)[:, range(4), :, range(4)].transpose(1, 0, 2, 3)
    squares = np.einsum("nka,nkab,nkb->nk", by_corner, np.linalg.inv(blocks), by_corner)
    return np.asarray(np.sqrt(squares))
