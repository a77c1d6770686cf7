"""What the camera did since its calibration, told from the reference marks of a capture."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed, BedMark
from calibration.camera_fit import SHIFT, ZOOM, CameraFit, fit_camera
from calibration.crop import cropped_camera, pose_explains, window_px
from calibration.marks import MIN_MARKS, detect_marks, detect_near
from calibration.quantity import K95, Quantity

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

# 99.9 % quantiles of chi-square with 1 and 6 degrees of freedom.
_CHI2_1, _CHI2_6 = 10.828, 22.458
# A mark that is further off than this many standard deviations from where the others put it has
# itself been moved.
_MARK_SIGMAS = 6.0
# Three marks are explained by a pose, whatever the focal length.
_MARKS_FOR_FOCAL = 4
# 99.5 % quantile of chi-square with 1 degree of freedom.
_HINT = 7.88
# Only a camera that went straight along its axis looks like a refocus: another focal length then
# leaves no more than this share of what happened to the marks.
_FOCAL_LEAVES = 0.01


@dataclass(frozen=True)
class Refocus:
    """A focal length that changed since the calibration.

    Attributes
    ----------
    confidence
        "sure" where no movement of the camera explains the marks; "likely" where an unlikely one
        does.
    focal_percent
        How much longer the focal length is than calibrated.
    also_moved
        Whether the camera moved, too.
    rivals
        What else would explain the marks.
    cropped
        Whether the picture was cropped or zoomed to its size again, and no lens moved.
    """

    confidence: Literal["sure", "likely"]
    focal_percent: Quantity
    also_moved: bool
    rivals: tuple[str, ...] = ()
    cropped: bool = False


@dataclass(frozen=True)
class CameraMoved:
    """Whether and how far the camera moved against the calibration, or refocused.

    Attributes
    ----------
    moved
        True, False, or None where it could not be told. A camera that only refocused did not move.
    corrected
        Whether the capture's map was re-solved.
    marks_seen
        Number of reference marks that were used.
    shift_mm, shift_px
        Largest apparent shift over the calibrated part of the bed.
    note
        One plain sentence.
    refocus
        How the focal length changed, or None where nothing says that it did.
    """

    moved: bool | None
    corrected: bool
    marks_seen: int
    shift_mm: Quantity
    shift_px: Quantity
    note: str
    refocus: Refocus | None = None


def resolve_camera(bed: Bed, grey: Grey) -> tuple[Bed, CameraMoved]:
    """Re-solve the camera for one capture from the reference marks in view.

    Returns the bed for this capture and what was seen. A motion within the noise of the marks is
    not called one: the calibration's camera is kept, and that motion and the noise of the check go
    into the tracking covariance, as the noise does where the camera was corrected.

    The focal length is solved with the pose where a pose alone surely does not explain the marks
    and the two together do; alone where it explains them as well as a pose does. Elsewhere it
    stays as calibrated, and what it may have changed unseen goes into the covariance. A picture
    that is a part of the calibration's is told where no pose explains it.
    """
    if not bed.marks:
        return bed, _cannot_tell(0, "the bed file holds no reference marks")
    px = detect_near(bed, grey)
    if len(px) < len(bed.marks):
        missing = [mark.id for mark in bed.marks if mark.id not in px]
        px = detect_marks(grey, bed.dictionary, missing) | px
    return resolve_from_corners(bed, px)


def resolve_from_corners(bed: Bed, found_px: Mapping[int, Array]) -> tuple[Bed, CameraMoved]:
    """Re-solve the camera from (4, 2) corners by mark number (see `resolve_camera`)."""
    marks = [mark for mark in bed.marks if mark.id in found_px]
    if len(marks) < MIN_MARKS:
        return bed, _too_few(bed, marks, found_px)
    crop = cropped_camera(bed, marks, found_px)
    if crop is not None and not pose_explains(bed, marks, found_px):
        return _cropped(bed, crop)
    strangers: list[int] = []
    while True:
        try:
            fits = _fit(bed, marks, found_px)
            rivals = _knocked_instead(bed, marks, found_px, fits)
        except np.linalg.LinAlgError:
            return bed, _cannot_tell(
                len(marks), "the reference marks lie quite otherwise than in the bed file"
            )
        if rivals is not None or fits.moved.excess[fits.moved.worst] <= _MARK_SIGMAS:
            break
        if len(marks) <= MIN_MARKS:
            return bed, _cannot_tell(
                len(marks), "the reference marks contradict each other: one of them was moved"
            )
        strangers.append(fits.moved.worst)
        marks = [mark for mark in marks if mark.id != strangers[-1]]

    if rivals is not None:
        solved, told = _refocused(bed, fits, rivals, crop)
    elif fits.focal_alone and abs(fits.focal.log_focal) < ZOOM:
        solved, told = _perhaps_refocused(bed, fits)
    else:
        solved, told = _moved(bed, fits, crop)
    for number in strangers:
        note = f"{told.note}; reference mark {number} itself was moved and is not used"
        told = replace(told, note=note)
    return solved, told


@dataclass(frozen=True, eq=False)
class _Fits:
    """The marks explained by nothing, another pose, another focal length, and both."""

    still: CameraFit
    moved: CameraFit
    focal: CameraFit
    both: CameraFit

    @property
    def marks(self) -> int:
        """Number of marks that were used."""
        return len(self.both.excess)

    @property
    def pose_fails(self) -> bool:
        """Whether a pose alone surely does not explain the marks, and with a focal length does."""
        gain = (self.moved.chi2 - self.both.chi2) / self.both.scale
        return gain > _CHI2_1 and self.both.consistent

    @property
    def focal_hinted(self) -> bool:
        """Whether the map had better follow another focal length, though none may be named.

        By the noise of these corners, which is mostly less than what is taken for theirs.
        """
        gain = (self.moved.chi2 - self.both.chi2) * self.both.degrees
        return gain > _HINT * self.both.chi2

    @property
    def moved_too(self) -> bool:
        """Whether another focal length alone surely does not explain the marks."""
        # The variance may have been estimated from few residuals: the quantile of Hotelling's T2
        # lies above that of chi-square by about this factor.
        limit = _CHI2_6 * (1 + 12 / self.both.degrees)
        return (self.focal.chi2 - self.both.chi2) / self.both.scale > limit

    @property
    def stands_still(self) -> bool:
        """Whether the pose is the calibration's within the noise of the marks."""
        pose = slice(0, 6)
        step, covariance = self.moved.step[pose], self.moved.covariance[pose, pose]
        limit = _CHI2_6 * (1 + 12 / (8 * self.marks - 6))
        return bool(step @ np.linalg.solve(covariance, step) <= limit)

    @property
    def hidden(self) -> CameraFit:
        """The refocus that may hide behind a movement."""
        return self.focal if self.focal_alone else self.both

    @property
    def focal_alone(self) -> bool:
        """Whether another focal length explains all, where a pose explains it, too."""
        left = self.focal.chi2 - self.both.chi2
        happened = self.still.chi2 - self.both.chi2
        return (
            self.marks >= _MARKS_FOR_FOCAL
            and not self.stands_still
            and not self.moved_too
            and left <= _FOCAL_LEAVES * happened
        )


