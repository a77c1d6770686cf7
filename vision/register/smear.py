"""Whether the camera moved while it looked: its blur reaches farther one way than across it.

An even movement over L pixels during the exposure adds L^2 / 12 along itself to the second moments
of the point spread. The model's blur is alike in all directions; with such a movement left out an
outline on the edge of its fill is pulled aside. To second order a picture that is blurred further
by a tensor S changes by half of S : its second derivatives; what S has alike in all directions is
the blur's own. A score test (Rao, Proc. Camb. Phil. Soc. 44, 1948), as for doubled fills.

A fill whose hatch directions lie apart looks the same (`doubled`), and that must not pass for the
camera's doing. So the outlines have to show it as well, and the fill has to agree with them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.register.fitted import Fit
from vision.register.further import Further, further_step
from vision.register.rendering import unlike
from vision.register.tone import grey_slope

Array = NDArray[np.float64]

# Chi-square of two degrees of freedom: by chance one in a thousand lies beyond the first, one in a
# hundred beyond the others.
_SURELY = 13.8
_OUTLINES_SHOW = 9.2
_FILLS_AGREE = 9.2
# A movement of one and a third pixels. Beyond it a fill whose directions lie apart draws outlines
# on its edges along so far that they seem to show it, too (4 of 80 drawn ones, 0.18 px^2 and more).
_MOST_PX2 = 0.15


def camera_smear(fit: Fit) -> tuple[float, float] | None:
    """Return by how much the camera's blur is unlike in different directions, where that is sure.

    Parameters
    ----------
    fit
        A fit that ended, with all its blur alike.

    Returns
    -------
    Second moment along u less that along v, and twice the mixed one, px^2; None where it is not
    sure, or where fills and outlines are not both there to tell.
    """
    seen = fit.seen
    fills = np.array([layer.layer == "fill" for layer in fit.setting.maps])
    if fills.all() or not fills.any():
        return None
    gain = seen.light * grey_slope(seen.linear)
    covered = np.zeros_like(seen.through)
    for index in np.flatnonzero(fills):
        covered += seen.strength[index] * seen.marks[index]
    all_alike = gain * unlike(seen.through)
    found = further_step(fit, all_alike)
    if _chi2(found, slice(0, 2)) < _SURELY or np.hypot(*found.value) > _MOST_PX2:
        return None
    by_kind = further_step(fit, np.concatenate([all_alike, -gain * unlike(covered)]))
    if _chi2(by_kind, slice(0, 2)) < _OUTLINES_SHOW or _chi2(by_kind, slice(2, 4)) > _FILLS_AGREE:
        return None
    return float(found.value[0]), float(found.value[1])


def _chi2(found: Further, part: slice) -> float:
    value, covariance = found.value[part], found.covariance[part, part]
    return float(value @ np.linalg.solve(covariance, value))
