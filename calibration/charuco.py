"""Corners of a chessboard with markers, also where most markers are too blurred to be read.

The markers that can be read say which corners lie beside them; from there the board is followed
corner by corner, as a plain chessboard: each is expected where its neighbours put it, moved to the
saddle point near by, and believed if the squares round it are black and white as they should be.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board import Board, marker_dictionary
from calibration.saddle import blur_of_picture, blurred_window, refine

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Numbers = NDArray[np.int64]

# Blurred markers are read in a picture sharpened for this blur (standard deviation), noise held to
# this share of the power, and of twice the size; larger ones are large enough.
_DEBLURRED_PX, _NOISE = 2.0, 0.004
_DOUBLED_WIDTH = 2500
# Below this share of a board's markers it is looked for again, sharpened.
_ENOUGH = 0.9
# A corner lies within this share of a square's side of where its neighbours put it.
_NEAR = 0.1
# Where the squares round a corner are looked at, as shares of a square's side: within the white
# that is round every marker.
_BESIDE = (0.06, 0.09, 0.12)
# It is believed from this share of what the surely known corners show.
_LIKE_OTHERS = 0.4
_LEAST_CONTRAST = 6.0
# A corner lies this near (share of a square's side) to the middle of its neighbours on either side.
_IN_LINE = 0.06
# Markers whose own corners put those of their square farther off than this (share of a side) lie
# elsewhere than the file says; one in five may be a misreading.
_ELSEWHERE, _MOST_ELSEWHERE = 0.35, 0.2


def charuco_corners(picture: Grey, board: Board) -> tuple[Numbers, Array, Numbers, Grey]:
    """Return corner numbers (n,), pixels (n, 2) and the numbers (m,) of all markers seen.

    Last the picture in which their saddle points are clearest: sharpened where it is blurred.
    """
    dictionary = marker_dictionary(board.dictionary)
    numbers = np.arange(board.first_marker, board.first_marker + board.marker_count)
    seen, clearest = _markers(picture, board, numbers)
    own = {number: quad for number, quad in seen.items() if number in numbers}
    every = np.array(sorted(seen), np.int64)
    if not own:
        return np.zeros(0, np.int64), np.zeros((0, 2)), every, clearest
    pattern = cv2.aruco.CharucoBoard(
        (board.squares_x, board.squares_y), board.square_mm, board.marker_mm, dictionary, numbers
    )
    corners, ids, _, _ = cv2.aruco.CharucoDetector(pattern).detectBoard(
        picture,
        markerCorners=[quad.astype(np.float32).reshape(1, 4, 2) for quad in own.values()],
        markerIds=np.array(list(own), np.int32).reshape(-1, 1),
    )
    found: dict[int, Array] = {}
    if ids is not None and corners is not None:
        places = np.asarray(corners, np.float64).reshape(-1, 2)
        found = {int(k): place for k, place in zip(np.asarray(ids).ravel(), places, strict=True)}
    if len(found) < board.corner_count and len(own) > 1:
        found = _followed(clearest, board, own, found)
    if not _laid_out(board, own, found):
        found = {}
    known = np.array(sorted(found), np.int64)
    return known, np.array([found[k] for k in known.tolist()]).reshape(-1, 2), every, clearest


def marker_detector(dictionary: str) -> cv2.aruco.ArucoDetector:
    """Return a detector of one dictionary's markers, corners unrefined."""
    parameters = cv2.aruco.DetectorParameters()
    # Blur spills over a module's edges: its middle says what it is. (Of nine blurred targets, even
    # seeds of their study, 29 of 45 marks were found before, 44 with this and in more sizes.)
    parameters.perspectiveRemovePixelPerCell = 8
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.3
    return cv2.aruco.ArucoDetector(marker_dictionary(dictionary), parameters)


def _markers(picture: Grey, board: Board, numbers: Numbers) -> tuple[dict[int, Array], Grey]:
    """Return (4, 2) pixels by number of all markers that can be read, and the clearest picture."""
    detector = marker_detector(board.dictionary)
    seen = _read(detector, picture, 1)
    if sum(number in numbers for number in seen) >= _ENOUGH * len(numbers):
        return seen, picture
    clear = _deblurred(picture)
    times = 2 if picture.shape[1] <= _DOUBLED_WIDTH else 1
    size = (picture.shape[1] * times, picture.shape[0] * times)
    sharp = cv2.resize(clear, size, interpolation=cv2.INTER_CUBIC)
    # What was read as it is counts more; strangers are counted only there.
    more = _read(detector, np.asarray(sharp, np.uint8), times)
    told = {n: quad for n, quad in more.items() if n in numbers} | seen
    # Sharpening what is sharp makes edges ring, and corners beside them move.
    return told, clear if blur_of_picture(picture) >= _DEBLURRED_PX else picture


