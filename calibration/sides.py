"""Corners of a board by the whole sides of its squares.

A saddle point is sought in a window that must not reach the markers; the sides that meet in it are
far longer. Along either line through a corner the edge is measured to both sides of it: what a tone
curve does to an edge changes its sign with black and white at the corner, and so does a direction
that is a little off, so the mean of places equally far from the corner is free of both.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.light import LINEAR
from calibration.normal import density, normal

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
# Terms of the course of lines over the picture. How large they are: of the third degree so many
# times what corners lie off a homography, and of each degree against the one before. What corners
# miss the course by (px).
_DEGREE = 9
_POWERS = np.array([(i, n - i) for n in range(_DEGREE + 1) for i in range(n + 1)]).T
_TERM_SHARE, _NEXT_TERM, _COURSE_PX = 3.0, 0.5, 0.05
# Rows and columns run along these; directions are differences over so much of a square.
_WAYS = np.eye(2)
_STEP = 0.25


def by_sides(
    picture: Grey, board: Board, ids: NDArray[np.int64], px: Array, blur_px: float
) -> tuple[Array, NDArray[np.bool_]]:
    """Return (n, 2) corners moved to where the sides of the squares meet, and (n,) which were.

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
    told = np.ones(len(px), bool)
    for _ in range(_ROUNDS):
        course = _Course.through(flat[told], found[told])
        if course is None:
            break
        move, told = _to_meeting(image, flat, found, course, blur_px, clear, marked)
        found = found + move
        if np.abs(move).max(initial=0.0) < 1e-3:
            break
    told &= np.linalg.norm(found - px, axis=1) <= _FARTHEST_PX
    return np.where(told[:, None], found, px), told


@dataclass(frozen=True, eq=False)
class _Course:
    """Where in the picture a board's places are: a homography, and what lies off it.

    That is a polynomial over the picture. How large its terms may be follows from how large it is,
    so that few corners do not make it swing (ridge regression; A. Hoerl and R. Kennard,
    Technometrics 12, 1970).
    """

    plane: Array  # (3, 3)
    middle: Array  # (2,)
    half: float
    terms: Array  # (k, 2)

    @classmethod
    def through(cls, flat: Array, px: Array) -> _Course | None:
        """Return the course through (n, 2) corners (squares), seen at (n, 2) px; None of few."""
        if len(flat) < _FEWEST or np.linalg.matrix_rank(flat - flat.mean(axis=0)) < 2:
            return None
        plane = np.asarray(cv2.findHomography(flat, px)[0], np.float64)
        if plane.shape != (3, 3):
            return None
        rough = _seen(plane, flat)
        low, high = rough.min(axis=0), rough.max(axis=0)
        middle, half = (low + high) / 2, float((high - low).max()) / 2
        degrees = _POWERS.sum(axis=0)
        off = max(float(np.sqrt(((px - rough) ** 2).mean())), _COURSE_PX)
        usual = off * _TERM_SHARE * _NEXT_TERM ** np.maximum(degrees - 3, 0)
        held = np.where(degrees < 3, 0.0, _COURSE_PX / usual)
        terms, *_ = np.linalg.lstsq(
            np.concatenate([_monomials((rough - middle) / half), np.diag(held)]),
            np.concatenate([px - rough, np.zeros((len(held), 2))]),
            rcond=None,
        )
        return cls(plane, middle, half, terms)

    def at(self, flat: Array) -> Array:
        """Return (..., 2) pixels of (..., 2) places in squares."""
        rough = _seen(self.plane, flat.reshape(-1, 2))
        px = rough + _monomials((rough - self.middle) / self.half) @ self.terms
        return np.asarray(px.reshape(flat.shape))


def _seen(plane: Array, flat: Array) -> Array:
    return np.asarray(cv2.perspectiveTransform(flat[None], plane)[0])


def _monomials(places: Array) -> Array:
    x, y = (np.vander(values, _DEGREE + 1, increasing=True) for values in places.T)
    return np.asarray(x[:, _POWERS[0]] * y[:, _POWERS[1]])


