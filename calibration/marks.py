"""Reference marks: markers that stay on the bed and show whether the camera moved."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed, BedMark
from calibration.board import marker_dictionary
from calibration.marks_file import MarksFile
from calibration.plane import PlaneSurface
from calibration.pose import Pose
from calibration.quantity import K95, Quantity

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

MIN_MARKS = 3
# 99.9 % quantile of chi-square with 6 degrees of freedom.
_CHI2_6 = 22.458
# A marker's corner is not found better than this; lighting alone shifts it so much between two
# captures (common practice, no source).
_CORNER_SIGMA_PX = 0.05
# A mark that is further off than this many standard deviations from where the others put it has
# itself been moved.
_MARK_SIGMAS = 6.0


@dataclass(frozen=True)
class CameraMoved:
    """Whether and how far the camera moved against the calibration.

    Attributes
    ----------
    moved
        True, False, or None where it could not be told.
    corrected
        Whether the capture's map was re-solved.
    marks_seen
        Number of reference marks that were used.
    shift_mm, shift_px
        Largest apparent shift over the calibrated part of the bed.
    note
        One plain sentence.
    """

    moved: bool | None
    corrected: bool
    marks_seen: int
    shift_mm: Quantity
    shift_px: Quantity
    note: str


def detect_marks(
    grey: Grey,
    dictionary: str,
    numbers: Sequence[int],
    enlarged: float = 1.0,
    rough_too: bool = False,
    bends_px: Mapping[int, Array] | None = None,
) -> dict[int, Array]:
    """Find markers of a dictionary; returns (4, 2) pixels by number, refined, top left first.

    Slanted or small ones are found better in a picture that was `enlarged`, large ones on grain in
    one that was shrunk.

    Corners are where the marker's sides meet: the sides are long, and the rounding
    of a blurred corner does not draw them in.

    A marker that is seen twice is left out: one of the two is something else. One whose sides
    are too unsharp to be followed is left out too, or kept as found (`rough_too`). How much the
    lens bends the sides of each mark may be known (`bends_px`, see `refine_quad`).
    """
    from calibration.charuco import marker_detector
    from calibration.detect import refine_quad

    searched = np.ascontiguousarray(grey)
    if enlarged != 1:
        size = (round(grey.shape[1] * enlarged), round(grey.shape[0] * enlarged))
        how = cv2.INTER_CUBIC if enlarged > 1 else cv2.INTER_AREA
        searched = np.asarray(cv2.resize(grey, size, interpolation=how), np.uint8)
    corners, ids, _ = marker_detector(dictionary).detectMarkers(searched)
    if ids is None:
        return {}
    found: dict[int, Array] = {}
    twice: set[int] = set()
    modules = marker_dictionary(dictionary).markerSize + 2
    for identity, quad in zip(np.asarray(ids).ravel(), corners, strict=True):
        number = int(identity)
        if number not in numbers:
            continue
        if number in found:
            twice.add(number)
        # Pixel centres are whole numbers in either picture.
        rough = (np.asarray(quad, float).reshape(4, 2) + 0.5) / enlarged - 0.5
        side = float(np.linalg.norm(rough - np.roll(rough, 1, axis=0), axis=1).min())
        # The nearest other edge is the first module inside the border, one module away.
        reach = float(np.clip(0.6 * side / modules, 2.0, 8.0))
        refined = refine_quad(grey, rough, reach, (bends_px or {}).get(number))
        if refined is not None or rough_too:
            found[number] = rough if refined is None else refined
    return {number: px for number, px in found.items() if number not in twice}


def register_marks(
    bed: Bed, marks: MarksFile, captures: Sequence[Grey]
) -> tuple[Bed, tuple[str, ...]]:
    """Take reference marks into the bed, at the places where the map sees them.

    Measured places are kept rather than typed ones: what matters later is whether the camera still
    sees the marks where it saw them. Returns the bed and notes (marks not found, typed places that
    disagree).

    Parameters
    ----------
    captures
        Grey pictures of the bed by the calibrated camera; corners are averaged over them.
    """
    numbers = sorted(marks.centres_mm)
    seen: dict[int, list[Array]] = {}
    for grey in captures:
        rough = detect_marks(grey, marks.dictionary, numbers)
        bends = {
            number: bend
            for number, px in rough.items()
            if (bend := _bends_seen(bed, px, marks.height_mm.get(number, 0.0))) is not None
        }
        for number, px in detect_marks(grey, marks.dictionary, list(rough), bends_px=bends).items():
            seen.setdefault(number, []).append(px)
    notes = []
    found = []
    sigma_px = max(bed.sigma_px, _CORNER_SIGMA_PX)
    for number in numbers:
        if number not in seen:
            notes.append(f"reference mark {number} is not in view")
            continue
        px = np.mean(seen[number], axis=0)
        height = marks.height_mm.get(number, 0.0)
        surface = PlaneSurface(bed, height)
        corners = surface.mm_from_px(px)
        if not np.isfinite(corners).all():
            notes.append(f"reference mark {number} lies outside what the lens can map")
            continue
        covariance = np.zeros((8, 8))
        for k, inverse in enumerate(np.linalg.inv(surface.jacobian_px_per_mm(corners))):
            block = slice(2 * k, 2 * k + 2)
            covariance[block, block] = inverse @ inverse.T * sigma_px**2 / len(seen[number])
        found.append(BedMark(number, corners, height, covariance))
        off = float(np.linalg.norm(corners.mean(axis=0) - marks.centres_mm[number]))
        if off > max(2 * marks.u_mm, 0.5):
            notes.append(
                f"reference mark {number} lies {off:.1f} mm from its typed place; "
                "the measured place is kept"
            )
    if len(found) < MIN_MARKS:
        notes.append(
            f"only {len(found)} reference marks were found: with fewer than {MIN_MARKS} a camera "
            "that moved is not corrected"
        )
    if not found:
        return bed, tuple(notes)
    return bed.with_marks(tuple(found), marks.dictionary), tuple(notes)


def typed_marks(bed: Bed, marks: MarksFile) -> Bed:
    """Return the bed with reference marks at their typed places, known as well as was typed."""
    sigma = marks.u_mm / K95
    # A mark that lies a little off moves all its corners alike.
    covariance = np.kron(np.ones((4, 4)), np.eye(2)) * sigma**2 + np.eye(8) * 1e-6
    found = tuple(
        BedMark(n, marks.corners_mm(n), marks.height_mm.get(n, 0.0), covariance)
        for n in marks.centres_mm
    )
    return bed.with_marks(found, marks.dictionary)


def resolve_pose(bed: Bed, grey: Grey) -> tuple[Bed, CameraMoved]:
    """Re-solve the camera's pose for one capture from the reference marks in view.

    Returns the bed for this capture and what was seen. A motion within the noise of the marks is
    not called one: the calibration's pose is kept, and the noise of the check goes into the
    tracking covariance, as it does where the pose was corrected.
    """
    if not bed.marks:
        return bed, _cannot_tell(0, "the bed file holds no reference marks")
    px = _detect_near(bed, grey)
    if len(px) < len(bed.marks):
        missing = [mark.id for mark in bed.marks if mark.id not in px]
        px = detect_marks(grey, bed.dictionary, missing) | px
    return resolve_pose_from_corners(bed, px)


def resolve_pose_from_corners(bed: Bed, found_px: Mapping[int, Array]) -> tuple[Bed, CameraMoved]:
    """Re-solve the pose from (4, 2) corners by mark number (see `resolve_pose`)."""
    marks = [mark for mark in bed.marks if mark.id in found_px]
    if len(marks) < MIN_MARKS:
        return bed, _cannot_tell(
            len(marks),
            f"{len(marks)} of {len(bed.marks)} reference marks are in view, "
            f"{MIN_MARKS} are needed to check the camera",
        )
    strangers: list[int] = []
    while True:
        try:
            pose, covariance, excess = _fit(bed, marks, found_px)
        except np.linalg.LinAlgError:
            return bed, _cannot_tell(
                len(marks), "the reference marks lie quite otherwise than in the bed file"
            )
        worst = max(excess, key=lambda number: excess[number])
        if excess[worst] <= _MARK_SIGMAS:
            break
        if len(marks) <= MIN_MARKS:
            return bed, _cannot_tell(
                len(marks), "the reference marks contradict each other: one of them was moved"
            )
        strangers.append(worst)
        marks = [mark for mark in marks if mark.id != worst]

    step = bed.pose.step_to(pose)
    degrees = 8 * len(marks) - 6
    # The variance may have been estimated from few residuals: the quantile of Hotelling's T2 lies
    # above that of chi-square by about this factor.
    limit = _CHI2_6 * (1 + 12 / degrees)
    moved = bool(step @ np.linalg.solve(covariance, step) > limit)
    corrected = replace(bed, pose=pose, tracking_covariance=covariance)
    kept = replace(bed, tracking_covariance=covariance)
    shift_mm, shift_px = _largest_shift(bed, corrected)
    note = (
        f"the camera moved: the picture of the bed shifted by up to {shift_mm.value:.2f} mm "
        f"({shift_px.value:.1f} px); corrected from {len(marks)} reference marks"
        if moved
        else f"the camera stands where it was calibrated ({len(marks)} reference marks agree)"
    )
    for number in strangers:
        note += f"; reference mark {number} itself was moved and is not used"
    return (corrected if moved else kept), CameraMoved(
        moved, moved, len(marks), shift_mm, shift_px, note
    )


def bends_of(bed: Bed, corners_mm: Array, height_mm: float) -> Array | None:
    """Return (4,) how far the lens bends each side of a (4, 2) mark off its chord, px."""
    middles = (corners_mm + np.roll(corners_mm, -1, axis=0)) / 2
    ends, between = (bed.px_from_mm(places, height_mm) for places in (corners_mm, middles))
    along = np.roll(ends, -1, axis=0) - ends
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    normal /= np.linalg.norm(along, axis=1, keepdims=True)
    off = between - (ends + np.roll(ends, -1, axis=0)) / 2
    bends = np.asarray((off * normal).sum(axis=1))
    return bends if np.isfinite(bends).all() else None


def _bends_seen(bed: Bed, px: Array, height_mm: float) -> Array | None:
    """Return the bends (see `bends_of`) of a mark that is seen at (4, 2) pixels."""
    return bends_of(bed, bed.mm_from_px(px, height_mm), height_mm)


def _detect_near(bed: Bed, grey: Grey) -> dict[int, Array]:
    """Find the marks round their calibrated places: a few hundredths of the picture to search."""
    height, width = grey.shape
    found = {}
    for mark in bed.marks:
        expected = bed.px_from_mm(mark.corners_mm, mark.height_mm)
        if not np.isfinite(expected).all():
            continue
        bend = bends_of(bed, mark.corners_mm, mark.height_mm)
        bends = {} if bend is None else {mark.id: bend}
        low, high = expected.min(axis=0), expected.max(axis=0)
        around = 1.5 * float((high - low).max())
        left, top = (max(0, int(v)) for v in low - around)
        right, bottom = (int(v) for v in np.minimum(high + around, (width, height)))
        if right - left < 8 or bottom - top < 8:
            continue
        window = np.ascontiguousarray(grey[top:bottom, left:right])
        for enlarged in (1, 2):
            seen = detect_marks(window, bed.dictionary, [mark.id], enlarged, bends_px=bends)
            if seen:
                found[mark.id] = seen[mark.id] + np.array([left, top])
                break
    return found


def _fit(
    bed: Bed, marks: Sequence[BedMark], found_px: Mapping[int, Array]
) -> tuple[Pose, Array, dict[int, float]]:
    """Return pose, its (6, 6) covariance, and per mark its worst residual in standard deviations.

    Corners carry the noise of this capture and that of the calibration's own look at the marks.
    """
    points = np.concatenate([np.c_[mark.corners_mm, np.full(4, mark.height_mm)] for mark in marks])
    px = np.concatenate([found_px[mark.id] for mark in marks])
    sigma2 = max(bed.sigma_px, _CORNER_SIGMA_PX) ** 2
    pose = bed.pose
    noise = np.tile(np.eye(2) * sigma2, (len(px), 1, 1))
    robust = np.ones(len(px))
    for _ in range(30):
        projected, per_mm, per_pose, _ = bed.px_with_jacobians(points, pose)
        residual = px - projected
        for k in range(len(px)):
            mark, corner = marks[k // 4], k % 4
            own = mark.covariance[2 * corner : 2 * corner + 2, 2 * corner : 2 * corner + 2]
            noise[k] = np.eye(2) * sigma2 + per_mm[k, :, :2] @ own @ per_mm[k, :, :2].T
        weight = np.linalg.inv(noise) * robust[:, None, None]
        side = np.einsum("nai,nab,nb->i", per_pose, weight, residual)
        matrix = np.einsum("nai,nab,nbj->ij", per_pose, weight, per_pose)
        step = np.linalg.solve(matrix, side)
        pose = pose.moved(step)
        # Whole marks are weighted down together, since a mark moves as one (Huber's weights).
        length = np.sqrt(np.einsum("na,nab,nb->n", residual, np.linalg.inv(noise), residual))
        per_mark = length.reshape(-1, 4).max(axis=1)
        robust = np.repeat(np.minimum(1.0, 3.0 / np.maximum(per_mark, 1e-9)), 4)
        if float(step @ matrix @ step) < 1e-10:
            break
    chi2 = float((robust * length**2).sum())
    inflation = max(1.0, chi2 / (2 * len(px) - 6))
    covariance = np.linalg.inv(matrix) * inflation
    excess = {mark.id: float(worst) for mark, worst in zip(marks, per_mark, strict=True)}
    return pose, (covariance + covariance.T) / 2, excess


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
    _, per_mm, per_pose, _ = moved.px_with_jacobians(at)
    cov_px = per_pose[0] @ moved.tracking_covariance @ per_pose[0].T
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


def _cannot_tell(seen: int, why: str) -> CameraMoved:
    missing = Quantity.missing(why)
    return CameraMoved(None, False, seen, missing, missing, f"{why}; not corrected")
