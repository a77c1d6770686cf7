"""Least squares of lens, pose and relative places of a board that lies on the bed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board, BoardPlace
from calibration.errors import WitmarkError
from calibration.lens import Lens
from calibration.pose import Pose, project_with_jacobians

Array = NDArray[np.float64]

# No corner is better than this: sub-pixel finders have biases of this order (common practice, no
# source), so a handful of perfect residuals must not make a perfect map.
_SIGMA_FLOOR_PX = 0.01


@dataclass(frozen=True, eq=False)
class BoardObservation:
    """One bed photo of the board at a known place.

    Attributes
    ----------
    name
        The photo.
    ids, px
        (n,) numbers and (n, 2) pixels of the corners.
    place
        Where the board lies.
    """

    name: str
    ids: NDArray[np.int64]
    px: Array
    place: BoardPlace


@dataclass(frozen=True, eq=False)
class Solution:
    """Lens, pose and places, in the frame in which the first place is exact.

    Attributes
    ----------
    lens, pose
        The camera.
    offsets
        (places, 3) true minus typed x mm, y mm, turn rad of each place; zero for the first.
    covariance
        (15, 15) of lens and pose.
    residuals
        (n, 2) found minus projected, per photo.
    sigma_px
        Standard deviation of one coordinate.
    """

    lens: Lens
    pose: Pose
    offsets: Array
    covariance: Array
    residuals: list[Array]
    sigma_px: float


def solve_places(
    lens: Lens,
    board: Board,
    observations: Sequence[BoardObservation],
    places: Sequence[BoardPlace],
    kept: Sequence[NDArray[np.bool_]],
    sigma_px: float | None,
) -> Solution:
    """Estimate lens, pose and the places after the first, by Gauss-Newton with the lens's prior.

    `sigma_px` is the noise of a corner; None: from the residuals.
    """
    free = np.flatnonzero(lens.free)
    f, extra = len(free), 3 * (len(places) - 1)
    prior = np.zeros((f, f))
    if f:
        prior[:] = np.linalg.inv(lens.covariance[np.ix_(free, free)])
    start = _start_pose(lens, board, [o for o in observations if o.place == places[0]])
    found, pose = lens, start
    offsets = np.zeros((len(places), 3))
    number = sum(int(k.sum()) for k in kept)
    degrees = 2 * number - 6 - extra - f
    if degrees < 6:
        raise WitmarkError("bed photos", "show too few corners", "bring the whole board into view")
    for round_ in range(60):
        matrix = np.zeros((f + 6 + extra, f + 6 + extra))
        side = np.zeros(f + 6 + extra)
        residuals = []
        total = 0.0
        for observation, keep in zip(observations, kept, strict=True):
            index = places.index(observation.place)
            points = board.points_mm(observation.ids)
            bed, per_offset = _shifted(observation.place, points, offsets[index])
            px, per_mm, per_pose, per_lens = project_with_jacobians(found, pose, bed)
            jacobian = np.zeros((len(points), 2, f + 6 + extra))
            jacobian[:, :, :f] = per_lens[:, :, free]
            jacobian[:, :, f : f + 6] = per_pose
            if index:
                at = f + 6 + 3 * (index - 1)
                jacobian[:, :, at : at + 3] = per_mm[:, :, :2] @ per_offset
            residual = observation.px - px
            residuals.append(residual)
            j, r = jacobian[keep].reshape(-1, f + 6 + extra), residual[keep].ravel()
            matrix += j.T @ j
            side += j.T @ r
            total += float(r @ r)
        if not math.isfinite(total):
            raise _no_pose()
        variance = max(total / degrees, _SIGMA_FLOOR_PX**2) if sigma_px is None else sigma_px**2
        matrix /= variance
        side /= variance
        matrix[:f, :f] += prior
        side[:f] += prior @ (lens.parameters - found.parameters)[free]
        try:
            step = np.asarray(np.linalg.solve(matrix, side), float)
        except np.linalg.LinAlgError as error:
            raise _no_pose() from error
        parameters = found.parameters.copy()
        parameters[free] += step[:f]
        try:
            found = found.with_parameters(parameters)
        except ValueError as error:
            raise _no_pose() from error
        pose = pose.moved(step[f : f + 6])
        offsets[1:] += step[f + 6 :].reshape(-1, 3)
        if float(step @ matrix @ step) < 1e-10 and round_ > 1:
            break
    else:
        raise _no_pose()
    inverse = np.linalg.inv(matrix)
    covariance = np.zeros((15, 15))
    rows = np.concatenate([free, np.arange(9, 15)])
    covariance[np.ix_(rows, rows)] = (inverse + inverse.T)[: f + 6, : f + 6] / 2
    found = found.with_parameters(found.parameters, covariance[:9, :9])
    return Solution(found, pose, offsets, covariance, residuals, math.sqrt(variance))


def _shifted(place: BoardPlace, points_mm: Array, offset: Array) -> tuple[Array, Array]:
    """Return (n, 3) bed points of a board that lies off its typed place, and (n, 2, 3) derivatives.

    `offset` is (x mm, y mm, turn rad).
    """
    moved = BoardPlace(
        (place.at_mm[0] + offset[0], place.at_mm[1] + offset[1]),
        place.turn_deg + math.degrees(offset[2]),
        place.height_mm,
    )
    bed = moved.bed_points(points_mm)
    derivative = np.zeros((len(bed), 2, 3))
    derivative[:, 0, 0] = derivative[:, 1, 1] = 1.0
    derivative[:, 0, 2] = -(bed[:, 1] - moved.at_mm[1])
    derivative[:, 1, 2] = bed[:, 0] - moved.at_mm[0]
    return bed, derivative


def _start_pose(lens: Lens, board: Board, observations: Sequence[BoardObservation]) -> Pose:
    """Return a pose from one place of the board; of a plane's two, the one that fits better."""
    import cv2

    place = observations[0].place
    flat = np.concatenate([board.points_mm(o.ids) for o in observations])
    rays = lens.rays(np.concatenate([o.px for o in observations]))
    seen = np.isfinite(rays).all(axis=1)
    if seen.sum() < 6:
        raise _no_pose()
    # The board's own plane, y up as on the bed, so that the solver meets z = 0.
    plane = np.c_[flat[:, 0], -flat[:, 1], np.zeros(len(flat))][seen]
    try:
        _, rvecs, tvecs, errors = cv2.solvePnPGeneric(
            plane, rays[seen, :2], np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error as error:
        raise _no_pose() from error
    best = int(np.argmin(np.asarray(errors).ravel()))
    board_pose = Pose.from_vectors(rvecs[best], tvecs[best])
    # camera <- board plane, and board plane <- bed: q = R' (p - at).
    c, s = math.cos(math.radians(place.turn_deg)), math.sin(math.radians(place.turn_deg))
    back = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    at = np.array([*place.at_mm, place.height_mm])
    pose = board_pose.before(back, -back @ at)
    if pose.camera_mm[2] <= place.height_mm:
        raise WitmarkError(
            "bed photos",
            "put the camera below the board: the picture is mirrored or the board file is not "
            "this board's",
            "switch off mirroring in the camera's program and check --board",
        )
    return pose


def _no_pose() -> WitmarkError:
    return WitmarkError(
        "bed photos",
        "the corners do not determine where the camera is",
        "check that --lens and --board belong to these photos and that the whole board is in view",
    )
