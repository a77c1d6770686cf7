"""A scene on the bed and what the camera sees of it.

Every ray of a supersampled picture is followed to the planes of the scene: the work's upper face
where it hits the work's outline, else its edge, else the bed with its reference marks. Places of
interest (work, mark, reference marks, boards) get more rays per pixel than the rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from samples.simulator.bed import MARKS, bed_layers, mark_raster
from samples.simulator.burn import Burned
from samples.simulator.camera import (
    Camera,
    Grid,
    Tile,
    apply_homography,
    plane_from_ray,
    ray_map,
)
from samples.simulator.material import Colour
from samples.simulator.motion import Motion
from samples.simulator.picture import Light, Optics, Picture, expose, spread
from samples.simulator.raster import Raster, look_up, sampled

Array = NDArray[np.float64]

# Rounds in which the place where a ray meets a bowed face is found.
_ROUNDS = 3


@dataclass(frozen=True, eq=False)
class Mark:
    """One burned run of strokes as it lies on the work now.

    Attributes
    ----------
    burned
        Its opacity and its own plane.
    bed_from_page
        Where the page lies that it was burned from, as seen now.
    reflectance, tint
        What a fully burned place looks like.
    depth_mm
        Depth of the burned floor below the work's surface.
    """

    burned: Burned
    bed_from_page: Motion
    reflectance: float
    tint: Colour
    depth_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Work:
    """The piece on the bed.

    Attributes
    ----------
    shape
        1 inside its outline, 0 outside, in its own frame.
    ground
        Relative brightness of its surface, in its own frame.
    bed_from_work
        Where it lies.
    thickness_mm
        Height of its upper face above the bed.
    reflectance, tint
        Its bare ground.
    marks
        What was burned so far; marks overlap by what each lets through.
    bow_mm
        How much higher the middle of its upper face lies than its two shorter sides, which lie as
        high as they should: a gutter upside down. Its edges are drawn as if it were flat.
    """

    shape: Raster
    ground: Raster
    bed_from_work: Motion
    thickness_mm: float
    reflectance: float
    tint: Colour
    marks: tuple[Mark, ...] = ()
    bow_mm: float = 0.0

    def lifted_mm(self, places: Grid) -> Grid:
        """Return how much higher than flat the upper face lies at its own places (..., 2)."""
        axis, first, last = self._length
        away = (2 * places[..., axis] - first - last) / (last - first)
        return np.asarray(self.bow_mm * np.maximum(1 - away * away, 0))

    @cached_property
    def _length(self) -> tuple[int, float, float]:
        """The work's longer axis, and where its sides lie on that."""
        axis = int(np.argmax(self.shape.values.shape[::-1]))
        inside = np.flatnonzero(self.shape.values.max(axis=axis) > 0.5)
        first, last = self.shape.first_mm[axis] + self.shape.pitch_mm * inside[[0, -1]]
        return axis, float(first), float(last)

    @cached_property
    def shadow(self) -> Raster:
        """What the work takes of the bed's light round its rim."""
        soft = (0.3 + 0.4 * self.thickness_mm) / self.shape.pitch_mm
        return replace(
            self.shape,
            values=np.asarray(cv2.GaussianBlur(self.shape.values, (0, 0), soft), np.float32),
        )


@dataclass(frozen=True, eq=False)
class Panel:
    """A flat thing in front of everything: a board, the head of the machine.

    Attributes
    ----------
    brightness
        Its reflectance; where it ends the scene shows.
    cover
        1 where it is, 0 where it is not, on the same cells as the brightness.
    raster_from_ray
        (3, 3) homography from ray directions to its plane.
    """

    brightness: Raster
    cover: Raster
    raster_from_ray: Array
    tint: Colour = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Scene:
    """Everything that is in front of the camera."""

    camera: Camera
    bed: str
    bed_variant: int
    work: Work | None = None
    panels: tuple[Panel, ...] = ()
    light: Light = field(default_factory=Light)
    optics: Optics = field(default_factory=Optics)
    with_marks: bool = True