def _fit(bed: Bed, marks: Sequence[BedMark], found_px: Mapping[int, Array]) -> _Fits:
    return _Fits(
        *(
            fit_camera(bed, marks, found_px, moves=moves, refocuses=refocuses)
            for refocuses in (False, True)
            for moves in (False, True)
        )
    )


def _knocked_instead(
    bed: Bed, marks: Sequence[BedMark], found_px: Mapping[int, Array], fits: _Fits
) -> tuple[int, ...] | None:
    """Return marks that, had they been knocked, would explain what else only a refocus does.

    None where nothing says that the camera refocused: a pose explains the marks, or the camera
    stands still but for one mark.
    """
    if len(marks) < _MARKS_FOR_FOCAL or not fits.pose_fails:
        return None
    rivals = []
    for left_out in marks:
        others = _fit(bed, [mark for mark in marks if mark is not left_out], found_px)
        if not others.pose_fails:
            if others.stands_still:
                return None
            rivals.append(left_out.id)
    return tuple(rivals)


def _refocused(
    bed: Bed, fits: _Fits, knocked: Sequence[int], crop: CameraFit | None
) -> tuple[Bed, CameraMoved]:
    """Return what a focal length that a pose cannot stand in for makes of the capture."""
    moved = fits.moved_too
    found = fits.both if moved else fits.focal
    # One that moved, too, may as well be a part of the calibration's picture.
    covariance = fits.both.covariance + (_apart(found, crop) if moved else 0.0)
    solved = bed.tracked(found.pose, found.log_focal, covariance)
    shift_mm, shift_px = _largest_shift(bed, solved)
    change = _focal_percent(found, covariance)
    rivals = tuple(
        f"the camera moved and reference mark {number} was knocked" for number in knocked
    )
    zoom = ""
    if moved and crop is not None:
        zoom = f"the picture was cropped or zoomed by {math.exp(crop.log_focal):.2f}"
        rivals += (zoom,)
    done = "refocused" if abs(found.log_focal) < ZOOM else "zoomed"
    done += " and moved" if moved else ""
    instead = ", or it moved and a reference mark was knocked" if knocked else ""
    instead += f", or {zoom}" if zoom else ""
    note = (
        f"the camera {'seems to have ' if rivals else ''}{done}{instead}: its focal length is "
        f"{_longer(change)} than calibrated, and {_shifted(shift_mm, shift_px)}; corrected from "
        f"{fits.marks} reference marks"
    )
    refocus = Refocus("likely" if rivals else "sure", change, moved, rivals)
    return solved, CameraMoved(moved, True, fits.marks, shift_mm, shift_px, note, refocus)


