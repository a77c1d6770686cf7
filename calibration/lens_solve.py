"""Least squares of a lens and the poses of a board over several photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.errors import WitmarkError
from calibration.lens import COUNT, Lens
from calibration.pose import Pose, project_with_jacobians

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class View:
    """One board photo on its way into the fit.

    Attributes
    ----------
    name, sha256
        The photo.
    ids, px
        (n,) numbers and (n, 2) pixels of the corners found.
    why
        Reason why it is not used; None where it is.
    rms_px
        Root mean square of the distances between corners found and projected.
    dropped
        Number of its corners that were left out as outliers.
    """

    name: str
    sha256: str
    ids: NDArray[np.int64]
    px: Array
    why: str | None = None
    rms_px: float | None = None
    dropped: int = 0


@dataclass(frozen=True, eq=False)
class Solution:
    """A lens and the poses of the board, with what is left.

    Attributes
    ----------
    lens
        Parameters with the covariance that has the poses marginalised.
    poses
        Camera from board, per photo.
    residuals
        (n, 2) found minus projected, per photo.
    sigma_px
        Standard deviation of one coordinate, from residuals and degrees of freedom.
    """

    lens: Lens
    poses: list[Pose]
    residuals: list[Array]
    sigma_px: float


def start_values(
    board: Board, image_size: tuple[int, int], views: Sequence[View]
) -> tuple[Lens, list[Pose]]:
    """Return start values from OpenCV's own calibration (Zhang's method and its refinement)."""
    import cv2

    objects, images = [], []
    for view in views:
        flat = board.points_mm(view.ids)
        objects.append(np.c_[flat, np.zeros(len(flat))].astype(np.float32))
        images.append(view.px.astype(np.float32))
    try:
        _, matrix, distortion, rvecs, tvecs = cv2.calibrateCamera(
            objects, images, image_size, np.eye(3), np.zeros(5)
        )
    except cv2.error as error:
        raise WitmarkError(
            "board photos",
            "do not determine a lens",
            "tilt the board different ways, by 20 to 40 degrees",
        ) from error
    coefficients = np.asarray(distortion, float).ravel()[:5]
    focal = (matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2])
    start = Lens(image_size, np.array([*focal, *coefficients]), np.zeros((COUNT, COUNT)))
    poses = [Pose.from_vectors(r, t) for r, t in zip(rvecs, tvecs, strict=True)]
    return start, poses


def solve_lens(
    board: Board, views: Sequence[View], lens: Lens, poses: Sequence[Pose], free: Mask
) -> Solution:
    """Least squares over lens and poses by damped Gauss-Newton; poses are eliminated per photo."""
    poses = list(poses)
    objects = []
    for view in views:
        flat = board.points_mm(view.ids)
        objects.append(np.c_[flat, np.zeros(len(flat))])
    blocks = _Blocks.of(views, objects, lens, poses, free)
    damping = 1e-6
    for _ in range(100):
        step_lens, steps = blocks.step(damping)
        moved = lens.parameters.copy()
        moved[free] += step_lens
        try:
            trial_lens = lens.with_parameters(moved)
        except ValueError:
            damping *= 10
            continue
        trial_poses = [pose.moved(step) for pose, step in zip(poses, steps, strict=True)]
        trial = _Blocks.of(views, objects, trial_lens, trial_poses, free)
        if not trial.cost <= blocks.cost * (1 + 1e-12):
            damping = max(damping, 1e-9) * 10
            if damping > 1e6:
                break
            continue
        gain = blocks.cost - trial.cost
        lens, poses, blocks = trial_lens, trial_poses, trial
        damping /= 10
        if gain <= 1e-12 * blocks.cost:
            break
    count = sum(2 * len(view.ids) for view in views)
    degrees = count - int(free.sum()) - 6 * len(views)
    if degrees <= 0:
        raise WitmarkError("board photos", "hold too few corners", "take more photos")
    variance = blocks.cost / degrees
    covariance = np.zeros((COUNT, COUNT))
    inverse = np.linalg.inv(blocks.reduced(0.0)[0])
    covariance[np.ix_(free, free)] = variance * (inverse + inverse.T) / 2
    return Solution(
        lens.with_parameters(lens.parameters, covariance),
        poses,
        blocks.residuals,
        math.sqrt(variance),
    )


@dataclass(frozen=True, eq=False)
class _Blocks:
    """Normal equations of one linearisation: lens block, and per photo pose and cross blocks."""

    lens_block: Array  # (f, f)
    lens_side: Array  # (f,)
    pose_blocks: list[Array]  # (6, 6) each
    cross_blocks: list[Array]  # (f, 6) each
    pose_sides: list[Array]  # (6,) each
    residuals: list[Array]
    cost: float

    @classmethod
    def of(
        cls,
        views: Sequence[View],
        objects: Sequence[Array],
        lens: Lens,
        poses: Sequence[Pose],
        free: Mask,
    ) -> _Blocks:
        count = int(free.sum())
        lens_block, lens_side = np.zeros((count, count)), np.zeros(count)
        pose_blocks, cross_blocks, pose_sides, residuals = [], [], [], []
        cost = 0.0
        for view, points, pose in zip(views, objects, poses, strict=True):
            projected, _, per_pose, per_lens = project_with_jacobians(lens, pose, points)
            residual = view.px - projected
            jl = per_lens[:, :, free].reshape(-1, count)
            jp = per_pose.reshape(-1, 6)
            flat = residual.ravel()
            lens_block += jl.T @ jl
            lens_side += jl.T @ flat
            pose_blocks.append(jp.T @ jp)
            cross_blocks.append(jl.T @ jp)
            pose_sides.append(jp.T @ flat)
            residuals.append(residual)
            cost += float(flat @ flat)
        return cls(lens_block, lens_side, pose_blocks, cross_blocks, pose_sides, residuals, cost)

    def reduced(self, damping: float) -> tuple[Array, Array]:
        """Return matrix and right side of the lens alone (Schur complement of the poses)."""
        matrix = self.lens_block + damping * np.diag(np.diag(self.lens_block))
        side = self.lens_side.copy()
        for block, cross, pose_side in zip(
            self.pose_blocks, self.cross_blocks, self.pose_sides, strict=True
        ):
            damped = block + damping * np.diag(np.diag(block))
            solved = np.linalg.solve(damped, np.c_[cross.T, pose_side])
            matrix = matrix - cross @ solved[:, :-1]
            side = side - cross @ solved[:, -1]
        return matrix, side

    def step(self, damping: float) -> tuple[Array, list[Array]]:
        """Return the step of the lens (f,) and of every pose (6,)."""
        matrix, side = self.reduced(damping)
        lens_step: Array = np.asarray(np.linalg.solve(matrix, side), float)
        pose_steps: list[Array] = []
        for block, cross, pose_side in zip(
            self.pose_blocks, self.cross_blocks, self.pose_sides, strict=True
        ):
            damped = block + damping * np.diag(np.diag(block))
            solved = np.linalg.solve(damped, pose_side - cross.T @ lens_step)
            pose_steps.append(np.asarray(solved, float))
        return lens_step, pose_steps


def rms_length(residuals: Array) -> float:
    """Root mean square length of (n, 2) residuals, as OpenCV counts it."""
    return float(np.sqrt((residuals**2).sum(axis=1).mean()))
