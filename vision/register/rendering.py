"""How burned layers change the light that the work sends back, with analytic derivatives.

Transmission T = 1 - sum A_l m_l + sum b_kl m_k m_l: m_l is the coverage of layer l (0 to 1), A_l
its burn strength (by feature; negative where the mark is lighter than the ground), b_kl a free
strength of the overlap of two layers, so that no law of composition is assumed. The camera sees T
through its point spread (Gaussian) and its square pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.region import Region

Image = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Coverage:
    """One layer rendered on a region's sub-samples (its labels on the pixels).

    Attributes
    ----------
    mark
        Coverage m, 0 to 1.
    edge
        dm / d(half-width), per mm.
    lean_axis, lean_diagonal
        dm / d(lean), per mm: how the coverage grows where the half-width grows across edges whose
        normal lies along the page's axes (x more, y less), or along its diagonals.
    along_x, along_y, along_turn
        dm / d(shift x), d(shift y) per mm, and per radian about the pivot.
    label
        Feature of the stroke nearest to each pixel, -1 where none is near.
    """

    mark: Image
    edge: Image
    lean_axis: Image
    lean_diagonal: Image
    along_x: Image
    along_y: Image
    along_turn: Image
    label: NDArray[np.int16]


def cover(
    layer: DistanceMap,
    pose: Rigid,
    pivot_mm: tuple[float, float],
    region: Region,
    half_width_mm: float,
    lean_mm: tuple[float, float] = (0.0, 0.0),
) -> Coverage:
    """Render one layer at a pose; the edge is softened over about one and a half sub-samples.

    The half-width may differ with the direction of the edge's normal, by lean[0] cos 2a +
    lean[1] sin 2a: the strokes of a hatch reach an edge at their ends, but stop anywhere within a
    spacing of an edge along them.
    """
    nodes = layer.nodes(pose, region.places_mm)
    sampled = layer.sample(nodes)
    middle = region.sub // 2
    label = layer.labels(np.ascontiguousarray(nodes[middle :: region.sub, middle :: region.sub]))
    distance, page_gx, page_gy = sampled[..., 0], sampled[..., 1], sampled[..., 2]
    soft = 0.75 * region.pitch_mm / region.sub
    if half_width_mm > 0:
        # The ramp must not reach a stroke's centreline, where the distance turns round.
        soft = min(soft, 0.95 * half_width_mm)
    axis = page_gx * page_gx - page_gy * page_gy
    diagonal = 2 * page_gx * page_gy
    reach = half_width_mm - distance
    if lean_mm != (0.0, 0.0):
        reach += np.float32(lean_mm[0]) * axis + np.float32(lean_mm[1]) * diagonal
    t = np.clip(reach / np.float32(2 * soft) + np.float32(0.5), 0, 1)
    mark = t * t * (3 - 2 * t)
    edge = (6 / (2 * soft)) * t * (1 - t)
    forth = pose.matrix.astype(np.float32)
    gx = edge * (forth[0, 0] * page_gx + forth[0, 1] * page_gy)
    gy = edge * (forth[1, 0] * page_gx + forth[1, 1] * page_gy)
    turn = gy * (region.places_mm[..., 0] - np.float32(pivot_mm[0])) - gx * (
        region.places_mm[..., 1] - np.float32(pivot_mm[1])
    )
    return Coverage(
        np.asarray(mark, np.float32),
        np.asarray(edge, np.float32),
        edge * axis,
        edge * diagonal,
        gx,
        gy,
        turn,
        label,
    )


def see(sharp: Image, sub: int, sigma_px: float) -> Image:
    """Blur by the point spread and average over square pixels: sub-samples in, pixels out."""
    # The Gaussian is applied on a grid of two samples per pixel where possible: fine enough for
    # sigma >= 0.35 px and a quarter of the work.
    if sub % 2 == 0 and sub > 2:
        rows, columns = sharp.shape
        sharp = np.asarray(
            cv2.resize(sharp, (columns * 2 // sub, rows * 2 // sub), interpolation=cv2.INTER_AREA)
        )
        sub = 2
    sigma = sigma_px * sub
    size = 2 * max(1, round(4 * sigma)) + 1
    blurred = cv2.GaussianBlur(sharp, (size, size), sigma, borderType=cv2.BORDER_REPLICATE)
    rows, columns = sharp.shape
    return np.asarray(
        cv2.resize(blurred, (columns // sub, rows // sub), interpolation=cv2.INTER_AREA)
    )
