"""A bed's map against the truth: errors in pixels and in standard deviations."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.plane import PlaneSurface
from tests.studies.rates import Spread
from tests.studies.rows import Row
from tests.studies.summary import Target

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class MapErrors:
    """What a map errs by at (n, 2) places.

    Attributes
    ----------
    off_mm
        (n, 2) told minus true, NaN where the map tells nothing.
    off_px
        (n,) the same as lengths in the picture.
    misfit
        (n,) squared, in standard deviations of the map (two degrees of freedom).
    """

    off_mm: Array
    off_px: Array
    misfit: Array

    @classmethod
    def of(cls, surface: PlaneSurface, true_mm: Array, px: Array) -> MapErrors:
        """Return the errors of a map where (n, 2) places are seen at (n, 2) pixels."""
        off = surface.mm_from_px(px) - true_mm
        off_px = np.hypot(*np.einsum("nij,nj->in", surface.jacobian_px_per_mm(true_mm), off))
        sure = np.linalg.inv(surface.point_covariance(true_mm))
        return cls(off, off_px, np.einsum("ni,nij,nj->n", off, sure, off))

    @property
    def told(self) -> NDArray[np.bool_]:
        """(n,) where the map tells a place."""
        return np.asarray(np.isfinite(self.off_mm).all(axis=1))

    def rms_px(self, where: NDArray[np.bool_]) -> float | None:
        """Return the root mean square in pixels of some places; None where none is told."""
        values = self.off_px[where & self.told]
        return float(np.sqrt((values**2).mean())) if len(values) else None


def map_figures(told: Sequence[Row], middle: float, corner: float, noun: str) -> list[Target]:
    """Hold rows with `middle_px`, `corner_px` and `misfit` against what is asked of their maps."""
    out = []
    for key, limit in (("middle_px", middle), ("corner_px", corner)):
        spread = Spread.of([row[key] for row in told if row[key] is not None])
        met = spread.rmse <= limit
        out.append(Target(f"bed point, {key[:-3]}, RMS px", f"<= {limit}", str(spread), met))
    misfits = [row["misfit"] for row in told]
    whole = math.sqrt(float(np.mean(misfits))) if told else math.nan
    usual = math.sqrt(float(np.median(misfits))) if told else math.nan
    measured = f"{whole:.2f} ({usual:.2f}), n = {len(told)}"
    name = f"RMS of standardised errors (median of {noun})"
    out.append(Target(name, "0.9 to 1.1", measured, 0.9 <= whole <= 1.1))
    return out
