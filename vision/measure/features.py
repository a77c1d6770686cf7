"""Features and local offsets: every separate piece of the artwork, and every part of a layer."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import K95, Quantity
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork
from vision.measure.offsets import length_interval
from vision.register.local import LocalOffset, local_offsets
from vision.register.mark import Mark
from vision.register.scene import feature_image
from vision.result import FeatureRow

Array = NDArray[np.float64]

_FAINT_LEVELS = 2.0


def feature_rows(
    artwork: Artwork,
    piece: int,
    mark: Mark,
    expected: Rigid,
    systematic: dict[str, Array],
) -> list[FeatureRow]:
    """Return a row per feature: its own displacement given the rest, all its layers together.

    Parameters
    ----------
    artwork
        The artwork of this blank.
    piece
        Index of the blank that the mark lies on.
    mark
        What was measured.
    expected
        bed <- page that displacements are told against.
    systematic
        (3, 3) systematic covariance of each layer's place.
    """
    labels = feature_image(mark.scene, mark.maps, tuple(mark.poses[n] for n in mark.layers))
    local = local_offsets(mark.scene, mark.fit, labels, mark.inflation)
    rows = []
    for number, feature in enumerate(artwork.features):
        own = [o for o in local if o.cell == number]
        rows.append(_row(feature.name, piece, feature.box_mm, own, mark, expected, systematic))
    return rows


def local_table(
    mark: Mark, expected: Rigid, local: tuple[LocalOffset, ...]
) -> tuple[Array, tuple[str, ...]]:
    """Return (n, 4) x, y, dx, dy of local displacements against a placement, and their layers."""
    rows, names = [], []
    for offset in local:
        layer = mark.layers[offset.layer]
        shift = _rigid_shift(mark.poses[layer], expected, offset.place_mm) + offset.shift_mm
        rows.append([*offset.place_mm, *shift])
        names.append(layer)
    return np.array(rows).reshape(-1, 4), tuple(names)


def _row(
    name: str,
    piece: int,
    box_mm: tuple[float, float, float, float],
    own: list[LocalOffset],
    mark: Mark,
    expected: Rigid,
    systematic: dict[str, Array],
) -> FeatureRow:
    x0, y0, x1, y1 = box_mm
    centre = expected.apply(np.array([[(x0 + x1) / 2, (y0 + y1) / 2]]))[0]
    at = (float(centre[0]), float(centre[1]))
    layers = tuple(mark.layers[o.layer] for o in own)
    if not own:
        missing = Quantity.missing("too faint or out of view")
        return FeatureRow(name, piece, mark.layers, at, missing, missing, missing, missing)
    # Information of all layers of the feature together; a layer that tells little weighs little.
    weights, shifts, covariances = [], [], []
    for offset in own:
        layer = mark.layers[offset.layer]
        shifts.append(_rigid_shift(mark.poses[layer], expected, offset.place_mm) + offset.shift_mm)
        covariances.append(offset.covariance + systematic[layer][:2, :2])
        weights.append(np.linalg.inv(offset.covariance))
    total = np.linalg.inv(np.sum(weights, axis=0))
    shift = total @ np.sum([w @ s for w, s in zip(weights, shifts, strict=True)], axis=0)
    shared = np.mean([systematic[layer][:2, :2] for layer in layers], axis=0)
    covariance = total + shared
    spread = max(
        (float(np.hypot(*(a - b))) for a in shifts for b in shifts),
        default=0.0,
    )
    low, high = length_interval(shift[None], covariance[None])
    sigma = np.sqrt(np.diag(covariance))
    strongest = max(own, key=lambda o: o.energy)
    levels = mark.contrast[mark.layers[strongest.layer]] * strongest.strength
    noise = abs(mark.contrast[mark.layers[strongest.layer]]) * strongest.strength_sigma
    note = ""
    if abs(levels) < _FAINT_LEVELS:
        note = "faint"
    elif len(own) > 1 and spread > 3 * float(sigma.max()) and spread > 0.1:
        note = f"its layers lie {spread:.2f} mm apart"
    return FeatureRow(
        name,
        piece,
        layers,
        at,
        Quantity(float(shift[0]), float(K95 * sigma[0])),
        Quantity(float(shift[1]), float(K95 * sigma[1])),
        Quantity(
            math.hypot(*shift),
            float(high[0] - low[0]) / 2,
            low=float(low[0]),
            high=float(high[0]),
        ),
        Quantity(levels, K95 * noise),
        note,
    )


def _rigid_shift(found: Rigid, expected: Rigid, place_mm: Array) -> Array:
    """Return how far the rigid fit says that a mark seen at a place lies off."""
    page = found.invert(place_mm[None])
    return np.asarray(place_mm - expected.apply(page)[0])
