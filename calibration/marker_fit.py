"""The corners of a marker by all its edges: a model of the whole marker, fitted to the pixels.

Black cells on white, seen through a homography that the lens bends a little, blurred by a Gaussian
and averaged over square pixels, under light that changes evenly over the marker. The cells inside
tell as much as the sides. In linear light: in a picture's own tone curve a blurred edge seems to
lie further in the dark, by half a pixel where black meets white, and differently in every capture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import LINEAR
from calibration.normal import density, normal

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

_ROUNDS = 30
_STILL_PX = 2e-3
# White round the marker that is looked at, in cells: next to it another edge may begin.
_MARGIN = 0.5
_BLUR_PX, _BLURS_PX = 1.0, (0.2, 6.0)
# From here on (linear light) a camera may have cut it off.
_MOST_LIGHT = LINEAR[252]
# Residuals beyond so many of their typical size count less (P. Huber, Annals of Mathematical
# Statistics 35, 1964): glare, dirt, what covers a part.
_USUAL = 3.0
# Where the typical residual is more of the step from black to white than this, no marker is seen,
# or hardly; below this step (linear light) there is none.
_MOST_LEFT, _LEAST_STEP = 0.12, 0.01
# Corners that go farther than so many pixels and cells have gone astray.
_FARTHEST_PX, _FARTHEST_CELLS = 2.0, 0.6
_FEWEST_PX = 60
_MIDDLES = np.array([[0.5, 0.0], [1.0, 0.5], [0.5, 1.0], [0.0, 0.5]])


@dataclass(frozen=True, eq=False)
class _Marker:
    """A point of the fit.

    Attributes
    ----------
    quad
        (4, 2) corners, px.
    bends
        (4, 2) how far the middle of each side lies off the homography, px.
    blur
        Standard deviation of the Gaussian, px.
    levels
        (2,) linear light of black and of white, in the marker's middle.
    shade
        (2,) how much lighter it gets to the right and down, relative, over the marker.
    """

    quad: Array
    bends: Array
    blur: float
    levels: Array
    shade: Array


@dataclass(frozen=True, eq=False)
class _Seen:
    """The marker's pattern at the pixels that show it."""

    inside: NDArray[np.bool_]  # which pixels these n are
    black: Array  # (n,) share of black, 0 to 1
    by_place: Array  # (n, 2) its derivative by the pixel's place
    by_blur: Array  # (n,) and by the blur
    corners: Array  # (4, n) how far a place goes with each corner
    sides: Array  # (4, n) and with the middle of each side


def fit_marker(
    picture: Grey, cells: NDArray[np.bool_], rough_px: Array, bends_px: Array | None = None
) -> Array | None:
    """Return (4, 2) where a marker's corners are seen; None where it does not fit what is seen.

    Parameters
    ----------
    picture
        (h, w) grey levels.
    cells
        (k, k) True where the marker is white, its black border included.
    rough_px
        (4, 2) corners within a pixel or two, in order round the marker from its top left.
    bends_px
        (4, 2) how far the lens moves the middle of each side off the homography through the
        corners (see `bends_between`); None where that is not known. Then how far it moves them
        square to the sides is fitted, too, and the corners are less sure.
    """
    sides_px = np.linalg.norm(rough_px - np.roll(rough_px, 1, axis=0), axis=1)
    pitch = float(sides_px.min()) / len(cells)
    room = 2.0 + 2 * pitch
    first = np.maximum(np.floor(rough_px.min(axis=0) - room), 0).astype(int)
    last = np.maximum(np.ceil(rough_px.max(axis=0) + room), -1).astype(int)
    patch = picture[first[1] : last[1] + 1, first[0] : last[0] + 1]
    if patch.size == 0 or not np.isfinite(pitch):
        return None
    v, u = np.indices(patch.shape).reshape(2, -1)
    places = np.stack([u, v], axis=1).astype(np.float64)
    light = np.minimum(LINEAR[patch.ravel()], _MOST_LIGHT).astype(np.float64)
    rough = np.asarray(rough_px - first, np.float64)
    known = np.zeros((4, 2)) if bends_px is None else bends_px
    now = _Marker(rough, known, _BLUR_PX, np.zeros(2), np.zeros(2))
    for number in range(_ROUNDS):
        seen = _look(places, cells, now)
        if seen is None:
            return None
        target = light[seen.inside]
        if number == 0:
            both = np.stack([seen.black, 1 - seen.black], axis=1)
            levels, *_ = np.linalg.lstsq(both, target, rcond=None)
            now = replace(now, levels=np.asarray(levels, np.float64))
        then, left = _stepped(now, seen, places[seen.inside], target, free=bends_px is None)
        moved = float(np.abs(then.quad - now.quad).max())
        now = then
        far = float(np.abs(now.quad - rough).max())
        # Not the other way round: it may be no number.
        if not far <= _FARTHEST_PX + _FARTHEST_CELLS * pitch:
            return None
        if moved < _STILL_PX:
            break
    else:
        return None
    step = float(now.levels[1] - now.levels[0])
    return None if step < _LEAST_STEP or left > _MOST_LEFT * step else now.quad + first


