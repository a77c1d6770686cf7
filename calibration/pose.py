"""Rigid poses in space and their small motions.

A pose maps bed (or board) to camera: p_camera = R p + t. Its uncertainty is that of a small motion
(w, s) applied from the camera's side: R -> exp([w]x) R, t -> t + s, with w in radians and s in
millimetres, so that it stays regular for the half turn of a camera that looks down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.lens import Lens

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Pose:
    """Camera from bed (or from board).

    Attributes
    ----------
    rotation
        (3, 3) rotation matrix.
    translation_mm
        (3,) place of the other frame's origin in camera coordinates.
    """

    rotation: Array
    translation_mm: Array

    @classmethod
    def from_vectors(cls, rvec: ArrayLike, tvec: ArrayLike) -> Pose:
        """Return the pose of OpenCV's rotation vector and translation."""
        return cls(
            rotation_from_vector(np.asarray(rvec, float).ravel()), np.array(tvec, float).ravel()
        )

    @property
    def rvec(self) -> Array:
        """The (3,) rotation vector."""
        return vector_from_rotation(self.rotation)

    @property
    def camera_mm(self) -> Array:
        """The (3,) place of the camera's centre in the other frame."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    @property
    def height_jacobian(self) -> Array:
        """(6,) change of the camera's z in the other frame with its small motion (w, s)."""
        # z = -r . t with r the rotation's third column; R -> (1 + [w]x) R, t -> t + s.
        up = self.rotation[:, 2]
        return np.concatenate([np.cross(self.translation_mm, up), -up])

    def apply(self, points_mm: Array) -> Array:
        """Map (n, 3) points into camera coordinates."""
        return np.asarray(points_mm @ self.rotation.T + self.translation_mm)

    def moved(self, step: Array) -> Pose:
        """Return the pose after the small motion (6,) (w, s)."""
        rotation = rotation_from_vector(step[:3]) @ self.rotation
        return Pose(rotation, self.translation_mm + step[3:])

    def step_to(self, other: Pose) -> Array:
        """Return the (6,) motion that leads from here to another pose."""
        turn = vector_from_rotation(other.rotation @ self.rotation.T)
        return np.concatenate([turn, other.translation_mm - self.translation_mm])

    def before(self, rotation: Array, shift_mm: Array) -> Pose:
        """Return this pose after p -> rotation p + shift: camera from the frame before that."""
        return Pose(
            self.rotation @ rotation, np.asarray(self.rotation @ shift_mm + self.translation_mm)
        )


def rotation_from_vector(vector: Array) -> Array:
    """Return the (3, 3) rotation of a (3,) rotation vector (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    x, y, z = vector
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    if angle < 1e-8:
        return np.asarray(np.eye(3) + cross + 0.5 * cross @ cross)
    return np.asarray(
        np.eye(3) + np.sin(angle) / angle * cross + (1 - np.cos(angle)) / angle**2 * (cross @ cross)
    )


def vector_from_rotation(rotation: Array) -> Array:
    """Return the (3,) rotation vector of a rotation matrix, by way of its quaternion.

    The largest of the four squares is taken first, so half turns keep their accuracy
    (S. W. Shepperd, "Quaternion from rotation matrix", J. Guidance and Control 1 (1978), 223-224).
    """
    r = rotation
    trace = np.trace(r)
    squares = np.array([trace, r[0, 0], r[1, 1], r[2, 2]])
    largest = int(np.argmax(squares))
    q = np.empty(4)
    if largest == 0:
        q[:] = [1 + trace, r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]]
    else:
        i = largest - 1
        j, k = (i + 1) % 3, (i + 2) % 3
        q[0] = r[k, j] - r[j, k]
        q[1 + i] = 1 + r[i, i] - r[j, j] - r[k, k]
        q[1 + j] = r[j, i] + r[i, j]
        q[1 + k] = r[k, i] + r[i, k]
    q /= np.linalg.norm(q)
    if q[0] < 0:
        q = -q
    length = float(np.linalg.norm(q[1:]))
    if length < 1e-12:
        return np.asarray(2 * q[1:])
    return np.asarray(2 * np.arctan2(length, q[0]) / length * q[1:])


def project_with_jacobians(
    lens: Lens, pose: Pose, points_mm: Array
) -> tuple[Array, Array, Array, Array]:
    """Project points of the bed (or board) frame, with derivatives.

    Returns
    -------
    pixels
        (n, 2).
    per_mm
        (n, 2, 3) d(u, v) / d(point).
    per_pose
        (n, 2, 6) d(u, v) / d(small motion of the pose).
    per_lens
        (n, 2, 12) d(u, v) / d(lens parameters).
    """
    turned = points_mm @ pose.rotation.T  # (n, 3)
    pixels, per_camera, per_lens = lens.project_with_jacobians(turned + pose.translation_mm)
    per_pose = np.empty((len(points_mm), 2, 6))
    # d(exp([w]x) q) = w x q, so each row g of the derivative gives g . (w x q) = w . (q x g).
    per_pose[:, :, :3] = np.cross(turned[:, None, :], per_camera)
    per_pose[:, :, 3:] = per_camera
    return pixels, per_camera @ pose.rotation, per_pose, per_lens
