"""Least squares of a lens and the poses of a board over several photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.distortion import Model
from calibration.errors import WitmarkError
from calibration.lens import COUNT, DISTORTION, PARAMETERS, Lens
from calibration.pose import Pose, project_with_jacobians
from calibration.ties import seen, together

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Half the picture's diagonal as an angle: starts of the search for a fisheye's focal length.
_HALF_ANGLES_DEG = (25, 32, 40, 48, 56, 65, 75, 85)


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
    board: Board, image_size: tuple[int, int], views: Sequence[View], model: Model
) -> tuple[Lens, list[Pose]]:
    """Return start values of a lens of some model, and of the poses.

    Either those of OpenCV's own calibration (Zhang's method and its refinement), which ordinary
    lenses need, or those of the fisheye without higher terms that fits the corners best.

    Raises
    ------
    WitmarkError
        Where neither comes near the corners.
    """
    starts = [_equidistant_start(board, image_size, views, model)]
    if model != "fisheye":
        starts.append(_opencv_start(board, image_size, views, model))
    missed = [
        math.inf if start is None else _missed(board, views, start[0], start[1]) for start in starts
    ]
    best = starts[int(np.argmin(missed))]
    if best is None or not math.isfinite(min(missed)):
        raise _undetermined(model)
    return best


def _opencv_start(
    board: Board, image_size: tuple[int, int], views: Sequence[View], model: Model
) -> tuple[Lens, list[Pose]] | None:
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
        parameters = np.zeros(COUNT)
        parameters[:4] = matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]
        parameters[4:9] = np.asarray(distortion, float).ravel()[:5]
        start = Lens(image_size, parameters, np.zeros((COUNT, COUNT)), model)
    except (cv2.error, ValueError):
        return None
    return start, [Pose.from_vectors(r, t) for r, t in zip(rvecs, tvecs, strict=True)]


def _equidistant_start(
    board: Board, image_size: tuple[int, int], views: Sequence[View], model: Model
) -> tuple[Lens, list[Pose]] | None:
    width, height = image_size
    best, found = math.inf, None
    for half_angle in _HALF_ANGLES_DEG:
        focal = math.hypot(width, height) / 2 / math.radians(half_angle)
        lens = Lens.from_values(
            image_size, None, "fisheye", fx=focal, fy=focal, cx=(width - 1) / 2, cy=(height - 1) / 2
        )
        try:
            poses = [plane_pose(lens, board.points_mm(view.ids), view.px) for view in views]
        except WitmarkError:
            continue
        left = _missed(board, views, lens, poses)
        if left < best:
            best, found = left, (lens, poses)
    if found is None or model == "fisheye":
        return found
    lens, poses = found
    return _bent_alike(lens, np.concatenate([view.px for view in views]), model), poses


def _bent_alike(fisheye: Lens, px: Array, model: Model) -> Lens:
    """Return the lens of another model that bends the rays of some pixels nearly as a fisheye does.

    Of equal focal length; xd (1 + k4 r^2 + ...) = x (1 + k1 r^2 + ...) is linear in the terms.
    """
    rays = fisheye.rays(px)[:, :2]
    rays = rays[np.isfinite(rays).all(axis=1)]
    bent = np.stack(fisheye.distortion.bend(rays[:, 0], rays[:, 1]), axis=1)
    r2 = (rays**2).sum(axis=1)[:, None]
    columns = [(rays * r2**power).ravel() for power in (1, 2, 3)]
    if model == "rational":
        columns += [-(bent * r2**power).ravel() for power in (1, 2, 3)]
    terms, *_ = np.linalg.lstsq(np.stack(columns, axis=1), (bent - rays).ravel(), rcond=None)
    parameters = fisheye.parameters.copy()
    parameters[DISTORTION] = 0.0
    for name, term in zip(("k1", "k2", "k3", "k4", "k5", "k6"), terms, strict=False):
        parameters[PARAMETERS[model].index(name)] = term
    return Lens(fisheye.image_size, parameters, np.zeros((COUNT, COUNT)), model)


def _missed(board: Board, views: Sequence[View], lens: Lens, poses: Sequence[Pose]) -> float:
    """Return the sum of squares by which a lens misses the corners; infinite where it folds."""
    left = 0.0
    for view, pose in zip(views, poses, strict=True):
        flat = board.points_mm(view.ids)
        off = lens.project(pose.apply(np.c_[flat, np.zeros(len(flat))])) - view.px
        left += float((off**2).sum())
    return left if math.isfinite(left) else math.inf


def plane_pose(lens: Lens, points_mm: Array, px: Array) -> Pose:
    """Return the pose of (n, 2) points of a plane that fits their pixels best, of its two.

    Infinitesimal plane-based pose (Collins and Bartoli, IJCV 109, 2014) on the rays, by OpenCV.

    Raises
    ------
    WitmarkError
        Where too few pixels have a ray, or they determine no pose.
    """
    import cv2

    rays = lens.rays(px)
    seen = np.isfinite(rays).all(axis=1)
    wrong = WitmarkError("board photos", "do not determine where the board was", "see it whole")
    if seen.sum() < 6:
        raise wrong
    flat = np.c_[points_mm, np.zeros(len(points_mm))][seen]
    try:
        _, rvecs, tvecs, errors = cv2.solvePnPGeneric(
            flat, rays[seen, :2], np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error as error:
        raise wrong from error
    best = int(np.argmin(np.asarray(errors).ravel()))
    return Pose.from_vectors(rvecs[best], tvecs[best])


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
    if not math.isfinite(blocks.cost):
        raise _undetermined(lens.model)
    damping = 1e-6
    for _ in range(100):
        try:
            step_lens, steps = blocks.step(damping)
        except np.linalg.LinAlgError as error:
            raise _undetermined(lens.model) from error
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
    if count <= int(free.sum()) + 6 * len(views):
        raise WitmarkError("board photos", "hold too few corners", "take more photos")
    covariance = np.zeros((COUNT, COUNT))
    try:
        scatter, taken = _scatter(board, views, objects, lens, poses, free, blocks.residuals)
    except np.linalg.LinAlgError as error:
        raise _undetermined(lens.model) from error
    variance = blocks.cost / max(count - taken, 1.0)
    covariance[np.ix_(free, free)] = variance * scatter
    if not (np.isfinite(covariance).all() and (np.diag(covariance)[free] > 0).all()):
        raise _undetermined(lens.model)
    return Solution(
        lens.with_parameters(lens.parameters, covariance),
        poses,
        blocks.residuals,
        math.sqrt(variance),
    )


def _scatter(
    board: Board,
    views: Sequence[View],
    objects: Sequence[Array],
    lens: Lens,
    poses: Sequence[Pose],
    free: Mask,
    residuals: Sequence[Array],
) -> tuple[Array, float]:
    """Return (f, f) covariance of the lens for corners of unit variance, poses marginalised.

    And how many degrees of freedom of the corners lens and poses take up. Neighbouring corners
    err alike (see `ties`).
    """
    count = int(free.sum())
    pairs_of = [board.neighbours(view.ids) for view in views]
    ties = seen(residuals, [view.px for view in views], pairs_of)
    normal, noise, taken = np.zeros((count, count)), np.zeros((count, count)), 0.0
    for view, points, pose, pairs in zip(views, objects, poses, pairs_of, strict=True):
        _, _, per_pose, per_lens = project_with_jacobians(lens, pose, points)
        left = beside_pose(per_lens[:, :, free], per_pose)
        normal += np.einsum("nif,nig->fg", left, left)
        noise += together(left, view.px, pairs, ties)
        own = np.einsum("nip,niq->pq", per_pose, per_pose)
        taken += float(np.trace(np.linalg.solve(own, together(per_pose, view.px, pairs, ties))))
    if not count:
        return noise, taken
    inverse = np.linalg.inv(normal)
    scatter = inverse @ noise @ inverse
    return np.asarray(scatter + scatter.T) / 2, taken + float((inverse * noise).sum())


def beside_pose(per_lens: Array, per_pose: Array) -> Array:
    """Return (n, 2, f) what of a photo's derivatives by the lens its pose does not take up."""
    rows = per_pose.reshape(-1, per_pose.shape[2])
    own = per_lens.reshape(len(rows), per_lens.shape[2])
    follow = np.linalg.solve(rows.T @ rows, rows.T @ own)
    return np.asarray(per_lens - (rows @ follow).reshape(per_lens.shape))


def _undetermined(model: Model) -> WitmarkError:
    return WitmarkError(
        "board photos",
        f"do not determine a lens ({model})",
        "tilt the board different ways, by 20 to 40 degrees",
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
            jl = per_lens[:, :, free].reshape(2 * len(points), count)
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
