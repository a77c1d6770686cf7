"""Captures of any burned shape by exact area coverage, seen through an affine camera.

A shape is cut into cells of a quarter of a pixel by Green's theorem, so that each cell holds its
exact area; the point spread is a Gaussian on these cells, and a pixel is the mean of its sixteen.
Nothing of this is shared with the product's rendering.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LinearRing, Polygon
from shapely.geometry.base import BaseGeometry

from vision.artwork.placing import Rigid
from vision.artwork.strokes import Area, Artwork, Feature, Stroke
from vision.register.view import View

Array = NDArray[np.float64]

STILL = Rigid(0.0, 0.0, 0.0)
CELLS = 4
KERF_MM = 0.2
# A notched plate and a hook: no symmetry that a wrong pose could hide behind.
PLATE = Polygon([(8, 8), (30, 8), (30, 16), (24, 16), (24, 24), (8, 24)])
HOOK = Polygon([(27, 19), (36, 19), (36, 10), (39, 10), (39, 22), (27, 22)])
DISC = shapely.Point(23.0, 16.0).buffer(8.0, quad_segs=64)


@dataclass(frozen=True)
class AffineSurface:
    """A camera far away: px = scale * turn * (x, -y) + (u0, v0), perhaps a little sheared."""

    size: tuple[int, int] = (196, 136)
    pixel_mm: float = 0.25
    turn_rad: float = 0.05
    shear: float = 0.03
    u0: float = 6.3
    v0: float = 126.6

    @property
    def image_size(self) -> tuple[int, int]:
        return self.size

    @property
    def matrix(self) -> Array:
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        turn = np.array([[c, -s], [s, c]])
        lean = np.array([[1.0, self.shear], [0.0, 1.0]])
        return np.asarray(turn @ lean @ np.diag([1.0, -1.0]) / self.pixel_mm)

    def px_from_mm(self, points_mm: Array) -> Array:
        return np.asarray(points_mm @ self.matrix.T + [self.u0, self.v0])

    def mm_from_px(self, points_px: Array) -> Array:
        return np.asarray((points_px - [self.u0, self.v0]) @ np.linalg.inv(self.matrix).T)

    def jacobian_px_per_mm(self, points_mm: Array) -> Array:
        return np.tile(self.matrix, (len(points_mm), 1, 1))

    def calibration_jacobian_mm(self, points_mm: Array) -> Array:
        return np.zeros((len(points_mm), 2, 1))

    @property
    def calibration_covariance(self) -> Array:
        return np.zeros((1, 1))

    def height_jacobian_mm(self, points_mm: Array) -> Array:
        return np.zeros((len(points_mm), 2))


def exact_coverage(shape: BaseGeometry, width: int, height: int) -> Array:
    """Return (height, width) the area of a shape within each unit cell [j, j+1] x [i, i+1]."""
    out = np.zeros((height, width + 2))
    for polygon in getattr(shape, "geoms", [shape]):
        turned = shapely.geometry.polygon.orient(polygon)
        for ring in (turned.exterior, *turned.interiors):
            _add_ring(out, np.asarray(ring.coords, float))
    return np.abs(np.cumsum(out, axis=1)[:, :width])


def _add_ring(out: Array, corners: Array) -> None:
    """Add what each piece of a ring within one cell takes from the cells to its right."""
    height, width = out.shape
    pieces = []
    for start, end in itertools.pairwise(corners):
        cuts = [np.array([0.0, 1.0])]
        for a, b in zip(start, end, strict=True):
            if a != b:
                whole = np.arange(math.ceil(min(a, b)), math.floor(max(a, b)) + 1)
                cuts.append((whole - a) / (b - a))
        t = np.unique(np.clip(np.concatenate(cuts), 0.0, 1.0))[:, None]
        points = start + t * (end - start)
        pieces.append(np.concatenate([points[:-1], points[1:]], axis=1))
    x0, y0, x1, y1 = np.concatenate(pieces).T
    middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
    row = np.floor(middle_y).astype(int)
    seen = (row >= 0) & (row < height)
    middle_x = np.clip(middle_x, 0.0, width - 1.5)
    column = np.floor(middle_x).astype(int)
    rise, beyond = (y1 - y0)[seen], (middle_x - column)[seen]
    np.add.at(out, (row[seen], column[seen]), rise * (1 - beyond))
    np.add.at(out, (row[seen], column[seen] + 1), rise * beyond)


def on_picture(shape: BaseGeometry, surface: AffineSurface, cells: int = CELLS) -> BaseGeometry:
    """Return a shape of the surface (mm) in cells of the picture, the first cell's corner at 0."""

    def place(points: Array) -> Array:
        return (surface.px_from_mm(points) + 0.5) * cells

    return shapely.transform(shape, place)


def seen_coverage(shape: BaseGeometry, surface: AffineSurface, sigma_px: float) -> Array:
    """Return (h, w) the share of each pixel's light that comes from a shape of the surface."""
    return blur(cell_coverage(shape, surface), sigma_px)


def cell_coverage(shape: BaseGeometry, surface: AffineSurface) -> Array:
    """Return (h * CELLS, w * CELLS) the share of each cell that a shape covers."""
    width, height = surface.size
    return exact_coverage(on_picture(shape, surface), width * CELLS, height * CELLS)


