"""Points spread evenly along what is burned: where offsets and worst points are looked for."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from vision.artwork.strokes import Artwork, Layer, Points

_LAYERS: tuple[Layer, ...] = ("outline", "fill", "cut")


def artwork_layers(artwork: Artwork) -> tuple[Layer, ...]:
    """Return the layers that hold something, in the order outline, fill, cut."""
    present: set[str] = {stroke.layer for stroke in artwork.strokes}
    if artwork.areas:
        present.add("fill")
    return tuple(layer for layer in _LAYERS if layer in present)


def outline_points(
    artwork: Artwork, layer: Layer, spacing_mm: float
) -> tuple[Points, Points, NDArray[np.int64]]:
    """Sample a layer evenly along its lines.

    The lines are the strokes of the layer; for "fill" also the rings of the areas. Each line is
    cut into equal steps of about `spacing_mm`; an open one is sampled at both its ends.

    Returns
    -------
    points, tangents, feature
        (n, 2) page millimetres, (n, 2) unit directions along the line (areas lie to the left),
        (n,) index of the feature. All empty where the layer is.
    """
    if not spacing_mm > 0.0:
        raise ValueError(f"spacing must be positive: {spacing_mm!r}")
    points, tangents, features = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty(0, np.int64)]
    for line, closed, feature in _lines(artwork, layer):
        place, direction = _sample(line, closed, spacing_mm)
        points.append(place)
        tangents.append(direction)
        features.append(np.full(len(place), feature))
    return np.concatenate(points), np.concatenate(tangents), np.concatenate(features)


def _lines(artwork: Artwork, layer: Layer) -> Iterator[tuple[Points, bool, int]]:
    for stroke in artwork.strokes:
        if stroke.layer == layer:
            yield stroke.points_mm, stroke.closed, stroke.feature
    if layer == "fill":
        for area in artwork.areas:
            for ring in area.rings_mm:
                yield ring, True, area.feature


def _sample(line: Points, closed: bool, spacing_mm: float) -> tuple[Points, Points]:
    vertices = np.concatenate([line, line[:1]]) if closed else line
    edges = np.diff(vertices, axis=0)
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    steps = max(1, round(along[-1] / spacing_mm))
    # On a closed line the last sample would fall on the first.
    wanted = np.linspace(0.0, along[-1], steps + 1)[: steps if closed else None]
    edge = np.clip(np.searchsorted(along, wanted, side="right") - 1, 0, len(edges) - 1)
    share = (wanted - along[edge]) / lengths[edge]
    place = vertices[edge] + share[:, None] * edges[edge]
    return place, edges[edge] / lengths[edge, None]
