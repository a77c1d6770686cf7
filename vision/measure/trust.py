"""Whether a layer's numbers can be trusted: is it seen everywhere, does it agree with itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.register.local import LocalOffset
from vision.register.mark import Mark

Array = NDArray[np.float64]

# A part of a layer counts as seen where its burn is at least this share of the layer's own.
_SEEN_STRENGTH = 0.4
# Local offsets smaller than this are within what scorch and hatch ends do.
_LOCAL_SYSTEMATIC_MM = 0.03
_LOCAL_MATTERS_MM = 0.10
_FAMILY_ALPHA = 1e-4
# Below this a layer is not measured: another wrong place could look as good.
_FAINT_SIGNIFICANCE = 12.0
_FAINT_LEVELS = 1.0
# A layer that is there is placed to a tenth of a pixel or so; a fit that holds on to something else
# (the machine's head, say) leaves residuals that make its own place uncertain by a pixel.
_PLACED_PX = 0.3


@dataclass(frozen=True)
class LayerTrust:
    """How far one layer can be trusted.

    Attributes
    ----------
    layer
        Its name.
    significance
        Strength in standard deviations of what chance would give.
    contrast_levels
        Mean grey levels that it adds.
    place_sigma_px
        Standard deviation of its place in the direction in which that is known worst.
    seen_share
        Share of it that is really seen, 0 to 1.
    displaced_share
        Share of it that lies elsewhere than its one rigid motion says.
    displaced_mm
        Largest such local offset; 0 where there is none.
    displaced_at_mm
        Where that is.
    """

    layer: str
    significance: float
    contrast_levels: float
    place_sigma_px: float
    seen_share: float
    displaced_share: float
    displaced_mm: float
    displaced_at_mm: tuple[float, float] | None

    @property
    def faint(self) -> str:
        """Why the layer is too faint or too badly placed to judge; empty where it is not."""
        if self.significance >= _FAINT_SIGNIFICANCE and abs(self.contrast_levels) >= _FAINT_LEVELS:
            if self.place_sigma_px <= _PLACED_PX:
                return ""
            return (
                f"the {self.layer} was not found: what looks most like it fits badly (covered, "
                "smeared, or not burned?)"
            )
        return (
            f"the {self.layer} is too faint to judge ({abs(self.contrast_levels):.1f} grey levels)"
        )


def trust(mark: Mark) -> tuple[LayerTrust, ...]:
    """Return how far each layer of a mark can be trusted."""
    return tuple(
        _layer_trust(mark, index, name, [o for o in mark.local if o.layer == index])
        for index, name in enumerate(mark.layers)
    )


def _layer_trust(mark: Mark, index: int, name: str, own: list[LocalOffset]) -> LayerTrust:
    total = sum(o.energy for o in own)
    covariance = mark.covariance[3 * index : 3 * index + 2, 3 * index : 3 * index + 2]
    worst_mm = float(np.sqrt(max(np.linalg.eigvalsh(covariance)[-1], 0.0)))
    sigma_px = worst_mm / mark.scene.region.pitch_mm
    strength = (mark.significance[name], mark.contrast[name], sigma_px)
    if total <= 0:
        return LayerTrust(name, *strength, 0.0, 0.0, 0.0, None)
    # A cell that noise alone could make look empty does not count against the layer.
    seen = sum(o.energy for o in own if o.strength + 2 * o.strength_sigma > _SEEN_STRENGTH)
    # Chi-square with two degrees of freedom: P(t > x) = exp(-x / 2).
    limit = -2 * np.log(_FAMILY_ALPHA / len(own))
    displaced, largest, where = 0.0, 0.0, None
    for offset in own:
        doubt = offset.covariance + np.eye(2) * _LOCAL_SYSTEMATIC_MM**2
        t = float(offset.shift_mm @ np.linalg.solve(doubt, offset.shift_mm))
        length = float(np.hypot(*offset.shift_mm))
        if t > limit and length > _LOCAL_MATTERS_MM:
            displaced += offset.energy
            if length > largest:
                largest = length
                where = (float(offset.place_mm[0]), float(offset.place_mm[1]))
    return LayerTrust(
        name,
        *strength,
        seen / total,
        displaced / total,
        largest,
        where,
    )