def _deblurred(picture: Grey) -> Grey:
    """Return the picture before a Gaussian blurred it, as nearly as its noise allows.

    N. Wiener, "Extrapolation, Interpolation, and Smoothing of Stationary Time Series", 1949.
    """
    room = math.ceil(8 * _DEBLURRED_PX)
    wide = cv2.copyMakeBorder(picture, room, room, room, room, cv2.BORDER_REFLECT)
    rows, columns = np.fft.fftfreq(wide.shape[0]), np.fft.rfftfreq(wide.shape[1])
    kept = np.exp(-2 * (math.pi * _DEBLURRED_PX) ** 2 * (rows[:, None] ** 2 + columns**2))
    sharp = np.fft.irfft2(np.fft.rfft2(wide) * kept / (kept**2 + _NOISE), wide.shape)
    return np.clip(sharp[room:-room, room:-room], 0, 255).astype(np.uint8)


def _read(detector: cv2.aruco.ArucoDetector, picture: Grey, times: int) -> dict[int, Array]:
    quads, ids, _ = detector.detectMarkers(picture)
    if ids is None:
        return {}
    return {
        int(number): (np.asarray(quad, np.float64).reshape(4, 2) + 0.5) / times - 0.5
        for number, quad in zip(np.asarray(ids).ravel(), quads, strict=True)
    }


def _followed(
    picture: Grey, board: Board, own: dict[int, Array], found: dict[int, Array]
) -> dict[int, Array]:
    """Return the corners found, and those that follow from them and from the markers."""
    image = picture.astype(np.float32)
    usual = [
        contrast
        for number, place in found.items()
        if (contrast := _contrast(image, board, number, place, found, own)) is not None
    ]
    limit = max(_LEAST_CONTRAST, _LIKE_OTHERS * float(np.median(usual)) if usual else 0.0)
    side = _side(board, own)
    window = blurred_window(2, blur_of_picture(picture), side)
    grown = dict(found)
    edge = np.array([picture.shape[1], picture.shape[0]]) - 3.0
    waiting = _beside_markers(board, own)
    while True:
        for number in range(board.corner_count):
            if number not in grown and (place := _expected(board, number, grown)) is not None:
                waiting[number] = place
        fresh = {
            n: place
            for n, place in waiting.items()
            if n not in grown and (place >= 2).all() and (place <= edge).all()
        }
        if not fresh:
            return grown
        waiting = {}
        rough = np.array(list(fresh.values()))
        moved = refine(picture, rough, window)
        added = False
        for number, was, place in zip(fresh, rough, moved, strict=True):
            if np.linalg.norm(place - was) > _NEAR * side:
                continue
            contrast = _contrast(image, board, number, place, grown, own)
            if contrast is not None and contrast >= limit:
                grown[number] = place
                added = True
        if not added:
            return grown


def _number(board: Board, row: int, column: int) -> int | None:
    """Return the number of the inner corner in a row and a column; None where there is none."""
    inside = 0 <= row < board.squares_y - 1 and 0 <= column < board.corners_x
    return row * board.corners_x + column if inside else None


def _side(board: Board, own: dict[int, Array]) -> float:
    """Return the usual side of a square, px."""
    sides = [np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1) for quad in own.values()]
    return float(np.median(sides)) * board.square_mm / board.marker_mm


def _beside_markers(board: Board, own: dict[int, Array]) -> dict[int, Array]:
    """Return where each marker's own four corners put the corners of its square."""
    squares = [
        (row, column)
        for row in range(board.squares_y)
        for column in range(board.squares_x)
        if (row + column) % 2
    ]
    inset = (board.square_mm - board.marker_mm) / 2 / board.marker_mm
    inner = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    outer = np.array([[[-inset, -inset]], [[1 + inset, -inset]]], np.float64)
    outer = np.concatenate([outer, [[[1 + inset, 1 + inset]], [[-inset, 1 + inset]]]])
    told: dict[int, list[Array]] = {}
    for number, quad in own.items():
        row, column = squares[number - board.first_marker]
        matrix = cv2.getPerspectiveTransform(inner, quad.astype(np.float32))
        places = cv2.perspectiveTransform(outer, matrix).reshape(4, 2)
        for (down, across), place in zip(((0, 0), (0, 1), (1, 1), (1, 0)), places, strict=True):
            corner = _number(board, row + down - 1, column + across - 1)
            if corner is not None:
                told.setdefault(corner, []).append(np.asarray(place, np.float64))
    return {number: np.mean(places, axis=0) for number, places in told.items()}


