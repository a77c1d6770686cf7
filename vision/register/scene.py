"""What a joint fit is made of: the pixels, a point of the fit, and what stays fixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.region import Region
from vision.register.rendering import Coverage

Array = NDArray[np.float64]
Image = NDArray[np.float32]


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
    light_order
        Degree of the polynomial light field.
    """

    region: Region
    grey: Image
    ground: Image
    texture: Image
    usable: Image
    light_order: int


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
        Burn strength by layer: one number per group of features, then the slopes along the
        region's normalised x and y.
    overlap
        Strength of each pair of layers' overlap, in the order (0,1), (0,2), (1,2).
    light
        Coefficients of the light field.
    gain
        (rows, columns) by layer: slow variation of the burn about its strength.
    survival
        How the ground's texture fares under the mark: 1 where it is darkened like the rest, more
        where the burn wipes it out, 0 where it stays.
    """

    poses: tuple[Rigid, ...]
    sigma_px: float
    half_width_mm: tuple[float, ...]
    lean_mm: tuple[tuple[float, float], ...]
    amplitude: tuple[Array, ...]
    overlap: Array
    light: Array
    survival: float
    gain: tuple[Image, ...]


@dataclass(frozen=True, eq=False)
class Setting:
    """What stays fixed during one fit."""

    scene: Scene
    maps: tuple[DistanceMap, ...]
    nominal_half_mm: tuple[float, ...]
    pivot_mm: tuple[float, float]
    scale_mm: float
    tied: bool
    fields: Image  # (k, rows, columns) polynomial terms of the light
    slope: tuple[Image, Image]  # normalised x and y, pixels
    group_of: tuple[NDArray[np.int64], ...]  # feature -> amplitude group, by layer
    groups: tuple[tuple[tuple[int, ...], ...], ...]
    turns: tuple[float, ...]  # turn of each layer at the start
    blind: tuple[bool, ...]


@dataclass(frozen=True, eq=False)
class Seen:
    """The model at one state: what it predicts, and what the derivatives are made of."""

    covers: list[Coverage]
    strength: list[Image]  # A of each layer on the sub-samples
    sharp: Image  # T on the sub-samples
    through: Image  # T as the camera sees it
    field: Image  # P on the pixels
    light: Image  # what T multiplies on the pixels
    linear: Image
    residual: Image


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
) -> Setting:
    """Return what stays fixed during a fit that starts at some poses."""
    region = scene.region
    rows, columns = region.frame
    x = 2.0 * region.column / max(columns - 1, 1) - 1.0
    y = 2.0 * region.row / max(rows - 1, 1) - 1.0
    order = scene.light_order
    fields = np.array(
        [x**i * y**j for total in range(order + 1) for i in range(total + 1) for j in [total - i]],
        np.float32,
    )
    group_of, groups = [], []
    for layer in maps:
        lookup, members = _grouping(layer, scene.region.pitch_mm)
        group_of.append(lookup)
        groups.append(members)
    reach = float(np.ptp(region.places_mm, axis=(0, 1)).max())
    return Setting(
        scene,
        maps,
        half_mm,
        pivot_mm,
        0.3 * reach,
        tied,
        fields,
        (x.astype(np.float32), y.astype(np.float32)),
        tuple(group_of),
        tuple(groups),
        tuple(pose.angle_rad for pose in poses),
        _held(blind, len(maps), tied),
    )


def _held(blind: tuple[bool, ...], count: int, tied: bool) -> tuple[bool, ...]:
    """Return which turns are held; layers that move together are seen to turn if one of them is."""
    each = blind or (False,) * count
    return (all(each),) * count if tied else each


def _grouping(
    layer: DistanceMap, pixel_mm: float
) -> tuple[NDArray[np.int64], tuple[tuple[int, ...], ...]]:
    """Give every large feature a burn strength of its own; small ones share one."""
    marked = layer.stack[..., 0] < 0.1
    counts = np.bincount(layer.label[marked & (layer.label >= 0)].ravel(), minlength=1)
    pixels = counts * (layer.pitch_mm / pixel_mm) ** 2
    present = np.flatnonzero(counts)
    large = [int(f) for f in present[np.argsort(-pixels[present])][:24] if pixels[f] >= 40]
    small = [int(f) for f in present if int(f) not in large]
    members = [(f,) for f in sorted(large)] + ([tuple(small)] if small else [])
    lookup = np.full(len(counts) + 1, -1)  # the last entry serves label -1
    for number, features in enumerate(members):
        lookup[list(features)] = number
    return lookup, tuple(members)


def even(setting: Setting) -> tuple[Image, ...]:
    """Return a burn that does not vary, for every layer."""
    return (np.ones(setting.scene.region.shape, np.float32),) * len(setting.maps)


def band(setting: Setting, poses: tuple[Rigid, ...]) -> Image:
    """Tell the pixels near an edge: 1 within the maps' reach of any layer's, else 0."""
    near = np.zeros(setting.scene.region.shape, np.float32)
    places = np.dstack(setting.scene.region.centre_places())
    for layer, pose in zip(setting.maps, poses, strict=True):
        distance = layer.distance_at(pose, places)
        near[np.abs(distance) < layer.reach_mm - layer.pitch_mm] = 1.0
    return near


def feature_image(
    scene: Scene, maps: tuple[DistanceMap, ...], poses: tuple[Rigid, ...]
) -> NDArray[np.int64]:
    """Return (rows, columns) the feature whose mark is nearest to each pixel; -1 far from all."""
    places = np.dstack(scene.region.centre_places())
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
