"""Solve the bed from a burned target: the map in the machine's own millimetres, and its errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed
from calibration.bed_fit import LOOSE, BedFit, solve_bed
from calibration.bed_solve import BoardObservation, Pattern, Solution, solve_places, start_pose
from calibration.errors import WitmarkError
from calibration.form import form_matrix
from calibration.lens import PARAMETERS, Lens
from calibration.machine import MachineAxes
from calibration.machine_errors import (
    axes_notes,
    form_of,
    pixel_mm,
    reversal_of,
    uneven_notes,
)
from calibration.plane import PlaneSurface
from calibration.quantity import Quantity
from calibration.target import Burned, Target
from calibration.target_detect import SeenMarks, Top, ToPixels, find_marks, measure_crosses

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

# What webcams are like (common practice, no source): 50 to 110 degrees wide, square pixels, the
# lens over the middle of the picture.
_FOCAL_WIDTHS = (0.62, 0.25)
_ASPECT = 0.001
_CENTRE_WIDTHS = 0.02
_DISTORTION = {"k1": 0.2, "k2": 0.2, "p1": 0.002, "p2": 0.002, "k3": 0.1}
# Starts of the search for a lens that nothing is known of.
_FOCALS = (0.35, 0.45, 0.55, 0.7, 0.9, 1.2)
_BENDS = (-0.3, -0.15, 0.0, 0.1)
# How far a cross may lie from where the coded marks put it, as a share of the pitch; and then.
_FAR, _NEAR_PX = 0.15, 1.5
_LEAST_CROSSES = 12
_ROUNDS = 3
# Corners of marks lie within this share of their side of where they were burned, even on grain.
_MARKS_OFF = 0.06


@dataclass(frozen=True, eq=False)
class TargetFit:
    """A bed solved from a burned target.

    Attributes
    ----------
    fit
        The bed, with the machine's axes, and its residuals.
    axes
        The machine's axes against the bed.
    reversal_mm
        Of the machine's X and Y: mean place of strokes approached by a rising coordinate less that
        of those approached by a falling one (in the words of ISO 230-2: reversal value; this is no
        certificate).
    stretch_percent
        Length that the machine travels for one of its millimetres, along its X against its Y.
    skew_deg
        By how much its Y leans from square toward its X.
    left_mm
        Root mean square of what the map and the reversal leave of a cross's place along X and Y:
        the machine's repeatability, the sheet's flatness and the camera's noise together.
    photos, crosses
        The photos that show it, and how many crosses each.
    notes
        What the user should know, one line each.
    """

    fit: BedFit
    axes: MachineAxes
    reversal_mm: tuple[Quantity, Quantity]
    stretch_percent: Quantity
    skew_deg: Quantity
    left_mm: tuple[float, float]
    photos: tuple[str, ...]
    crosses: tuple[int, ...]
    notes: tuple[str, ...]


def usual_lens(size: tuple[int, int]) -> Lens:
    """Return what is known beforehand of any webcam's lens, as a lens with a wide covariance."""
    width, height = size
    focal, spread = (share * width for share in _FOCAL_WIDTHS)
    sigma = np.array([0.0, 0.0, *[_CENTRE_WIDTHS * width] * 2, *_DISTORTION.values()])
    covariance = np.diag(sigma**2)
    # fx and fy differ by little, whatever they are.
    covariance[:2, :2] = spread**2 + np.diag([0.0, (_ASPECT * focal) ** 2])
    return Lens.from_values(
        size, covariance, fx=focal, fy=focal, cx=(width - 1) / 2, cy=(height - 1) / 2
    )


