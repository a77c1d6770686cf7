"""Rigid movement of a surface from its own texture and printing, on grey levels.

after(p) = P(p) before(M^-1 p) + H(p) inside the surface: P a smooth ratio of light, H the even glow
of smoke, M the movement. Both captures are made softer by the same Gaussian first: noise that is
interpolated has a variance that depends on the fraction of a pixel, which would pull the fit
towards half pixels.

The derivatives are noisy too. Least squares would take their noise for texture and be sure where
there is nothing to see; so the normal matrix is the product of the derivatives of one capture with
those of the other, whose noise is independent (instrumental variables; R. Bowden, D. Turkington,
"Instrumental Variables", Cambridge 1984). The covariance is the sandwich of `noise`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.noise import autocovariance_spectrum, carry_through, padded
from vision.register.resample import PixelMap, look_up, pixel_map, spline_coefficients
from vision.register.scene import nudge
from vision.register.texture_solve import Look, Solved, seen_again, solve_light, trust_patches
from vision.register.view import View

Array = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

_LIGHT_ORDER = 3
_BIG_PX = 40_000
_LEAST_PX = 250
_REACH = 24
_STEP_LIMIT_PX = 1.5
# Steps are weighed as if the residuals were this much more than white noise; ends are not.
_INFLATION = 6.0
_NOTHING_MM = 0.5


@dataclass(frozen=True, eq=False)
class TextureFit:
    """What the texture says of the movement.

    Attributes
    ----------
    motion
        p_after = motion(p_before), where the fit ended.
    normal
        (3, 3) inverse of the covariance of (x mm, y mm, turn rad) about the moved pivot.
    pull
        (3,) normal times the step that the texture alone would still go from there.
    coherence
        Share of the texture that is found again in its three best directions, largest first.
    strength
        Standard deviation of the texture in the before capture, grey levels.
    residual
        Robust standard deviation of what is left, grey levels (softened captures).
    pixels
        How many pixels counted.
    lopsided
        Power of the texture's derivatives in the strongest direction over that in the weakest:
        1 for noise, much more for grain.
    """

    motion: Rigid
    normal: Array
    pull: Array
    coherence: tuple[float, float, float]
    strength: float
    residual: float
    pixels: int
    lopsided: float


@dataclass(frozen=True, eq=False)
class _Pair:
    """The two captures, softened, and the after pixels that are fitted."""

    before: View
    after: View
    grid: PixelMap
    corner: tuple[int, int]
    stride: int
    soft_after: Image
    along_after: tuple[Image, Image]
    free: Image
    coefficients: Image
    along_u: Image
    along_v: Image
    origin: tuple[int, int]
    before_usable: Image
    fields: Image
    x_mm: Image
    y_mm: Image


def fit_texture(
    before: View,
    after: View,
    inside_mm: Array,
    keep_out: Mask,
    keep_out_before: Mask | None,
    start: Rigid,
    pivot_mm: Array,
    prior: Array | None = None,
    soft_px: float = 1.0,
    iterations: int = 8,
) -> TextureFit | None:
    """Fit the movement of a polygon of the before capture; None where it has too few pixels.

    Parameters
    ----------
    before, after
        The captures.
    inside_mm
        (n, 2) convex polygon, surface mm in the before capture: what moves.
    keep_out
        (h, w) pixels of the after capture that must not count.
    keep_out_before
        The same of the before capture.
    start
        Start of the motion, within two pixels or so.
    pivot_mm
        (2,) place in the before capture about which turns are told.
    prior
        (3, 3) inverse covariance of the start by other evidence: it holds the fit where the
        texture says nothing, and is not part of the result.
    soft_px
        Sigma of the Gaussian; a larger one reaches further and sees less.
    iterations
        Most Gauss-Newton steps.
    """
    pair = _pair(before, after, inside_mm, (keep_out, keep_out_before), start, soft_px)
    if pair is None:
        return None
    motion = start
    scale = max(20.0, float(np.abs(inside_mm - pivot_mm).max()))
    held = np.zeros((3, 3)) if prior is None else prior
    unit = np.array([1.0, 1.0, scale])
    went = np.zeros(3)
    trust: Image | None = None
    for step in range(iterations):
        look = _look(pair, motion, inside_mm, pivot_mm, scale)
        if look is None:
            return None
        solved = solve_light(look, trust)
        texture, _ = seen_again(solved)
        per_level2 = 1.0 / max(solved.noise, 0.2) ** 2 / _INFLATION
        # Of a picture without any variation nothing is known: zeros, as the pseudo-inverse says.
        sure = texture @ np.linalg.pinv(solved.power) * per_level2
        normal = sure @ texture + held / np.outer(unit, unit)
        pull = sure @ solved.gradient - held @ went / unit
        # Where nothing tells, nothing moves.
        delta = np.linalg.solve(normal + _NOTHING_MM**-2 * np.eye(3), pull)
        size_px = float(np.abs(delta).max()) / look.pixel_mm
        delta *= min(1.0, _STEP_LIMIT_PX / max(size_px, 1e-9))
        centre = motion.apply(pivot_mm[None])[0]
        motion = nudge(
            motion, (float(centre[0]), float(centre[1])), delta[0], delta[1], delta[2] / scale
        )
        went += delta / unit
        if step in (1, 3):
            trust = trust_patches(solved.residual, look.weight)
        if size_px < 2e-3 and step >= 2:
            break
    look = _look(pair, motion, inside_mm, pivot_mm, scale)
    if look is None:
        return None
    return _result(motion, look, solve_light(look, trust), unit)


def _pair(
    before: View,
    after: View,
    inside_mm: Array,
    keep_out: tuple[Mask, Mask | None],
    start: Rigid,
    soft_px: float,
) -> _Pair | None:
    height, width = after.linear.shape
    rim = after.surface.px_from_mm(start.apply(_outline(inside_mm)))
    rim = rim[np.isfinite(rim).all(axis=1)]
    if len(rim) == 0:
        return None
    left, top = (int(v) for v in np.maximum(np.floor(rim.min(axis=0)) - 3, 0))
    right, bottom = (int(v) for v in np.minimum(np.ceil(rim.max(axis=0)) + 4, [width, height]))
    if right - left < 24 or bottom - top < 24:
        return None
    stride = 1
    while (right - left) * (bottom - top) > _BIG_PX * (2 * stride) ** 2 / 2:
        stride += 1
    # What is softer changes more slowly.
    stride *= max(1, round(soft_px / 2))
    rows, columns = (bottom - top) // stride, (right - left) // stride
    grid = pixel_map(after.surface, (left, top), (rows, columns), stride)
    soft = _softened(after.linear, (left, top, right, bottom), soft_px)
    after_u, after_v = _slopes(soft)
    blocked = (keep_out[0] | (after.usable < 0.5))[top:bottom, left:right].astype(np.uint8)
    # What must not count has leaked as far as the softening reaches.
    side = 2 * math.ceil(3 * soft_px) + 1
    grown = np.ones((side, side), np.uint8)
    free = 1 - cv2.dilate(blocked, grown)
    within = np.s_[: rows * stride : stride, : columns * stride : stride]
    u, v = grid.into(before.surface, start)
    seen = (u > -100) & (v > -100)
    if not seen.any():
        return None
    reach = 24
    box = (
        int(np.clip(u[seen].min() - reach, 0, width - 30)),
        int(np.clip(v[seen].min() - reach, 0, height - 30)),
        int(np.clip(u[seen].max() + reach, 30, width)),
        int(np.clip(v[seen].max() + reach, 30, height)),
    )
    if box[2] - box[0] < 24 or box[3] - box[1] < 24:
        return None
    earlier = _softened(before.linear, box, soft_px)
    along_u, along_v = _slopes(earlier)
    bad = before.usable[box[1] : box[3], box[0] : box[2]] < 0.5
    if keep_out[1] is not None:
        bad = bad | keep_out[1][box[1] : box[3], box[0] : box[2]]
    usable = (1 - cv2.dilate(bad.astype(np.uint8), grown)).astype(np.float32)
    return _Pair(
        before,
        after,
        grid,
        (left, top),
        stride,
        np.ascontiguousarray(soft[within]),
        (np.ascontiguousarray(after_u[within]), np.ascontiguousarray(after_v[within])),
        np.ascontiguousarray(free[within]).astype(np.float32),
        spline_coefficients(earlier),
        along_u,
        along_v,
        (box[0], box[1]),
        usable,
        _fields(rows, columns),
        grid.spread(grid.places_mm[..., 0]),
        grid.spread(grid.places_mm[..., 1]),
    )


def _outline(polygon: Array) -> Array:
    """Return the polygon's corners with points on its sides: lenses bend them."""
    nexts = np.roll(polygon, -1, axis=0)
    return np.concatenate([polygon + share * (nexts - polygon) for share in (0.0, 0.33, 0.67)])


