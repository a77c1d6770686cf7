"""How burned layers change the light that the work sends back, with analytic derivatives.

Transmission T = 1 - sum A_l m_l + sum b_kl m_k m_l: m_l is the coverage of layer l (0 to 1), A_l
its burn strength (by feature; negative where the mark is lighter than the ground), b_kl a free
strength of the overlap of two layers, so that no law of composition is assumed. The camera sees T
through its point spread (Gaussian) and its square pixels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap

Image = NDArray[np.float32]


# Half-width of a softened edge in sub-samples. What a grid aliases into the pictures' frequencies
# is then less than a twentieth (the spectrum of (1 - t^2)^2 is next to nothing from 0.85 cycles per
# sample on); with a sharper edge, lines were pulled by a fiftieth of a pixel.
_SOFT = 1.1
# Standard deviation of that softening, as a share of its half-width: that of (1 - t^2)^2.
_SPREAD = 7**-0.5
# Near its middle a line's distance has no direction.
_LEAST_GRADIENT = 0.05


@dataclass(frozen=True, eq=False)
class Coverage:
    """One layer rendered on sub-samples.

    Attributes
    ----------
    mark
        Coverage m, 0 to 1.
    edges
        What it is made of: coverage up to the edge on this side, less that beyond a line's other
        edge, where the line is thinner than the softening.
    softening_mm
        Standard deviation of the softened edges.
    normal
        (2, ...) unit vector away from the layer, surface x and y.
    """

    mark: Image
    edges: tuple[Image, ...]
    softening_mm: float
    normal: Image
    _near: Image  # how steep the softened edge is, per mm: of the edge on this side of a line
    _far: Image | None  # and on the other side, where the line is thinner than the softening
    _sampled: Image  # (..., 3) distance and its gradient on the page
    _pose: Rigid
    _pivot_mm: tuple[float, float]
    _places_mm: Image

    def weighed(self, *by_edge: Image) -> Coverage:
        """Return the coverage with its derivatives multiplied, those of each edge by its own."""
        far = None if self._far is None else self._far * by_edge[1]
        return replace(self, _near=self._near * by_edge[0], _far=far)

    @cached_property
    def edge(self) -> Image:
        """Return dm / d(half-width), per mm."""
        return self._near if self._far is None else self._near + self._far

    @cached_property
    def _inwards(self) -> Image:
        """Return -dm / d(distance), per mm."""
        return self._near if self._far is None else self._near - self._far

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
        return np.asarray(self._inwards * self.normal[0])

    @cached_property
    def along_y(self) -> Image:
        """Return dm / d(shift y), per mm."""
        return np.asarray(self._inwards * self.normal[1])

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
    places_mm: Image,
    step_mm: float,
    half_width_mm: float,
    lean_mm: tuple[float, float] = (0.0, 0.0),
) -> Coverage:
    """Render one layer at a pose on sub-samples; edges are softened over about two of them.

    Parameters
    ----------
    layer, pose, pivot_mm
        What is rendered, where it lies, and about which surface place it is turned.
    places_mm, step_mm
        (a, b, 2) surface places of the sub-samples, and the distance between neighbours.
    half_width_mm, lean_mm
        The half-width may differ with the direction of the edge's normal, by lean[0] cos 2a +
        lean[1] sin 2a (a from the page's x): the strokes of a hatch reach an edge at their ends,
        but stop anywhere within a spacing of an edge along them.
    """
    sampled = layer.sample(layer.nodes(pose, places_mm))
    soft = _SOFT * step_mm
    slope = 1 / (2 * soft)
    inside = np.float32(half_width_mm) - sampled[..., 0]
    if lean_mm != (0.0, 0.0):
        gx, gy = sampled[..., 1], sampled[..., 2]
        inside += np.float32(lean_mm[0]) * (gx * gx - gy * gy)
        inside += np.float32(lean_mm[1]) * (2 * gx * gy)
    mark, near = _softened(inside, slope)
    edges: tuple[Image, ...] = (mark,)
    far = None
    if layer.layer != "fill" and 0 < half_width_mm < soft:
        # The line's other edge reaches over its middle: what it leaves out is taken away.
        out, far = _softened(-np.float32(half_width_mm) - sampled[..., 0], slope)
        edges = (mark, out)
        mark = mark - out
    return Coverage(
        mark,
        edges,
        _SPREAD * soft,
        _normal(sampled, pose),
        near,
        far,
        sampled,
        pose,
        pivot_mm,
        places_mm,
    )


def _normal(sampled: Image, pose: Rigid) -> Image:
    """Return (2, ...) the direction of the distance's gradient on the surface, of unit length."""
    forth = pose.matrix.astype(np.float32)
    gx, gy = np.ascontiguousarray(sampled[..., 1]), np.ascontiguousarray(sampled[..., 2])
    size = 1 / np.maximum(np.sqrt(gx * gx + gy * gy), np.float32(_LEAST_GRADIENT))
    x, y = (forth[i, 0] * gx + forth[i, 1] * gy for i in (0, 1))
    return np.array([x * size, y * size], np.float32)


def _softened(inside_mm: Image, slope: float) -> tuple[Image, Image]:
    """Return coverage near an edge from the signed distance inside it, and its derivative."""
    ramp = inside_mm * np.float32(slope) + np.float32(0.5)
    np.clip(ramp, 0, 1, out=ramp)
    steep = ramp * (1 - ramp)
    # The quintic r^3 (10 - 15 r + 6 r^2), and its derivative 30 r^2 (1 - r)^2.
    mark = ramp * ramp * (ramp + steep * (9 - 6 * ramp))
    steep *= steep
    steep *= np.float32(30 * slope)
    return mark, steep


def see(sharp: Image, sub: int, sigma_px: float) -> Image:
    """Blur by the point spread and average over square pixels: sub-samples in, pixels out."""
    sigma = sigma_px * sub
    size = 2 * max(1, round(4 * sigma)) + 1
    blurred = cv2.GaussianBlur(sharp, (size, size), sigma, borderType=cv2.BORDER_REPLICATE)
    rows, columns = sharp.shape
    return np.asarray(
        cv2.resize(blurred, (columns // sub, rows // sub), interpolation=cv2.INTER_AREA)
    )


def unlike(picture: Image) -> Image:
    """Return (2, rows, columns) how a blur unlike in different directions changes a picture.

    Per px^2 of the second moment along u less that along v, and of twice the mixed one.
    """
    edged = np.pad(picture, 1, mode="edge")
    middle, left, right = edged[1:-1, 1:-1], edged[1:-1, :-2], edged[1:-1, 2:]
    above, below = edged[:-2, 1:-1], edged[2:, 1:-1]
    across = left + right - 2 * middle
    down = above + below - 2 * middle
    mixed = edged[:-2, :-2] + edged[2:, 2:] - edged[:-2, 2:] - edged[2:, :-2]
    return np.array([(across - down) / 4, mixed / 8], np.float32)
