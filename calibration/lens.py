"""The lens: pinhole with Brown-Conrady distortion, in OpenCV's convention.

Pixel centres lie at integers, u right, v down; camera coordinates are x right, y down, z forward.
D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971), 855-866; the
form and the order of the coefficients are those of OpenCV's `calib3d` documentation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.errors import WitmarkError
from calibration.files import read_json

Array = NDArray[np.float64]

PARAMETERS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
COUNT = len(PARAMETERS)

# Newton's method converges quadratically; only points at the edge of the monotone range need many.
_MAX_ITERATIONS = 60
_CONVERGED = 1e-13


@dataclass(frozen=True, eq=False)
class Lens:
    """One camera at one focus and zoom.

    Attributes
    ----------
    image_size
        Width and height in pixels of the photos that it is for.
    parameters
        (9,) fx, fy, cx, cy in pixels, then k1, k2, p1, p2, k3.
    covariance
        (9, 9) covariance of the parameters; zero rows where a parameter was held. It covers the
        noise of the corners; what the model itself cannot follow is not in it.
    """

    image_size: tuple[int, int]
    parameters: Array
    covariance: Array

    def __post_init__(self) -> None:
        """Refuse shapes and numbers that no later step could use."""
        if self.parameters.shape != (COUNT,) or self.covariance.shape != (COUNT, COUNT):
            raise ValueError("a lens has 9 parameters and a 9 x 9 covariance")
        if not (np.isfinite(self.parameters).all() and np.isfinite(self.covariance).all()):
            raise ValueError("a lens must be finite")
        if min(self.parameters[0], self.parameters[1]) <= 0 or min(self.image_size) <= 0:
            raise ValueError("focal lengths and image size must be positive")

    @classmethod
    def from_values(
        cls, image_size: tuple[int, int], covariance: Array | None = None, **values: float
    ) -> Lens:
        """Return the lens with named parameters; those left out are zero, so is the covariance."""
        parameters = np.array([float(values.pop(name, 0.0)) for name in PARAMETERS])
        if values:
            raise ValueError(f"no such lens parameter: {', '.join(values)}")
        return cls(
            image_size, parameters, np.zeros((COUNT, COUNT)) if covariance is None else covariance
        )

    def with_parameters(self, parameters: Array, covariance: Array | None = None) -> Lens:
        """Return the lens with other parameters (9,) and, where given, another covariance."""
        kept = self.covariance if covariance is None else covariance
        return replace(self, parameters=np.array(parameters, float), covariance=kept)

    @property
    def matrix(self) -> Array:
        """The (3, 3) camera matrix."""
        fx, fy, cx, cy = self.parameters[:4]
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])

    @property
    def distortion(self) -> Array:
        """The (5,) coefficients k1, k2, p1, p2, k3."""
        return self.parameters[4:]

    @property
    def free(self) -> NDArray[np.bool_]:
        """(9,) which parameters were measured."""
        return np.asarray(np.diag(self.covariance) > 0)

    @cached_property
    def monotone_radius(self) -> float:
        """Largest undistorted radius (tangent of the field angle) up to which the image grows.

        Beyond it the polynomial folds back and one pixel would belong to two rays.
        """
        k1, k2, _, _, k3 = self.distortion
        # d/dr of r (1 + k1 r^2 + k2 r^4 + k3 r^6), as a polynomial in 1 / r^2: its leading
        # coefficient is one, however small the terms of the lens are.
        roots = np.roots([1.0, 3 * k1, 5 * k2, 7 * k3])
        folds = roots[np.abs(roots.imag) < 1e-9].real
        nearest = float(folds.max(initial=0.0))
        return 1 / math.sqrt(nearest) if nearest > 1e-12 else math.inf

    def project(self, points_camera: Array) -> Array:
        """Map (n, 3) camera coordinates to (n, 2) pixels.

        NaN behind the camera and beyond the monotone radius. Points outside the picture keep
        their finite pixels.
        """
        x, y = self._normalised(points_camera)
        xd, yd = self._distort(x, y)
        fx, fy, cx, cy = self.parameters[:4]
        pixels = np.empty((len(x), 2))
        pixels[:, 0] = fx * xd + cx
        pixels[:, 1] = fy * yd + cy
        return pixels

    def project_with_jacobians(self, points_camera: Array) -> tuple[Array, Array, Array]:
        """Project, with analytic derivatives.

        Returns
        -------
        pixels
            (n, 2), NaN as in `project`.
        per_point
            (n, 2, 3) d(u, v) / d(x, y, z) of the camera coordinates.
        per_parameter
            (n, 2, 9) d(u, v) / d(lens parameters).
        """
        x, y = self._normalised(points_camera)
        xd, yd = self._distort(x, y)
        fx, fy, cx, cy = self.parameters[:4]
        n = len(x)
        pixels = np.stack([fx * xd + cx, fy * yd + cy], axis=1)

        a, b, c, d = self._distortion_jacobian(x, y)
        inverse_z = 1.0 / points_camera[:, 2]
        per_point = np.empty((n, 2, 3))
        per_point[:, 0, 0] = fx * a * inverse_z
        per_point[:, 0, 1] = fx * b * inverse_z
        per_point[:, 0, 2] = -fx * (a * x + b * y) * inverse_z
        per_point[:, 1, 0] = fy * c * inverse_z
        per_point[:, 1, 1] = fy * d * inverse_z
        per_point[:, 1, 2] = -fy * (c * x + d * y) * inverse_z

        r2 = x * x + y * y
        per_parameter = np.zeros((n, 2, COUNT))
        per_parameter[:, 0, 0] = xd
        per_parameter[:, 1, 1] = yd
        per_parameter[:, 0, 2] = 1.0
        per_parameter[:, 1, 3] = 1.0
        for column, power in ((4, r2), (5, r2 * r2), (8, r2 * r2 * r2)):
            per_parameter[:, 0, column] = fx * x * power
            per_parameter[:, 1, column] = fy * y * power
        per_parameter[:, 0, 6] = fx * 2 * x * y
        per_parameter[:, 1, 6] = fy * (r2 + 2 * y * y)
        per_parameter[:, 0, 7] = fx * (r2 + 2 * x * x)
        per_parameter[:, 1, 7] = fy * 2 * x * y
        return pixels, per_point, per_parameter

    def rays(self, pixels: Array) -> Array:
        """Map (n, 2) pixels to (n, 3) directions with z = 1.

        The distortion is inverted by Newton's method until it stands; NaN where no ray within the
        monotone radius belongs to the pixel.
        """
        fx, fy, cx, cy = self.parameters[:4]
        goal_x = (pixels[:, 0] - cx) / fx
        goal_y = (pixels[:, 1] - cy) / fy
        x, y = goal_x.copy(), goal_y.copy()
        moving = np.flatnonzero(np.isfinite(goal_x) & np.isfinite(goal_y))
        done = np.zeros(len(x), bool)
        with np.errstate(all="ignore"):
            for _ in range(_MAX_ITERATIONS):
                xa, ya = x[moving], y[moving]
                xd, yd = self._distort(xa, ya, limited=False)
                ex, ey = goal_x[moving] - xd, goal_y[moving] - yd
                a, b, c, d = self._distortion_jacobian(xa, ya)
                determinant = a * d - b * c
                step_x = (d * ex - b * ey) / determinant
                step_y = (a * ey - c * ex) / determinant
                x[moving] = xa + step_x
                y[moving] = ya + step_y
                still = np.hypot(step_x, step_y) <= _CONVERGED * (1.0 + np.hypot(xa, ya))
                # On the far side of the fold the determinant is negative: another branch.
                done[moving[still & (determinant > 0)]] = True
                moving = moving[~still]
                if moving.size == 0:
                    break
            done &= np.hypot(x, y) <= self.monotone_radius
        rays = np.stack([x, y, np.ones_like(x)], axis=1)
        rays[~done] = np.nan
        return rays

    def _normalised(self, points_camera: Array) -> tuple[Array, Array]:
        """Divide by depth; NaN for points that are not in front of the camera."""
        z = points_camera[:, 2]
        inverse = 1.0 / np.where(z > 0, z, np.nan)
        return points_camera[:, 0] * inverse, points_camera[:, 1] * inverse

    def _distort(self, x: Array, y: Array, limited: bool = True) -> tuple[Array, Array]:
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        if limited and np.isfinite(self.monotone_radius):
            radial = np.where(r2 <= self.monotone_radius**2, radial, np.nan)
        xy2 = 2 * x * y
        return (
            x * radial + p1 * xy2 + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + p2 * xy2,
        )

    def _distortion_jacobian(self, x: Array, y: Array) -> tuple[Array, Array, Array, Array]:
        """d(xd, yd) / d(x, y) as four (n,) arrays, row by row."""
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = k1 + r2 * (2 * k2 + r2 * 3 * k3)
        mixed = 2 * (x * y * slope + p1 * x + p2 * y)
        return (
            radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x,
            mixed,
            mixed,
            radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x,
        )

    def to_json(self) -> dict[str, Any]:
        """Return the part of lens and bed files that holds a lens."""
        return {
            "model": "brown-conrady",
            "image_size": list(self.image_size),
            "parameters": dict(zip(PARAMETERS, self.parameters.tolist(), strict=True)),
            "covariance": self.covariance.tolist(),
        }


def lens_from_json(content: dict[str, Any], where: str) -> Lens:
    """Return the lens that a file's content describes; `where` names the file in complaints."""
    try:
        model = content["model"]
        if model != "brown-conrady":
            raise ValueError(f"unknown lens model '{model}'")
        width, height = (int(side) for side in content["image_size"])
        parameters = np.array([float(content["parameters"][name]) for name in PARAMETERS])
        covariance = np.array(content["covariance"], float)
        return Lens((width, height), parameters, covariance)
    except (KeyError, TypeError, ValueError) as error:
        reason = f"field {error} is missing" if isinstance(error, KeyError) else str(error)
        raise WitmarkError(
            where, f"holds no usable lens ({reason})", "make it again with 'witmark calibrate lens'"
        ) from error


def read_lens(path: Path) -> Lens:
    """Read the lens of a `witmark.lens` file."""
    return lens_from_json(read_json(path, "lens"), str(path))