def _to_meeting(
    image: NDArray[np.float32],
    flat: Array,
    px: Array,
    course: _Course,
    blur_px: float,
    clear: float,
    marked: bool,
) -> tuple[Array, NDArray[np.bool_]]:
    """Return (n, 2) the way from corners to where the lines meet, 0 if not told, and (n,) which."""
    ends = course.at(flat[:, None, None] + _STEP * _WAYS[:, None] * np.array([[-1], [1]]))
    tangent = (ends[:, :, 1] - ends[:, :, 0]) / (2 * _STEP)  # (n, 2, 2)
    side_px = np.linalg.norm(tangent, axis=2)  # (n, 2)
    normal = np.stack([-tangent[..., 1], tangent[..., 0]], axis=2) / side_px[..., None]
    # How far the next edge beside a line is: a share of the squares across it.
    clear_px = clear * np.abs(np.einsum("nij,nij->ni", tangent[:, ::-1], normal))
    nearest = np.maximum(_NEAR_BLURS * blur_px / side_px, _NEAREST)
    share = np.linspace(0, 1, _STATIONS)
    away = nearest[..., None] + share * (SIDE_SHARE - nearest[..., None])  # (n, 2, m)
    t = np.stack([-away, away], axis=2)[..., None]  # (n, 2, side, m, 1)
    stations = flat[:, None, None, None] + t * _WAYS[:, None, None]
    places = course.at(stations) + (px - course.at(flat))[:, None, None, None]
    reach = np.minimum(clear_px, _REACH_BLURS * blur_px)
    steps = np.linspace(-1, 1, _SAMPLES) * reach[..., None]  # (n, 2, k)
    points = places[..., None, :] + (
        steps[:, :, None, None, :, None] * normal[:, :, None, None, None]
    )
    profile = _mean_profile(_sampled(image, points))
    seen = np.asarray(np.isfinite(profile).all(axis=(2, 3)))
    told = seen & (nearest < SIDE_SHARE / 2) & (reach > _LEAST_REACH_BLURS * blur_px)
    along = np.broadcast_to(steps[:, :, None], profile.shape)
    beyond = np.full((*away.shape[:2], 2, 2), _NOWHERE_PX)
    if marked:
        beyond = _gaps(course, stations.mean(axis=3), tangent, clear)
    off = _edge_of(along, profile, beyond, blur_px)
    told &= np.isfinite(off).all(axis=2)
    move = np.zeros_like(px)
    good = np.asarray(told.all(axis=1))
    if good.any():
        move[good] = np.linalg.solve(normal[good], off.mean(axis=2)[good][..., None])[..., 0]
    return move, good


def _gaps(course: _Course, stations: Array, tangent: Array, clear: float) -> Array:
    """Return (n, 2, side, 2) how far a marker's side is from lines, against and along their normal.

    Squares shrink with the distance, and lines bend, so that the white round a marker is not
    everywhere as wide. `stations` is (n, 2, side, 2), in squares.
    """
    side_px = np.linalg.norm(tangent, axis=2, keepdims=True)
    along = tangent / side_px
    normal = np.stack([-along[..., 1], along[..., 0]], axis=2)
    here = course.at(stations)
    ways = _WAYS[:, None]
    gaps = []
    for beside in (-clear, clear):
        there = stations + beside * ways[::-1]
        for _ in range(2):
            # Back to where the profile meets the marker's side.
            far = course.at(there) - here
            slip = np.einsum("nisj,nij->nis", far, along) / side_px
            there = there - slip[..., None] * ways
        gaps.append(np.einsum("nisj,nij->nis", course.at(there) - here, normal))
    return np.sort(np.stack(gaps, axis=-1), axis=-1) * [-1.0, 1.0]


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
    # What the two sides of a corner are free of together, one of them alone is not.
    strong &= strong[:, :, ::-1]
    count = strong.sum(axis=-1)
    total = np.where(strong[..., None], values, 0.0).sum(axis=-2)
    mean = total / np.maximum(count, 1)[..., None]
    return np.asarray(np.where((count >= _FEWEST)[..., None], mean, np.nan))


def _edge_of(steps: Array, profile: Array, beyond: Array, blur_px: float) -> Array:
    """Return (...) where black meets white on profiles (..., k); NaN where no edge fits.

    A step blurred by a Gaussian, and on the white side, `beyond` pixels on (to the negative and
    the positive side of the profile, (..., 2)), a marker's black again:
    least squares of place, blur, levels (Gauss-Newton; the levels are linear).
    """
    known = np.asarray(np.isfinite(profile).all(axis=-1))
    y = np.where(known[..., None], profile, 0.0)
    rising = np.sign(y[..., -1] - y[..., 0])
    y = y / np.maximum(np.abs(y).max(axis=-1, keepdims=True), 1e-6)
    # White lies on the positive side; lengths in blurs.
    x = steps * rising[..., None] / blur_px
    gap = np.where(rising > 0, beyond[..., 1], beyond[..., 0]) / blur_px
    place, blur = np.zeros(profile.shape[:-1]), np.ones(profile.shape[:-1])
    black = x.shape[-1] * _AS_BLACK**2
    held = np.zeros((5, 5))
    held[2, 2], held[4, 4] = black, _BLUR_HELD**2
    held += 1e-9 * np.eye(5)
    for _ in range(_STEPS):
        first, second = ((x - (place + far)[..., None]) / blur[..., None] for far in (0.0, gap))
        step, back = normal(first), normal(second)
        # Levels: black, how much lighter white is, and how much of that the marker leaves.
        levels = np.stack([np.ones_like(x), step - back, back], axis=-1)
        turned = np.swapaxes(levels, -1, -2)
        found = np.linalg.solve(turned @ levels + held[:3, :3], turned @ y[..., None])
        left = y[..., None] - levels @ found
        light, taken = found[..., 1, :], found[..., 1, :] - found[..., 2, :]
        slope, slope_back = density(first) * light, density(second) * taken
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
