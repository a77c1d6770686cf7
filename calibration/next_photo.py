"""Which photo of the board to take next: the one that makes the lens surest.

Nine places in the picture and five tilts are tried in thought: what each would add to the lens's
information (the pose of the board unknown, as it will be) follows from the projection alone, and
the one that leaves the worst known part of the picture known best is told (G-optimal design; Kiefer
and Wolfowitz, Canadian J. Math. 12, 1960).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.lens import Lens
from calibration.lens_fit import LensFit
from calibration.lens_solve import beside_pose
from calibration.pose import Pose, project_with_jacobians, rotation_from_vector
from calibration.quantity import K95_PLANE
from calibration.ties import together

Array = NDArray[np.float64]

# Where the board's middle goes, in halves of the picture from its centre.
_DOWN = {"upper": -0.6, "middle": 0.0, "lower": 0.6}
_ACROSS = {"left": -0.6, "centre": 0.0, "right": 0.6}
_TILT_DEG = 30.0
# Rotation vector of each tilt, in degrees: x right, y down, z away from the camera.
_TILTS = {
    "held square to the camera": (0.0, 0.0),
    f"its right side tilted away by {_TILT_DEG:g} degrees": (0.0, -_TILT_DEG),
    f"its left side tilted away by {_TILT_DEG:g} degrees": (0.0, _TILT_DEG),
    f"its lower side tilted away by {_TILT_DEG:g} degrees": (_TILT_DEG, 0.0),
    f"its upper side tilted away by {_TILT_DEG:g} degrees": (-_TILT_DEG, 0.0),
}
# Share of the picture's width that the board fills, and of its corners that must be in the picture.
_FILLS, _IN_VIEW = 0.45, 0.6
# How many places of the picture are looked at, across and down.
_GRID = (9, 7)


@dataclass(frozen=True, eq=False)
class NextPhoto:
    """A photo that is worth taking.

    Attributes
    ----------
    where, tilt
        Part of the picture, and how the board is held there, in words.
    pose
        Camera from board of that photo.
    u95_px, then_u95_px
        U95 of where a ray is seen, in the part of the picture where it is known worst: now, and
        with that photo. Apart from what the camera's pose over a flat bed takes up.
    """

    where: str
    tilt: str
    pose: Pose
    u95_px: float
    then_u95_px: float

    def to_json(self) -> dict[str, Any]:
        """Return what the facts hold."""
        return {
            "where": self.where,
            "tilt": self.tilt,
            "u95_px": self.u95_px,
            "then_u95_px": self.then_u95_px,
        }


def next_photo(fit: LensFit) -> NextPhoto | None:
    """Return the photo that helps most; None where the lens sees no place for the board."""
    lens, free = fit.lens, fit.lens.free
    covariance = lens.covariance[np.ix_(free, free)]
    told = np.linalg.inv(covariance)
    places = _by_lens(lens)[:, :, free]
    now, best = _worst(places, covariance), None
    flat = fit.board.points_mm()
    for down, v in _DOWN.items():
        for across, u in _ACROSS.items():
            for tilt, vector in _TILTS.items():
                pose = _held(lens, flat, (u, v), vector)
                if pose is None or (more := _adds(fit, pose, flat)) is None:
                    continue
                known = told + more / fit.sigma_px**2
                then = _worst(places, np.asarray(np.linalg.inv(known), np.float64))
                if best is None or then < best.then_u95_px:
                    where = "centre" if (u, v) == (0.0, 0.0) else f"{down} {across}"
                    best = NextPhoto(where, tilt, pose, now, then)
    return best


def _held(
    lens: Lens, flat: Array, spot: tuple[float, float], tilt: tuple[float, float]
) -> Pose | None:
    """Return the pose of a board in one part of the picture; None where the lens has no ray."""
    size = np.array(lens.image_size)
    ray = lens.rays(((size - 1) / 2 * (1 + np.array(spot)))[None])[0]
    if not np.isfinite(ray).all():
        return None
    ray /= np.linalg.norm(ray)
    axis = np.cross([0.0, 0.0, 1.0], ray)
    length = float(np.linalg.norm(axis))
    facing = rotation_from_vector(axis * (math.atan2(length, ray[2]) / max(length, 1e-12)))
    turn = facing @ rotation_from_vector(np.radians([*tilt, 0.0]))
    low, high = flat.min(axis=0), flat.max(axis=0)
    distance = float(lens.parameters[0] * (high - low)[0] / (_FILLS * size[0]))
    middle = np.array([*(low + high) / 2, 0.0])
    return Pose(turn, distance * ray - turn @ middle)


def _adds(fit: LensFit, pose: Pose, flat: Array) -> Array | None:
    """Return (f, f) what a photo tells of the lens, for corners of unit variance.

    None where the board is not in view.
    """
    points = np.c_[flat, np.zeros(len(flat))]
    px, _, per_pose, per_lens = project_with_jacobians(fit.lens, pose, points)
    with np.errstate(invalid="ignore"):
        inside = ((px >= 0) & (px <= np.array(fit.lens.image_size) - 1)).all(axis=1)
    if inside.mean() < _IN_VIEW:
        return None
    left = beside_pose(per_lens[inside][:, :, fit.lens.free], per_pose[inside])
    normal = np.einsum("nif,nig->fg", left, left)
    pairs = fit.board.neighbours(np.flatnonzero(inside))
    noise = together(left, px[inside], pairs)
    return np.asarray(normal @ np.linalg.pinv(noise, hermitian=True) @ normal)


def _by_lens(lens: Lens) -> Array:
    """Return (n, 2, 12) how places of the picture move with the lens, motions taken out."""
    width, height = lens.image_size
    u, v = np.meshgrid(np.linspace(0, width - 1, _GRID[0]), np.linspace(0, height - 1, _GRID[1]))
    rays = lens.rays(np.stack([u.ravel(), v.ravel()], axis=1))
    rays = rays[np.isfinite(rays).all(axis=1)]
    _, per_ray, per_lens = lens.project_with_jacobians(rays)
    # Of a plane that the camera looks at squarely: the rays end on it.
    motions = np.concatenate([np.cross(rays[:, None, :], per_ray), per_ray], axis=2).reshape(-1, 6)
    moved = per_lens.reshape(len(motions), -1)
    moved = moved - motions @ np.linalg.lstsq(motions, moved, rcond=None)[0]
    return np.asarray(moved.reshape(per_lens.shape))


def _worst(places: Array, covariance: Array) -> float:
    """Return the largest radius that holds one of some places with 95 %, px."""
    spread = places @ covariance @ places.transpose(0, 2, 1)
    return float(K95_PLANE * math.sqrt(np.linalg.eigvalsh(spread)[:, -1].max()))