def solve_target(
    target: Target,
    lens: Lens | None,
    captures: Sequence[tuple[str, Grey]],
    height_mm: float,
    created: str,
    top: Top = "away",
    hangs: tuple[float, float] | None = None,
) -> TargetFit:
    """Solve the bed from photos of a burned target by one camera that stands still.

    Parameters
    ----------
    lens
        The measured lens; None: lens and pose are solved together from what is usual of webcams, as
        far as the photos carry it. What they do not tell is in the covariance.
    captures
        Names and (h, w) grey pictures, all of one size.
    height_mm
        Height of the burned face above the bed.
    top
        Where the picture's upper edge lies, seen by the operator.
    hangs
        How high the camera hangs over the bed (mm), and the standard uncertainty of that.

    Raises
    ------
    WitmarkError
        Where the target is not found, or the photos contradict each other.
    """
    size = (captures[0][1].shape[1], captures[0][1].shape[0])
    known = lens or usual_lens(size)
    seen = [(name, grey, find_marks(grey, target, top)) for name, grey in captures]
    notes = [f"{name} is not used: {marks.why}" for name, _, marks in seen if marks.why]
    usable = [(name, grey, marks) for name, grey, marks in seen if marks.why is None]
    if not usable:
        name, _, marks = seen[0]
        raise WitmarkError(name, marks.why or "", "lay the sheet flat, in even light, all in view")
    axes = usable[0][2].axes
    for name, _, marks in usable:
        if marks.axes != axes:
            raise WitmarkError(
                name,
                f"shows the target otherwise turned than {usable[0][0]}",
                "give photos of one camera that stands still over a sheet that does",
            )
    burned = Burned(axes.bed_from_machine(target.crosses_mm), height_mm)
    camera = _from_marks(target, axes, usable, known, height_mm, lens is None, hangs)
    pitch = min(float(np.diff(line).min()) for line in (target.columns_mm, target.rows_mm))
    reach = max(
        4 * _NEAR_PX, _FAR * pitch / pixel_mm(camera, burned.bed_mm.mean(axis=0), height_mm)
    )
    uneven = np.ones(2)
    observations: list[BoardObservation] = []
    for _ in range(_ROUNDS):
        to_pixels = _pixels_of(camera, axes, height_mm)
        observations = [
            _observed(target, burned, name, grey, marks.lighter, to_pixels, reach, uneven)
            for name, grey, marks in usable
        ]
        fit = _solved(known, burned, observations, created, lens is None, camera.lens, hangs)
        camera, reach = fit.bed, _NEAR_PX
        # Grain that runs along one of the strokes makes the other coordinate less sure.
        reversal, left = reversal_of(target, axes, fit, observations)
        uneven = np.sqrt(np.array([left[0] / left[1], left[1] / left[0]]))
    # The machine's reversal is the machine's, not the bed's: the map lies between both ways.
    half = np.array([(q.value or 0.0) / 2 for q in reversal])
    moved = target.crosses_mm + target.approach[:, None] * half
    burned = replace(burned, bed_mm=axes.bed_from_machine(moved))
    fit = _solved(known, burned, observations, created, lens is None, camera.lens, hangs)
    bed = replace(fit.bed, machine=axes, id="")
    reversal, left = reversal_of(target, axes, fit, observations)
    notes += axes_notes(axes)
    notes += uneven_notes(target, axes, bed, observations, reversal, left)
    if lens is None:
        notes.append(_lens_note(bed, height_mm))
    crosses = tuple(len(o.ids) for o in observations)
    photos = tuple(o.name for o in observations)
    stretch, skew = form_of(bed, axes)
    return TargetFit(
        replace(fit, bed=bed), axes, reversal, stretch, skew, left, photos, crosses, tuple(notes)
    )


def _observed(
    target: Target,
    burned: Burned,
    name: str,
    grey: Grey,
    lighter: bool,
    to_pixels: ToPixels,
    reach_px: float,
    uneven: Array,
) -> BoardObservation:
    """Measure the crosses of one photo; `uneven` (2,) is how unsure machine X and Y are."""
    found = measure_crosses(grey, target, lighter, to_pixels, reach_px)
    if len(found.ids) < _LEAST_CROSSES:
        raise WitmarkError(
            name,
            f"shows {len(found.ids)} of {len(burned.bed_mm)} crosses; {_LEAST_CROSSES} are needed",
            "burn the target stronger, or come nearer and light it evenly",
        )
    return BoardObservation(name, found.ids, found.px, burned.place, found.across / uneven[:, None])


