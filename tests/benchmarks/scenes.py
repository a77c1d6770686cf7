"""The benchmark's scenes: what is drawn of each seed, by exact area coverage.

Marks are polygons cut into quarter-pixel cells by Green's theorem (`tests.unit.drawn_scenes`); what
two layers have in common is a polygon of its own, so that edges that coincide are exact, too.
Even seeds are for tuning, odd ones for judging.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tests.benchmarks.grounds import texture
from tests.benchmarks.tone import grey_of, linear_of
from tests.unit.drawn_scenes import (
    CELLS,
    HOOK,
    PLATE,
    AffineSurface,
    about,
    artwork_of,
    blur,
    burned,
    exact_coverage,
    on_picture,
)
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork
from vision.register.view import View

Array = NDArray[np.float64]

PITCHES_MM = (0.10, 0.15, 0.25)
LAYERS = ("fill", "outline", "coincident", "separate")
GROUNDS = ("none", "brushed", "brushed, before", "wood", "wood, before")
# About which motions and their errors are told: the middle of every artwork here.
PIVOT_MM = (23.5, 16.0)
FRAME = Polygon([(5.5, 5.5), (41.5, 5.5), (41.5, 21.5), (36.5, 26.5), (5.5, 26.5)])
_FIELD_MM = (46.0, 31.0)
_FILLED: dict[str, tuple[Polygon, ...]] = {
    "fill": (PLATE, HOOK),
    "coincident": (PLATE, HOOK),
    "separate": (PLATE,),
}
_OUTLINED: dict[str, tuple[Polygon, ...]] = {
    "outline": (PLATE, HOOK),
    "coincident": (PLATE, HOOK),
    "separate": (FRAME, HOOK),
}


@dataclass(frozen=True)
class Spec:
    """What is drawn of one seed.

    Attributes
    ----------
    layers
        One of LAYERS: a layer alone, or fill and outline.
    ground
        One of GROUNDS; with "before" a capture of the blank work goes with it.
    contrast
        Grey levels by which each layer alone darkens the ground.
    noise
        Standard deviation, grey levels, before rounding to whole ones.
    light
        Grey level in the middle, and the slopes of the linear light along u and v (share of the
        middle's, at the border).
    motions
        (dx mm, dy mm, turn rad about the pivot) of each layer.
    """

    seed: int
    pitch_mm: float
    layers: str
    ground: str
    contrast: tuple[float, ...]
    noise: float
    kerf_mm: float
    sigma_px: float
    light: tuple[float, float, float]
    motions: tuple[tuple[float, float, float], ...]
    camera_turn_rad: float

    @property
    def names(self) -> tuple[str, ...]:
        """The layers' names: fill first."""
        return (self.layers,) if self.layers in ("fill", "outline") else ("fill", "outline")

    @property
    def kind(self) -> str:
        """What the ground is of: "none", "brushed" or "wood"."""
        return self.ground.split(",")[0]

    @property
    def before(self) -> bool:
        """Whether a capture of the blank work goes with it."""
        return self.ground.endswith("before")

    @property
    def poses(self) -> tuple[Rigid, ...]:
        """bed <- page of each layer."""
        return tuple(about(PIVOT_MM, *motion) for motion in self.motions)


def spec_of(seed: int) -> Spec:
    """Return the scene of a seed.

    Pitch, layers and ground go round in 3, 4 and 5, so that 60 seeds of one parity hold each
    combination once.
    """
    rng = np.random.default_rng([seed, 3])
    turn, number = seed // 2, 2
    layers, pitch_mm = LAYERS[turn % 4], PITCHES_MM[turn % 3]
    if layers in ("fill", "outline"):
        number = 1
    grey = rng.uniform(155, 190)
    motions = draw_motions(rng, number)
    return Spec(
        seed,
        pitch_mm,
        layers,
        GROUNDS[turn % 5],
        tuple(rng.uniform(40, 120, number).tolist()),
        float(rng.uniform(1, 4)),
        float(rng.uniform(0.15, 0.25)),
        float(rng.uniform(0.7, 1.2)),
        (float(grey), float(rng.uniform(-0.12, 0.12)), float(rng.uniform(-0.12, 0.12))),
        motions,
        math.radians(rng.uniform(-3, 3)),
    )


def draw_motions(rng: np.random.Generator, number: int) -> tuple[tuple[float, float, float], ...]:
    """Return so many motions (dx mm, dy mm, turn rad): 0.05 to 1 mm any way, up to 0.3 degrees."""
    motions = []
    for _ in range(number):
        away, heading = math.exp(rng.uniform(math.log(0.05), 0.0)), rng.uniform(0, 2 * math.pi)
        turned = math.radians(rng.uniform(-0.3, 0.3))
        motions.append((away * math.cos(heading), away * math.sin(heading), turned))
    return tuple(motions)


def shapes_of(layers: str, name: str) -> tuple[Polygon, ...]:
    """Return the page's shapes that a layer of a kind of scene is made of."""
    return (_FILLED if name == "fill" else _OUTLINED)[layers]


@dataclass(frozen=True)
class Drawing:
    """A scene that can be drawn."""

    spec: Spec

    @cached_property
    def surface(self) -> AffineSurface:
        """The camera, without shear: general registration knows turns and shifts only."""
        pitch, turn = self.spec.pitch_mm, self.spec.camera_turn_rad
        width, height = (round(side / pitch) for side in _FIELD_MM)
        plain = AffineSurface((width, height), pitch, turn, 0.0, 0.0, 0.0)
        u, v = plain.px_from_mm(np.array([PIVOT_MM]))[0]
        return AffineSurface(
            (width, height), pitch, turn, 0.0, (width - 1) / 2 - u, (height - 1) / 2 - v
        )

    @property
    def artwork(self) -> Artwork:
        """What was to be burned, page millimetres."""
        kind = self.spec.layers
        return artwork_of(_FILLED.get(kind, ()), _OUTLINED.get(kind, ()))

    @property
    def burns(self) -> tuple[float, ...]:
        """The share of light that each layer takes away."""
        grey = self.spec.light[0]
        levels = np.array([grey, *(grey - step for step in self.spec.contrast)])
        linear = linear_of(levels)
        return tuple((1 - linear[1:] / linear[0]).tolist())

    def shape(self, index: int, pose: Rigid) -> BaseGeometry:
        """Return what a layer burns at a pose, surface millimetres."""
        name, kerf = self.spec.names[index], self.spec.kerf_mm
        parts = [burned(s, name, pose, kerf) for s in shapes_of(self.spec.layers, name)]
        return shapely.union_all(parts)

    def cells(self, shape: BaseGeometry) -> Array:
        """Return (h CELLS, w CELLS) the share of each cell that a shape of the surface covers."""
        width, height = (side * CELLS for side in self.surface.size)
        whole = np.zeros((height, width))
        placed = on_picture(shape, self.surface)
        if placed.is_empty:
            return whole
        # Only where the shape lies: it takes less than half of the picture.
        x0, y0, x1, y1 = placed.bounds
        left, top = max(0, math.floor(x0)), max(0, math.floor(y0))
        right, bottom = min(width, math.ceil(x1) + 1), min(height, math.ceil(y1) + 1)
        moved = shapely.transform(placed, lambda points: points - [left, top])
        whole[top:bottom, left:right] = exact_coverage(moved, right - left, bottom - top)
        return whole

    @cached_property
    def through(self) -> Array:
        """(h, w) the share of light that each pixel keeps: each layer burns what is left."""
        shapes = [self.shape(i, pose) for i, pose in enumerate(self.spec.poses)]
        burns = [burn * self.evenness(i) for i, burn in enumerate(self.burns)]
        lost = np.zeros(1)
        for burn, shape in zip(burns, shapes, strict=True):
            lost = lost + burn * self.cells(shape)
        if len(shapes) == 2:
            lost = lost - burns[0] * burns[1] * self.cells(common(*shapes))
        return 1 - blur(self.smeared(lost), self.spec.sigma_px)

    def evenness(self, index: int) -> Array | float:
        """Return how strongly a layer was burned, 1 on average: everywhere alike."""
        return 1.0

    def smeared(self, cells: Array) -> Array:
        """Return what a camera that moves while it looks sees of cells: it stands still."""
        return cells

    @cached_property
    def plane(self) -> Array:
        """(h, w, 3) level and slopes of the light: 1, and u and v from -1 to 1."""
        width, height = self.surface.size
        u, v = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
        return np.stack([np.ones_like(u), u, v], axis=-1)

    @cached_property
    def light(self) -> Array:
        """(h, w) linear light on the ground, without its texture."""
        grey, *slopes = self.spec.light
        return np.asarray(linear_of(np.array(grey)) * (self.plane @ [1.0, *slopes]))

    @cached_property
    def texture(self) -> Array:
        """(h, w) what the ground does to the light."""
        return texture(self.spec.kind, self.surface.size, self.spec.pitch_mm, self.spec.seed)

    def capture(self, seed: int = 0) -> View:
        """Take the capture after the job; each seed has a noise of its own."""
        return self._shot(self.through, seed, 5)

    def capture_before(self, seed: int = 0) -> View:
        """Take the capture of the blank work, in the same light."""
        return self._shot(np.ones_like(self.through), seed, 7)

    def _shot(self, through: Array, seed: int, stream: int) -> View:
        rng = np.random.default_rng([self.spec.seed, seed, stream])
        exact = grey_of(self.light * self.texture * through)
        grey = np.clip(np.rint(exact + rng.normal(0, self.spec.noise, exact.shape)), 0, 255)
        usable = (grey < 254).astype(np.float32)
        linear = linear_of(grey).astype(np.float32)
        return View(linear, grey.astype(np.float32), usable, self.surface)


def common(one: BaseGeometry, other: BaseGeometry) -> BaseGeometry:
    """Return the area in both shapes, without points and lines in which edges may touch."""
    parts = shapely.get_parts(one.intersection(other))
    return shapely.MultiPolygon([part for part in parts if isinstance(part, Polygon)])