def _perhaps_refocused(bed: Bed, fits: _Fits) -> tuple[Bed, CameraMoved]:
    """Return what a refocus makes of the capture that might be a camera gone along its axis."""
    found = fits.focal
    solved = bed.tracked(found.pose, found.log_focal, fits.both.covariance)
    shift_mm, shift_px = _largest_shift(bed, solved)
    alone = _focal_percent(found, found.covariance)
    nearer = _nearer_mm(bed, fits.moved)
    way = "nearer" if (nearer.value or 0.0) > 0 else "further away"
    rival = (
        f"the camera came {abs(nearer.value or 0.0):.1f} +- {nearer.u95:.1f} mm {way} "
        "straight along its axis"
    )
    note = (
        f"the camera refocused (had it stood still, its focal length is {_longer(alone)} than "
        f"calibrated), or {rival}: {_shifted(shift_mm, shift_px)}; corrected from {fits.marks} "
        "reference marks, and what the two differ by at other heights is part of U95"
    )
    change = _focal_percent(found, fits.both.covariance)
    refocus = Refocus("likely", change, False, (rival,))
    return solved, CameraMoved(False, True, fits.marks, shift_mm, shift_px, note, refocus)


def _cropped(bed: Bed, found: CameraFit) -> tuple[Bed, CameraMoved]:
    """Return what a part of the calibration's picture makes of the capture."""
    solved = bed.tracked(bed.pose, found.log_focal, found.covariance, found.step[SHIFT])
    shift_mm, shift_px = _largest_shift(bed, solved)
    window = window_px(bed, found)
    assert window is not None  # or it would not be called a crop
    left, top, right, bottom = window.round().astype(int)
    part = f"{right - left} x {bottom - top} pixels from ({left}, {top})"
    factor = math.exp(found.log_focal)
    which = (
        f"zoomed by {factor:.3f} to {part} of the calibrated picture"
        if factor > 1
        else f"zoomed out by {1 / factor:.3f}: the calibrated one was {part} of it"
    )
    note = (
        f"the picture was cropped or {which}; the camera stands where it was calibrated; corrected "
        f"from {len(found.excess)} reference marks"
    )
    change = _focal_percent(found, found.covariance)
    refocus = Refocus("sure", change, False, cropped=True)
    return solved, CameraMoved(False, True, len(found.excess), shift_mm, shift_px, note, refocus)


def _moved(bed: Bed, fits: _Fits, crop: CameraFit | None) -> tuple[Bed, CameraMoved]:
    """Return what a pose makes of the capture; a crop that shows the same makes it less sure."""
    moved = not fits.stands_still
    if not moved:
        corrected = bed.tracked(fits.moved.pose, 0.0, fits.moved.covariance)
        # A movement too small to be sure of is not followed, but may have happened.
        step = fits.moved.step
        solved = bed.tracked(bed.pose, 0.0, fits.moved.covariance + np.outer(step, step))
    else:
        # What a refocus that hides behind the movement would put the map off by is not known; nor
        # is a zoom about the middle told from a camera that came nearer.
        follows = fits.focal_hinted and not fits.focal_alone
        found, hidden = (fits.both, None) if follows else (fits.moved, fits.hidden)
        covariance = fits.both.covariance + _apart(found, hidden) + _apart(found, crop)
        solved = corrected = bed.tracked(found.pose, found.log_focal, covariance)
    shift_mm, shift_px = _largest_shift(bed, corrected)
    note = (
        f"the camera moved: {_shifted(shift_mm, shift_px)}; corrected from {fits.marks} "
        "reference marks"
        if moved
        else f"the camera stands where it was calibrated ({fits.marks} reference marks agree)"
    )
    if fits.focal_alone or crop is not None:
        zoom = math.exp((fits.focal if crop is None else crop).log_focal)
        note += f"; a zoom by {zoom:.2f} would look the same on the bed"
    return solved, CameraMoved(moved, moved, fits.marks, shift_mm, shift_px, note)