def blur(cells: Array, sigma_px: float) -> Array:
    """Blur by a Gaussian and average over pixels: cells in, pixels out."""
    if sigma_px > 0:
        sigma = sigma_px * CELLS
        size = 2 * math.ceil(5 * sigma) + 1
        cells = cv2.GaussianBlur(cells, (size, size), sigma, borderType=cv2.BORDER_REPLICATE)
    rows, columns = cells.shape
    return cells.reshape(rows // CELLS, CELLS, columns // CELLS, CELLS).mean(axis=(1, 3))


def artwork_of(
    fills: tuple[Polygon, ...] = (), outlines: tuple[Polygon, ...] = (), cuts: tuple = ()
) -> Artwork:
    """Return an artwork in page millimetres; each shape is a feature of its own."""
    strokes, areas, features = [], [], []
    shapes = list(dict.fromkeys([*fills, *outlines, *cuts]))
    for number, shape in enumerate(shapes):
        features.append(Feature(f"shape {number}", shape.bounds, 0))
        if shape in fills:
            areas.append(Area((np.asarray(shape.exterior.coords)[:-1],), number))
        for layer, members in (("outline", outlines), ("cut", cuts)):
            if shape in members:
                ring = np.asarray(shape.exterior.coords)[:-1]
                strokes.append(Stroke(layer, ring, True, number))
    return Artwork(tuple(strokes), tuple(areas), tuple(features), 1, 0.01)


def burned(shape: Polygon, layer: str, pose: Rigid, kerf_mm: float = KERF_MM) -> BaseGeometry:
    """Return what the beam burns of a page's shape at a pose, mm on the surface."""
    drawn = shape if layer == "fill" else LinearRing(shape.exterior.coords)
    return shapely.transform(drawn.buffer(kerf_mm / 2, quad_segs=16), pose.apply)


@dataclass(frozen=True)
class Scene:
    """What is drawn.

    Attributes
    ----------
    layers
        Name -> (shapes of the page, pose, burn): burn is the share of light that is lost, negative
        where the mark is lighter.
    negative
        The ground is burned and the first layer's shapes are left standing.
    """

    layers: Mapping[str, tuple[tuple[Polygon, ...], Rigid, float]]
    surface: AffineSurface = field(default_factory=AffineSurface)
    sigma_px: float = 0.9
    light: float = 0.35
    noise: float = 0.0
    kerf_mm: float = KERF_MM
    negative: bool = False

    def through(self) -> Array:
        """Return (h, w) the share of light that each pixel keeps."""
        width, height = self.surface.size
        keep = np.ones((height * CELLS, width * CELLS))
        for layer, (shapes, pose, burn) in self.layers.items():
            mark = np.zeros_like(keep)
            for shape in shapes:
                kerf = -self.kerf_mm if self.negative else self.kerf_mm
                mark += cell_coverage(burned(shape, layer, pose, kerf), self.surface)
            mark = np.minimum(mark, 1.0)
            # What the layer before left is burned again.
            keep *= 1 - burn * (1 - mark if self.negative else mark)
        return blur(keep, self.sigma_px)

    def capture(self, seed: int = 0, texture: Array | None = None) -> View:
        """Draw it: uneven light, the ground's texture, the tone curve, noise on grey levels."""
        return shot(self, self.through(), seed, texture)


def shot(scene: Scene, through: Array, seed: int, texture: Array | None = None) -> View:
    """Take a capture of what `Scene.through` returned."""
    height, width = through.shape
    x, y = np.linspace(-1, 1, width)[None], np.linspace(-1, 1, height)[:, None]
    linear = scene.light * (1 + 0.06 * x - 0.05 * y) * through
    if texture is not None:
        linear = linear * texture
    # The sRGB curve, IEC 61966-2-1.
    grey = 255 * np.where(linear > 0.0031308, 1.055 * linear ** (1 / 2.4) - 0.055, 12.92 * linear)
    grey = grey + np.random.default_rng(seed).normal(0, scene.noise, grey.shape)
    grey = np.clip(grey, 0, 255)
    part = grey / 255
    linear = np.where(part > 0.04045, ((part + 0.055) / 1.055) ** 2.4, part / 12.92)
    usable = (grey < 254).astype(np.float32)
    return View(linear.astype(np.float32), grey.astype(np.float32), usable, scene.surface)


def about(place: tuple[float, float], dx: float, dy: float, turn_rad: float) -> Rigid:
    """Return a turn about a place, followed by a shift."""
    at = np.array(place)
    shift = at + np.array([dx, dy]) - Rigid(0.0, 0.0, turn_rad).apply(at[None])[0]
    return Rigid(float(shift[0]), float(shift[1]), turn_rad)


def moved_at(pose: Rigid, truth: Rigid, place: tuple[float, float]) -> Array:
    """Return (3,) how far a pose is from the truth, at a page place: dx mm, dy mm, turn rad."""
    at = np.array([place])
    shift = (pose.apply(at) - truth.apply(at))[0]
    turn = math.remainder(pose.angle_rad - truth.angle_rad, 2 * math.pi)
    return np.array([shift[0], shift[1], turn])
