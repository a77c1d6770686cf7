"""What a joint fit is made of: the pixels, a point of the fit, and what stays fixed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.fine import Fine, fine_about
from vision.register.overlap import Overlap
from vision.register.region import Region
from vision.register.rendering import Coverage

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# A burn varies slowly along and between strokes: it is taken as even within cells of this side.
CELL_MM = 3.0
# Before anything is known of a capture: a grey level's variance, and some tenths of unevenness.
_NOISE2 = 4.0
_UNEVEN = 0.15
# What a cell as a whole differs by from the model hangs together far more than pixels do: without
# this a cell's gain bends to what the model does not know of the burn's edge, and the layers follow
# (errors of coincident edges 22 um with 1, 16 with 4, 13 with 15, 16 with 60; simulated).
_HANGS_TOGETHER = 2.0
CELLS_ALIKE = 2.0
# Where edges coincide motions follow an uneven burn farther than that: with even burns rectangles
# erred by 1.0 to 1.2 times what was stated, with burns uneven by a tenth over 7 mm by 1.7 to 2.1
# times with a factor of 2 and by 1.4 to 1.7 with 6 (24 of even seeds; simulated).
_MOTIONS_FOLLOW = 6.0
# On the way the softness of the beam is held: far from the end of a fit it takes up what the layers
# are off by, goes to nothing, and a fill's edge under its outline is hidden.
_SOFT_HELD = 10.0
# So many features of a layer, those large enough to tell, have a burn strength of their own.
_MOST_GROUPS = 24
# Of plain work's texture at most a sixth was seen again (simulated), of grain and printing four
# tenths or more.
_RECURS = 0.3


@dataclass(frozen=True)
class Burn:
    """How evenly each layer was burned, and the noise that it is seen through.

    Attributes
    ----------
    uneven
        Standard deviation of the gains, by layer.
    noise2
        Variance of a grey level: what weighs pixels against all that is expected beforehand.
    held
        How much more than a pixel's a cell's own misfit counts as noise.
    soft_held
        How much more firmly than its uncertainty says the softness of the beam is held.
    earlier_noise2
        Variance of a grey level of the capture before the burn; nothing as long as it is not known.
    """

    uneven: tuple[float, ...]
    noise2: float
    held: float = _HANGS_TOGETHER
    soft_held: float = _SOFT_HELD
    earlier_noise2: float = 0.0

    @property
    def strength(self) -> Array:
        """(layers,) weight of a squared gain beside squared grey levels."""
        return self.held * self.noise2 / np.array(self.uneven) ** 2

    @property
    def scatter(self) -> float:
        """What the gains' own scatter counts for beside their weight and the noise."""
        return self.held * _MOTIONS_FOLLOW


