"""Corners of a board by the whole sides of its squares.

A saddle point is sought in a window that must not reach the markers; the sides that meet in it are
far longer. Along either line through a corner the edge is measured to both sides of it: what a tone
curve does to an edge changes its sign with black and white at the corner, and so does a direction
that is a little off, so the mean of places equally far from the corner is free of both.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.light import LINEAR

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

_ROUNDS = 4
_STATIONS = 32
# Places along a side, in squares from the corner: where the marker's side runs alongside, and not
# where the other line's blur still reaches (in standard deviations of the blur).
_NEAREST, SIDE_SHARE, _NEAR_BLURS = 0.18, 0.82, 2.5
# Half length of the profiles across: so many blurs, never beyond the marker's side, and not less.
_REACH_BLURS, _LEAST_REACH_BLURS, _SAMPLES = 3.5, 1.2, 41
# Steps weaker than this share of the usual one are covered, or glare.
_WEAK = 0.4
_FEWEST = 6
# How firmly a marker's black is taken for the square's, and the blur for the one that is known (in
# share of the step and of the blur), beside one sample of the profile.
_AS_BLACK, _BLUR_HELD = 0.5, 0.1
_STEPS = 8
_BLURS = (0.5, 2.0)
_NOWHERE_PX = 1e4
# A corner that would go farther than this has another edge in its profiles.
_FARTHEST_PX = 1.5
# The normal distribution by a table: linear in between it is good to 2e-6.
_Z = np.linspace(-6.0, 6.0, 2401)
_PHI = np.array([0.5 * (1 + math.erf(z / math.sqrt(2))) for z in _Z])
# Terms of a polynomial of each degree in two coordinates.
_TERMS = {degree: (degree + 1) * (degree + 2) // 2 for degree in range(1, 9)}


def by_sides(
    picture: Grey, board: Board, ids: NDArray[np.int64], px: Array, blur_px: float
) -> Array:
    """Return (n, 2) corners moved to where the sides of the squares meet.

    Corners whose sides are covered, or too short beside the blur, stay where they are.

    Parameters
    ----------
    picture
        (h, w) uint8, black squares dark.
    ids, px
        (n,) numbers and (n, 2) places of corners, good to a pixel.
    blur_px
        Standard deviation of the blur.
    """
    marked = board.kind == "charuco"
    clear = (board.square_mm - board.marker_mm) / 2 / board.square_mm if marked else 0.5
    flat = board.points_mm(ids) / board.square_mm
    image = LINEAR[picture]
    found = px.copy()
    for _ in range(_ROUNDS):
        tangent, bend = _course(flat, found)
        move = _to_meeting(image, found, tangent, bend, blur_px, clear, marked)
        found = found + move
        if np.abs(move).max(initial=0.0) < 1e-3:
            break
    far = np.linalg.norm(found - px, axis=1) > _FARTHEST_PX
    return np.where(far[:, None], px, found)


def _course(flat: Array, px: Array) -> tuple[Array, Array]:
    """Return (n, 2, 2) first and second derivatives of the picture along rows and columns.

    By line (rows, columns) and picture coordinate, per square, from a polynomial over the board.
    """
    degree = max((d for d, terms in _TERMS.items() if 3 * terms <= len(flat)), default=1)
    powers = [(i, n - i) for n in range(degree + 1) for i in range(n + 1)]
    x, y = (flat - flat.mean(axis=0)).T

    def terms(dx: int, dy: int) -> Array:
        columns = []
        for i, j in powers:
            a = np.prod(np.arange(i - dx + 1, i + 1)) if i >= dx else 0.0
            b = np.prod(np.arange(j - dy + 1, j + 1)) if j >= dy else 0.0
            columns.append(a * b * x ** max(i - dx, 0) * y ** max(j - dy, 0))
        return np.stack(columns, axis=1)

    found, *_ = np.linalg.lstsq(terms(0, 0), px, rcond=None)
    first = np.stack([terms(1, 0) @ found, terms(0, 1) @ found], axis=1)
    second = np.stack([terms(2, 0) @ found, terms(0, 2) @ found], axis=1)
    return first, second


def _to_meeting(
    image: NDArray[np.float32],
    px: Array,
    tangent: Array,
    bend: Array,
    blur_px: float,
    clear: float,
    marked: bool,
) -> Array:
    """Return (n, 2) the way from corners to where the lines through them meet; 0 if not told."""
    side_px = np.linalg.norm(tangent, axis=2)  # (n, 2)
    normal = np.stack([-tangent[..., 1], tangent[..., 0]], axis=2) / side_px[..., None]
    # How far the next edge beside a line is: a share of the squares across it.
    clear_px = clear * np.abs(np.einsum("nij,nij->ni", tangent[:, ::-1], normal))
    nearest = np.maximum(_NEAR_BLURS * blur_px / side_px, _NEAREST)
    share = np.linspace(0, 1, _STATIONS)
    away = nearest[..., None] + share * (SIDE_SHARE - nearest[..., None])  # (n, 2, m)
    t = np.stack([-away, away], axis=2)[..., None]  # (n, 2, side, m, 1)
    places = (
        px[:, None, None, None] + t * tangent[:, :, None, None] + t**2 / 2 * bend[:, :, None, None]
    )
    reach = np.minimum(clear_px, _REACH_BLURS * blur_px)
    steps = np.linspace(-1, 1, _SAMPLES) * reach[..., None]  # (n, 2, k)
    points = places[..., None, :] + (
        steps[:, :, None, None, :, None] * normal[:, :, None, None, None]
    )
    profile = _mean_profile(_sampled(image, points))
    seen = np.asarray(np.isfinite(profile).all(axis=(2, 3)))
    told = seen & (nearest < SIDE_SHARE / 2) & (reach > _LEAST_REACH_BLURS * blur_px)
    along = np.broadcast_to(steps[:, :, None], profile.shape)
    beyond = clear_px[:, :, None] if marked else np.full((len(px), 2, 1), _NOWHERE_PX)
    off = _edge_of(along, profile, np.broadcast_to(beyond, profile.shape[:-1]), blur_px)
    told &= np.isfinite(off).all(axis=2)
    move = np.zeros_like(px)
    good = told.all(axis=1)
    if good.any():
        move[good] = np.linalg.solve(normal[good], off.mean(axis=2)[good][..., None])[..., 0]
    return move


def _mean_profile(values: Array) -> Array:
    """Return (n, 2, side, k) mean profiles of what is neither covered nor glare; NaN of too few.

    `values` is (n, 2, side, m, k).
    """
    height = values[..., -1] - values[..., 0]
    # What lies beyond the picture shows no step.
    height = np.where(np.isfinite(values).all(axis=-1), height, 0.0)
    values = np.where(np.isfinite(values), values, 0.0)
    usual = np.median(np.abs(height))
    # Black and white change places at the corner.
    way = np.sign(np.median(height, axis=-1, keepdims=True))
    strong = np.asarray(height * way > _WEAK * usual)
    count = strong.sum(axis=-1)
    total = np.where(strong[..., None], values, 0.0).sum(axis=-2)
    mean = total / np.maximum(count, 1)[..., None]
    return np.asarray(np.where((count >= _FEWEST)[..., None], mean, np.nan))


def _edge_of(steps: Array, profile: Array, beyond: Array, blur_px: float) -> Array:
    """Return (...) where black meets white on profiles (..., k); NaN where no edge fits.

    A step blurred by a Gaussian, and on the white side, `beyond` pixels on, a marker's black again:
    least squares of place, blur, levels (Gauss-Newton; the levels are linear).
    """
    known = np.asarray(np.isfinite(profile).all(axis=-1))
    y = np.where(known[..., None], profile, 0.0)
    rising = np.sign(y[..., -1] - y[..., 0])
    y = y / np.maximum(np.abs(y).max(axis=-1, keepdims=True), 1e-6)
    # White lies on the positive side; lengths in blurs.
    x, gap = steps * rising[..., None] / blur_px, beyond / blur_px
    place, blur = np.zeros(profile.shape[:-1]), np.ones(profile.shape[:-1])
    black = x.shape[-1] * _AS_BLACK**2
    held = np.zeros((5, 5))
    held[2, 2], held[4, 4] = black, _BLUR_HELD**2
    held += 1e-9 * np.eye(5)
    for _ in range(_STEPS):
        first, second = ((x - (place + far)[..., None]) / blur[..., None] for far in (0.0, gap))
        step, back = _normal(first), _normal(second)
        # Levels: black, how much lighter white is, and how much of that the marker leaves.
        levels = np.stack([np.ones_like(x), step - back, back], axis=-1)
        turned = np.swapaxes(levels, -1, -2)
        found = np.linalg.solve(turned @ levels + held[:3, :3], turned @ y[..., None])
        left = y[..., None] - levels @ found
        light, taken = found[..., 1, :], found[..., 1, :] - found[..., 2, :]
        slope, slope_back = _density(first) * light, _density(second) * taken
        shape = [slope_back - slope, slope_back * second - slope * first]
        rows = np.concatenate([levels, np.stack(shape, axis=-1) / blur[..., None, None]], axis=-1)
        turned = np.swapaxes(rows, -1, -2)
        pull = turned @ left
        pull[..., 2, 0] -= black * found[..., 2, 0]
        pull[..., 4, 0] += _BLUR_HELD**2 * (1 - blur)
        change = np.linalg.solve(turned @ rows + held, pull)[..., 0]
        place = place + np.clip(change[..., 3], -1, 1)
        blur = np.clip(blur + change[..., 4], *_BLURS)
    fits = known & (np.abs(place) < 2)
    return np.asarray(np.where(fits, place * rising * blur_px, np.nan))


def _normal(z: Array) -> Array:
    return np.asarray(np.interp(z, _Z, _PHI))


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-(np.minimum(np.abs(z), 40.0) ** 2) / 2) / math.sqrt(2 * math.pi))


def _sampled(image: NDArray[np.float32], points: Array) -> Array:
    """Return the picture at (..., 2) points; NaN outside of it."""
    # OpenCV takes no more than 32767 rows or columns.
    flat = points.reshape(-1, points.shape[-3] * points.shape[-2], 2).astype(np.float32)
    out = cv2.remap(
        image,
        flat[..., 0],
        flat[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )
    return np.asarray(out, np.float64).reshape(points.shape[:-1])
