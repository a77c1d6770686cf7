"""Other places where a layer could lie: matched filter of what the other layers leave unexplained.

A joint fit finds the nearest minimum of the cost; whether there is a better one further off is seen
here, by correlating what is left when one layer is taken out of the model with what that layer
would add (matched filter; Turin, IRE Trans. IT 6, 1960).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Shift:
    """One peak of the matched filter.

    Attributes
    ----------
    right_px, down_px
        Shift of the layer from where the fit has it, pixels of the region.
    drop
        How far the sum of squares falls with the layer there, best strength.
    strength
        Best strength there.
    """

    right_px: int
    down_px: int
    drop: float
    strength: float


def other_places(
    left_over: Image, shape: Image, weight: Image, reach_px: int, most: int
) -> list[Shift]:
    """Return the best shifts of one layer, best first, in either polarity.

    Parameters
    ----------
    left_over
        (rows, columns) grey levels seen minus the model without the layer.
    shape
        (rows, columns) grey levels that the layer would add, evenly burned, where the fit has it.
    weight
        (rows, columns) 0..1: pixels that count.
    reach_px
        Largest shift looked at, on either axis.
    most
        Number of peaks wanted.
    """
    rows, columns = np.nonzero(np.abs(shape) > 0.02 * float(np.abs(shape).max(initial=0.0)))
    if len(rows) == 0:
        return []
    top, bottom = int(rows.min()), int(rows.max()) + 1
    left, right = int(columns.min()), int(columns.max()) + 1
    template = shape[top:bottom, left:right]
    border = reach_px
    sides = (border, border, border, border)
    grown = cv2.copyMakeBorder(left_over * weight, *sides, cv2.BORDER_CONSTANT, value=(0.0,))
    counted = cv2.copyMakeBorder(weight, *sides, cv2.BORDER_CONSTANT, value=(0.0,))
    window = (slice(top, bottom + 2 * border), slice(left, right + 2 * border))
    cross = cv2.matchTemplate(grown[window], template, cv2.TM_CCORR)
    energy = cv2.matchTemplate(counted[window], template * template, cv2.TM_CCORR)
    full = float((template * template).sum())
    # Where less than half of the layer would be in view nothing can be said.
    drop = np.where(energy > 0.5 * full, cross * cross / np.maximum(energy, 1e-6), 0.0)
    peak = cv2.dilate(drop.astype(np.float32), np.ones((3, 3), np.uint8))
    i, j = np.nonzero((drop >= peak) & (drop > 0))
    order = np.argsort(-drop[i, j])[:most]
    return [
        Shift(
            int(j[k]) - border,
            int(i[k]) - border,
            float(drop[i[k], j[k]]),
            float(cross[i[k], j[k]] / energy[i[k], j[k]]),
        )
        for k in order
    ]
