"""Find a burned target's crosses in a grey picture, and which way the machine's axes run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import LINEAR
from calibration.machine import MachineAxes
from calibration.marks import detect_marks
from calibration.target import Target

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
# Maps (n, 2) machine places to (n, 2) pixels.
ToPixels = Callable[[Array], Array]
Top = Literal["away", "near", "left", "right"]
TOPS: tuple[Top, ...] = ("away", "near", "left", "right")

_LEAST_MARKS = 3
_SEARCH_WIDTH = 1300
# Of each arm this much is left out: where the other stroke crosses, and the end.
_CROSSING_MM = 1.2
_END_MM = 0.7
# Beyond the half width in which a stroke is looked at its ground is seen.
_HALF_PX = 3.5
_GROUND_PX = 3.0
# Beyond the ends of a stroke the grain that runs along it is seen alone: from and to there.
_PAST_END_MM = (1.5, 7.0)
_STEP_PX = 0.25
# A stroke is there where its mean profile stands out so many times from what its ground does.
_STANDS_OUT = 6.0
# What is seen past the ends counts as the same grain where it leaves at most this much beside.
_LIKE_GRAIN = 0.7
_LEAST_STEP = 0.004


@dataclass(frozen=True, eq=False)
class SeenMarks:
    """A target's coded marks in one picture.

    Attributes
    ----------
    px
        (4, 2) corners by number, in the order of `Target.marker_corners_mm`.
    lighter
        Whether what is burned is lighter than the sheet.
    axes
        The machine's axes.
    why
        Why the target cannot be used; None where it can.
    """

    px: Mapping[int, Array]
    lighter: bool
    axes: MachineAxes
    why: str | None = None


@dataclass(frozen=True, eq=False)
class Crosses:
    """Crosses of a target in one picture.

    Attributes
    ----------
    ids, px
        (n,) numbers and (n, 2) pixels.
    across
        (n, 2, 2) unit normals in the picture of the strokes along the machine's Y, which tells its
        X, and along its X.
    """

    ids: NDArray[np.int64]
    px: Array
    across: Array


def find_marks(grey: Grey, target: Target, top: Top = "away") -> SeenMarks:
    """Find the coded marks, dark or light, the machine's axes right-handed or not.

    A marker that is seen mirrored means that the machine's Y runs the other way against its X
    than the bed's (or that the camera's program flips the picture).

    Parameters
    ----------
    grey
        (h, w) uint8.
    top
        Where the picture's upper edge lies, seen by the operator.
    """
    numbers = sorted(target.markers_mm)
    best: dict[int, Array] = {}
    lighter = False
    for negative, flipped in product((False, True), (False, True)):
        shown = 255 - grey if negative else grey
        picture = np.ascontiguousarray(shown[:, ::-1] if flipped else shown)
        found: dict[int, Array] = {}
        for scale in _scales(grey.shape[1]):
            missing = [number for number in numbers if number not in found]
            if missing:
                found |= detect_marks(picture, target.dictionary, missing, scale, True)
        if len(found) > len(best):
            best, lighter = found, negative
            if flipped:
                edge = np.array([grey.shape[1] - 1.0, 0.0])
                best = {n: edge + px * np.array([-1.0, 1.0]) for n, px in found.items()}
        if len(best) >= _LEAST_MARKS:
            break
    if len(best) < _LEAST_MARKS:
        return SeenMarks(
            best,
            lighter,
            MachineAxes(),
            f"{len(best)} of the target's {len(numbers)} coded marks are found, {_LEAST_MARKS} are "
            "needed: it is not in view, too faint or blurred, or not the target of the file",
        )
    return SeenMarks(best, lighter, _axes(target, best, top))


def _scales(width_px: int) -> tuple[float, ...]:
    """Return the sizes in which a picture is searched: a mark's grain is plain in a smaller one."""
    smaller = _SEARCH_WIDTH / width_px
    return (1.0, *((smaller,) if smaller < 0.8 else ()), *((2.0,) if smaller > 0.5 else ()))


def _axes(target: Target, px: Mapping[int, Array], top: Top) -> MachineAxes:
    """Return the machine's axes against a bed that lies in the picture as `top` says."""
    machine = np.concatenate([target.marker_corners_mm(number) for number in px])
    image = np.concatenate(list(px.values()))
    design = np.c_[machine - machine.mean(axis=0), np.ones(len(machine))]
    slopes = np.linalg.lstsq(design, image, rcond=None)[0][:2]  # d(u, v) / d(machine x, y)
    right, down = np.linalg.inv(slopes.T).T
    up = -down
    bed = {"away": (right, up), "near": (-right, -up), "left": (-up, right), "right": (up, -right)}
    return target.axes_of(*bed[top])


