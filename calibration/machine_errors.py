"""The machine's own errors, as a burned target shows them: reversal, scale, squareness."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.bed import FORM, Bed
from calibration.bed_fit import BedFit
from calibration.bed_solve import BoardObservation, Solution
from calibration.errors import WitmarkError
from calibration.machine import MachineAxes
from calibration.plane import PlaneSurface
from calibration.quantity import K95, Quantity
from calibration.target import Target

Array = NDArray[np.float64]

# Parameters of lens, pose and form, that have taken their share of the crosses' scatter.
_FITTED = 17
# Means over many crosses are no better than this: what finders of strokes themselves err by (as of
# corners: common practice, no source). Without it 69 of 80 simulated reversals lay within U95.
_HALF_REVERSAL_PX = 0.0075
# Crosses approached from either side that a reversal is told by, at least.
_LEAST_WAYS = 3
# What is left of neighbouring crosses is alike by chance up to so many standard deviations, and a
# share of it below this does no harm.
_ALIKE_SIGMAS, _ALIKE_SHARE = 4.0, 0.3


def pixel_mm(camera: Bed | Solution, bed_mm: Array, height_mm: float) -> float:
    """Return how long a pixel is at a (2,) bed place at a height, mm."""
    ends = np.c_[bed_mm + np.array([[-0.5, 0.0], [0.5, 0.0]]), np.full(2, height_mm)]
    u, v = camera.lens.project(camera.pose.apply(ends))
    return 1.0 / max(float(np.linalg.norm(v - u)), 1e-6)


def reversal_of(
    target: Target, axes: MachineAxes, fit: BedFit, observations: Sequence[BoardObservation]
) -> tuple[tuple[Quantity, Quantity], tuple[float, float]]:
    """Return the reversal along the machine's axes, and what is left beside it (rms, mm)."""
    off, sign = [], []
    places, height = axes.bed_from_machine(target.crosses_mm), observations[0].place.height_mm
    pixel = pixel_mm(fit.bed, places.mean(axis=0), height)
    for observation in observations:
        away = _away(target, axes, fit.bed, observation)
        near = np.abs(away - np.median(away, axis=0)).max(axis=1) < 6 * max(
            float(np.median(np.abs(away))), 1e-3
        )
        off.append(away[near])
        sign.append(target.approach[observation.ids][near])
    away, way = np.concatenate(off), np.concatenate(sign)
    if min((way > 0).sum(), (way < 0).sum()) < _LEAST_WAYS:
        raise WitmarkError(
            observations[0].name,
            f"shows too few crosses of the target ({len(way)} in place)",
            "burn it stronger, or come nearer and light it evenly",
        )
    design = np.c_[way, np.ones(len(way))]
    slopes, *_ = np.linalg.lstsq(design, away, rcond=None)
    rest = away - design @ slopes
    # Lens, pose and form have taken their share of both coordinates together.
    rms = np.sqrt((rest**2).sum(axis=0) / (len(way) - 2 - _FITTED / 2))
    sigma = rms * np.sqrt(np.linalg.inv(design.T @ design)[0, 0])
    # Repeated photos of one burn share what the machine did.
    sigma *= np.sqrt(len(observations))
    sigma = np.hypot(sigma, _HALF_REVERSAL_PX * pixel)
    x, y = (
        Quantity(2 * float(b), 2 * K95 * float(s)) for b, s in zip(slopes[0], sigma, strict=True)
    )
    return (x, y), (float(rms[0]), float(rms[1]))


def form_of(bed: Bed, axes: MachineAxes) -> tuple[Quantity, Quantity]:
    """Return stretch (per cent) and skew (degrees) along the machine's own axes."""
    turn = np.array(axes.axes, float)
    # Either changes at most its sign between the bed's axes and the machine's.
    machine = turn.T @ bed.square @ turn
    stretch, skew = machine[0, 0] - machine[1, 1], 2 * machine[0, 1]
    sigma = np.sqrt(np.diag(bed.covariance[FORM, FORM]))
    return (
        Quantity.from_sigma(100 * float(stretch), 100 * float(sigma[0])),
        Quantity.from_sigma(math.degrees(float(skew)), math.degrees(float(sigma[1]))),
    )


def axes_notes(axes: MachineAxes) -> list[str]:
    """Say so where the machine's axes are mirrored against the bed's."""
    (xx, xy), (yx, yy) = axes.axes
    if (xx * yy - xy * yx) == 1:
        return []
    return [
        "the machine's axes are mirrored against the bed: its Y counts toward you, or its X to the "
        "left; if it does not, the camera's program flips the picture (is print in it mirrored?)"
    ]


def uneven_notes(
    target: Target,
    axes: MachineAxes,
    bed: Bed,
    observations: Sequence[BoardObservation],
    reversal: tuple[Quantity, Quantity],
    left_mm: tuple[float, float],
) -> list[str]:
    """Say so where what is left of neighbouring crosses is alike along both axes.

    Noise and grain are alike along one axis at most; a sheet that is not flat, or a lens that bends
    otherwise than the model can, shifts a neighbourhood along both.
    """
    half = np.array([(q.value or 0.0) / 2 for q in reversal])
    columns = len(target.columns_mm)
    alike: list[float] = []
    for observation in observations:
        away = np.full((len(target.crosses_mm), 2), np.nan)
        away[observation.ids] = _away(target, axes, bed, observation)
        away -= target.approach[:, None] * half
        grid = away.reshape(-1, columns, 2) / np.array(left_mm)
        grid[np.abs(grid) > 5] = np.nan
        pairs = [
            (grid[:, :-1] * grid[:, 1:]).reshape(-1, 2),
            (grid[:-1] * grid[1:]).reshape(-1, 2),
        ]
        products = np.concatenate(pairs)
        told = products[np.isfinite(products).all(axis=1)]
        if len(told):
            share = told.mean(axis=0)
            if (share * math.sqrt(len(told)) > _ALIKE_SIGMAS).all():
                alike.append(float(share.min()))
    if not alike or min(alike) < _ALIKE_SHARE:
        return []
    return [
        f"what is left of the crosses ({max(left_mm):.2f} mm) hangs together over the sheet: it "
        "does not lie flat, or the lens bends otherwise than the model can; press the sheet flat "
        "and photograph it again"
    ]


def _away(target: Target, axes: MachineAxes, bed: Bed, observation: BoardObservation) -> Array:
    """Return (n, 2) found minus told machine places of the crosses of a photo, mm."""
    surface = PlaneSurface(bed, observation.place.height_mm)
    found = axes.machine_from_bed(surface.mm_from_px(observation.px))
    return found - target.crosses_mm[observation.ids]
