"""What spoils real photos, put into the benchmark's scenes: fill and outline on the same edges.

The scenes are those of the benchmark at 0.15 mm per pixel and a noise of two grey levels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from tests.benchmarks.scenes import Drawing, Spec, draw_motions, shapes_of, spec_of
from tests.benchmarks.tone import linear_of
from tests.unit.drawn_scenes import CELLS
from vision.artwork.placing import Rigid
from vision.register.view import View

Array = NDArray[np.float64]

# The share of the picture that something covers, and its grey level.
_COVERED, _COVER_LEVEL = 0.14, 60.0
_QUALITY = 75
_UNEVEN, _UNEVEN_MM = 0.30, 7.0
_SMEAR_PX = 1.0
# What is asked of each, micrometres per axis; None: told for comparison.
SPOILERS: dict[str, float | None] = {
    "nothing": None,
    "covered": 3.0,
    "compressed": 4.0,
    "uneven": 6.0,
    "smeared": 5.0,
    "hatch 0.10": 4.0,
    "hatch 0.20": 4.0,
    "hatch 0.30": 4.0,
}


def pitfall_of(seed: int) -> Spec:
    """Return the scene of a seed."""
    rng = np.random.default_rng([seed, 11])
    motions = draw_motions(rng, 2)
    return replace(
        spec_of(seed),
        pitch_mm=0.15,
        layers="coincident",
        ground="none",
        noise=2.0,
        motions=motions,
        contrast=tuple(rng.uniform(40, 120, 2).tolist()),
    )


@dataclass(frozen=True)
class Spoiled(Drawing):
    """A scene with one thing that spoils it, one of SPOILERS."""

    spoiler: str = "nothing"

    @property
    def hatch_mm(self) -> float | None:
        """Spacing of the fill's strokes; None where it is solid."""
        kind, _, spacing = self.spoiler.partition(" ")
        return float(spacing) if kind == "hatch" else None

    def shape(self, index: int, pose: Rigid) -> BaseGeometry:
        """Return what a layer burns at a pose; a hatch is the union of its strokes."""
        if self.hatch_mm is None or self.spec.names[index] != "fill":
            return super().shape(index, pose)
        strokes = [
            stroke
            for shape in shapes_of(self.spec.layers, "fill")
            for stroke in _strokes(shape, self.hatch_mm, self.spec.seed)
        ]
        drawn = shapely.union_all([s.buffer(self.spec.kerf_mm / 2, quad_segs=4) for s in strokes])
        return shapely.transform(drawn, pose.apply)

    def smeared(self, cells: Array) -> Array:
        """Return cells as a camera sees them that moves along u while it looks."""
        if self.spoiler != "smeared":
            return cells
        size = (round(_SMEAR_PX * CELLS), 1)
        return np.asarray(cv2.blur(cells, size, borderType=cv2.BORDER_REPLICATE))

    def evenness(self, index: int) -> Array | float:
        """Return (h CELLS, w CELLS) how strongly a layer was burned, 1 on average."""
        if self.spoiler != "uneven":
            return 1.0
        width, height = (side * CELLS for side in self.surface.size)
        scale = _UNEVEN_MM / self.spec.pitch_mm * CELLS
        rng = np.random.default_rng([self.spec.seed, index, 13])
        coarse = rng.uniform(-1, 1, (math.ceil(height / scale) + 2, math.ceil(width / scale) + 2))
        size = tuple(round(side * scale) for side in reversed(coarse.shape))
        field = cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)
        return np.asarray(1 + _UNEVEN * field[:height, :width])

    def capture(self, seed: int = 0) -> View:
        """Take the capture after the job."""
        view = super().capture(seed)
        grey = view.grey.copy()
        if self.spoiler == "covered":
            rows = round(_COVERED * grey.shape[0])
            top = int(np.random.default_rng([self.spec.seed, 17]).integers(grey.shape[0] - rows))
            grey[top : top + rows] = _COVER_LEVEL
        if self.spoiler == "compressed":
            picture = cv2.cvtColor(grey.astype(np.uint8), cv2.COLOR_GRAY2BGR)
            _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
            grey = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE).astype(np.float32)
        return replace(view, grey=grey, linear=linear_of(grey).astype(np.float32))


def _strokes(shape: Polygon, spacing_mm: float, seed: int) -> list[LineString]:
    """Return the strokes of a hatch along X or Y that lie in the midst of a shape."""
    upright = bool(seed // 2 % 2)
    turned = affinity.rotate(shape, 90, origin=(0, 0)) if upright else shape
    left, low, right, high = turned.bounds
    # As far from either side: where a hatch's ends lie is a matter of its own.
    count = math.floor((high - low) / spacing_mm)
    first = (low + high - count * spacing_mm) / 2
    lines = [
        LineString([(left - 1, first + k * spacing_mm), (right + 1, first + k * spacing_mm)])
        for k in range(count + 1)
    ]
    parts = shapely.get_parts([turned.intersection(line) for line in lines])
    kept = [part for part in parts if isinstance(part, LineString) and part.length > 0]
    return [affinity.rotate(part, -90, origin=(0, 0)) for part in kept] if upright else kept
