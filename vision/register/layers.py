"""The layers of an artwork as the measuring core wants them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from vision.artwork.sampling import outline_points
from vision.artwork.strokes import Artwork, Layer
from vision.register.distance import DistanceMap, layer_distance

LAYERS: tuple[Layer, ...] = ("outline", "fill", "cut")

# Grid and reach of the maps that are searched with: coarse and wide.
COARSE_PITCH_MM = 0.12
COARSE_REACH_MM = 2.5
# Lever of a turn, as a share of a layer's radius, below which only its flattening is seen.
_ROUND = 0.03


@lru_cache(maxsize=12)
def layer_maps(artwork: Artwork, pitch_mm: float, reach_mm: float) -> tuple[DistanceMap, ...]:
    """Return the distance maps of the layers that the artwork has."""
    maps = (layer_distance(artwork, layer, pitch_mm, reach_mm) for layer in LAYERS)
    return tuple(m for m in maps if m is not None)


def half_widths(maps: tuple[DistanceMap, ...], kerf_mm: float, negative: bool) -> tuple[float, ...]:
    """Return how far each layer's mark reaches beyond its line or edge."""
    return tuple(-kerf_mm / 2 if negative and m.layer == "fill" else kerf_mm / 2 for m in maps)


def is_round(artwork: Artwork, layer: Layer) -> bool:
    """Tell whether a turn of the layer about its own centre moves none of its edges outwards."""
    points, tangents, _ = outline_points(artwork, layer, 0.5)
    normals = np.stack([tangents[:, 1], -tangents[:, 0]], axis=1)
    away = points - points.mean(axis=0)
    by_turn = normals[:, 1] * away[:, 0] - normals[:, 0] * away[:, 1]
    # What shifts explain of the turn's effect does not count as seen.
    left = by_turn - normals @ np.linalg.lstsq(normals, by_turn, rcond=None)[0]
    radius = float(np.sqrt((away**2).sum(axis=1).mean()))
    return float(np.sqrt((left**2).mean())) < _ROUND * radius