def _softened(linear: Image, box: tuple[int, int, int, int], soft_px: float) -> Image:
    left, top, right, bottom = box
    return np.asarray(cv2.GaussianBlur(linear[top:bottom, left:right], (0, 0), soft_px))


def _slopes(picture: Image) -> tuple[Image, Image]:
    """Return the derivatives along u and v, per pixel."""
    return (
        np.asarray(cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=1, scale=0.5)),
        np.asarray(cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)),
    )


def _fields(rows: int, columns: int) -> Image:
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    return np.array(
        [x**i * y ** (n - i) for n in range(_LIGHT_ORDER + 1) for i in range(n + 1)], np.float32
    )


def _look(
    pair: _Pair, motion: Rigid, inside_mm: Array, pivot_mm: Array, scale: float
) -> Look | None:
    """Return the before capture as the motion carries it, with its derivatives."""
    u, v = pair.grid.into(pair.before.surface, motion)
    u -= np.float32(pair.origin[0])
    v -= np.float32(pair.origin[1])
    ground = look_up(pair.coefficients, u, v)

    def at(picture: Image) -> Image:
        return np.asarray(cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderValue=0))

    du, dv, usable = at(pair.along_u), at(pair.along_v), at(pair.before_usable)
    places = pair.grid.places_mm.reshape(-1, 2)
    nodes = pair.grid.places_mm.shape[:2]
    # Moving the work on by d in the after capture looks d back, turned, in the before capture.
    earlier = np.nan_to_num(pair.before.surface.jacobian_px_per_mm(motion.invert(places)))
    earlier = (earlier @ motion.matrix.T).reshape(*nodes, 2, 2)
    later = np.nan_to_num(pair.after.surface.jacobian_px_per_mm(places)).reshape(*nodes, 2, 2)
    centre = motion.apply(pivot_mm[None])[0].astype(np.float32)

    def by_motion(along_u: Image, along_v: Image, per_mm: Array) -> Image:
        dx, dy = (
            -(along_u * pair.grid.spread(per_mm[..., 0, k]))
            - along_v * pair.grid.spread(per_mm[..., 1, k])
            for k in (0, 1)
        )
        turn = (dy * (pair.x_mm - centre[0]) - dx * (pair.y_mm - centre[1])) / np.float32(scale)
        return np.stack([dx, dy, turn]).astype(np.float32)

    polygon = motion.apply(inside_mm).astype(np.float32)
    weight = pair.free * (usable > 0.99)
    weight = weight * _inside(polygon, pair.x_mm, pair.y_mm)
    if float(weight.sum()) < _LEAST_PX:
        return None
    pixel = 1.0 / math.sqrt(abs(float(np.linalg.det(later[1, 1]))) + 1e-12)
    return Look(
        ground,
        by_motion(du, dv, earlier),
        by_motion(*pair.along_after, later),
        pair.fields,
        pair.soft_after,
        weight.astype(np.float32),
        pixel,
    )


