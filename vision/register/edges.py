"""One straight edge of the work to a fraction of a pixel, with covariance.

Each station along the edge gives the step's place by linear least squares on a short profile with
free levels on both sides, in linear light (a tone curve shifts an edge by half a pixel); a straight
line goes through all of them, stations with more contrast weighing more. The bed behind makes
neighbouring stations err alike, so the covariance is that for correlated residuals (W. Newey,
K. West, Econometrica 55, 1987, with Parzen's window).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.plane import PlaneSurface
from calibration.surface import Surface
from vision.artwork.placing import Rigid
from vision.register.view import View

Array = NDArray[np.float64]
Side = Literal["right", "top", "left", "bottom"]

# The order is that of the outward normal's quarter turns.
SIDES: tuple[Side, ...] = ("right", "top", "left", "bottom")

_PROFILE_PX = np.arange(-3.5, 3.01, 0.5)
_BLUR_PX = 1.05
_BAND_MM = np.arange(-2.6, -0.9, 0.4)
_HANG_TOGETHER_MM = 8.0
_STEPS = 5
# A start is good to about a pixel; what lies further away is another line.
_FAR_PX = 4.0
_UNEVEN_PX = 0.8
_TAPER_AT = 0.0
_TAPER_WIDTH = 3.0


@dataclass(frozen=True, eq=False)
class Edge:
    """A straight edge of the work, in surface millimetres.

    Attributes
    ----------
    side
        Which side of the work, in the artwork's own axes.
    middle_mm
        (x, y) of the middle of the part that was measured.
    normal_rad
        Direction of the outward normal, counter-clockwise from the bed's X.
    half_mm
        Half the length that was measured.
    covariance
        (2, 2) of (offset along the normal at the middle mm, turn of the normal rad), statistical.
    pixel_mm
        Size of a pixel there.
    contrast
        Mean step from outside to inside, linear light.
    scatter_px
        How far, weighed by contrast, single places along the edge lie off the line.
    inner
        Median linear light of a band just inside of it.
    wall_mm
        How wide the work's side wall shows beyond it: the edge that is seen lies between the face's
        own and the wall's lower one.
    """

    side: Side
    middle_mm: tuple[float, float]
    normal_rad: float
    half_mm: float
    covariance: Array
    pixel_mm: float
    contrast: float
    scatter_px: float = 0.0
    inner: float = 0.0
    wall_mm: float = 0.0

    @property
    def normal(self) -> Array:
        """The (2,) outward unit normal."""
        return np.array([math.cos(self.normal_rad), math.sin(self.normal_rad)])

    @property
    def along(self) -> Array:
        """The (2,) unit vector along the edge, a quarter turn from the normal."""
        return np.array([-math.sin(self.normal_rad), math.cos(self.normal_rad)])

    def moved(self, motion: Rigid) -> Edge:
        """Return the edge after a rigid motion."""
        middle = motion.apply(np.array(self.middle_mm)[None])[0]
        place = (float(middle[0]), float(middle[1]))
        return replace(self, middle_mm=place, normal_rad=self.normal_rad + motion.angle_rad)

    def shifted(self, offset_mm: float, slope: float) -> Edge:
        """Return the edge moved along its normal at its middle, and sloped against itself."""
        middle = np.array(self.middle_mm) + offset_mm * self.normal
        place = (float(middle[0]), float(middle[1]))
        return replace(self, middle_mm=place, normal_rad=self.normal_rad - math.atan(slope))

    def beyond_mm(self, points_mm: Array) -> Array:
        """Return (n,) how far points lie outside of the edge (negative inside)."""
        return np.asarray((points_mm - np.array(self.middle_mm)) @ self.normal)

    def offset_variance(self, along_mm: float) -> float:
        """Return the variance of the edge's offset at a distance from its middle."""
        carry = np.array([1.0, -along_mm])
        return float(carry @ self.covariance @ carry)


def crossing(first: Edge, second: Edge) -> Array:
    """Return the (2,) point where two edges that are not parallel meet."""
    normals = np.stack([first.normal, second.normal])
    offsets = [normals[0] @ np.array(first.middle_mm), normals[1] @ np.array(second.middle_mm)]
    return np.asarray(np.linalg.solve(normals, np.array(offsets)))


def fit_edge(view: View, start: Edge, keep_out: NDArray[np.bool_] | None = None) -> Edge | None:
    """Return the edge near a start (within about two pixels), or None where there is none.

    Parameters
    ----------
    view
        The capture.
    start
        Where the edge is to be looked for; its side, middle, normal and half length count.
    keep_out
        (h, w) pixels that must not count.
    """
    edge = start
    fitted: Edge | None = None
    travelled = 0.0
    for _ in range(_STEPS):
        fitted = _refined(view, edge, keep_out)
        if fitted is None:
            return None
        step_px = float(
            np.hypot(*(np.array(fitted.middle_mm) - np.array(edge.middle_mm))) / edge.pixel_mm
        )
        travelled += step_px
        swing_px = abs(fitted.normal_rad - edge.normal_rad) * edge.half_mm / edge.pixel_mm
        edge = fitted
        if travelled > _FAR_PX:
            return None
        if step_px < 0.03 and swing_px < 0.05:
            break
    # Where single places lie a pixel off the line, the bed behind is as bright as the work.
    return fitted if fitted is not None and fitted.scatter_px < _UNEVEN_PX else None