def _solved(
    known: Lens,
    burned: Burned,
    observations: Sequence[BoardObservation],
    created: str,
    any_lens: bool,
    start: Lens,
    hangs: tuple[float, float] | None,
) -> BedFit:
    return solve_bed(
        known,
        burned,
        observations,
        created=created,
        # A lens of which only the usual is known is loose already.
        loose=1.0 if any_lens else LOOSE,
        start=start if any_lens else None,
        with_form=True,
        hangs=hangs,
    )


def _from_marks(
    target: Target,
    axes: MachineAxes,
    usable: Sequence[tuple[str, Grey, SeenMarks]],
    known: Lens,
    height_mm: float,
    find_start: bool,
    hangs: tuple[float, float] | None,
) -> Bed | Solution:
    """Return lens and pose as the coded marks tell them: near enough to find the crosses."""
    numbers = sorted(target.markers_mm)
    corners = np.concatenate([target.marker_corners_mm(number) for number in numbers])
    pattern = Burned(axes.bed_from_machine(corners), height_mm)
    observations = []
    for name, _, marks in usable:
        own = [k for k, number in enumerate(numbers) if number in marks.px]
        ids = np.concatenate([4 * k + np.arange(4) for k in own])
        px = np.concatenate([marks.px[numbers[k]] for k in own])
        observations.append(BoardObservation(name, ids, px, pattern.place))
    start = _start_lens(known, pattern, observations) if find_start else None
    kept = [np.ones(len(o.ids), bool) for o in observations]
    found = solve_places(
        known, pattern, observations, [pattern.place], kept, None, start, hangs=hangs
    )
    pixel = pixel_mm(found, pattern.bed_mm.mean(axis=0), height_mm)
    for observation, residual in zip(observations, found.residuals, strict=True):
        off = pixel * float(np.sqrt((residual**2).sum(axis=1).mean()))
        if off > max(_MARKS_OFF * target.marker_mm, pixel):
            raise WitmarkError(
                observation.name,
                f"the coded marks do not lie to each other as the file says (off by {off:.1f} mm)",
                "give the file that was written with this target; burn it again if the sheet moved",
            )
    return found


def _start_lens(known: Lens, pattern: Pattern, observations: Sequence[BoardObservation]) -> Lens:
    """Return the lens of a coarse grid of focal lengths and bends that fits the points best."""
    points = np.concatenate([o.place.bed_points(pattern.points_mm(o.ids)) for o in observations])
    px = np.concatenate([o.px for o in observations])
    best, best_lens = np.inf, known
    for focal in _FOCALS:
        for bend in _BENDS:
            values = known.parameters.copy()
            values[:2] = focal * known.image_size[0]
            values[PARAMETERS.index("k1")] = bend
            lens = known.with_parameters(values)
            try:
                pose = start_pose(lens, pattern, observations)
            except WitmarkError:
                continue
            off = lens.project(pose.apply(points)) - px
            rms = float(np.sqrt((off**2).sum(axis=1).mean()))
            if np.isfinite(rms) and rms < best:
                best, best_lens = rms, lens
    return best_lens


def _pixels_of(camera: Bed | Solution, axes: MachineAxes, height_mm: float) -> ToPixels:
    square = form_matrix(np.array(camera.form))

    def to_pixels(machine_mm: Array) -> Array:
        bed = axes.bed_from_machine(machine_mm) @ square.T
        return camera.lens.project(camera.pose.apply(np.c_[bed, np.full(len(bed), height_mm)]))

    return to_pixels


def _lens_note(bed: Bed, height_mm: float) -> str:
    """Say what one place of a target cannot tell of a lens: the map at other heights."""
    left, low, right, high = bed.field_mm
    corners = np.array([[left, low], [right, low], [left, high], [right, high]])
    own, above = (
        float(PlaneSurface(bed, height_mm + rise).calibration_u95_mm(corners).max())
        for rise in (0.0, 10.0)
    )
    return (
        "lens and camera were solved together from the target: at its own height places are known "
        f"to {own:.2f} mm (95 %, worst corner), 10 mm above it to {above:.2f} mm; a lens file "
        "(--lens) or the camera's height by a tape (--camera-height) makes other heights better"
    )
