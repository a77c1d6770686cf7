"""A lens that nothing is known of but what lenses are usually like: ordinary, or a fisheye."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed
from calibration.bed_fit import BedFit, solve_bed
from calibration.bed_solve import BoardObservation, Pattern, Start, solve_places, start_pose
from calibration.board import Board
from calibration.distortion import Model
from calibration.errors import WitmarkError
from calibration.held_out import surely_better
from calibration.lens import Lens
from calibration.plane import PlaneSurface

Array = NDArray[np.float64]
T = TypeVar("T")
# Squared distance (px^2) by which each point was missed, by photo and number of the point.
Missed = dict[tuple[int, int], float]

# What webcams are like (common practice, no source): square pixels, the lens over the middle of the
# picture.
_ASPECT = 0.001
_CENTRE_WIDTHS = 0.02


@dataclass(frozen=True)
class _Usual:
    """What is known beforehand of lenses of one model.

    Attributes
    ----------
    focal_widths
        Focal length and its standard uncertainty, in widths of the picture.
    distortion
        Standard uncertainty of the model's coefficients about none.
    bends
        First coefficients that the search for a lens starts from.
    """

    focal_widths: tuple[float, float]
    distortion: tuple[float, ...]
    bends: tuple[float, ...]


# Ordinary lenses are 50 to 110 degrees wide, fisheyes 80 to 150 (common practice, no source).
_USUAL: dict[Model, _Usual] = {
    "brown-conrady": _Usual((0.62, 0.25), (0.2, 0.2, 0.002, 0.002, 0.1), (-0.3, -0.15, 0.0, 0.1)),
    "fisheye": _Usual((0.5, 0.2), (0.1, 0.05, 0.02, 0.01), (-0.05, 0.0, 0.08)),
}
# Starts of the search for a lens.
_FOCALS = (0.35, 0.45, 0.55, 0.7, 0.9, 1.2)
# Points are left out of a fit by turns, in so many parts. One photo holds less than twelve: of 9
# simulated ordinary lenses (even seeds) none was foretold better as a fisheye by 1.3 standard
# errors; of 9 fisheyes 7 were, by 1.6 or more, and the others came out alike by either.
_FOLDS = 4
_SURELY = 1.5
# Squared distance, in medians, beyond which a point is missed by no fault of the lens.
_WILD = 16.0


def usual_lenses(size: tuple[int, int]) -> tuple[Lens, ...]:
    """Return what is known beforehand of any webcam's lens, as lenses with a wide covariance.

    One of each model, the ordinary one first.
    """
    width, height = size
    lenses = []
    for model, usual in _USUAL.items():
        focal, spread = (share * width for share in usual.focal_widths)
        sigma = np.array([0.0, 0.0, *[_CENTRE_WIDTHS * width] * 2, *usual.distortion])
        covariance = np.diag(sigma**2)
        # fx and fy differ by little, whatever they are.
        covariance[:2, :2] = spread**2 + np.diag([0.0, (_ASPECT * focal) ** 2])
        middle = {"cx": (width - 1) / 2, "cy": (height - 1) / 2}
        lenses.append(Lens.from_values(size, covariance, model, fx=focal, fy=focal, **middle))
    return tuple(lenses)


def solve_bed_any_lens(
    board: Board,
    observations: Sequence[BoardObservation],
    size: tuple[int, int],
    *,
    created: str,
    at_u_mm: float | None = None,
    turn_u_deg: float | None = None,
    hangs: tuple[float, float] | None = None,
) -> BedFit:
    """Solve the bed from a printed board without a lens file, as far as the photos carry it.

    By the kind of lens that foretells corners left out better; an ordinary one wins a tie. What the
    photos do not tell of lens and pose is in the covariance. Parameters are those of `solve_bed`.

    Raises
    ------
    WitmarkError
        Where no lens goes with the corners.
    """

    def solve(known: Lens) -> BedFit:
        return solve_bed(
            known,
            board,
            observations,
            created=created,
            at_u_mm=at_u_mm,
            turn_u_deg=turn_u_deg,
            # A lens of which only the usual is known is loose already.
            loose=1.0,
            start=start_of(known, board, observations),
            hangs=hangs,
        )

    def miss(known: Lens, fit: BedFit) -> Missed:
        return foretold(known, board, observations, fit.bed, False, hangs)

    return by_best_lens(size, solve, miss)


def by_best_lens(
    size: tuple[int, int], solve: Callable[[Lens], T], miss: Callable[[Lens, T], Missed]
) -> T:
    """Return what is solved by the kind of lens that foretells points left out better.

    An ordinary lens wins a tie; one that nothing is solved by is out.

    Parameters
    ----------
    size
        Width and height of the picture.
    solve, miss
        The solution by what is known of a lens beforehand (WitmarkError where there is none), and
        by how much it misses points left out.
    """
    solved: list[T] = []
    missed: list[Missed] = []
    refused: list[WitmarkError] = []
    for known in usual_lenses(size):
        try:
            one = solve(known)
        except WitmarkError as error:
            refused.append(error)
            continue
        solved.append(one)
        missed.append(miss(known, one))
    if not solved:
        raise refused[0]
    return solved[_best_foretold(missed)]


def lens_note(bed: Bed, height_mm: float) -> str:
    """Say what photos of one plane cannot tell of a lens: the map at other heights."""
    left, low, right, high = bed.field_mm
    corners = np.array([[left, low], [right, low], [left, high], [right, high]])
    own, above = (
        float(PlaneSurface(bed, height_mm + rise).calibration_u95_mm(corners).max())
        for rise in (0.0, 10.0)
    )
    return (
        "lens and camera were solved together: at the height of what was photographed places are "
        f"known to {own:.2f} mm (95 %, worst corner of it), 10 mm above it to {above:.2f} mm; a "
        "lens file (--lens) or the camera's height by a tape (--camera-height) makes other heights "
        "better"
    )


def start_of(known: Lens, pattern: Pattern, observations: Sequence[BoardObservation]) -> Start:
    """Return the camera of a coarse grid of focal lengths and bends that fits the points best."""
    first = [o for o in observations if o.place == observations[0].place]
    points = np.concatenate([o.place.bed_points(pattern.points_mm(o.ids)) for o in first])
    px = np.concatenate([o.px for o in first])
    best, found = np.inf, Start(known)
    for focal in _FOCALS:
        for bend in _USUAL[known.model].bends:
            values = known.parameters.copy()
            values[:2] = focal * known.image_size[0]
            values[known.names.index("k1")] = bend
            lens = known.with_parameters(values)
            try:
                pose = start_pose(lens, pattern, first)
            except WitmarkError:
                continue
            off = lens.project(pose.apply(points)) - px
            rms = float(np.sqrt((off**2).sum(axis=1).mean()))
            if np.isfinite(rms) and rms < best:
                best, found = rms, Start(lens, pose)
    return found


def foretold(
    known: Lens,
    pattern: Pattern,
    observations: Sequence[BoardObservation],
    bed: Bed,
    with_form: bool,
    hangs: tuple[float, float] | None,
) -> Missed:
    """Return by how much points left out of the fit of a bed are missed.

    Nothing where the others do not determine lens and pose.

    Parameters
    ----------
    known
        What was known of the lens beforehand.
    pattern, observations, with_form, hangs
        What `bed` was solved from, and how (`solve_places`).
    """
    places = list(dict.fromkeys(observation.place for observation in observations))
    near = _near(pattern, observations, bed)
    missed = {}
    for fold in range(_FOLDS):
        kept = [own & (o.ids % _FOLDS != fold) for o, own in zip(observations, near, strict=True)]
        start = Start(bed.lens, bed.pose)
        try:
            rest = solve_places(
                known, pattern, observations, places, kept, bed.sigma_px, start, with_form, hangs
            )
        except WitmarkError:
            return {}
        for photo, (o, residual) in enumerate(zip(observations, rest.residuals, strict=True)):
            out = o.ids % _FOLDS == fold
            for number, off in zip(o.ids[out], residual[out], strict=True):
                missed[photo, int(number)] = float(off @ off)
    return missed


def _near(
    pattern: Pattern, observations: Sequence[BoardObservation], bed: Bed
) -> list[NDArray[np.bool_]]:
    """Return by photo which points lie where the bed says, as near as most do."""
    away = []
    for o in observations:
        points = o.place.bed_points(pattern.points_mm(o.ids))
        seen = bed.px_from_mm(points[:, :2], o.place.height_mm)
        away.append(np.abs(o.px - seen).max(axis=1))
    usual = float(np.median(np.concatenate(away)))
    return [off < math.sqrt(_WILD) * usual for off in away]


def _best_foretold(tried: Sequence[Missed]) -> int:
    """Return which of several lenses foretells points best; an earlier one wins a tie."""
    best = 0
    for number in range(1, len(tried)):
        new, old = tried[number], tried[best]
        both = sorted(set(new) & set(old))
        if not both:
            best = number if new and not old else best
            continue
        missed = np.array([[each[k] for k in both] for each in (new, old)])
        # None counts for more than noise makes it: it may lie on a scratch.
        missed = np.minimum(missed, _WILD * np.median(missed))
        if surely_better(missed[0], missed[1], sigmas=_SURELY):
            best = number
    return best
