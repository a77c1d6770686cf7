"""Photographs of a printed calibration board: held up for the lens, laid on the bed for the map."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from samples.simulator.bed import draw_marker, marker_cells
from samples.simulator.camera import Camera, plane_from_ray, pool_camera, rotation_matrix
from samples.simulator.motion import placed
from samples.simulator.picture import Light, Optics, Picture
from samples.simulator.raster import Raster, blank, rectangle_share
from samples.simulator.scene import Panel, Scene, render

Array = NDArray[np.float64]

_PAPER_MM = 9.0
_INK = 0.035
_PAPER = 0.74


def board_file(
    squares_x: int = 11,
    squares_y: int = 8,
    square_mm: float = 15.0,
    marker_mm: float = 11.0,
    dictionary: str = "DICT_5X5_250",
) -> dict[str, Any]:
    """Return the content of a board file."""
    return {
        "schema": "witmark.board/1",
        "kind": "charuco",
        "squares_x": squares_x,
        "squares_y": squares_y,
        "square_mm": square_mm,
        "marker_mm": marker_mm,
        "dictionary": dictionary,
    }


def board_raster(board: dict[str, Any], pitch_mm: float = 0.1) -> Raster:
    """Return the printed board (1 paper, 0 ink) with white paper round it.

    In the page's sense, y up: the outer corner of the first square is the origin, the board lies
    at x >= 0, y <= 0, as OpenCV draws it. Square (0, 0) is black; markers stand in the white ones.
    """
    return _board_raster(
        board["squares_x"],
        board["squares_y"],
        board["square_mm"],
        board["marker_mm"],
        board["dictionary"],
        pitch_mm,
    )


@lru_cache(maxsize=3)
def _board_raster(
    across: int, down: int, square: float, marker: float, dictionary: str, pitch_mm: float
) -> Raster:
    raster = blank(
        (-_PAPER_MM, -down * square - _PAPER_MM, across * square + _PAPER_MM, _PAPER_MM), pitch_mm
    )
    raster.values[:] = 1.0
    number = 0
    step = round(square / pitch_mm)
    for row in range(down):
        for column in range(across):
            # Each square is drawn in a window of its own, two cells wider than itself.
            c0 = int((column * square + _PAPER_MM) / pitch_mm) - 2
            r0 = int(((down - row - 1) * square + _PAPER_MM) / pitch_mm) - 2
            window = Raster(
                raster.values[r0 : r0 + step + 5, c0 : c0 + step + 5],
                pitch_mm,
                (raster.first_mm[0] + c0 * pitch_mm, raster.first_mm[1] + r0 * pitch_mm),
            )
            left, top = column * square, -row * square
            if (row + column) % 2 == 0:
                window.values[:] -= rectangle_share(window, left, top - square, left + square, top)
            else:
                cells = marker_cells(dictionary, number)
                draw_marker(window, cells, (left + square / 2, top - square / 2), marker)
                number += 1
    return raster


def board_panel(board: dict[str, Any], raster_from_ray: Array) -> Panel:
    """Return the board as a panel: paper and ink to the edge of its paper."""
    raster = board_raster(board)
    printed = np.asarray(_INK + (_PAPER - _INK) * raster.values, np.float32)
    cover = np.ones_like(printed)
    return Panel(
        Raster(printed, raster.pitch_mm, raster.first_mm),
        Raster(cover, raster.pitch_mm, raster.first_mm),
        raster_from_ray,
        (1.01, 1.0, 0.97),
    )


@dataclass(frozen=True)
class Lying:
    """Where a board lies on the bed: p_bed = at + R(turn) (x, -y), its face at a height."""

    at_mm: tuple[float, float]
    turn_deg: float
    height_mm: float


def board_photos(
    camera_index: int,
    count: int,
    seed: int,
    size: tuple[int, int] = (1920, 1080),
    place: Lying | None = None,
    board: dict[str, Any] | None = None,
    bed: str = "honeycomb",
    noise_levels: float = 2.0,
    psf_px: float = 0.9,
    jpeg_quality: int | None = 90,
    camera: Camera | None = None,
) -> tuple[list[Picture], dict[str, Any]]:
    """Return photos of a board and its board file.

    Held at varied poses all over the field; or all in one `place` on the bed, reference marks in
    view. By a camera of the pool, or by another one.
    """
    board = board or board_file()
    camera = camera or pool_camera(camera_index, size)
    rng = np.random.default_rng([7308, camera_index, seed, *size])
    tilt = (float(rng.uniform(-0.12, 0.12)), float(rng.uniform(-0.12, 0.12)))
    light = Light(tilt, 0.08, 0.98, 0.02)
    optics = Optics(psf_px, noise_levels, jpeg_quality=jpeg_quality)
    photos = []
    for number in range(count):
        if place is None:
            plane = held_plane(camera, board, number, rng)
        else:
            bed_from_board = placed(place.at_mm, place.turn_deg)
            plane = bed_from_board.inverse().matrix @ camera.bed_from_ray(place.height_mm)
        panels = (board_panel(board, plane),)
        scene = Scene(camera, bed, 0, panels=panels, light=light, optics=optics)
        photos.append(render(scene, rng))
    return photos, board


# Where the board's middle goes, in turn: share of the half picture right and down.
_SPOTS = (
    (0.0, 0.0), (-0.62, -0.5), (0.62, 0.5), (0.62, -0.5), (-0.62, 0.5),
    (0.0, -0.5), (0.0, 0.5), (-0.66, 0.0), (0.66, 0.0),
)  # fmt: skip


def held_plane(
    camera: Camera, board: dict[str, Any], number: int, rng: np.random.Generator
) -> Array:
    """Return the homography from rays to the board's plane for a board held in the hand."""
    wide = board["squares_x"] * board["square_mm"]
    high = board["squares_y"] * board["square_mm"]
    right, lower = _SPOTS[number % len(_SPOTS)]
    spot = np.array(
        [
            camera.size[0] / 2 * (1 + right + rng.uniform(-0.06, 0.06)),
            camera.size[1] / 2 * (1 + lower + rng.uniform(-0.06, 0.06)),
        ]
    )
    ray = np.append(camera.directions(spot[None])[0], 1.0)
    # The board covers a share of the picture's width that differs from photo to photo.
    share = float(rng.uniform(0.38, 0.52)) if number else 0.68
    distance = min(camera.focal_px[0] * wide / (share * camera.size[0]), 420.0)
    # Tilts go round the compass so that focal length and depth come apart.
    heading = 2.4 * number + float(rng.uniform(-0.4, 0.4))
    tilt = math.radians(float(rng.uniform(18, 34))) if number else math.radians(4)
    lean = rotation_matrix(tilt * np.array([math.cos(heading), math.sin(heading), 0.0]))
    roll = rotation_matrix(np.array([0.0, 0.0, math.radians(float(rng.uniform(-12, 12)))]))
    # y up on the board's raster, y down and z away from the camera in the camera frame.
    turned = lean @ roll @ np.diag([1.0, -1.0, -1.0])
    if camera.fisheye:
        # So far off the axis a board is turned to face the camera, or it would be a sliver.
        ray /= np.linalg.norm(ray)
        turned = _facing(ray) @ turned
    middle = np.array([wide / 2, -high / 2, 0.0])
    shift = distance * ray - turned @ middle
    return plane_from_ray(np.column_stack([turned[:, 0], turned[:, 1], shift]))