def _apart(fit: CameraFit, other: CameraFit | None) -> Array:
    """Return (9, 9) what another explanation, if there is one, makes of a camera less sure."""
    off = np.zeros_like(fit.step) if other is None else fit.step - other.step
    return np.outer(off, off)


def _focal_percent(fit: CameraFit, covariance: Array) -> Quantity:
    """Return by how many per cent the focal length is longer than calibrated."""
    factor = math.exp(fit.log_focal)
    return Quantity.from_sigma(100 * (factor - 1), 100 * factor * math.sqrt(covariance[6, 6]))


def _longer(change: Quantity) -> str:
    """Return a change of the focal length in words."""
    percent = change.value or 0.0
    return f"{abs(percent):.2f} +- {change.u95:.2f} % {'longer' if percent > 0 else 'shorter'}"


def _shifted(shift_mm: Quantity, shift_px: Quantity) -> str:
    """Return the largest shift of the bed in words."""
    if shift_mm.value is None or shift_px.value is None:
        return "the picture of the bed shifted out of view"
    return (
        f"the picture of the bed shifted by up to {shift_mm.value:.2f} mm ({shift_px.value:.1f} px)"
    )


def _nearer_mm(bed: Bed, fit: CameraFit) -> Quantity:
    """Return how far the camera came along its axis toward the bed."""
    # The camera's centre moves by w x t - s in its own axes.
    x, y, _ = bed.pose.translation_mm
    along = np.array([y, -x, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0])
    return Quantity.from_sigma(
        float(along @ fit.step), math.sqrt(float(along @ fit.covariance @ along))
    )


def _largest_shift(bed: Bed, moved: Bed) -> tuple[Quantity, Quantity]:
    """Return the largest apparent shift over the calibrated field at z = 0, in mm and in px."""
    left, low, right, high = bed.field_mm
    x, y = np.meshgrid(np.linspace(left, right, 9), np.linspace(low, high, 9))
    places = np.stack([x.ravel(), y.ravel()], axis=1)
    px_before = bed.px_from_mm(places, 0.0)
    px_after = moved.px_from_mm(places, 0.0)
    shift_px = px_after - px_before
    shift_mm = bed.mm_from_px(px_after, 0.0) - places
    length = np.where(np.isfinite(shift_mm).all(axis=1), np.linalg.norm(shift_mm, axis=1), -1.0)
    worst = int(np.argmax(length))
    if length[worst] < 0:
        missing = Quantity.missing("the moved camera no longer sees the calibrated field")
        return missing, missing
    at = np.array([[*places[worst], 0.0]])
    _, per_mm, per_pose, per_lens = moved.px_with_jacobians(at)
    per_tracked = moved.per_tracked(per_pose, per_lens)[0]
    cov_px = per_tracked @ moved.tracking_covariance @ per_tracked.T
    to_mm = np.linalg.inv(per_mm[0, :, :2])
    return (
        _length(shift_mm[worst], to_mm @ cov_px @ to_mm.T),
        _length(shift_px[worst], cov_px),
    )


def _length(vector: Array, covariance: Array) -> Quantity:
    """Return a vector's length with an interval that stays on the right side of zero."""
    length = float(np.linalg.norm(vector))
    along = vector / length if length > 0 else np.array([1.0, 0.0])
    u95 = K95 * math.sqrt(float(along @ covariance @ along))
    if length > u95:
        return Quantity(length, u95)
    return Quantity(length, u95, low=0.0, high=length + u95)


def _too_few(bed: Bed, marks: Sequence[BedMark], found_px: Mapping[int, Array]) -> CameraMoved:
    """Return what too few marks tell: nothing, or that the calibration no longer holds."""
    few = f"{len(marks)} of {len(bed.marks)} reference marks are in view"
    needed = f"{MIN_MARKS} are needed to check the camera"
    # One alone may have been knocked.
    if len(marks) > 1:
        still = fit_camera(bed, marks, found_px, moves=False)
        if min(still.excess.values()) > _MARK_SIGMAS:
            why = (
                f"{few}, and elsewhere than calibrated: the camera moved or refocused, or the "
                f"picture was cropped or zoomed; {needed} and correct it"
            )
            return replace(_cannot_tell(len(marks), why), moved=True)
    return _cannot_tell(len(marks), f"{few}, {needed}")


def _cannot_tell(seen: int, why: str) -> CameraMoved:
    missing = Quantity.missing(why)
    return CameraMoved(None, False, seen, missing, missing, f"{why}; not corrected")
