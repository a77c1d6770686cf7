"""Reference marks: markers that stay on the bed and show whether the camera moved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed, BedMark
from calibration.board import marker_dictionary
from calibration.marker_fit import bends_between, fit_marker
from calibration.marks_file import MarksFile
from calibration.plane import PlaneSurface
from calibration.quantity import K95

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

MIN_MARKS = 3
# A marker's corner is not taken for surer than this. Of simulated captures it errs by half as much;
# the rest is room for what light and dirt do between two real ones (no source).
CORNER_SIGMA_PX = 0.03


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

    A marker that is seen twice is left out: one of the two is something else. One that does not
    look as it should is left out too, or kept as found (`rough_too`). How much the lens bends the
    sides of each mark may be known (`bends_px`, see `fit_marker`).
    """
    from calibration.charuco import marker_detector

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
    known = marker_dictionary(dictionary)
    for identity, quad in zip(np.asarray(ids).ravel(), corners, strict=True):
        number = int(identity)
        if number not in numbers:
            continue
        if number in found:
            twice.add(number)
        # Pixel centres are whole numbers in either picture.
        rough = (np.asarray(quad, float).reshape(4, 2) + 0.5) / enlarged - 0.5
        cells = known.generateImageMarker(number, known.markerSize + 2) > 0
        refined = fit_marker(grey, cells, rough, (bends_px or {}).get(number))
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
    sigma_px = max(bed.sigma_px, CORNER_SIGMA_PX)
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


def bends_of(bed: Bed, corners_mm: Array, height_mm: float) -> Array | None:
    """Return (4, 2) how far the lens bends a (4, 2) mark (see `bends_between`), px."""
    middles = (corners_mm + np.roll(corners_mm, -1, axis=0)) / 2
    ends, between = (bed.px_from_mm(places, height_mm) for places in (corners_mm, middles))
    if not (np.isfinite(ends).all() and np.isfinite(between).all()):
        return None
    return bends_between(ends, between)


def _bends_seen(bed: Bed, px: Array, height_mm: float) -> Array | None:
    """Return the bends (see `bends_of`) of a mark that is seen at (4, 2) pixels."""
    return bends_of(bed, bed.mm_from_px(px, height_mm), height_mm)


def detect_near(bed: Bed, grey: Grey) -> dict[int, Array]:
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