def _laid_out(board: Board, own: dict[int, Array], found: dict[int, Array]) -> bool:
    """Return whether the markers lie where the corners found put them, as the file says."""
    side = _side(board, own)
    right, wrong = 0, 0
    for number, quad in own.items():
        told = _beside_markers(board, {number: quad})
        off = [np.linalg.norm(found[k] - place) for k, place in told.items() if k in found]
        if off:
            if float(max(off)) > _ELSEWHERE * side:
                wrong += 1
            else:
                right += 1
    return wrong <= _MOST_ELSEWHERE * (wrong + right)


def _expected(board: Board, number: int, known: dict[int, Array]) -> Array | None:
    """Return where a corner's known neighbours put it; None where too few are known."""
    row, column = divmod(number, board.corners_x)

    def at(r: int, c: int) -> Array | None:
        other = _number(board, r, c)
        return None if other is None else known.get(other)

    told = []
    for dr, dc in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        near, far = at(row + dr, column + dc), at(row + 2 * dr, column + 2 * dc)
        if near is not None and far is not None:
            farther = at(row + 3 * dr, column + 3 * dc)
            # Squares shrink with the distance: three in a row tell by how much.
            told.append(2 * near - far if farther is None else 3 * near - 3 * far + farther)
    for dr in (1, -1):
        for dc in (1, -1):
            down, across = at(row + dr, column), at(row, column + dc)
            diagonal = at(row + dr, column + dc)
            if down is not None and across is not None and diagonal is not None:
                told.append(down + across - diagonal)
    return np.mean(told, axis=0) if told else None


def _contrast(
    image: NDArray[np.float32],
    board: Board,
    number: int,
    place: Array,
    known: dict[int, Array],
    own: dict[int, Array],
) -> float | None:
    """Return by how many grey levels white stands above black round a corner, as it should lie."""
    row, column = divmod(number, board.corners_x)
    right = _step(board, known, place, row, column, 0, 1)
    down = _step(board, known, place, row, column, 1, 0)
    if right is None or down is None:
        # Beside a lonely marker its own sides say which way the squares lie.
        nearest = min(own.values(), key=lambda quad: np.linalg.norm(quad.mean(axis=0) - place))
        scale = board.square_mm / board.marker_mm
        right, down = scale * (nearest[1] - nearest[0]), scale * (nearest[3] - nearest[0])
    points = np.array(
        [
            place + share * (across * right + along * down)
            for across, along in ((-1, -1), (1, 1), (1, -1), (-1, 1))
            for share in _BESIDE
        ]
    ).astype(np.float32)
    rows, columns = image.shape
    if (points < 0).any() or (points > [columns - 1, rows - 1]).any():
        return None
    values = cv2.remap(image, points[:, :1], points[:, 1:], cv2.INTER_LINEAR)
    squares = values.reshape(4, -1).mean(axis=1)
    # The square up and left of the corner in row r, column c is black where r + c is even.
    along, beside = squares[:2], squares[2:]
    black, white = (along, beside) if (row + column) % 2 == 0 else (beside, along)
    # Every square counts by itself: what hides one of them makes no corner.
    return float(white.min() - black.max())


def _step(
    board: Board,
    known: dict[int, Array],
    place: Array,
    row: int,
    column: int,
    down: int,
    across: int,
) -> Array | None:
    """Return the way to the next corner, from a known neighbour on either side."""
    for sign in (1, -1):
        number = _number(board, row + sign * down, column + sign * across)
        if number in known:
            return np.asarray(sign * (known[number] - place))
    return None


def in_line(board: Board, ids: Numbers, px: Array) -> NDArray[np.bool_]:
    """Return (n,) which corners lie in the middle of their neighbours, as on a board they must.

    Perspective and lens move that middle by far less than a square; a corner that ran away, or has
    another's number, lies off it. Where only one of three is off, all three look off: the worst is
    taken out first.
    """
    kept = np.ones(len(ids), bool)
    where = {int(number): row for row, number in enumerate(ids)}
    while True:
        off = np.zeros(len(ids))
        for number, row in where.items():
            r, c = divmod(number, board.corners_x)
            for down, across in ((0, 1), (1, 0)):
                one = _number(board, r - down, c - across)
                other = _number(board, r + down, c + across)
                if one not in where or other not in where:
                    continue
                a, b = where[one], where[other]
                if not (kept[row] and kept[a] and kept[b]):
                    continue
                share = np.linalg.norm(px[row] - (px[a] + px[b]) / 2) / np.linalg.norm(
                    px[a] - px[b]
                )
                for k, part in ((row, 1.0), (a, 0.5), (b, 0.5)):
                    off[k] = max(off[k], 2 * share * part)
        worst = int(np.argmax(off)) if len(off) else 0
        if not len(off) or off[worst] <= _IN_LINE:
            return kept
        kept[worst] = False