def render(scene: Scene, rng: np.random.Generator) -> Picture:
    """Return the 8-bit RGB picture of a scene; equal arguments give equal pictures."""
    return expose(linear_picture(scene), scene.light, scene.optics, rng)


def linear_picture(scene: Scene) -> Grid:
    """Return the (rows, columns, 3) linear reflectance that reaches the pixels, before light."""
    blur = replace(Optics(scene.optics.psf_px), motion_px=scene.optics.motion_px)
    bare = replace(scene, work=None, panels=(), light=Light(), optics=blur)
    picture = _bare_picture(bare).copy()
    for tile, fine, with_marks in _places(scene):
        work = scene.work
        if work is not None and not with_marks:
            # The finer tile of the marks comes later and replaces all that they touch.
            work = replace(work, marks=())
        _paint(picture, replace(scene, work=work), tile, fine)
    return picture


# Two captures of one job share their bed; so do the photos of one board.
@lru_cache(maxsize=2)
def _bare_picture(scene: Scene) -> Grid:
    """Return the bed with its reference marks alone."""
    width, height = scene.camera.size
    picture = np.empty((height, width, 3), np.float32)
    big = width * height > 4_000_000
    _paint(picture, scene, Tile(0, 0, width, height), 1 if big else 2)
    if scene.with_marks:
        for mark in MARKS:
            half = mark.ground_mm / 2 + 1
            square = half * math.sqrt(2) * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
            place = _lifted(square + mark.centre_mm, 0.0)
            tile = _tile(scene.camera.project(place), scene.camera.size, 3)
            _paint(picture, scene, tile, 4)
    return picture


def _reach(optics: Optics) -> int:
    """Return how far light strays, in pixels."""
    return math.ceil(4 * optics.psf_px + optics.motion_px[0] / 2) + 1


def _paint(picture: Grid, scene: Scene, tile: Tile, fine: int) -> None:
    """Draw a tile into the picture."""
    if tile.u1 <= tile.u0 or tile.v1 <= tile.v0:
        return
    wide = tile.grown(_reach(scene.optics), scene.camera.size)
    part = _draw(scene, wide, fine)
    v, u = tile.v0 - wide.v0, tile.u0 - wide.u0
    picture[tile.v0 : tile.v1, tile.u0 : tile.u1] = part[
        v : v + tile.v1 - tile.v0, u : u + tile.u1 - tile.u0
    ]


def _box(raster: Raster) -> Array:
    x, y = raster.axes_mm()
    return np.array([[x[0], y[0]], [x[-1], y[0]], [x[-1], y[-1]], [x[0], y[-1]]])


def _tile(pixels: Array, size: tuple[int, int], margin: int) -> Tile:
    low, high = np.floor(pixels.min(axis=0)) - margin, np.ceil(pixels.max(axis=0)) + margin + 1
    return Tile(
        int(np.clip(low[0], 0, size[0])),
        int(np.clip(low[1], 0, size[1])),
        int(np.clip(high[0], 0, size[0])),
        int(np.clip(high[1], 0, size[1])),
    )


def _lifted(points_mm: Array, height_mm: float) -> Array:
    return np.column_stack([points_mm, np.full(len(points_mm), height_mm)])


def _places(scene: Scene) -> list[tuple[Tile, int, bool]]:
    """Return the tiles that need more rays, coarse ones first.

    Each with its rays per pixel and axis, and whether marks on the work are drawn in it.
    """
    camera = scene.camera
    per_px = abs(float(camera.place_mm[2])) / camera.focal_px[0]
    # Enough rays that the finest strokes (blurred by the soft edge) are sampled without beats.
    fine = int(np.clip(math.ceil(per_px / 0.08), 2, 4))
    margin = _reach(scene.optics) + 2
    found: list[tuple[Tile, int, bool]] = []
    if scene.work is not None:
        work = scene.work
        corners = work.bed_from_work.apply(_box(work.shape))
        both = np.vstack([_lifted(corners, 0.0), _lifted(corners, work.thickness_mm)])
        found.append((_tile(camera.project(both), camera.size, margin), max(fine - 1, 2), False))
        rims = [
            mark.bed_from_page.apply(mark.burned.page_from_raster.apply(_box(mark.burned.opacity)))
            for mark in work.marks
        ]
        if rims:
            rim = _lifted(np.vstack(rims), work.thickness_mm)
            found.append((_tile(camera.project(rim), camera.size, margin), fine, True))
    for panel in scene.panels:
        corners = _box(panel.cover)
        pixels = pixels_of_plane(camera, panel.raster_from_ray, corners)
        # Rays one cell of the drawing apart: its edges, one cell wide, then count exactly.
        per_px = math.sqrt(surface(corners) / max(surface(pixels), 1.0))
        rays_per_px = int(np.clip(math.ceil(0.95 * per_px / panel.cover.pitch_mm), 2, 4))
        found.append((_tile(pixels, camera.size, margin), rays_per_px, True))
    return found