def measure_crosses(
    grey: Grey, target: Target, lighter: bool, to_pixels: ToPixels, reach_px: float
) -> Crosses:
    """Measure where the strokes of every cross meet.

    Both strokes are looked at along their arms, in profiles across where they are expected; the
    mean profile's centroid says how far each lies beside that. Profiles follow the expected curve,
    so what a lens bends does not matter.

    Parameters
    ----------
    to_pixels
        Where machine places are expected.
    reach_px
        How far from there a stroke may lie.
    """
    image = LINEAR[grey]
    if lighter:
        image = -image
    ids, px, across = [], [], []
    for number, place in enumerate(target.crosses_mm):
        middle = to_pixels(place[None])[0]
        if not np.isfinite(middle).all():
            continue
        normals, offsets = [], []
        for along in (np.array([0.0, 1.0]), np.array([1.0, 0.0])):
            found = _beside(image, target, place, along, to_pixels, reach_px)
            if found is None:
                break
            normals.append(found[0])
            offsets.append(found[1])
        else:
            ids.append(number)
            across.append(normals)
            px.append(middle + np.linalg.solve(np.array(normals), np.array(offsets)))
    return Crosses(
        np.array(ids, np.int64), np.array(px).reshape(-1, 2), np.array(across).reshape(-1, 2, 2)
    )


def _beside(
    image: NDArray[np.float32],
    target: Target,
    place_mm: Array,
    along: Array,
    to_pixels: ToPixels,
    reach_px: float,
) -> tuple[Array, float] | None:
    """Return a stroke's (2,) normal in the picture and how far along that it lies, if seen."""
    low, high = _CROSSING_MM, target.arm_mm - _END_MM
    ends = to_pixels(place_mm + np.array([-1e-2, 1e-2])[:, None] * along)
    px_per_mm = float(np.linalg.norm(ends[1] - ends[0])) / 2e-2
    if not np.isfinite(px_per_mm) or px_per_mm <= 0:
        return None
    arm = np.arange(low, high, 1 / px_per_mm)
    if len(arm) < 3:
        return None
    points = to_pixels(place_mm + np.concatenate([-arm[::-1], arm])[:, None] * along)
    past = target.arm_mm + np.arange(*_PAST_END_MM, 1 / px_per_mm)
    ground = to_pixels(place_mm + np.concatenate([-past[::-1], past])[:, None] * along)
    normal = np.array([[0.0, -1.0], [1.0, 0.0]]) @ (ends[1] - ends[0]) / (2e-2 * px_per_mm)
    beyond = reach_px + _HALF_PX + _GROUND_PX
    rows, columns = image.shape
    inside = (points > beyond) & (points < np.array([columns, rows]) - 1 - beyond)
    if not inside.all():
        return None
    steps = np.arange(-beyond, beyond + _STEP_PX / 2, _STEP_PX)
    profiles = _profiles(image, points, normal, steps)
    offset = 0.0
    if reach_px > 0:
        # The median keeps out what crosses the way, the smoothing single bright pixels.
        rough = np.convolve(-np.median(profiles, axis=0), np.ones(9) / 9, "same")
        level = rough - np.polynomial.Polynomial.fit(steps, rough, 1)(steps)
        possible = np.abs(steps) <= reach_px
        offset = float(steps[possible][np.argmax(level[possible])])
    mean = np.asarray(-profiles.mean(axis=0))
    seen = ((ground > 0) & (ground < np.array([columns, rows]) - 1)).all(axis=1)
    grain = -_profiles(image, ground[seen], normal, steps).mean(axis=0) if seen.any() else 0 * mean
    for _ in range(6):
        near = np.abs(steps - offset) <= _HALF_PX
        beside = ~near & (np.abs(steps - offset) <= _HALF_PX + _GROUND_PX)
        if beside.sum() < 4 or near.sum() < 4:
            return None
        height = _above_ground(steps, mean, grain, beside)
        area = float(height[near].sum())
        spread = float(np.std(height[beside]))
        if height[near].max() < max(_STANDS_OUT * spread, _LEAST_STEP) or area <= 0:
            return None
        moved = float((steps[near] * height[near]).sum()) / area
        still = abs(moved - offset) < 1e-3
        offset = moved
        if abs(offset) > max(reach_px, _HALF_PX):
            return None
        if still:
            break
    return normal, offset


def _above_ground(steps: Array, mean: Array, grain: Array, beside: NDArray[np.bool_]) -> Array:
    """Return a mean profile less its ground: a line, and so much of the grain as lies beside too.

    Grain that runs along a stroke goes on past its ends; what hangs together less counts less.
    """
    design = np.stack([np.ones_like(steps), steps], axis=1)
    own, other = (
        values - design @ np.linalg.lstsq(design[beside], values[beside], rcond=None)[0]
        for values in (mean, grain)
    )
    power = float(other[beside] @ other[beside])
    share = float(own[beside] @ other[beside]) / power if power > 0 else 0.0
    # Beyond the edge of the sheet something else is seen: it tells nothing of the grain.
    left = own - np.clip(share, 0.0, 1.0) * other
    return np.asarray(left if np.std(left[beside]) < _LIKE_GRAIN * np.std(own[beside]) else own)


def _profiles(image: NDArray[np.float32], points: Array, normal: Array, steps: Array) -> Array:
    """Return (n, k) values across a curve of (n, 2) points."""
    places = points[:, None, :] + steps[None, :, None] * normal
    return np.asarray(
        cv2.remap(
            image,
            places[:, :, 0].astype(np.float32),
            places[:, :, 1].astype(np.float32),
            cv2.INTER_LINEAR,
        ),
        np.float64,
    )