def _inside(polygon: Array | Image, x: Image, y: Image) -> Mask:
    """Return which places lie inside of a convex polygon, either way round."""
    nexts = np.roll(polygon, -1, axis=0)
    area = float(np.sum(polygon[:, 0] * nexts[:, 1] - polygon[:, 1] * nexts[:, 0]))
    sign = np.float32(1.0 if area > 0 else -1.0)
    inside = np.ones(x.shape, np.bool_)
    for (x0, y0), (x1, y1) in zip(polygon, nexts, strict=True):
        cross = (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)
        inside &= sign * cross > 0
    return inside


def _result(motion: Rigid, look: Look, solved: Solved, unit: Array) -> TextureFit:
    weighted = (solved.columns * solved.weight).astype(np.float64)
    spectrum = autocovariance_spectrum(solved.residual, solved.weight, _REACH)
    middle = carry_through(weighted, spectrum, padded(solved.residual.shape, _REACH))
    white = np.array([float((i * i).sum()) for i in weighted]) * solved.noise**2
    floor = np.sqrt(np.maximum(1.0, white / np.maximum(np.diag(middle), 1e-30)))
    middle = middle * np.outer(floor, floor)
    texture, coherence = seen_again(solved)
    sure = texture @ np.linalg.pinv(middle)
    # From (mm, mm, scale * rad) to (mm, mm, rad).
    return TextureFit(
        motion,
        (sure @ texture) * np.outer(unit, unit),
        (sure @ solved.gradient) * unit,
        (float(coherence[0]), float(coherence[1]), float(coherence[2])),
        solved.strength,
        solved.noise,
        int((solved.weight > 0.5).sum()),
        _lopsided(solved.power[:2, :2]),
    )


def _lopsided(power: Array) -> float:
    size = np.linalg.eigvalsh(power)
    return float(size[1] / max(size[0], 1e-12))