def _refined(view: View, edge: Edge, keep_out: NDArray[np.bool_] | None) -> Edge | None:
    """Return the edge after one step towards the picture's."""
    middle = np.array(edge.middle_mm)
    stations = stations_along(view, edge)
    if stations is None:
        return None
    t, pixel = stations
    station_mm = 2 * edge.half_mm / len(t)
    profile, seen = profiles_across(view, keep_out, edge, t, pixel)
    if seen.sum() < 25:
        return None
    t, profile = t[seen], profile[seen]
    inside, outside, pull = steps_of(profile)
    contrast = inside - outside
    line = line_through(t, edge.half_mm, contrast, pull, pixel, station_mm)
    if line is None:
        return None
    if abs(line.slope) > 0.2:
        return None
    return replace(
        edge.shifted(line.offset_mm, line.slope),
        covariance=line.covariance,
        pixel_mm=pixel,
        contrast=float(np.mean(contrast)),
        scatter_px=math.sqrt(float(np.sum(line.left**2) / np.sum(contrast**2))),
        inner=_inner_light(view, middle + t[:, None] * edge.along, edge.normal),
        wall_mm=_wall(view.surface, middle, edge.normal),
    )


def stations_along(view: View, edge: Edge) -> tuple[Array, float] | None:
    """Return (n,) places along an edge a pixel apart, mm from its middle; and a pixel across, mm.

    None where the edge is too short or out of view.
    """
    per_mm = view.surface.jacobian_px_per_mm(np.array(edge.middle_mm)[None])[0]
    if not np.isfinite(per_mm).all():
        return None
    # A step along the normal crosses the edge's image at the spacing that the picture gives.
    image_along = per_mm @ edge.along
    across = np.linalg.det(per_mm) / np.linalg.norm(image_along)
    count = int(2 * edge.half_mm * float(np.linalg.norm(image_along)))
    if count < 25:
        return None
    return np.linspace(-edge.half_mm, edge.half_mm, count), 1.0 / abs(float(across))


def profiles_across(
    view: View,
    keep_out: NDArray[np.bool_] | None,
    edge: Edge,
    t: Array,
    pixel_mm: float,
    at_px: Array = _PROFILE_PX,
    grey: bool = False,
) -> tuple[Array, NDArray[np.bool_]]:
    """Return (stations, samples) light across an edge, and which stations are wholly seen.

    Linear light, or grey levels where asked for; samples lie at `at_px` pixels beyond the edge.
    """
    n = at_px * pixel_mm
    middle = np.array(edge.middle_mm)
    places = middle + t[:, None, None] * edge.along + n[None, :, None] * edge.normal
    return _sample(view, keep_out, places, view.grey if grey else view.linear)


def _inner_light(view: View, line_mm: Array, normal: Array) -> float:
    """Return the median linear light of the band inside of a line of (n, 2) points."""
    places = line_mm[::4, None, :] + _BAND_MM[None, :, None] * normal
    light, good = _sample(view, None, places, view.linear)
    return float(np.median(light[good])) if good.any() else 0.0


def _wall(surface: Surface, middle_mm: Array, normal: Array) -> float:
    """Return how wide the wall below an edge shows: on a plane that lies on something."""
    if not isinstance(surface, PlaneSurface):
        return 0.0
    lean = float(surface.height_jacobian_mm(middle_mm[None])[0] @ normal)
    thick = surface.height_mm if surface.thickness_mm is None else surface.thickness_mm
    return max(lean * thick, 0.0)


def _sample(
    view: View,
    keep_out: NDArray[np.bool_] | None,
    places_mm: Array,
    picture: NDArray[np.float32],
) -> tuple[Array, NDArray[np.bool_]]:
    """Return (stations, samples) of a picture, and which stations lie wholly on usable pixels."""
    shape = places_mm.shape[:2]
    pixels = view.surface.px_from_mm(places_mm.reshape(-1, 2))
    finite = np.asarray(np.isfinite(pixels).all(axis=1))
    flat = np.where(finite[:, None], pixels, -10.0).astype(np.float32)
    u: NDArray[np.float32] = np.ascontiguousarray(flat[:, 0]).reshape(shape)
    v: NDArray[np.float32] = np.ascontiguousarray(flat[:, 1]).reshape(shape)
    light: NDArray[np.float32] = np.asarray(
        cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    )
    height, width = view.linear.shape
    inside = (u >= 0) & (v >= 0) & (u <= width - 1) & (v <= height - 1)
    column = np.clip(np.rint(u), 0, width - 1).astype(int)
    row = np.clip(np.rint(v), 0, height - 1).astype(int)
    free = view.usable > 0.5
    if keep_out is not None:
        free = np.logical_and(free, ~keep_out)
    good = np.logical_and(inside, free[row, column])
    return np.asarray(light, np.float64), np.asarray(good.all(axis=1))


