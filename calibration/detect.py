"""Find a board's corners in a grey picture, or say why not."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.charuco import charuco_corners, in_line
from calibration.saddle import blur_of_picture, blurred_window, refine
from calibration.sides import SIDE_SHARE, by_sides

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Numbers = NDArray[np.int64]

MIN_CORNERS = 8
# An edge whose blur (standard deviation of the line spread) exceeds this many pixels, or this share
# of a square, says that the camera moved or was out of focus: common practice, no source.
_BLUR_PX = 3.0
_BLUR_OF_SQUARE = 0.12
# Plain boards are searched in a picture of at most this width: finding needs no more, and the
# corners are refined in the full picture.
_SEARCH_WIDTH = 1600
# Saddle points are ten times worse than corners by sides: where so many (a share) were found by
# their sides, the others, at the picture's rim or half covered, are left out.
_MOST = 0.5


@dataclass(frozen=True, eq=False)
class Corners:
    """The corners of one board in one picture; empty, with the reason, where it was not found.

    Attributes
    ----------
    ids
        (n,) numbers of the inner corners, row by row from the board's first square.
    px
        (n, 2) pixels.
    sigma_px
        Standard deviation of one coordinate that the picture's noise alone explains: a bound
        from below, the residuals of a fit tell more.
    blur_px
        Blur of the board's edges: standard deviation of a Gaussian line spread.
    why
        Reason why the board cannot be used; None where it can.
    """

    ids: Numbers = field(default_factory=lambda: np.zeros(0, np.int64))
    px: Array = field(default_factory=lambda: np.zeros((0, 2)))
    sigma_px: float = math.nan
    blur_px: float = math.nan
    why: str | None = None


def detect(grey: Grey, board: Board, other_markers: Collection[int] = ()) -> Corners:
    """Find the board's inner corners.

    Parameters
    ----------
    grey
        (h, w) uint8.
    other_markers
        Numbers of markers of the board's dictionary that lie on the bed on purpose (reference
        marks), so that they are not taken for rows that the board file forgot.
    """
    picture = np.ascontiguousarray(255 - grey if board.inverted else grey)
    if board.kind == "charuco":
        ids, rough, why, clearest = _charuco(picture, board, other_markers)
    else:
        ids, rough, why = _chessboard(picture, board)
        clearest = picture
    if why is None and len(ids) < MIN_CORNERS:
        why = f"only {len(ids)} corners of the board are seen, at least {MIN_CORNERS} are needed"
    if why is None and _on_one_line(board.points_mm(ids)):
        why = "the corners seen lie on one line"
    if why is None and len(board.neighbours(ids)) == 0:
        why = "no two corners side by side are seen"
    if why is not None:
        return Corners(why=why)
    window = _window(board, ids, rough)
    px = refine(clearest, rough, window)
    blur, square_px = _blur_and_side(picture, board, ids, px)
    if board.kind == "charuco":
        wider = blurred_window(window, blur, square_px)
        if wider > window:
            px = refine(clearest, rough, wider)
            # In the wider window the markers' own edges make it look sharper.
            _, square_px = _blur_and_side(picture, board, ids, px)
        kept = in_line(board, ids, px)
        ids, px = ids[kept], px[kept]
        if len(ids) < MIN_CORNERS or _on_one_line(board.points_mm(ids)):
            return Corners(blur_px=blur, why="its corners do not lie in rows: blurred, or not flat")
    if blur > _BLUR_PX or blur > _BLUR_OF_SQUARE * square_px:
        return Corners(blur_px=blur, why=f"blurred (edges are smeared over {2 * blur:.1f} pixels)")
    px, told = by_sides(picture, board, ids, px, blur)
    enough = told.sum() >= max(MIN_CORNERS, _MOST * len(ids))
    if enough and not _on_one_line(board.points_mm(ids[told])):
        ids, px = ids[told], px[told]
    sigma = _sigma(picture, px, max(window, round(SIDE_SHARE * square_px)))
    return Corners(ids, px, sigma, blur)


def noise_sigma(grey: Grey) -> float:
    """Return the standard deviation of a picture's noise in grey levels.

    From the median of a Laplacian difference, after J. Immerkaer, "Fast noise variance
    estimation", Computer Vision and Image Understanding 64 (1996), 300-302; the median keeps edges
    out. At least the rounding to whole levels.
    """
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(grey, cv2.CV_32F, kernel)[1:-1:2, 1:-1:2]
    # 6 is the kernel's norm, 0.6745 the median of the absolute standard normal.
    return max(float(np.median(np.abs(response))) / 6 / 0.6745, 1 / math.sqrt(12))


def _charuco(
    picture: Grey, board: Board, other_markers: Collection[int]
) -> tuple[Numbers, Array, str | None, Grey]:
    ids, px, seen, clearest = charuco_corners(picture, board)
    last = board.first_marker + board.marker_count - 1
    beyond = sorted(
        {int(n) for n in seen if not board.first_marker <= n <= last} - set(other_markers)
    )
    # One stray number can be a misread; several are rows or columns of the print.
    if len(beyond) >= 2:
        numbers = ", ".join(str(n) for n in beyond[:4])
        return (
            ids,
            px,
            f"markers {numbers} lie beyond the board file: it has too few squares",
            clearest,
        )
    if len(ids):
        return ids, px, None, clearest
    own = int(((seen >= board.first_marker) & (seen <= last)).sum())
    return ids, px, _why_no_corners(picture, board, own), clearest


def _why_no_corners(picture: Grey, board: Board, markers: int) -> str:
    """Look again, flipped and inverted, to name what is wrong with the board."""
    if len(charuco_corners(np.ascontiguousarray(picture[:, ::-1]), board)[0]):
        return "the board is mirrored: the camera or its program flips the picture"
    if len(charuco_corners(255 - picture, board)[0]):
        other = "false" if board.inverted else "true"
        return f'black and white are exchanged: set "inverted": {other} in the board file'
    # One or two can be misreadings of a texture.
    if markers >= 3:
        return "board not found: its markers are seen, but not laid out as in the board file"
    return _not_found(picture)


def _chessboard(picture: Grey, board: Board) -> tuple[Numbers, Array, str | None]:
    shape = (board.squares_x - 1, board.squares_y - 1)
    shrink = max(1.0, picture.shape[1] / _SEARCH_WIDTH)
    small = picture
    if shrink > 1:
        size = (round(picture.shape[1] / shrink), round(picture.shape[0] / shrink))
        shrink = picture.shape[1] / size[0]
        small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH + cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(small, shape, flags=flags)
    if not found or corners is None:
        return np.zeros(0, np.int64), np.zeros((0, 2)), _not_found(picture)
    grid = np.asarray(corners, np.float64).reshape(shape[1], shape[0], 2)
    # Pixel centres are integers in both pictures: the small one's (0, 0) lies at (shrink - 1) / 2.
    grid = grid * shrink + (shrink - 1) / 2
    ids = np.arange(board.corner_count, dtype=np.int64)
    return ids, _from_first_square(picture, grid).reshape(-1, 2), None


def _from_first_square(picture: Grey, grid: Array) -> Array:
    """Turn a (rows, columns, 2) grid so that it starts beside the black first square.

    Of the four orders, the two that are mirrored are excluded by their sense of rotation and one of
    the others by the colour of the square above and to the left of the first corner.
    """
    across, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    if across[0] * down[1] - across[1] * down[0] < 0:
        grid = grid[:, ::-1]
    inside = (grid[0, 0] + grid[0, 1] + grid[1, 0] + grid[1, 1]) / 4
    right = (grid[0, 1] + grid[0, 2] + grid[1, 1] + grid[1, 2]) / 4
    # The square inside the first corner has the colour of the first square, its neighbour not.
    if _level(picture, inside) > _level(picture, right):
        grid = grid[::-1, ::-1]
    return np.ascontiguousarray(grid)


def _level(picture: Grey, at_px: Array) -> float:
    patch = cv2.getRectSubPix(picture, (3, 3), (float(at_px[0]), float(at_px[1])))
    return float(patch.mean())


def _not_found(picture: Grey) -> str:
    low, high = np.percentile(picture, [1, 99])
    if high - low < 20:
        return "board not found: the picture has almost no contrast"
    if blur_of_picture(picture) > _BLUR_PX:
        return "board not found: the picture is blurred"
    return "board not found: it is not in view, hidden in part, or not the board of the file"


def _window(board: Board, ids: Numbers, px: Array) -> int:
    """Choose the half width of the refinement window so that it sees one corner only.

    The nearest other edge is the next corner on a plain board and the marker on the other kind;
    the narrowest square in the picture decides, because a tilted board is foreshortened.
    """
    pairs = board.neighbours(ids)
    narrowest = float(np.linalg.norm(px[pairs[:, 0]] - px[pairs[:, 1]], axis=1).min())
    if board.kind == "charuco":
        reach = 0.8 * narrowest * (board.square_mm - board.marker_mm) / 2 / board.square_mm
    else:
        reach = 0.25 * narrowest
    return int(np.clip(reach, 2, 10))


def _sigma(picture: Grey, px: Array, window: int) -> float:
    """Return the corners' standard deviation (px) by the picture's noise alone.

    The Cramer-Rao bound of a shift of the window's content: with gradients g and noise sigma_n the
    covariance is sigma_n^2 (sum g g')^-1 (D. Robinson and P. Milanfar, "Fundamental performance
    limits in image registration", IEEE Trans. Image Processing 13 (2004)).
    """
    image = picture.astype(np.float32)
    gx = cv2.Sobel(image, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(image, cv2.CV_32F, 0, 1, scale=1 / 8)
    size = (2 * window + 1, 2 * window + 1)
    noise = noise_sigma(picture)
    spread = []
    for x, y in px:
        ax = cv2.getRectSubPix(gx, size, (x, y)).ravel().astype(float)
        ay = cv2.getRectSubPix(gy, size, (x, y)).ravel().astype(float)
        xx, yy, xy = ax @ ax, ay @ ay, ax @ ay
        spread.append((xx + yy) / max(xx * yy - xy * xy, 1e-9) / 2)
    return noise * math.sqrt(float(np.median(spread)))


def _blur_and_side(picture: Grey, board: Board, ids: Numbers, px: Array) -> tuple[float, float]:
    """Return the blur of the board's edges and a square's side, px; some corners are neighbours.

    From profiles across the middle of the edges between neighbours: a step blurred by a Gaussian
    has the steepest slope contrast / (sigma sqrt(2 pi)).
    """
    pairs = board.neighbours(ids)
    image = picture.astype(np.float32)
    first, second = px[pairs[:, 0]], px[pairs[:, 1]]
    along = second - first
    lengths = np.linalg.norm(along, axis=1)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / lengths[:, None]
    middle = (first + second) / 2
    side = float(np.median(lengths))
    reach = (
        0.45 * side
        if board.kind == "chessboard"
        else side * ((board.square_mm - board.marker_mm) / 2 / board.square_mm)
    )
    steps = np.arange(-reach, reach + 0.25, 0.5)
    points = (middle[:, None, :] + steps[None, :, None] * normal[:, None, :]).astype(np.float32)
    profiles = cv2.remap(image, points[:, :, 0], points[:, :, 1], cv2.INTER_LINEAR)
    contrast = profiles.max(axis=1) - profiles.min(axis=1)
    slope = np.abs(profiles[:, 2:] - profiles[:, :-2]).max(axis=1)
    blur = float(np.median(contrast / np.maximum(slope, 1e-6))) / math.sqrt(2 * math.pi)
    return blur, side


def _on_one_line(points_mm: Array) -> bool:
    centred = points_mm - points_mm.mean(axis=0)
    values = np.linalg.svd(centred, compute_uv=False)
    return bool(values[-1] < 1e-6 * max(values[0], 1e-9))