@dataclass(frozen=True, eq=False)
class Scene:
    """What is fitted: a region's pixels.

    Attributes
    ----------
    region
        The pixels and the surface places they look at.
    grey
        (rows, columns) grey levels 0..255 in the camera's tone curve.
    ground
        (rows, columns) linear light of the work before the burn, up to a smooth factor, without
        its texture; ones where nothing is known of it.
    texture
        (rows, columns) what is left of the ground; zeros where nothing is known of it.
    usable
        (rows, columns) 0 or 1: pixels that may count (not saturated, within the picture).
    stray
        (rows, columns) linear light that a glare adds to all that is seen (see `glare`).
    light_order
        Degree of the polynomial light field.
    smear
        By how much the camera's blur is unlike in different directions (see `smear`), px^2.
    """

    region: Region
    grey: Image
    ground: Image
    texture: Image
    usable: Image
    stray: Image
    light_order: int
    smear: tuple[float, float] = (0.0, 0.0)

    def seen_again(self, share: float) -> Scene:
        """Return the scene without the ground's texture where hardly a share of it is seen again.

        What is not seen again was the earlier capture's noise. Beside its own harm it bends edges
        on dark work, where light and grey levels are far from proportional.
        """
        return self if share >= _RECURS else replace(self, texture=np.zeros_like(self.texture))

    @cached_property
    def textured(self) -> bool:
        """Whether anything is known of the ground's texture."""
        return bool(self.texture.any())

    @cached_property
    def slope(self) -> tuple[Image, Image]:
        """(rows, columns) x and y of the pixels, -1 to 1 over the frame."""
        rows, columns = self.region.frame
        x = 2.0 * self.region.column / max(columns - 1, 1) - 1.0
        y = 2.0 * self.region.row / max(rows - 1, 1) - 1.0
        return x.astype(np.float32), y.astype(np.float32)

    @cached_property
    def fields(self) -> Image:
        """(k, rows, columns) polynomial terms of the light."""
        x, y = (slope.astype(np.float64) for slope in self.slope)
        orders = range(self.light_order + 1)
        return np.array([x**i * y ** (n - i) for n in orders for i in range(n + 1)], np.float32)

    @cached_property
    def cells(self) -> tuple[NDArray[np.int64], int]:
        """(rows, columns) number of the cell that each pixel lies in, and how many there are."""
        rows, columns = self.region.frame
        side = max(4, round(CELL_MM / self.region.pitch_mm))
        across = -(-columns // side)
        cell = self.region.row // side * across + self.region.column // side
        return cell.astype(np.int64), across * -(-rows // side)


@dataclass(frozen=True, eq=False)
class State:
    """A point of the fit.

    Attributes
    ----------
    poses
        bed <- page of each layer.
    sigma_px
        Gaussian part of the point spread, in the region's pixels.
    half_width_mm
        Half the kerf, by layer.
    lean_mm
        How the half-width differs with the edge's direction, by layer (see `rendering.cover`).
    amplitude
        Burn strength by layer: one number per group of features, then its relative slopes along
        the region's normalised x and y.
    overlap
        What each pair of layers gives where they overlap, in the order (0,1), (0,2), (1,2): their
        sum (0), or the burn that saturates at the level (1).
    light
        Coefficients of the light field.
    survival
        How the ground's texture fares under the mark: 1 where it is darkened like the rest, more
        where the burn wipes it out, 0 where it stays.
    soft_mm
        Standard deviation of the beam's own softness (see `overlap`).
    gain
        (cells,) by layer: slow variation of the burn, as a factor on its strength.
    """

    poses: tuple[Rigid, ...]
    sigma_px: float
    half_width_mm: tuple[float, ...]
    lean_mm: tuple[tuple[float, float], ...]
    amplitude: tuple[Array, ...]
    overlap: Array
    light: Array
    survival: float
    soft_mm: float
    gain: tuple[Array, ...]


@dataclass(frozen=True, eq=False)
class Setting:
    """What stays fixed during one fit.

    Attributes
    ----------
    scene, maps
        The pixels, and the layers' distance maps.
    nominal_half_mm
        Half-width of the burned line by layer, as the user states the kerf.
    pivot_mm, scale_mm
        Where rotations are told, and the length that makes them millimetres.
    tied
        Whether all layers move together.
    group_of, groups
        Feature -> amplitude group, and the features of each group, by layer.
    turns
        Turn of each layer at the start.
    blind
        Layers whose turn stays.
    absent
        A layer that is left out, or None.
    near
        (rows, columns) 1 within the maps' reach of any layer's edge, else 0.
    fine
        Sub-samples of those pixels.
    inside
        (rows, columns) by layer: 1 in the midst of its areas, else 0.
    level
        Burn strength of the strongest layer at the start, with its sign: the scale of strengths.
    burn
        How evenly the layers are taken to be burned.
    """

    scene: Scene
    maps: tuple[DistanceMap, ...]
    nominal_half_mm: tuple[float, ...]
    pivot_mm: tuple[float, float]
    scale_mm: float
    tied: bool
    group_of: tuple[NDArray[np.int64], ...]
    groups: tuple[tuple[tuple[int, ...], ...], ...]
    turns: tuple[float, ...]
    blind: tuple[bool, ...]
    absent: int | None
    near: Image
    fine: Fine
    inside: tuple[Image, ...]
    level: float
    burn: Burn

    @property
    def fields(self) -> Image:
        """(k, rows, columns) polynomial terms of the light."""
        return self.scene.fields

    @property
    def slope(self) -> tuple[Image, Image]:
        """(rows, columns) normalised x and y of the pixels."""
        return self.scene.slope

    @property
    def cell(self) -> NDArray[np.int64]:
        """(rows, columns) number of the cell within which the burn does not vary."""
        return self.scene.cells[0]

    @property
    def cells(self) -> int:
        """How many cells there are."""
        return self.scene.cells[1]

    @property
    def places(self) -> Image:
        """(rows, columns, 2) surface places of the pixels' centres."""
        return self.scene.region.centres_mm


@dataclass(frozen=True, eq=False)
class Seen:
    """The model at one state, on pixels: what it predicts, and what derivatives are made of."""

    covers: list[Coverage]
    labels: list[NDArray[np.int16]]  # feature nearest to each pixel, by layer
    marks: list[Image]  # coverage m of each layer as the camera sees it
    overlaps: list[Overlap]  # of each pair of layers, what they cover together
    both: list[Image]  # of each pair of layers, their common coverage as the camera sees it
    strength: list[Image]  # A of each layer
    common: list[Image]  # of each pair of layers, the product of strengths over the level
    through: Image  # T as the camera sees it
    field: Image  # P
    light: Image  # what T multiplies
    bare: Image  # what would be seen without any layer
    linear: Image
    residual: Image


@dataclass(frozen=True)
class Places:
    """Where each kind of parameter stands in the vector of all of them.

    Attributes
    ----------
    motions
        Three to a layer (x, y, turn times the scale), or three for all where they are tied.
    blur, survival, soft
        One each.
    half, lean
        One and two to a layer.
    burn
        By layer: the strength of each group of features, then two slopes.
    overlap, light
        As in State.
    size
        How many there are.
    """

    motions: slice
    blur: int
    half: slice
    lean: slice
    burn: tuple[slice, ...]
    overlap: slice
    light: slice
    survival: int
    soft: int
    size: int


def places_of(setting: Setting, state: State) -> Places:
    """Return where the parameters stand."""
    count = len(setting.maps)
    end = 0

    def following(number: int) -> slice:
        nonlocal end
        end += number
        return slice(end - number, end)

    return Places(
        motions=following(3 if setting.tied else 3 * count),
        blur=following(1).start,
        half=following(count),
        lean=following(2 * count),
        burn=tuple(following(len(amplitude)) for amplitude in state.amplitude),
        overlap=following(len(state.overlap)),
        light=following(len(state.light)),
        survival=following(1).start,
        soft=following(1).start,
        size=end,
    )


def pairs(count: int) -> list[tuple[int, int]]:
    """Return the pairs of layers in the order of `State.overlap`."""
    return [(i, j) for i in range(count) for j in range(i + 1, count)]


def make_setting(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    poses: tuple[Rigid, ...],
    half_mm: tuple[float, ...],
    pivot_mm: tuple[float, float],
    tied: bool,
    blind: tuple[bool, ...],
    absent: int | None = None,
    burn: Burn | None = None,
    alike: bool = False,
) -> Setting:
    """Return what stays fixed during a fit that starts at some poses.

    Alike: all features of a layer are burned with one strength.
    """
    region = scene.region
    group_of, groups = [], []
    for layer in maps:
        lookup, members = _grouping(layer, scene.region.pitch_mm, 0 if alike else _MOST_GROUPS)
        group_of.append(lookup)
        groups.append(members)
    places = region.centres_mm
    distance = [m.distance_at(pose, places) for m, pose in zip(maps, poses, strict=True)]
    close = [np.abs(d) < m.reach_mm - m.pitch_mm for d, m in zip(distance, maps, strict=True)]
    near = np.any(close, axis=0)
    return Setting(
        scene,
        maps,
        half_mm,
        pivot_mm,
        0.3 * region.reach_mm,
        tied,
        tuple(group_of),
        tuple(groups),
        tuple(pose.angle_rad for pose in poses),
        _held(blind, len(maps), tied),
        absent,
        near.astype(np.float32),
        fine_about(region, near, scene.smear),
        tuple((d < 0).astype(np.float32) for d in distance),
        1.0,
        burn or Burn((_UNEVEN,) * len(maps), _NOISE2),
    )


def _held(blind: tuple[bool, ...], count: int, tied: bool) -> tuple[bool, ...]:
    """Return which turns are held; layers that move together are seen to turn if one of them is."""
    each = blind or (False,) * count
    return (all(each),) * count if tied else each


def _grouping(
    layer: DistanceMap, pixel_mm: float, most: int
) -> tuple[NDArray[np.int64], tuple[tuple[int, ...], ...]]:
    """Give the largest features, `most` of them, a burn strength of their own; all others one."""
    marked = layer.stack[..., 0] < 0.1
    counts = np.bincount(layer.label[marked & (layer.label >= 0)].ravel(), minlength=1)
    pixels = counts * (layer.pitch_mm / pixel_mm) ** 2
    present = np.flatnonzero(counts)
    large = [int(f) for f in present[np.argsort(-pixels[present])][:most] if pixels[f] >= 40]
    small = [int(f) for f in present if int(f) not in large]
    members = [(f,) for f in sorted(large)] + ([tuple(small)] if small else [])
    lookup = np.full(len(counts) + 1, -1)  # the last entry serves label -1
    for number, features in enumerate(members):
        lookup[list(features)] = number
    return lookup, tuple(members)


def even(setting: Setting) -> tuple[Array, ...]:
    """Return a burn that does not vary, for every layer."""
    return (np.ones(setting.cells),) * len(setting.maps)


def feature_image(
    scene: Scene, maps: tuple[DistanceMap, ...], poses: tuple[Rigid, ...]
) -> NDArray[np.int64]:
    """Return (rows, columns) the feature whose mark is nearest to each pixel; -1 far from all."""
    places = scene.region.centres_mm
    nearest = np.full(scene.region.shape, np.inf, np.float32)
    label = np.full(scene.region.shape, -1, np.int64)
    for layer, pose in zip(maps, poses, strict=True):
        distance = layer.distance_at(pose, places)
        closer = distance < nearest
        label = np.where(closer, layer.label_at(pose, places), label)
        nearest = np.minimum(nearest, distance)
    return label


def nudge(pose: Rigid, pivot_mm: tuple[float, float], dx: float, dy: float, turn: float) -> Rigid:
    """Return a pose moved by (dx, dy) mm and turned by `turn` rad about the pivot."""
    c, s = float(np.cos(turn)), float(np.sin(turn))
    x, y = pose.x_mm - pivot_mm[0], pose.y_mm - pivot_mm[1]
    return Rigid(
        pivot_mm[0] + c * x - s * y + float(dx),
        pivot_mm[1] + s * x + c * y + float(dy),
        pose.angle_rad + float(turn),
        pose.mirrored,
    )
