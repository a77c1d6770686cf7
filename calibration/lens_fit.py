"""Fit a lens of one distortion model to the corners of several board photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.coverage import coverage_grid, missing_parts
from calibration.distortion import Model
from calibration.errors import WitmarkError
from calibration.lens import COUNT, PARAMETERS, Lens
from calibration.lens_solve import Solution, View, rms_length, solve_lens, start_values
from calibration.pose import Pose

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
# A distortion term is not determined where it is less than this many of its standard deviations
# and leaves the picture's corner uncertain by more than this many pixels.
_DETERMINED = 2.0
_CORNER_PX = 1.0
_MEDIAN_TO_SIGMA = 1.4826
# Terms that may be left out, the last one first, and the power of the radius (fisheye: of the
# field angle) by which each shifts a point. A rational model without its denominator is another.
_POWERS: dict[Model, dict[str, int]] = {
    "brown-conrady": {"k3": 7, "k2": 5},
    "fisheye": {"k4": 9, "k3": 7},
    "rational": {},
}


@dataclass(frozen=True)
class Trial:
    """A distortion model that was tried.

    Attributes
    ----------
    model
        Its name.
    parameters
        How many parameters were free; 0 where the photos do not determine it at all.
    rms_px, held_out_px
        Root mean square distance of corners found and projected: of the photos that it was fitted
        to, and of photos left out of the fit. None where the photos do not determine it, or those
        left out cannot be foretold at all.
    why
        Why it was taken, or not.
    """

    model: Model
    parameters: int
    rms_px: float | None
    held_out_px: float | None
    why: str

    def to_json(self) -> dict[str, Any]:
        """Return the trial as the lens file and the facts hold it."""
        return asdict(self)


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
    trials
        The models that were tried, this one among them.
    """

    lens: Lens
    board: Board
    views: tuple[View, ...]
    poses: tuple[Pose, ...]
    rms_px: float
    sigma_px: float
    coverage: NDArray[np.int64]
    trials: tuple[Trial, ...] = ()

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
        return tuple(
            name for name, free in zip(self.lens.names, self.lens.free, strict=False) if not free
        )

    def to_json(self, created: str) -> dict[str, Any]:
        """Return the content of the lens file."""
        return {
            "schema": "witmark.lens/1",
            "created": created,
            **self.lens.to_json(),
            "held_at_zero": list(self.held),
            "rms_px": self.rms_px,
            "sigma_px": self.sigma_px,
            "models_tried": [trial.to_json() for trial in self.trials],
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


def fit_model(
    board: Board, image_size: tuple[int, int], views: Sequence[View], model: Model
) -> LensFit:
    """Fit pinhole and one model of distortion to all usable photos.

    Photos that do not fit the others are left out by name; distortion terms that the photos do
    not determine are held at zero. The covariance is that of the lens with the poses of the board
    marginalised, from this function's own normal equations, the residual variance and what errors
    of neighbouring corners have in common (`ties`).

    Raises
    ------
    WitmarkError
        Where fewer than 3 photos are left.
    """
    current = list(views)
    while True:
        _need_enough(current)
        used = [i for i, view in enumerate(current) if view.why is None]
        solution = _solve_with_chosen_terms(board, image_size, [current[i] for i in used], model)
        changed = _reject(current, used, solution)
        if not changed:
            break
    residuals = np.concatenate(solution.residuals)
    corners = np.concatenate([current[i].px for i in used])
    for i, residual in zip(used, solution.residuals, strict=True):
        current[i] = replace(current[i], rms_px=rms_length(residual))
    return LensFit(
        lens=solution.lens,
        board=board,
        views=tuple(current),
        poses=tuple(solution.poses),
        rms_px=rms_length(residuals),
        sigma_px=solution.sigma_px,
        coverage=coverage_grid(corners, image_size),
    )


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


def _reject(views: list[View], used: Sequence[int], solution: Solution) -> bool:
    """Mark photos and corners that do not fit the rest; say whether any were."""
    spread = np.array([rms_length(residual) for residual in solution.residuals])
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
                view, why=f"{lost} corners do not fit the board", rms_px=rms_length(residual)
            )
        else:
            views[i] = replace(view, ids=view.ids[~far], px=view.px[~far], dropped=lost)
    return changed


def _solve_with_chosen_terms(
    board: Board, image_size: tuple[int, int], views: Sequence[View], model: Model
) -> Solution:
    """Fit with all terms, then without those that are lost in their own uncertainty.

    The term of the highest power goes first; the one before it only after it.
    """
    names = PARAMETERS[model]
    free = np.arange(COUNT) < len(names)
    solution = solve_lens(board, views, *start_values(board, image_size, views, model), free)
    for name, power in _POWERS[model].items():
        index = names.index(name)
        sigma = math.sqrt(solution.lens.covariance[index, index])
        certain = abs(solution.lens.parameters[index]) > _DETERMINED * sigma
        if certain or sigma * _corner_px_per_unit(solution.lens, power) < _CORNER_PX:
            break
        free[index] = False
        parameters = np.where(free, solution.lens.parameters, 0.0)
        lens = solution.lens.with_parameters(parameters)
        solution = solve_lens(board, views, lens, solution.poses, free)
    return solution


def _corner_px_per_unit(lens: Lens, power: int) -> float:
    """Return how far a radial term of this power shifts the picture's farthest corner, per unit."""
    width, height = lens.image_size
    fx, fy, cx, cy = lens.parameters[:4]
    radius = math.hypot(max(cx, width - 1 - cx) / fx, max(cy, height - 1 - cy) / fy)
    return float(max(fx, fy) * radius**power)
