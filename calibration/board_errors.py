"""By how much a board differs from its file, as all photos of it show alike.

Printers advance paper unevenly, and boards that are not glued to something stiff are not flat. What
one corner is off its place is the same in every photo, apart from what noise makes of it: a linear
least squares of its three coordinates over the photos, lens and poses as fitted (after K. Strobl
and G. Hirzinger, "More accurate pinhole camera calibration with imperfect planar target", ICCV
Workshops 2011, who free all of it at once).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.lens_fit import LensFit
from calibration.pose import project_with_jacobians
from calibration.quantity import K95

Array = NDArray[np.float64]

# A corner is told from so many photos on, a board from so many corners on.
_PHOTOS, _CORNERS = 5, 12
# Squares of the corners' errors beyond what noise gives on average: neighbours share some of it.
_SURELY = 3.0


@dataclass(frozen=True)
class BoardErrors:
    """How far corners lie off the board's file.

    Attributes
    ----------
    in_plane_mm, in_plane_u95_mm
        The largest along the board, and how sure that is (95 %).
    off_plane_mm, off_plane_u95_mm
        The largest square to it; what a tilt of the board explains is not in it.
    """

    in_plane_mm: float
    in_plane_u95_mm: float
    off_plane_mm: float
    off_plane_u95_mm: float

    def to_json(self) -> dict[str, Any]:
        """Return what the facts hold."""
        return asdict(self)


def board_errors(fit: LensFit) -> BoardErrors | None:
    """Return how far the board differs from its file; None where no more than noise is seen."""
    count = fit.board.corner_count
    normal, side, seen = np.zeros((count, 3, 3)), np.zeros((count, 3)), np.zeros(count, int)
    total = 0.0
    for view, pose in zip(fit.used, fit.poses, strict=True):
        flat = fit.board.points_mm(view.ids)
        px, per_mm, _, _ = project_with_jacobians(fit.lens, pose, np.c_[flat, np.zeros(len(flat))])
        residual = view.px - px
        normal[view.ids] += per_mm.transpose(0, 2, 1) @ per_mm
        side[view.ids] += np.einsum("nij,ni->nj", per_mm, residual)
        seen[view.ids] += 1
        total += float((residual**2).sum())
    told = seen >= _PHOTOS
    if told.sum() < _CORNERS:
        return None
    inverse = np.linalg.inv(normal[told])
    off = np.einsum("nij,nj->ni", inverse, side[told])
    explained = float(np.einsum("ni,ni->", off, side[told]))
    freedom = 3 * int(told.sum())
    left = 2 * int(seen.sum()) - freedom - 6 * len(fit.used) - int(fit.lens.free.sum())
    variance = (total - explained) / max(left, 1)
    if left <= 0 or explained < _SURELY * freedom * variance:
        return None
    sigma = np.sqrt(variance * np.diagonal(inverse, axis1=1, axis2=2))
    lengths = np.hypot(off[:, 0], off[:, 1])
    across, away = int(np.argmax(lengths)), int(np.argmax(np.abs(off[:, 2])))
    return BoardErrors(
        float(lengths[across]),
        float(K95 * sigma[across, :2].max()),
        float(abs(off[away, 2])),
        float(K95 * sigma[away, 2]),
    )