def bends_between(px: Array, middles_px: Array) -> Array:
    """Return (4, 2) how far the middles of a square's sides lie off the homography of its corners.

    Parameters
    ----------
    px, middles_px
        (4, 2) where the corners are seen, and the middles of the sides that begin in them.
    """
    return np.asarray(middles_px - _through(_homography(px, 1), _MIDDLES))


def _stepped(
    now: _Marker, seen: _Seen, places: Array, light: Array, free: bool
) -> tuple[_Marker, float]:
    """Return the marker after a Gauss-Newton step, and the typical residual before it.

    Free: whether the bends are solved, too.
    """
    away = (places - now.quad.mean(axis=0)) / np.ptp(now.quad, axis=0).max()
    falls, step = 1 + away @ now.shade, float(now.levels[0] - now.levels[1])
    flat = now.levels[1] + step * seen.black
    slope = -step * falls[:, None] * seen.by_place
    along = np.roll(now.quad, -1, axis=0) - now.quad
    square = np.stack([-along[:, 1], along[:, 0]], axis=1)
    square /= np.linalg.norm(along, axis=1)[:, None]
    bending = seen.sides * (square @ slope.T) if free else np.zeros((0, len(light)))
    rows = np.concatenate(
        [
            *(share * slope.T for share in seen.corners),
            bending,
            [step * falls * seen.by_blur, falls * seen.black, falls * (1 - seen.black)],
            flat * away.T,
        ]
    )
    left = light - np.minimum(falls * flat, _MOST_LIGHT)
    rows[:, falls * flat > _MOST_LIGHT] = 0.0
    usual = 1.4826 * float(np.median(np.abs(left))) + 1e-6
    weighed = rows / np.maximum(1, np.abs(left) / (_USUAL * usual))
    system = weighed @ rows.T
    system += np.diag(1e-9 * np.diag(system) + 1e-12)
    change = np.linalg.solve(system, weighed @ left)
    bends = np.clip(change[8:-5, None], -1, 1) * square if free else 0.0
    return _Marker(
        now.quad + np.clip(change[:8].reshape(4, 2), -_FARTHEST_PX, _FARTHEST_PX),
        now.bends + bends,
        float(np.clip(now.blur + change[-5], *_BLURS_PX)),
        now.levels + change[-4:-2],
        now.shade + change[-2:],
    ), usual


