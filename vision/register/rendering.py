"""How burned layers change the light that the work sends back, with analytic derivatives.

Transmission T = 1 - sum A_l m_l + sum b_kl m_k m_l: m_l is the coverage of layer l (0 to 1), A_l
its burn strength (by feature; negative where the mark is lighter than the ground), b_kl a free
strength of the overlap of two layers, so that no law of composition is assumed. The camera sees T
through its point spread (Gaussian) and its square pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

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
    label
        Feature of the stroke nearest to each pixel, -1 where none is near.
    """

    mark: Image
    label: NDArray[np.int16]
    _ramp: Image  # where on the softened edge a sub-sample lies, 0 to 1
    _slope: float  # of the ramp, per mm
    _sampled: Image  # (..., 3) distance and its gradient on the page
    _pose: Rigid
    _pivot_mm: tuple[float, float]
    _places_mm: Image

    @cached_property
    def edge(self) -> Image:
        """Return dm / d(half-width), per mm."""
        return np.asarray(np.float32(6 * self._slope) * self._ramp * (1 - self._ramp), np.float32)

    @cached_property
    def lean_axis(self) -> Image:
        """Return dm / d(lean along the page's axes), per mm."""
        gx, gy = self._sampled[..., 1], self._sampled[..., 2]
        return np.asarray(self.edge * (gx * gx - gy * gy))

    @cached_property
    def lean_diagonal(self) -> Image:
        """Return dm / d(lean along the page's diagonals), per mm."""
        return np.asarray(self.edge * (2 * self._sampled[..., 1] * self._sampled[..., 2]))

    @property
    def page_gradient(self) -> tuple[Image, Image]:
        """Return the gradient of the distance on the page, x and y: outwards at an area's edge."""
        return self._sampled[..., 1], self._sampled[..., 2]

    @cached_property
    def along_x(self) -> Image:
        """Return dm / d(shift x), per mm."""
        forth = self._pose.matrix.astype(np.float32)
        gradient = forth[0, 0] * self._sampled[..., 1] + forth[0, 1] * self._sampled[..., 2]
        return np.asarray(self.edge * gradient)

    @cached_property
    def along_y(self) -> Image:
        """Return dm / d(shift y), per mm."""
        forth = self._pose.matrix.astype(np.float32)
        gradient = forth[1, 0] * self._sampled[..., 1] + forth[1, 1] * self._sampled[..., 2]
        return np.asarray(self.edge * gradient)

    @cached_property
    def along_turn(self) -> Image:
        """Return dm / d(turn about the pivot), per radian."""
        x = self._places_mm[..., 0] - np.float32(self._pivot_mm[0])
        y = self._places_mm[..., 1] - np.float32(self._pivot_mm[1])
        return np.asarray(self.along_y * x - self.along_x * y)


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
    lean[1] sin 2a (a from the page's x): the strokes of a hatch reach an edge at their ends, but
    stop anywhere within a spacing of an edge along them.
    """
    nodes = layer.nodes(pose, region.places_mm)
    sampled = layer.sample(nodes)
    middle = region.sub // 2
    label = layer.labels(np.ascontiguousarray(nodes[middle :: region.sub, middle :: region.sub]))
    soft = 0.75 * region.pitch_mm / region.sub
    if half_width_mm > 0:
        # The ramp must not reach a stroke's centreline, where the distance turns round.
        soft = min(soft, 0.95 * half_width_mm)
    slope = 1 / (2 * soft)
    ramp = np.float32(half_width_mm * slope + 0.5) - np.float32(slope) * sampled[..., 0]
    if lean_mm != (0.0, 0.0):
        gx, gy = sampled[..., 1], sampled[..., 2]
        ramp += np.float32(slope * lean_mm[0]) * (gx * gx - gy * gy)
        ramp += np.float32(slope * lean_mm[1]) * (2 * gx * gy)
    np.clip(ramp, 0, 1, out=ramp)
    mark = ramp * ramp * (3 - 2 * ramp)
    return Coverage(mark, label, ramp, slope, sampled, pose, pivot_mm, region.places_mm)


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