def pixels_of_plane(camera: Camera, plane_of_ray: Array, points: Array) -> Array:
    """Return (n, 2) pixels of points of a plane, (3, 3) homography from rays to it given."""
    rays = apply_homography(plane_from_ray(plane_of_ray), points)
    flat = np.column_stack([rays, np.ones(len(rays))])
    return camera.project((flat - np.array(camera.tvec)) @ camera.rotation)


def surface(corners: Array) -> float:
    """Return the area of a polygon of (n, 2) corners."""
    x, y = corners.T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def _draw(scene: Scene, tile: Tile, fine: int) -> Grid:
    """Follow the rays of a tile, blur, and add up to (rows, columns, 3) pixels."""
    camera = scene.camera
    bed_from_ray = camera.bed_from_ray(0.0)
    sheets: list[tuple[Grid, Colour]] = []

    def cover_by(share: Grid) -> None:
        left = 1 - share
        for below, _ in sheets:
            np.multiply(below, left, out=below)

    for raster, tint in bed_layers(scene.bed, scene.bed_variant):
        seen = look_up(raster, camera, bed_from_ray, tile, fine, 0.0)
        if seen.any():
            sheets.append((seen, tint))
    if scene.with_marks:
        for mark in MARKS:
            half = mark.ground_mm
            near = _lifted(
                np.array(mark.centre_mm) + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]),
                0.0,
            )
            if not _meets(_tile(camera.project(near), camera.size, 0), tile):
                continue
            raster, bed_from_mark = mark_raster(mark)
            plane = bed_from_mark.inverse().matrix @ bed_from_ray
            seen = look_up(raster, camera, plane, tile, fine, -1.0)
            # Beyond its white ground the raster says -1: the ramp between is its edge.
            share = np.clip(seen + 1, 0, 1)
            cover_by(share)
            sheets.append(
                (
                    np.clip(seen, 0, 1) * np.float32(0.78) + share * np.float32(0.035),
                    (1.0, 1.0, 0.99),
                )
            )
    if scene.work is not None:
        corners = scene.work.bed_from_work.apply(_box(scene.work.shape))
        both = np.vstack([_lifted(corners, 0.0), _lifted(corners, scene.work.thickness_mm)])
        if _meets(_tile(camera.project(both), camera.size, 40), tile):
            _lay_work(scene.work, camera, tile, fine, sheets, cover_by)
    for panel in scene.panels:
        share = look_up(panel.cover, camera, panel.raster_from_ray, tile, fine, 0.0)
        if share.max() > 0:
            cover_by(share)
            value = look_up(panel.brightness, camera, panel.raster_from_ray, tile, fine, 0.0)
            sheets.append((value * share, panel.tint))
    picture: Grid = np.zeros((tile.v1 - tile.v0, tile.u1 - tile.u0, 3), np.float32)
    for value, tint in _joined(sheets):
        seen = spread(value, fine, scene.optics)
        for channel in range(3):
            picture[..., channel] += np.float32(tint[channel]) * seen
    return picture


def _joined(sheets: list[tuple[Grid, Colour]]) -> list[tuple[Grid, Colour]]:
    """Add up what has the same colour: each colour is blurred once."""
    totals: dict[Colour, Grid] = {}
    for value, tint in sheets:
        totals[tint] = totals[tint] + value if tint in totals else value
    return [(value, tint) for tint, value in totals.items()]


