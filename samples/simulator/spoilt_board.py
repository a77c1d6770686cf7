"""A board held before the camera, part of it hidden or lost in glare."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from samples.simulator.board import board_panel, board_raster, held_plane
from samples.simulator.camera import Camera
from samples.simulator.picture import Light, Optics, Picture, linear_from_level
from samples.simulator.raster import Raster
from samples.simulator.scene import Panel, Scene, pixels_of_plane, render, surface

Array = NDArray[np.float64]

# Light added in the middle of a glare, and what makes the darkest ink white.
_GLARE, _WHITE = 4.0, 1.0
# A plane's depth may differ so much over the picture (logarithm).
_TILTED = math.log(12)
# What is held over a board is about as dark as a hand.
_HAND_LEVEL = 120


@dataclass(frozen=True)
class Spoilt:
    """What keeps part of a board from being read: shares of its squares' area, 0 to 1."""

    glare_share: float = 0.0
    hidden_share: float = 0.0


@dataclass(frozen=True, eq=False)
class SpoiltPhoto:
    """A photo with its truth.

    Attributes
    ----------
    picture
        The 8-bit RGB picture.
    corners_px
        (n, 2) where all inner corners are, by number, in view or not.
    bare
        (n,) which of them are in view, and neither hidden nor in the glare.
    """

    picture: Picture
    corners_px: Array
    bare: NDArray[np.bool_]


def spoilt_photo(
    camera: Camera, board: dict[str, Any], spoilt: Spoilt, optics: Optics, seed: int
) -> SpoiltPhoto:
    """Return a photo of a board held anywhere in view; equal arguments give equal photos."""
    rng = np.random.default_rng([7309, seed])
    plane = held_plane(camera, board, int(rng.integers(9)), rng)
    while _nearly_edge_on(camera, plane):
        plane = held_plane(camera, board, int(rng.integers(9)), rng)
    wide, high = (board[f"squares_{axis}"] * board["square_mm"] for axis in "xy")
    x, y = np.meshgrid(
        np.arange(1, board["squares_x"]) * board["square_mm"],
        np.arange(1, board["squares_y"]) * board["square_mm"],
    )
    corners = np.stack([x.ravel(), -y.ravel()], axis=1)
    px = pixels_of_plane(camera, plane, corners)
    bare = np.asarray(((px > 0) & (px < np.array(camera.size) - 1)).all(axis=1))
    light = Light((0.08, -0.06), 0.08, 0.98, 0.02)
    panels = [board_panel(board, plane)]
    if spoilt.hidden_share:
        hand, hidden = _hand(board, plane, corners, spoilt.hidden_share, rng)
        panels.append(hand)
        bare &= ~hidden
    if spoilt.glare_share:
        rim = np.array([[0, 0], [wide, 0], [wide, -high], [0, -high]], float)
        seen = pixels_of_plane(camera, plane, rim)
        reach = math.sqrt(spoilt.glare_share * surface(seen) / math.pi)
        inside = rng.uniform(0.2, 0.8, 2) * [wide, -high]
        middle = pixels_of_plane(camera, plane, inside[None])[0]
        radius = reach / math.sqrt(2 * math.log(_GLARE / _WHITE))
        light = replace(light, glare=(float(middle[0]), float(middle[1]), radius, _GLARE))
        bare &= np.asarray(np.hypot(*(px - middle).T) > reach)
    scene = Scene(camera, "honeycomb", 0, panels=tuple(panels), light=light, optics=optics)
    return SpoiltPhoto(render(scene, rng), px, bare)


def _nearly_edge_on(camera: Camera, raster_from_ray: Array) -> bool:
    """Tell whether the plane's horizon is in the picture or near it, where it cannot be drawn."""
    u, v = np.meshgrid((0.0, camera.size[0]), (0.0, camera.size[1]))
    rays = camera.directions(np.stack([u.ravel(), v.ravel()], axis=1))
    depth = rays @ raster_from_ray[2, :2] + raster_from_ray[2, 2]
    return bool(depth.min() * depth.max() <= 0 or np.ptp(np.log(np.abs(depth))) > _TILTED)


def _hand(
    board: dict[str, Any], plane: Array, corners: Array, share: float, rng: np.random.Generator
) -> tuple[Panel, NDArray[np.bool_]]:
    """Return what lies over a share of a board from one side, and which corners it hides."""
    raster = board_raster(board)
    heading = float(rng.uniform(0, 2 * math.pi))
    towards = np.array([math.cos(heading), math.sin(heading)])
    x, y = raster.axes_mm()
    depth = x[None, :] * towards[0] + y[:, None] * towards[1]
    wide, high = (board[f"squares_{axis}"] * board["square_mm"] for axis in "xy")
    squares = (x[None, :] > 0) & (x[None, :] < wide) & (y[:, None] < 0) & (y[:, None] > -high)
    edge = float(np.quantile(depth[squares], 1 - share))
    cover = np.clip((depth - edge) / raster.pitch_mm + 0.5, 0, 1).astype(np.float32)
    brightness = np.full_like(cover, linear_from_level(_HAND_LEVEL))
    panel = Panel(
        Raster(brightness, raster.pitch_mm, raster.first_mm),
        Raster(cover, raster.pitch_mm, raster.first_mm),
        plane,
        (1.1, 1.0, 0.9),
    )
    return panel, corners @ towards > edge