def steps_of(profile: Array) -> tuple[Array, Array, Array]:
    """Return (n,) level inside, level outside, and contrast times place (px) of each profile."""
    inside, outside, pull = _step_solver() @ profile.T
    return inside, outside, pull


def pull_gain() -> float:
    """Return the standard deviation of contrast times place (px) per unit of noise in samples.

    Samples lie half a pixel apart, so that neighbours share about half of their noise.
    """
    return float(np.linalg.norm(_step_solver()[2])) * math.sqrt(2.0)


@cache
def _step_solver() -> Array:
    """Return (3, samples) the weights that make a profile's levels and place."""
    z = _PROFILE_PX / _BLUR_PX
    erf = np.array([math.erf(v / math.sqrt(2.0)) for v in z])
    covered = (1.0 - erf) / 2.0
    bell = np.exp(-(z**2) / 2.0) / (_BLUR_PX * math.sqrt(2.0 * math.pi))
    design = np.stack([covered, 1.0 - covered, bell], 1)
    # The far ends see the wall and other things on the bed: they count less.
    taper = np.exp(-(((_PROFILE_PX - _TAPER_AT) / _TAPER_WIDTH) ** 2) / 2.0)
    return np.asarray(np.linalg.pinv(design * taper[:, None]) * taper)


@dataclass(frozen=True, eq=False)
class LineThrough:
    """A straight line through the steps of many stations along an edge.

    Attributes
    ----------
    offset_mm, slope
        Where it lies beyond the edge at the edge's middle, and how it is sloped against it.
    farthest_mm
        How far from the edge its farther end lies.
    covariance
        (2, 2) of the offset (mm) and the turn of the normal (rad).
    left
        (n,) contrast times place (px) that it leaves.
    """

    offset_mm: float
    slope: float
    farthest_mm: float
    covariance: Array
    left: Array


def line_through(
    t: Array,
    half_mm: float,
    contrast: Array,
    pull: Array,
    pixel_mm: float,
    station_mm: float,
    rounds: int = 4,
) -> LineThrough | None:
    """Return the line that explains contrast times place best, stations far off weighed down.

    Parameters
    ----------
    t, half_mm
        (n,) places of the stations along the edge, and half its length.
    contrast, pull
        (n,) step of each station, and its step times its place (px).
    pixel_mm, station_mm
        A pixel across the edge, and the distance between stations.
    rounds
        How often the weights (Huber's) are made anew.
    """
    at = np.stack([np.ones_like(t), t / half_mm], 1) * contrast[:, None]
    weight: Array = np.ones(len(t))
    solution: Array = np.zeros(2)
    for _ in range(rounds):
        weighted = at * weight[:, None]
        normal = weighted.T @ at
        if np.linalg.cond(normal) > 1e8:
            return None
        solution = np.linalg.solve(normal, weighted.T @ pull).astype(np.float64)
        left = np.asarray(pull - at @ solution, np.float64)
        scale = 1.4826 * float(np.median(np.abs(left))) + 1e-9
        weight = np.asarray(1.0 / np.maximum(1.0, np.abs(left) / (2.0 * scale)), np.float64)
    # Offsets so far are in pixels across the edge, the slope in pixels per half length.
    offset, slope = (float(v) for v in solution * np.array([pixel_mm, pixel_mm / half_mm]))
    unit = np.array([pixel_mm, -pixel_mm / half_mm])
    covariance = _covariance(at, weight, left, normal, station_mm) * np.outer(unit, unit)
    farthest = abs(offset) + abs(slope) * half_mm
    return LineThrough(offset, slope, farthest, covariance, left)


def _covariance(at: Array, weight: Array, left: Array, normal: Array, station_mm: float) -> Array:
    """Return the (2, 2) covariance of the solution for residuals that hang together."""
    moments = at * (weight * left)[:, None]
    reach = min(math.ceil(_HANG_TOGETHER_MM / station_mm), len(moments) // 4)
    total = moments.T @ moments
    for lag in range(1, reach):
        a = lag / reach
        window = 1 - 6 * a**2 + 6 * a**3 if a <= 0.5 else 2 * (1 - a) ** 3
        pair = moments[lag:].T @ moments[:-lag]
        total += window * (pair + pair.T)
    back = np.linalg.inv(normal)
    covariance = back @ total @ back
    # White residuals are the floor.
    white = float(np.mean(weight * left**2)) * back
    floor = np.sqrt(np.maximum(1.0, np.diag(white) / np.maximum(np.diag(covariance), 1e-30)))
    return np.asarray(covariance * np.outer(floor, floor) * len(at) / (len(at) - reach))