def _meets(first: Tile, second: Tile) -> bool:
    return (
        first.u0 < second.u1
        and second.u0 < first.u1
        and first.v0 < second.v1
        and second.v0 < first.v1
    )


def _lay_work(
    work: Work,
    camera: Camera,
    tile: Tile,
    fine: int,
    sheets: list[tuple[Grid, Colour]],
    cover_by: Callable[[Grid], None],
) -> None:
    """Lay the work over the bed: soft shadow, edge, upper face with its marks."""
    work_from_bed = work.bed_from_work.inverse().matrix
    top = _on_face(work, work.shape, np.eye(3), camera, tile, fine)
    edge = np.zeros_like(top)
    for share in (0.0, 0.5):
        plane = work_from_bed @ camera.bed_from_ray(share * work.thickness_mm)
        np.maximum(edge, look_up(work.shape, camera, plane, tile, fine, 0.0), out=edge)
    shade = look_up(work.shadow, camera, work_from_bed @ camera.bed_from_ray(0.0), tile, fine, 0.0)
    for below, _ in sheets:
        below *= 1 - np.float32(0.4) * shade
    cover_by(np.maximum(edge, top))
    edge = np.maximum(edge - top, 0) * np.float32(0.45 * work.reflectance)
    through = np.ones_like(top)
    burned: list[tuple[Grid, Colour]] = []
    for mark in work.marks:
        opacity = _opacity(mark, work, camera, tile, fine)
        for value, _ in burned:
            value *= 1 - opacity
        through *= 1 - opacity
        burned.append((opacity * np.float32(mark.reflectance), mark.tint))
    face = _on_face(work, work.ground, np.eye(3), camera, tile, fine, outside=1.0)
    face *= through
    face *= top
    face *= np.float32(work.reflectance)
    sheets.append((face + edge, work.tint))
    for value, tint in burned:
        value *= top
        sheets.append((value, tint))


def _opacity(mark: Mark, work: Work, camera: Camera, tile: Tile, fine: int) -> Grid:
    """Return a mark's opacity along the rays; a deep floor is seen through its rim only."""
    raster_from_bed = mark.bed_from_page.after(mark.burned.page_from_raster).inverse().matrix
    raster_from_work = raster_from_bed @ work.bed_from_work.matrix
    rim = _on_face(work, mark.burned.opacity, raster_from_work, camera, tile, fine)
    if not mark.depth_mm:
        return rim
    floor = _on_face(
        work, mark.burned.opacity, raster_from_work, camera, tile, fine, lower_mm=mark.depth_mm
    )
    # Through the rim a ray meets the burned floor or the pit's wall, which is half as burned.
    return np.asarray(rim * (0.5 + 0.5 * floor / max(float(floor.max()), 1e-6)), np.float32)


def _on_face(
    work: Work,
    raster: Raster,
    raster_from_work: Array,
    camera: Camera,
    tile: Tile,
    fine: int,
    *,
    lower_mm: float = 0.0,
    outside: float = 0.0,
) -> Grid:
    """Return what every ray meets on a raster that lies on the work's upper face, or under it."""
    work_from_ray = work.bed_from_work.inverse().matrix @ camera.bed_from_ray(
        work.thickness_mm - lower_mm
    )
    if not work.bow_mm:
        return look_up(raster, camera, raster_from_work @ work_from_ray, tile, fine, outside)
    flat = np.dstack(ray_map(camera, work_from_ray, tile, fine))
    foot = work.bed_from_work.inverse().apply(camera.place_mm[:2]).astype(np.float32)
    above = np.float32(camera.place_mm[2] - work.thickness_mm + lower_mm)
    met = flat
    for _ in range(_ROUNDS):
        met = foot + (flat - foot) * (1 - work.lifted_mm(met)[..., None] / above)
    index = (raster.index_from_plane @ raster_from_work)[:2].astype(np.float32)
    column, row = cv2.split(cv2.transform(met.astype(np.float32), index))
    return sampled(raster, np.asarray(column), np.asarray(row), outside)
