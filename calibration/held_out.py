"""Which of two models is better, told by what was left out of their fits."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# What is better by this factor of the root mean square is no tie, even where one thing at the edge
# of a lens's range makes all the scatter.
_BY_FAR = 1.3


def surely_better(new: Array, old: Array, sigmas: float) -> bool:
    """Tell whether a model surely misses less than another what neither was fitted to.

    By far, or by more than some standard errors of the difference (after the rule of one standard
    error of Breiman et al., "Classification and Regression Trees", 1984, section 3.4.3, which
    chance alone breaks in one of six).

    Parameters
    ----------
    new, old
        (n,) squared distances by which the same things were missed.
    sigmas
        How many standard errors.
    """
    if len(new) < 2 or new.mean() >= old.mean():
        return False
    gain = old - new
    surely = bool(gain.mean() > sigmas * gain.std(ddof=1) / math.sqrt(len(gain)))
    return surely or bool(old.mean() > _BY_FAR**2 * new.mean())
