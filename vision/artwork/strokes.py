"""The artwork as the machine would burn it: strokes and areas in page millimetres."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Layer = Literal["outline", "fill", "cut"]
Points = NDArray[np.float64]  # (n, 2) millimetres, (x, y), y up


@dataclass(frozen=True, eq=False)
class Stroke:
    """One continuous burned polyline.

    Attributes
    ----------
    layer
        "outline" or "cut" (an outline that goes through); hatch strokes bear "fill".
    points_mm
        (n, 2) vertices in page millimetres; a closed stroke does not repeat its first point.
    closed
        Whether the last vertex is joined to the first.
    feature
        Index of the separate piece of the artwork that the stroke belongs to.
    """

    layer: Layer
    points_mm: Points
    closed: bool
    feature: int


@dataclass(frozen=True, eq=False)
class Area:
    """A region that is burned as a fill: one outer ring and its holes.

    Attributes
    ----------
    rings_mm
        First the outer ring (counter-clockwise), then the holes (clockwise), each (n, 2) page
        millimetres without a repeated end point. Areas of one artwork do not overlap.
    feature
        Index of the separate piece of the artwork that the area belongs to.
    """

    rings_mm: tuple[Points, ...]
    feature: int


@dataclass(frozen=True, eq=False)
class Feature:
    """A separate piece of the artwork (a letter, a leaf), told by a name of its own.

    Attributes
    ----------
    name
        The id in the file where there is one, else "feature 3" in the order of the file.
    box_mm
        (x_min, y_min, x_max, y_max) in page millimetres, without kerf.
    piece
        Index of the blank (piece) that the feature lies on.
    """

    name: str
    box_mm: tuple[float, float, float, float]
    piece: int


@dataclass(frozen=True, eq=False)
class Artwork:
    """What was intended.

    Attributes
    ----------
    strokes
        Outlines and cuts, in the order of the file.
    areas
        Fills, in the order of the file, without overlap.
    features
        The separate pieces, indexed by `Stroke.feature` and `Area.feature`.
    piece_count
        Number of blanks; 1 unless the artwork holds several closed frames beside each other.
    chord_error_mm
        Largest distance between a flattened curve and its polyline.
    """

    strokes: tuple[Stroke, ...]
    areas: tuple[Area, ...]
    features: tuple[Feature, ...]
    piece_count: int
    chord_error_mm: float

    def without(self, layers: Collection[Layer]) -> Artwork:
        """Return the artwork without some layers; its features and its box stay."""
        return replace(
            self,
            strokes=tuple(stroke for stroke in self.strokes if stroke.layer not in layers),
            areas=() if "fill" in layers else self.areas,
        )

    def scaled(self, size: float) -> Artwork:
        """Return the artwork made so many times as large about the page's origin."""

        def larger(box: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
            left, low, right, high = box
            return size * left, size * low, size * right, size * high

        return replace(
            self,
            strokes=tuple(replace(one, points_mm=size * one.points_mm) for one in self.strokes),
            areas=tuple(
                replace(area, rings_mm=tuple(size * ring for ring in area.rings_mm))
                for area in self.areas
            ),
            features=tuple(replace(one, box_mm=larger(one.box_mm)) for one in self.features),
            chord_error_mm=size * self.chord_error_mm,
        )

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Bounding box of all features without kerf: (x_min, y_min, x_max, y_max)."""
        boxes = np.array([feature.box_mm for feature in self.features])
        low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])
