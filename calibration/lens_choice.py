"""Which distortion model the photos call for: the one that foretells photos left out of the fit.

A model with more terms always fits the photos better that it is fitted to. So the photos are left
out in turn; the lens of the others must foretell their corners, the board's pose alone being free
(cross-validation; M. Stone, J. R. Stat. Soc. B 36, 1974).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.distortion import Model
from calibration.errors import WitmarkError
from calibration.held_out import surely_better
from calibration.lens import COUNT, Lens
from calibration.lens_fit import LensFit, Trial, fit_model
from calibration.lens_solve import View, plane_pose, solve_lens

Array = NDArray[np.float64]

# In the order in which they have to beat what went before: the ordinary lens first.
_TRIED: tuple[Model, ...] = ("brown-conrady", "fisheye", "rational")
_FOLDS = 6
# A further model must be better by so many standard errors over the photos: chance does it in one
# of some thousands. With two, one in fifty ordinary lenses came out as a rational one whose terms
# run away beside the photos.
_SURELY = 4.0
# A model that foretells nothing of a photo has missed its corners by so much.
_LOST_PX = 100.0


def fit_lens(board: Board, image_size: tuple[int, int], views: Sequence[View]) -> LensFit:
    """Fit the distortion model that foretells photos best; an ordinary lens wins a tie.

    A further model must foretell the photos surely better than the best so far (`held_out`).

    Raises
    ------
    WitmarkError
        Where fewer than 3 photos are left.
    """
    tried: list[_Tried] = []
    refused: dict[Model, WitmarkError] = {}
    for model in _TRIED:
        try:
            tried.append(_Tried.of(fit_model(board, image_size, views, model)))
        except WitmarkError as error:
            refused[model] = error
    if not tried:
        raise refused[_TRIED[0]]
    usable = [i for i in range(len(views)) if any(i in one.kept for one in tried)]
    corners = {
        i: _common(views[i], [one.kept[i] for one in tried if i in one.kept]) for i in usable
    }
    missed = [one.missed(board, corners) for one in tried]
    best = 0
    why = [""] * len(tried)
    for number in range(1, len(tried)):
        if surely_better(missed[number], missed[best], _SURELY):
            why[best] = f"photos left out are foretold better by {tried[number].model}"
            best = number
        elif missed[number].max() >= _LOST_PX**2:
            why[number] = "cannot foretell every photo left out"
        elif tried[number].fit.rms_px < tried[best].fit.rms_px:
            why[number] = (
                f"would be over-fitted: nearer to its own photos than {tried[best].model}, but not "
                "to photos left out"
            )
        else:
            why[number] = f"foretells photos left out no better than {tried[best].model}"
    why[best] = "foretells photos left out best"
    trials = {
        one.model: Trial(
            one.model,
            int(one.fit.lens.free.sum()),
            one.fit.rms_px,
            math.sqrt(float(off.mean())) if off.max() < _LOST_PX**2 else None,
            said,
        )
        for one, off, said in zip(tried, missed, why, strict=True)
    }
    for model, refusal in refused.items():
        trials[model] = Trial(model, 0, None, None, f"not determined: {refusal.what}")
    return replace(tried[best].fit, trials=tuple(trials[model] for model in _TRIED))


@dataclass(frozen=True, eq=False)
class _Tried:
    """A model fitted to all photos that it can use.

    Attributes
    ----------
    fit
        What came out.
    kept
        By number of the photo among all: those that it used.
    """

    fit: LensFit
    kept: dict[int, View]

    @classmethod
    def of(cls, fit: LensFit) -> _Tried:
        return cls(fit, {i: view for i, view in enumerate(fit.views) if view.why is None})

    @property
    def model(self) -> Model:
        return self.fit.lens.model

    def missed(self, board: Board, corners: dict[int, View]) -> Array:
        """Return (n,) mean squared distance, px^2, by which each photo left out was missed."""
        own = list(self.kept)
        folds = min(_FOLDS, len(own))
        lenses: list[Lens | None] = []
        for fold in range(folds):
            rest = [k for k in range(len(own)) if k % folds != fold]
            free = self.fit.lens.free
            views, poses = [self.kept[own[k]] for k in rest], [self.fit.poses[k] for k in rest]
            try:
                lenses.append(solve_lens(board, views, self.fit.lens, poses, free).lens)
            except WitmarkError:
                lenses.append(None)
        out = []
        for i, view in corners.items():
            # A photo that this model could not use has not been in any of its fits.
            lens = lenses[own.index(i) % folds] if i in self.kept else self.fit.lens
            out.append(
                _LOST_PX**2 if lens is None else min(_missed(board, view, lens), _LOST_PX**2)
            )
        return np.array(out)


def _missed(board: Board, view: View, lens: Lens) -> float:
    """Return the mean squared distance by which a lens misses a photo, the board's pose free."""
    try:
        pose = plane_pose(lens, board.points_mm(view.ids), view.px)
        [left] = solve_lens(board, [view], lens, [pose], np.zeros(COUNT, bool)).residuals
    except WitmarkError:
        return math.inf
    return float((left**2).sum(axis=1).mean())


def _common(view: View, kept: Sequence[View]) -> View:
    """Return a photo with the corners that any of the models kept."""
    ids = np.unique(np.concatenate([one.ids for one in kept]))
    among = np.isin(view.ids, ids)
    return replace(view, ids=view.ids[among], px=view.px[among], why=None)
