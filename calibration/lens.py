"""The lens: pinhole with distortion, in OpenCV's convention (`distortion` names the models).

Pixel centres lie at integers, u right, v down; camera coordinates are x right, y down, z forward.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.distortion import COEFFICIENTS, ROOM, Distortion, Model
from calibration.errors import WitmarkError
from calibration.files import read_json

Array = NDArray[np.float64]

_PINHOLE = ("fx", "fy", "cx", "cy")
PARAMETERS: dict[Model, tuple[str, ...]] = {
    model: (*_PINHOLE, *names) for model, names in COEFFICIENTS.items()
}
# All models have room in one vector, so that nothing that comes after need know the model.
COUNT = len(_PINHOLE) + ROOM
DISTORTION = slice(len(_PINHOLE), COUNT)

# Newton's method converges quadratically; only points at the edge of the monotone range need many.
_MAX_ITERATIONS = 60
_CONVERGED = 1e-13
# Starts are looked up at so many field angles up to this one.
_RADII, _WIDEST_RAD = 256, 1.5


@dataclass(frozen=True, eq=False)
class Lens:
    """One camera at one focus and zoom.

    Attributes
    ----------
    image_size
        Width and height in pixels of the photos that it is for.
    parameters
        (12,) fx, fy, cx, cy in pixels, then the distortion model's coefficients; zero what the
        model has no use for.
    covariance
        (12, 12) covariance of the parameters; zero rows where a parameter was held. It covers the
        noise of the corners; what the model itself cannot follow is not in it.
    model
        The distortion model.
    """

    image_size: tuple[int, int]
    parameters: Array
    covariance: Array
    model: Model = "brown-conrady"

    def __post_init__(self) -> None:
        """Refuse shapes and numbers that no later step could use."""
        if self.parameters.shape != (COUNT,) or self.covariance.shape != (COUNT, COUNT):
            raise ValueError(f"a lens has {COUNT} parameters and a {COUNT} x {COUNT} covariance")
        if not (np.isfinite(self.parameters).all() and np.isfinite(self.covariance).all()):
            raise ValueError("a lens must be finite")
        if min(self.parameters[0], self.parameters[1]) <= 0 or min(self.image_size) <= 0:
            raise ValueError("focal lengths and image size must be positive")

    @classmethod
    def from_values(
        cls,
        image_size: tuple[int, int],
        covariance: Array | None = None,
        model: Model = "brown-conrady",
        **values: float,
    ) -> Lens:
        """Return the lens with named parameters; those left out are zero.

        `covariance` (n, n) is that of the model's own parameters, in their order; zero by default.
        """
        names = PARAMETERS[model]
        parameters, full = np.zeros(COUNT), np.zeros((COUNT, COUNT))
        parameters[: len(names)] = [float(values.pop(name, 0.0)) for name in names]
        if values:
            raise ValueError(f"no such lens parameter: {', '.join(values)}")
        if covariance is not None:
            full[: len(names), : len(names)] = covariance
        return cls(image_size, parameters, full, model)

    def with_parameters(self, parameters: Array, covariance: Array | None = None) -> Lens:
        """Return the lens with other parameters (12,) and, where given, another covariance."""
        kept = self.covariance if covariance is None else covariance
        return replace(self, parameters=np.array(parameters, float), covariance=kept)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the model's parameters: the first ones of the vector."""
        return PARAMETERS[self.model]

    @property
    def matrix(self) -> Array:
        """The (3, 3) camera matrix."""
        fx, fy, cx, cy = self.parameters[:4]
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])

    @property
    def coefficients(self) -> Array:
        """The (n,) coefficients of the model's distortion, as OpenCV takes them."""
        return self.parameters[DISTORTION][: len(COEFFICIENTS[self.model])]

    @property
    def free(self) -> NDArray[np.bool_]:
        """(12,) which parameters were measured."""
        return np.asarray(np.diag(self.covariance) > 0)

    @cached_property
    def distortion(self) -> Distortion:
        """How the lens bends rays."""
        return Distortion(self.model, self.parameters[DISTORTION])

    @property
    def monotone_radius(self) -> float:
        """Largest undistorted radius (tangent of the field angle) up to which the image grows."""
        return self.distortion.monotone_radius

    def project(self, points_camera: Array) -> Array:
        """Map (n, 3) camera coordinates to (n, 2) pixels.

        NaN behind the camera and beyond the monotone radius. Points outside the picture keep
        their finite pixels.
        """
        x, y = self._normalised(points_camera)
        xd, yd = self._bent(x, y)
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
            (n, 2, 12) d(u, v) / d(lens parameters).
        """
        x, y = self._normalised(points_camera)
        xd, yd = self._bent(x, y)
        fx, fy, cx, cy = self.parameters[:4]
        n = len(x)
        pixels = np.stack([fx * xd + cx, fy * yd + cy], axis=1)

        a, b, c, d = self.distortion.by_direction(x, y)
        inverse_z = 1.0 / points_camera[:, 2]
        per_point = np.empty((n, 2, 3))
        per_point[:, 0, 0] = fx * a * inverse_z
        per_point[:, 0, 1] = fx * b * inverse_z
        per_point[:, 0, 2] = -fx * (a * x + b * y) * inverse_z
        per_point[:, 1, 0] = fy * c * inverse_z
        per_point[:, 1, 1] = fy * d * inverse_z
        per_point[:, 1, 2] = -fy * (c * x + d * y) * inverse_z

        per_parameter = np.zeros((n, 2, COUNT))
        per_parameter[:, 0, 0] = xd
        per_parameter[:, 1, 1] = yd
        per_parameter[:, 0, 2] = 1.0
        per_parameter[:, 1, 3] = 1.0
        per_parameter[:, :, DISTORTION] = self.distortion.by_coefficient(x, y)
        per_parameter[:, :, DISTORTION] *= np.array([fx, fy])[:, None]
        return pixels, per_point, per_parameter

    def rays(self, pixels: Array) -> Array:
        """Map (n, 2) pixels to (n, 3) directions with z = 1.

        The distortion is inverted by Newton's method until it stands; NaN where no ray within the
        monotone radius belongs to the pixel.
        """
        fx, fy, cx, cy = self.parameters[:4]
        goal_x = (pixels[:, 0] - cx) / fx
        goal_y = (pixels[:, 1] - cy) / fy
        x, y = self._start(goal_x, goal_y)
        moving = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
        done = np.zeros(len(x), bool)
        with np.errstate(all="ignore"):
            for _ in range(_MAX_ITERATIONS):
                xa, ya = x[moving], y[moving]
                xd, yd = self.distortion.bend(xa, ya)
                ex, ey = goal_x[moving] - xd, goal_y[moving] - yd
                a, b, c, d = self.distortion.by_direction(xa, ya)
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

    def _start(self, bent_x: Array, bent_y: Array) -> tuple[Array, Array]:
        """Return where Newton's method starts for bent directions."""
        if self.model == "brown-conrady":
            return bent_x.copy(), bent_y.copy()
        # Wide lenses bend so much that the method would leave them: start at the right radius.
        widest = min(math.atan(self.monotone_radius), _WIDEST_RAD)
        straight = np.tan(np.linspace(0.0, widest, _RADII))
        bent = self.distortion.bend_radius(straight)
        radius = np.hypot(bent_x, bent_y)
        factor = np.interp(radius, bent, straight) / np.where(radius > 0, radius, 1.0)
        return bent_x * factor, bent_y * factor

    def _normalised(self, points_camera: Array) -> tuple[Array, Array]:
        """Divide by depth; NaN for points that are not in front of the camera."""
        z = points_camera[:, 2]
        inverse = 1.0 / np.where(z > 0, z, np.nan)
        return points_camera[:, 0] * inverse, points_camera[:, 1] * inverse

    def _bent(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Bend straight directions; NaN beyond the monotone radius."""
        xd, yd = self.distortion.bend(x, y)
        if not math.isfinite(self.monotone_radius):
            return xd, yd
        seen = x * x + y * y <= self.monotone_radius**2
        return np.where(seen, xd, np.nan), np.where(seen, yd, np.nan)

    def to_json(self) -> dict[str, Any]:
        """Return the part of lens and bed files that holds a lens."""
        count = len(self.names)
        return {
            "model": self.model,
            "image_size": list(self.image_size),
            "parameters": dict(zip(self.names, self.parameters[:count].tolist(), strict=True)),
            "covariance": self.covariance[:count, :count].tolist(),
        }


def lens_from_json(content: dict[str, Any], where: str) -> Lens:
    """Return the lens that a file's content describes; `where` names the file in complaints."""
    try:
        model = content["model"]
        if model not in PARAMETERS:
            raise ValueError(f"unknown lens model '{model}'")
        width, height = (int(side) for side in content["image_size"])
        values = {name: float(content["parameters"][name]) for name in PARAMETERS[model]}
        covariance = np.array(content["covariance"], float)
        if covariance.shape != (len(values), len(values)):
            raise ValueError(f"its covariance is {len(values)} x {len(values)}")
        return Lens.from_values((width, height), covariance, model, **values)
    except (KeyError, TypeError, ValueError) as error:
        reason = f"field {error} is missing" if isinstance(error, KeyError) else str(error)
        raise WitmarkError(
            where, f"holds no usable lens ({reason})", "make it again with 'witmark calibrate lens'"
        ) from error


def read_lens(path: Path) -> Lens:
    """Read the lens of a `witmark.lens` file."""
    return lens_from_json(read_json(path, "lens"), str(path))