def _facing(direction: Array) -> Array:
    """Return the (3, 3) rotation that turns the optical axis into a direction of unit length."""
    axis = np.cross([0.0, 0.0, 1.0], direction)
    length = float(np.linalg.norm(axis))
    return rotation_matrix(axis / max(length, 1e-12) * math.atan2(length, float(direction[2])))


def bed_board_photo(
    camera_index: int,
    at_mm: tuple[float, float],
    turn_deg: float,
    height_mm: float,
    seed: int,
    size: tuple[int, int] = (1920, 1080),
    board: dict[str, Any] | None = None,
    **look: Any,
) -> Picture:
    """Return one photo of the board lying on the bed; `look` as in `board_photos`."""
    place = Lying(at_mm, turn_deg, height_mm)
    photos, _ = board_photos(camera_index, 1, seed, size, place, board, **look)
    return photos[0]


def save_photo(path: Path | str, rgb: Picture, quality: int = 90) -> None:
    """Write a picture as JPEG (4:2:0, without EXIF) or, by its suffix, as PNG."""
    path = Path(path)
    buffer = io.BytesIO()
    image = Image.fromarray(rgb)
    if path.suffix.lower() == ".png":
        image.save(buffer, "PNG")
    else:
        image.save(buffer, "JPEG", quality=quality, subsampling=2)
    path.write_bytes(buffer.getvalue())