def _look(places: Array, cells: NDArray[np.bool_], marker: _Marker) -> _Seen | None:
    """Return the pattern of a marker at those of (m, 2) places that show it; None of too few."""
    count = len(cells)
    forth = _homography(marker.quad, count)
    back = np.asarray(np.linalg.pinv(forth), np.float64)
    # Bends are small: how far a place is moved is told well enough by where it seems to be.
    sides = _sides(_through(back, places) / count)
    own = _through(back, places - sides.T @ marker.bends)
    inside = np.asarray((np.abs(own - count / 2) < count / 2 + _MARGIN).all(axis=1))
    if inside.sum() < _FEWEST_PX:
        return None
    own = own[inside]
    (a, b), (c, d) = _jacobian(forth, own)
    inverse = np.array([[d, -b], [-c, a]]) / (a * d - b * c)  # d(cell) / d(pixel)
    (u, by_u, blur_u), (v, by_v, blur_v) = (
        _shares(own[:, k], np.hypot(*inverse[k]), count, marker.blur) for k in (0, 1)
    )
    # Black or not of the three by three cells about a place; beyond the marker it is white.
    column, row = np.clip(own, 0, count - 1).astype(int).T
    padded, around = np.pad(~cells, 1).astype(np.float64), np.arange(3)
    near = padded[row[:, None, None] + around[:, None], column[:, None, None] + around]
    down, across = np.einsum("jn,nji->in", v, near), np.einsum("nji,in->jn", near, u)
    s, t = np.clip(own / count, 0, 1).T
    return _Seen(
        inside,
        (u * down).sum(axis=0),
        np.einsum("kn,kjn->nj", [(by_u * down).sum(axis=0), (by_v * across).sum(axis=0)], inverse),
        (blur_u * down).sum(axis=0) + (blur_v * across).sum(axis=0),
        np.stack([(1 - s) * (1 - t), s * (1 - t), s * t, (1 - s) * t]),
        sides[:, inside],
    )


def _shares(at: Array, scale: Array, count: int, blur: float) -> tuple[Array, Array, Array]:
    """Return (3, n) shares of the cells about a place, and their d / d(at) and d / d(blur).

    An edge is blurred, then averaged over a pixel: the mean of the normal distribution over it.
    The cells are that of the place, the one before and the one behind; other edges are too far.

    Parameters
    ----------
    at
        (n,) places, cells.
    scale
        (n,) cells per pixel across the edges.
    """
    own = np.clip(np.floor(at), 0, count - 1)
    distance = (at - own - np.array([[0.0], [1.0]])) / scale
    ahead, behind = (distance + 0.5) / blur, (distance - 0.5) / blur
    whole, none = normal(ahead), normal(behind)
    dense, thin = density(ahead), density(behind)
    beyond = blur * (ahead * whole + dense - behind * none - thin)

    def of_cells(edges: Array, before: float) -> Array:
        return np.stack([before - edges[0], edges[0] - edges[1], edges[1]])

    return (
        of_cells(beyond, 1.0),
        of_cells((whole - none) / scale, 0.0),
        of_cells(dense - thin, 0.0),
    )


def _sides(at: Array) -> Array:
    """Return (4, n) how far (n, 2) places of the unit square go with the middle of each side."""
    s, t = np.clip(at, 0, 1).T
    across, down = 4 * (s - s * s), 4 * (t - t * t)
    return np.stack([across * (1 - t), down * s, across * t, down * (1 - s)])


def _homography(quad: Array, count: int) -> Array:
    """Return the (3, 3) homography from a square of so many cells to a quadrilateral."""
    square = np.array([[0, 0], [count, 0], [count, count], [0, count]], np.float32)
    return np.asarray(cv2.getPerspectiveTransform(square, quad.astype(np.float32)), np.float64)


def _through(homography: Array, places: Array) -> Array:
    return np.asarray(cv2.perspectiveTransform(places[None], homography)[0])


def _jacobian(homography: Array, places: Array) -> Array:
    """Return (2, 2, n) d(seen) / d(place) of a homography at (n, 2) places."""
    lower = homography[2, :2] @ places.T + homography[2, 2]
    seen = _through(homography, places).T
    change = homography[:2, :2, None] - seen[:, None] * homography[2, :2, None]
    return np.asarray(change / lower)
