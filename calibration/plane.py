"""Flat work: the plane at one height above the bed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.bed import COUNT as BED_COUNT
from calibration.bed import FORM, LENS, PLACE, POSE, SCALE, TRACKED, Bed
from calibration.errors import WitmarkError
from calibration.form import per_form
from calibration.quantity import K95_PLANE

Array = NDArray[np.float64]

# The plane's parameters are the bed's, and the camera's in this capture against the bed's.
TRACKING = slice(BED_COUNT, BED_COUNT + TRACKED)
# The machine's form cannot be told from the camera's pose but together with it.
CAMERA = slice(POSE.start, FORM.stop)
COUNT = TRACKING.stop


@dataclass(frozen=True)
class Term:
    """One group of calibration parameters, for the budget.

    Attributes
    ----------
    where
        The group's columns in `calibration_jacobian_mm` and `calibration_covariance`.
    kind
        Whether its size was measured or assumed.
    advice
        How to make it smaller.
    """

    where: slice
    kind: Literal["measured", "assumed"]
    advice: str


@dataclass(frozen=True, eq=False)
class PlaneSurface:
    """The plane z = height of a bed, as `calibration.surface.Surface`.

    Its covariance is made block diagonal: the pose is split into what follows from the lens and
    what is left. So the groups of `terms` are independent and their variances add up.

    Attributes
    ----------
    bed
        The camera.
    height_mm
        Height of the plane above the bed as calibrated.
    thickness_mm
        How far the plane lies above what the work lies on; None: on the bed as calibrated.
    """

    bed: Bed
    height_mm: float = 0.0
    thickness_mm: float | None = None

    def __post_init__(self) -> None:
        """Refuse a height that the camera does not look down on."""
        camera = float(self.bed.pose.camera_mm[2])
        if not np.isfinite(self.height_mm) or self.height_mm >= camera:
            raise WitmarkError(
                f"height {self.height_mm:g} mm",
                f"lies above the camera, which hangs {camera:.0f} mm over the bed",
                "give the height of the work's face above the bed in millimetres",
            )

    @property
    def distance_share(self) -> float:
        """The camera's distance from the plane, over that from where it was calibrated."""
        camera = float(self.bed.pose.camera_mm[2])
        return (camera - self.height_mm) / (camera - self.bed.pivot_mm[2])

    @property
    def image_size(self) -> tuple[int, int]:
        """Width and height in pixels of the captures that the map is for."""
        return self.bed.image_size

    def px_from_mm(self, points_mm: Array) -> Array:
        """Map (n, 2) surface mm to (n, 2) pixels; NaN where the camera cannot see the point.

        Points outside the picture but within the lens's range keep their finite pixels.
        """
        return self.bed.px_from_mm(points_mm, self.height_mm)

    def mm_from_px(self, points_px: Array) -> Array:
        """Map (n, 2) pixels to (n, 2) surface mm; NaN where the ray misses the surface."""
        return self.bed.mm_from_px(points_px, self.height_mm)

    def jacobian_px_per_mm(self, points_mm: Array) -> Array:
        """Return (n, 2, 2) d(u, v) / d(x, y) at surface points."""
        _, per_mm, _, _ = self._project(points_mm)
        return per_mm[:, :, :2]

    def calibration_jacobian_mm(self, points_mm: Array) -> Array:
        """Return (n, 2, 31): how a point measured here moves, in mm, with each parameter.

        Signed so that `mm_from_px` of a fixed pixel changes by this much per unit of parameter.
        Columns: lens (with the pose and form that follow it), rest of the pose and of the form,
        place and scale of the board (true minus assumed), pose and focal length in this capture.
        """
        _, per_mm, per_pose, per_lens = self._project(points_mm)
        # A fixed pixel: 0 = A dp + B dparameter, so dp = -A^-1 B dparameter.
        tracked = self.bed.per_tracked(per_pose, per_lens)
        moved = -np.linalg.solve(per_mm[:, :, :2], np.concatenate([per_lens, tracked], axis=2))
        out = np.empty((len(points_mm), 2, COUNT))
        out[:, :, POSE] = moved[:, :, POSE]
        out[:, :, FORM] = -np.linalg.solve(self.bed.square, per_form(points_mm))
        out[:, :, LENS] = moved[:, :, LENS] + out[:, :, CAMERA] @ self._camera_per_lens
        out[:, :, TRACKING] = moved[:, :, POSE.start :]
        x0, y0, z0 = self.bed.pivot_mm
        from_pivot = points_mm - np.array([x0, y0])
        out[:, :, PLACE] = 0.0
        out[:, 0, PLACE.start] = 1.0
        out[:, 1, PLACE.start + 1] = 1.0
        out[:, 0, PLACE.start + 2] = -from_pivot[:, 1]
        out[:, 1, PLACE.start + 2] = from_pivot[:, 0]
        # A board larger than assumed carries the camera away from the pivot with it, so a plane
        # that is not the board's is met a little off the scaled place.
        rise = (self.height_mm - z0) * self.height_jacobian_mm(points_mm)
        out[:, :, SCALE] = (from_pivot - rise)[:, :, None]
        return out

    @cached_property
    def calibration_covariance(self) -> Array:
        """(31, 31) covariance of the parameters, block diagonal over `terms`."""
        full = self.bed.covariance
        out = np.zeros((COUNT, COUNT))
        out[LENS, LENS] = full[LENS, LENS]
        rest = full[CAMERA, CAMERA] - self._camera_per_lens @ full[LENS, CAMERA]
        out[CAMERA, CAMERA] = (rest + rest.T) / 2
        out[PLACE, PLACE] = full[PLACE, PLACE]
        out[SCALE, SCALE] = full[SCALE, SCALE]
        out[TRACKING, TRACKING] = self.bed.tracking_covariance
        return out

    def calibration_u95_mm(self, points_mm: Array, where: slice = slice(None)) -> Array:
        """Return (n,) radius that holds each point with 95 %, in the direction known worst.

        `where` picks a group of `terms`; all of the calibration by default.
        """
        covariance = self.point_covariance(points_mm, where)
        return np.asarray(K95_PLANE * np.sqrt(np.linalg.eigvalsh(covariance)[:, -1]))

    def point_covariance(self, points_mm: Array, where: slice = slice(None)) -> Array:
        """Return (n, 2, 2) mm^2 what the calibration, or a group of `terms`, does to each point."""
        jacobian = self.calibration_jacobian_mm(points_mm)[:, :, where]
        return np.asarray(
            jacobian @ self.calibration_covariance[where, where] @ jacobian.transpose(0, 2, 1)
        )

    def height_jacobian_mm(self, points_mm: Array) -> Array:
        """Return (n, 2): how far a measured point moves per mm of greater assumed height."""
        camera = self.bed.camera_mm
        return np.asarray((points_mm - camera[:2]) / (self.height_mm - camera[2]))

    def terms(self) -> dict[str, Term]:
        """Return the independent groups of the calibration, by the name that a budget shows."""
        return {
            "lens": Term(LENS, "measured", "take more board photos, out to the corners"),
            "camera pose": Term(CAMERA, "measured", "lay a larger board, or take more bed photos"),
            "place of the board": Term(
                PLACE,
                "measured" if self.bed.place_measured else "assumed",
                "burn the board, or measure its place and state it with --at-u",
            ),
            "scale of the board": Term(
                SCALE,
                "measured" if self.bed.scale_measured else "assumed",
                "measure the board with a steel rule and state it in the board file",
            ),
            "movement of the camera": Term(
                TRACKING, "measured", "add reference marks near the bed's corners"
            ),
        }

    @cached_property
    def _camera_per_lens(self) -> Array:
        """(8, 12) regression of pose and form on the lens."""
        full = self.bed.covariance
        return np.asarray(full[CAMERA, LENS] @ np.linalg.pinv(full[LENS, LENS], hermitian=True))

    def _project(self, points_mm: Array) -> tuple[Array, Array, Array, Array]:
        heights = np.full((len(points_mm), 1), self.height_mm)
        return self.bed.px_with_jacobians(np.concatenate([points_mm, heights], axis=1))
