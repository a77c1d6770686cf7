"""Solve the bed from a burned target: the map in the machine's own millimetres, and its errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.any_lens import Missed, by_best_lens, foretold, lens_note, start_of
from calibration.bed import Bed
from calibration.bed_fit import LOOSE, BedFit, solve_bed
from calibration.bed_solve import BoardObservation, Solution, Start, solve_places
from calibration.errors import WitmarkError
from calibration.form import form_matrix
from calibration.lens import Lens
from calibration.machine import MachineAxes
from calibration.machine_errors import (
    axes_notes,
    form_of,
    pixel_mm,
    reversal_of,
    uneven_notes,
)
from calibration.quantity import Quantity
from calibration.target import Burned, Target
from calibration.target_detect import SeenMarks, Top, ToPixels, find_marks, measure_crosses

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

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
    scene = _Scene(target, axes, usable, height_mm, created, hangs)
    if lens is not None:
        solved = _solve(scene, lens, any_lens=False)
    else:
        solved = _solve_any_lens(scene, size)
    fit, observations = solved.fit, solved.observations
    reversal, left = reversal_of(target, axes, fit, observations)
    notes += axes_notes(axes)
    notes += uneven_notes(target, axes, fit.bed, observations, reversal, left)
    if lens is None:
        notes.append(lens_note(fit.bed, height_mm))
    crosses = tuple(len(o.ids) for o in observations)
    photos = tuple(o.name for o in observations)
    stretch, skew = form_of(fit.bed, axes)
    return TargetFit(fit, axes, reversal, stretch, skew, left, photos, crosses, tuple(notes))


@dataclass(frozen=True, eq=False)
class _Scene:
    """What does not depend on the lens.

    Attributes
    ----------
    target, axes
        What was burned, and how the machine's axes lie.
    usable
        Photos that show it: name, grey picture, coded marks.
    height_mm, created, hangs
        As in `solve_target`.
    """

    target: Target
    axes: MachineAxes
    usable: Sequence[tuple[str, Grey, SeenMarks]]
    height_mm: float
    created: str
    hangs: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class _Solved:
    """A bed, and the crosses that it rests on: where they were burned, and where they are seen."""

    fit: BedFit
    burned: Burned
    observations: Sequence[BoardObservation]


def _solve_any_lens(scene: _Scene, size: tuple[int, int]) -> _Solved:
    """Return the bed by the kind of lens that foretells crosses left out better."""

    def miss(known: Lens, one: _Solved) -> Missed:
        return foretold(known, one.burned, one.observations, one.fit.bed, True, scene.hangs)

    return by_best_lens(size, lambda known: _solve(scene, known, any_lens=True), miss)


def _solve(scene: _Scene, known: Lens, any_lens: bool) -> _Solved:
    """Return the bed by a lens that is known more or less."""
    target, axes, usable, height_mm = scene.target, scene.axes, scene.usable, scene.height_mm
    created, hangs = scene.created, scene.hangs
    burned = Burned(axes.bed_from_machine(target.crosses_mm), height_mm)
    camera = _from_marks(target, axes, usable, known, height_mm, any_lens, hangs)
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
        fit = _fitted(
            known, burned, observations, created, any_lens, Start(camera.lens, camera.pose), hangs
        )
        camera, reach = fit.bed, _NEAR_PX
        # Grain that runs along one of the strokes makes the other coordinate less sure.
        reversal, left = reversal_of(target, axes, fit, observations)
        uneven = np.sqrt(np.array([left[0] / left[1], left[1] / left[0]]))
    # The machine's reversal is the machine's, not the bed's: the map lies between both ways.
    half = np.array([(q.value or 0.0) / 2 for q in reversal])
    moved = target.crosses_mm + target.approach[:, None] * half
    burned = replace(burned, bed_mm=axes.bed_from_machine(moved))
    fit = _fitted(
        known, burned, observations, created, any_lens, Start(camera.lens, camera.pose), hangs
    )
    fit = replace(fit, bed=replace(fit.bed, machine=axes, id=""))
    return _Solved(fit, burned, observations)


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


def _fitted(
    known: Lens,
    burned: Burned,
    observations: Sequence[BoardObservation],
    created: str,
    any_lens: bool,
    start: Start,
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
    start = start_of(known, pattern, observations) if find_start else None
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


def _pixels_of(camera: Bed | Solution, axes: MachineAxes, height_mm: float) -> ToPixels:
    square = form_matrix(np.array(camera.form))

    def to_pixels(machine_mm: Array) -> Array:
        bed = axes.bed_from_machine(machine_mm) @ square.T
        return camera.lens.project(camera.pose.apply(np.c_[bed, np.full(len(bed), height_mm)]))

    return to_pixels
