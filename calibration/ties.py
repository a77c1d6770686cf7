"""What errors of neighbouring corners do together.

A corner of a board is where two lines of sides cross, and every side counts for both corners that
it joins. With sides alike and independent, the errors of neighbours on a line, square to that line,
are correlated by a half: errors that vary slowly over the board count up to twice, those that
change from corner to corner not at all. A real board is not quite flat nor evenly printed, so that
its corners may have more in common than that, which their residuals show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Ties:
    """Correlation of the errors of corners that share a side.

    Attributes
    ----------
    across, along
        Of their components square to that side and along it.
    """

    across: float = 0.5
    along: float = 0.0


SIDES = Ties()


def neighbours(ids: NDArray[np.integer[Any]], columns: int) -> NDArray[np.int64]:
    """Return (m, 2) positions in `ids` of corners that share a side, of a grid numbered by rows."""
    order = np.argsort(ids)
    known = np.asarray(ids, np.int64)[order]
    pairs = []
    for step in (1, columns):
        wanted = np.asarray(ids, np.int64) + step
        at = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
        there = known[at] == wanted
        if step == 1:
            there &= wanted % columns != 0
        pairs.append(np.stack([np.flatnonzero(there), order[at[there]]], axis=1))
    return np.concatenate(pairs)


def together(jacobian: Array, px: Array, pairs: NDArray[np.int64], ties: Ties = SIDES) -> Array:
    """Return (p, p) variance of J'e, where e are errors of unit variance that neighbours share.

    Parameters
    ----------
    jacobian
        (n, 2, p) d(pixel) / d(parameter).
    px
        (n, 2) the corners.
    pairs
        (m, 2) which of them share a side.
    ties
        How far they do.
    """
    rows = jacobian.reshape(2 * len(px), jacobian.shape[2])
    out = rows.T @ rows
    for share, way in zip((ties.across, ties.along), _ways(px, pairs), strict=True):
        one, other = (np.einsum("mi,mip->mp", way, jacobian[pairs[:, k]]) for k in (0, 1))
        both = share * one.T @ other
        out = out + both + both.T
    return np.asarray(out)


def seen(
    residuals: Sequence[Array], px: Sequence[Array], pairs: Sequence[NDArray[np.int64]]
) -> Ties:
    """Return the ties that residuals of photos surely show, no less than those of shared sides.

    Residuals show a little less of them than errors have, as the fit has taken its part.

    Parameters
    ----------
    residuals, px
        (n, 2) per photo.
    pairs
        (m, 2) per photo, which of its corners share a side.
    """
    shown, count = np.zeros(2), 0
    for left, places, own in zip(residuals, px, pairs, strict=True):
        for number, way in enumerate(_ways(places, own)):
            one, other = (np.einsum("mi,mi->m", way, left[own[:, k]]) for k in (0, 1))
            shown[number] += float(one @ other)
        count += len(own)
    whole = np.concatenate(residuals)
    variance = float((whole**2).mean())
    if not count or variance <= 0:
        return SIDES
    # Less what chance may show: correlations of so many corners scatter by as much.
    across, along = shown / (count * variance) - len(whole) ** -0.5
    return Ties(max(SIDES.across, float(across)), max(SIDES.along, float(along)))


def _ways(px: Array, pairs: NDArray[np.int64]) -> tuple[Array, Array]:
    """Return (m, 2) unit vectors square to the sides that pairs share, and along them."""
    along = px[pairs[:, 1]] - px[pairs[:, 0]]
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    return np.stack([-along[:, 1], along[:, 0]], axis=1), along
