"""Fit a lens to the corners of several board photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.errors import WitmarkError
from calibration.lens import COUNT, PARAMETERS, Lens
from calibration.pose import Pose, project_with_jacobians

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MIN_PHOTOS = 3
# A photo whose residuals are this many times those of the middle photo is an outlier, and more
# than this many pixels, so that good photos of a perfect camera are not thrown out.
_OUTLIER_RATIO = 3.0
_OUTLIER_PX = 0.1
# A corner further off than this many robust standard deviations is left out; a photo that would
# lose more than this share of its corners is left out whole.
_CORNER_SIGMAS = 6.0
_CORNER_SHARE = 0.1
# A distortion parameter that is not this many times its standard deviation is not determined.
_DETERMINED = 2.0
_GRID = 4
_MEDIAN_TO_SIGMA = 1.4826
_ROWS = ("upper", "middle", "middle", "lower")
_COLUMNS = ("left", "centre", "centre", "right")


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
class LensFit:
    """A lens with what it came from.

    Attributes
    ----------
    lens
        Parameters with covariance.
    board
        The board of the photos.
    views
        All photos, used and rejected.
    poses
        Camera from board (x right, y down, z into the board) of the used views, in their order.
    rms_px
        Root mean square distance of corners found and projected.
    sigma_px
        Standard deviation of one coordinate, from the residuals and their degrees of freedom.
    coverage
        (4, 4) number of corners per part of the picture.
    """

    lens: Lens
    board: Board
    views: tuple[View, ...]
    poses: tuple[Pose, ...]
    rms_px: float
    sigma_px: float
    coverage: NDArray[np.int64]

    @property
    def used(self) -> tuple[View, ...]:
        """The photos that the lens rests on."""
        return tuple(view for view in self.views if view.why is None)

    @property
    def rejected(self) -> tuple[View, ...]:
        """The photos that were left out, each with its reason."""
        return tuple(view for view in self.views if view.why is not None)

    @property
    def covered_share(self) -> float:
        """Share of the 16 parts of the picture that hold corners."""
        return float((self.coverage > 0).mean())

    @property
    def missing(self) -> tuple[str, ...]:
        """Parts of the picture without corners, in words."""
        return missing_parts(self.coverage)

    @property
    def held(self) -> tuple[str, ...]:
        """Parameters that the photos do not determine and that were held at zero."""
        return tuple(n for n, free in zip(PARAMETERS, self.lens.free, strict=True) if not free)

    def to_json(self, created: str) -> dict[str, Any]:
        """Return the content of the lens file."""
        return {
            "schema": "witmark.lens/1",
            "created": created,
            **self.lens.to_json(),
            "held_at_zero": list(self.held),
            "rms_px": self.rms_px,
            "sigma_px": self.sigma_px,
            "coverage": {
                "share": self.covered_share,
                "grid": self.coverage.tolist(),
                "missing": list(self.missing),
            },
            "board": self.board.to_json(),
            "photos": [
                {
                    "name": view.name,
                    "sha256": view.sha256,
                    "used": view.why is None,
                    "why": view.why,
                    "rms_px": view.rms_px,
                    "corners_left_out": view.dropped,
                    "corners": [
                        [int(number), float(u), float(v)]
                        for number, (u, v) in zip(view.ids, view.px, strict=True)
                    ],
                }
                for view in self.views
            ],
        }


def fit_lens(board: Board, image_size: tuple[int, int], views: Sequence[View]) -> LensFit:
    """Fit pinhole and distortion to all usable photos.

    Photos that do not fit the others are left out by name; distortion terms that the photos do
    not determine are held at zero. The covariance is that of the lens with the poses of the board
    marginalised, from this function's own normal equations and the residual variance. It takes
    the errors of the corners as independent.

    Raises
    ------
    WitmarkError
        Where fewer than 3 photos are left.
    """
    current = list(views)
    while True:
        _need_enough(current)
        used = [i for i, view in enumerate(current) if view.why is None]
        solution = _solve_with_chosen_terms(board, image_size, [current[i] for i in used])
        changed = _reject(current, used, solution)
        if not changed:
            break
    residuals = np.concatenate(solution.residuals)
    corners = np.concatenate([current[i].px for i in used])
    for i, residual in zip(used, solution.residuals, strict=True):
        current[i] = replace(current[i], rms_px=_rms(residual))
    return LensFit(
        lens=solution.lens,
        board=board,
        views=tuple(current),
        poses=tuple(solution.poses),
        rms_px=_rms(residuals),
        sigma_px=solution.sigma_px,
        coverage=coverage_grid(corners, image_size),
    )


def coverage_grid(corners_px: Array, image_size: tuple[int, int]) -> NDArray[np.int64]:
    """Count (n, 2) corners in 4 x 4 equal parts of the picture; row 0 is the top."""
    width, height = image_size
    counts, _, _ = np.histogram2d(
        corners_px[:, 1],
        corners_px[:, 0],
        bins=_GRID,
        range=((-0.5, height - 0.5), (-0.5, width - 0.5)),
    )
    return counts.astype(np.int64)


def missing_parts(grid: NDArray[np.int64]) -> tuple[str, ...]:
    """Name the empty parts of a coverage grid, as "upper left"; each name once."""
    names = []
    for row, column in zip(*np.nonzero(grid == 0), strict=True):
        across, down = _COLUMNS[column], _ROWS[row]
        names.append("centre" if (down, across) == ("middle", "centre") else f"{down} {across}")
    return tuple(dict.fromkeys(names))


@dataclass(frozen=True, eq=False)
class _Solution:
    lens: Lens
    poses: list[Pose]
    residuals: list[Array]  # each (n, 2), found minus projected
    sigma_px: float


def _need_enough(views: Sequence[View]) -> None:
    usable = sum(view.why is None for view in views)
    if usable >= MIN_PHOTOS:
        return
    reasons = "; ".join(f"{view.name}: {view.why}" for view in views if view.why is not None)
    raise WitmarkError(
        "board photos",
        f"only {usable} of {len(views)} can be used, at least {MIN_PHOTOS} are needed"
        + (f" ({reasons})" if reasons else ""),
        "take about 12 sharp photos of the board, tilted different ways, out to the corners",
    )


def _reject(views: list[View], used: Sequence[int], solution: _Solution) -> bool:
    """Mark photos and corners that do not fit the rest; say whether any were."""
    spread = np.array([_rms(residual) for residual in solution.residuals])
    middle = float(np.median(spread))
    worst = int(np.argmax(spread))
    if spread[worst] > max(_OUTLIER_RATIO * middle, middle + _OUTLIER_PX):
        why = (
            f"does not fit the other photos (residual {spread[worst]:.2f} px against {middle:.2f})"
        )
        views[used[worst]] = replace(views[used[worst]], why=why, rms_px=float(spread[worst]))
        return True
    everything = np.concatenate(solution.residuals)
    sigma = _MEDIAN_TO_SIGMA * float(np.median(np.abs(everything)))
    changed = False
    for i, residual in zip(used, solution.residuals, strict=True):
        far = np.abs(residual).max(axis=1) > max(_CORNER_SIGMAS * sigma, _OUTLIER_PX)
        if not far.any():
            continue
        changed = True
        view = views[i]
        lost = view.dropped + int(far.sum())
        if lost > _CORNER_SHARE * (len(view.ids) + view.dropped):
            views[i] = replace(
                view, why=f"{lost} corners do not fit the board", rms_px=_rms(residual)
            )
        else:
            views[i] = replace(view, ids=view.ids[~far], px=view.px[~far], dropped=lost)
    return changed


def _solve_with_chosen_terms(
    board: Board, image_size: tuple[int, int], views: Sequence[View]
) -> _Solution:
    """Fit with all terms, then without those that are lost in their own uncertainty.

    The sixth-power term goes first; the fourth-power one only after it.
    """
    free = np.ones(COUNT, bool)
    solution = _solve(board, views, *_start(board, image_size, views), free)
    for name in ("k3", "k2"):
        index = PARAMETERS.index(name)
        sigma = math.sqrt(solution.lens.covariance[index, index])
        if abs(solution.lens.parameters[index]) > _DETERMINED * sigma:
            break
        free[index] = False
        parameters = np.where(free, solution.lens.parameters, 0.0)
        lens = solution.lens.with_parameters(parameters)
        solution = _solve(board, views, lens, solution.poses, free)
    return solution


def _start(
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


def _solve(
    board: Board, views: Sequence[View], lens: Lens, poses: Sequence[Pose], free: Mask
) -> _Solution:
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
    return _Solution(
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


def _rms(residuals: Array) -> float:
    """Root mean square length of (n, 2) residuals, as OpenCV counts it."""
    return float(np.sqrt((residuals**2).sum(axis=1).mean()))
