"""What two layers cover together, where their edges run within a sub-sample of each other.

Two softened edges that cross at right angles cover together the product of what each covers; two
that run alongside cover the less of both (one area inside the other), and two that face each other
what both exceed one by. By Hoeffding's identity (1940) the area that the first differs by from the
product is the covariance of the two edges' softening, and that of edges whose normals make an angle
a is cos a times that of edges alongside: so the extremes (Frechet, 1951) are mixed by cos a. With
the product alone, an outline on the edge of its fill was pulled by a tenth of a pixel.

A beam's own edge is soft, too: by how much the layers' burns themselves multiply there is a
parameter, told as the standard deviation of the beam's softness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.register.rendering import Coverage

Image = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Overlap:
    """What two layers cover together, on sub-samples.

    Attributes
    ----------
    mark
        Common coverage.
    by_softness
        Its derivative by the softness of the beam, per mm.
    by_first, by_second
        Its derivatives by the coverage of either layer, edge by edge as in `Coverage.edges`; those
        by what lies beyond an edge with the sign that this is taken away with.
    """

    mark: Image
    by_softness: Image
    by_first: tuple[Image, ...]
    by_second: tuple[Image, ...]


def overlap_of(one: Coverage, other: Coverage, soft_mm: float) -> Overlap:
    """Return what two layers cover together.

    Parameters
    ----------
    one, other
        The layers on the same sub-samples.
    soft_mm
        Standard deviation of the beam's own softness: at that of the rendering the burns multiply.
    """
    (ax, ay), (bx, by) = one.normal, other.normal
    alike = ax * bx + ay * by
    nested, facing = np.maximum(alike, 0), np.maximum(-alike, 0)
    sharp = np.float32(1 - soft_mm / one.softening_mm)
    mark, excess = np.zeros_like(one.mark), np.zeros_like(one.mark)
    by_first = [np.zeros_like(mark) for _ in one.edges]
    by_second = [np.zeros_like(mark) for _ in other.edges]
    for i, a in enumerate(one.edges):
        for j, b in enumerate(other.edges):
            sign = np.float32(1 if i == j else -1)
            product = a * b
            least = _step(b - a)
            meet = _step(a + b - 1)
            beyond = nested * (np.minimum(a, b) - product)
            beyond += facing * (np.maximum(a + b - 1, 0) - product)
            mark += sign * (product + sharp * beyond)
            excess += sign * beyond
            by_a = b + sharp * (nested * (least - b) + facing * (meet - b))
            by_b = a + sharp * (nested * (1 - least - a) + facing * (meet - a))
            by_first[i] += np.float32(1 if j == 0 else -1) * by_a
            by_second[j] += np.float32(1 if i == 0 else -1) * by_b
    return Overlap(mark, -excess / np.float32(one.softening_mm), tuple(by_first), tuple(by_second))


def _step(values: Image) -> Image:
    """Return 1 where values are above nothing, a half where they are nothing, else 0."""
    return np.heaviside(values, np.float32(0.5))
