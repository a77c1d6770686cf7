"""Whether a layer's numbers can be trusted: is it seen everywhere, does it agree with itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import chi2_by_chance
from vision.artwork.strokes import Layer
from vision.register.local import LocalOffset
from vision.register.mark import Mark

Array = NDArray[np.float64]

# A part of a layer counts as seen where its burn is at least this share of the layer's own.
_SEEN_STRENGTH = 0.4
# Local offsets smaller than this are within what scorch and hatch ends do.
_LOCAL_SYSTEMATIC_MM = 0.03
_LOCAL_MATTERS_MM = 0.08
_TELLS_MM = 0.2
_FAMILY_ALPHA = 1e-4
# One cell in a hundred stands out so far by chance (chi-square, two degrees of freedom).
_STANDS_OUT = 9.21
# Below this a layer is not measured: another wrong place could look as good.
_FAINT = 6.0
_FAINT_LEVELS = 1.0
# Beside a layer that is seen far better, one that hardly stands out may be nothing but what the
# model of the other's edge lacks. Of 193 simulated outlines that were never burned 180 were told as
# burned less than three quarters as strongly as the fill, most the other way round (lighter where
# it is darker), and reached up to 2.8 % of its significance; those told as strong reached 1.1 %,
# but were so thin that strength times width came to 0.65 at most of that of a line as strong as the
# fill and as wide as the stated kerf. Of 33 that were burned all but one were told as strong, and
# all came to 0.86 or more.
_WEAK_SHARE = 0.05
_LEAST_SHARE = 0.005
_AS_STRONG = 0.75
_AS_MUCH = 0.8
# So what is burned as strongly as what it lies beside is believed a little sooner.
_FAINT_AS_STRONG = 4.5
# Of a thin line width times strength is seen, not the two, so that one half as strong but wider is
# as much, too. Of 218 outlines that were never burned (simulated) one came near that, at 0.44 and
# 0.86, with a significance of 8; three that were burned had 14 to 36.
_HALF_AS_STRONG = 0.5
_FAINT_HALF_AS_STRONG = 10.0
# What is far weaker than the strongest is believed late: of 278 layers never burned, grain and
# printing that passed for one reached 14, but for one of 21.
_FAR_WEAKER = 0.3
_FAINT_FAR_WEAKER = 15.0
# Others that were never burned reached 12 and less than 5 % of the fill's contrast.
_BEYOND_MISFIT = 15.0
_MISFIT_CONTRAST = 0.05
# A layer that is there is placed to a tenth of a pixel or so; a fit that holds on to something else
# (the machine's head, say) leaves residuals that make its own place uncertain by a pixel.
_PLACED_PX = 0.3
# A camera's own blur may be so unlike in different directions (standard deviation of the second
# moment, px^2: half of what a movement of one pixel during the exposure does) ...
_SMEAR_PX2 = 0.035
# ... and one in fifty is still more so by chance (chi-square, two degrees of freedom): that far
# its directions may lie apart. It is told as found where chance and texture hardly make it so.
_DOUBLED = 8.0
_SURELY_DOUBLED = 20.0
# A layer of which more than this share lies elsewhere than the rest did not move as one.
DISPLACED_TOO_MUCH = 0.06


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
        Share of it that is really seen, 0 to 1, of what nothing covers.
    displaced_share
        Share of it that lies elsewhere than its one rigid motion says.
    displaced_mm
        Largest such local offset; 0 where there is none.
    displaced_at_mm
        Where that is.
    hidden_by
        The layer whose edge may be all that is seen of this one; empty where there is none.
    needed
        Significance from which on it is believed.
    doubled_mm
        How far two copies lie apart that together look like this layer; 0 where one is enough.
    surely_doubled
        Whether it surely takes two.
    covered_share
        Share of it that something in front of the work covers, 0 to 1.
    white_share
        Share of it that lies where the picture is white (glare, too much light), 0 to 1.
    """

    layer: Layer
    significance: float
    contrast_levels: float
    place_sigma_px: float
    seen_share: float
    displaced_share: float
    displaced_mm: float
    displaced_at_mm: tuple[float, float] | None
    hidden_by: str = ""
    needed: float = _FAINT
    doubled_mm: float = 0.0
    surely_doubled: bool = False
    covered_share: float = 0.0
    white_share: float = 0.0

    @property
    def faint(self) -> str:
        """Why the layer is too faint or too badly placed to judge; empty where it is not."""
        if self.significance >= self.needed and abs(self.contrast_levels) >= _FAINT_LEVELS:
            if self.hidden_by:
                return (
                    f"the {self.layer} is too faint to judge beside the {self.hidden_by} "
                    f"({abs(self.contrast_levels):.1f} grey levels)"
                )
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
    layers = []
    for index, name in enumerate(mark.layers):
        own = _layer_trust(mark, index, name, [o for o in mark.local if o.layer == index])
        beside = replace(
            own,
            hidden_by=_hidden_by(mark, name),
            needed=_needed(mark, name),
            covered_share=mark.covered_share[name],
            white_share=mark.white_share[name],
        )
        layers.append(_with_doubling(beside, mark))
    return tuple(layers)


def _strongest(mark: Mark) -> Layer:
    """Return the layer that is seen best."""
    return max(mark.layers, key=lambda name: mark.significance[name])


def _beside_strongest(mark: Mark, name: Layer) -> float:
    """Return how strongly a layer is burned, over the one that is seen best."""
    most = mark.strength[_strongest(mark)]
    return mark.strength[name] / most if most else 0.0


def _like_the_strongest(mark: Mark, name: Layer) -> bool:
    """Tell whether about as much was burned as of the layer that is seen best."""
    strong = _beside_strongest(mark, name)
    return strong >= _HALF_AS_STRONG and strong * mark.width[name] >= _AS_MUCH


def _needed(mark: Mark, name: Layer) -> float:
    """Return the significance from which on a layer is believed to be there."""
    if name == _strongest(mark):
        return _FAINT
    strong = _beside_strongest(mark, name)
    if abs(strong) < _FAR_WEAKER:
        return _FAINT_FAR_WEAKER
    if not _like_the_strongest(mark, name):
        return _FAINT
    return _FAINT_AS_STRONG if strong >= _AS_STRONG else _FAINT_HALF_AS_STRONG


def _hidden_by(mark: Mark, name: Layer) -> str:
    """Return the layer whose edge may be all that is seen of this one, or an empty string."""
    strongest = _strongest(mark)
    if mark.significance[name] >= mark.significance[strongest]:
        return ""
    share = mark.significance[name] / mark.significance[strongest]
    needed = _LEAST_SHARE if _like_the_strongest(mark, name) else _WEAK_SHARE
    weak = share < needed
    pale = abs(mark.contrast[name]) < _MISFIT_CONTRAST * abs(mark.contrast[strongest])
    pale &= mark.significance[name] < _BEYOND_MISFIT
    return strongest if weak or pale else ""


def _with_doubling(layer: LayerTrust, mark: Mark) -> LayerTrust:
    """Return a layer's trust with how far the directions of its hatch may lie apart."""
    seen = mark.doubled.get(layer.layer)
    if seen is None:
        return layer
    chi2 = seen.chi2(_SMEAR_PX2 * mark.scene.region.pitch_mm**2)
    if chi2 < _DOUBLED:
        return layer
    return replace(layer, doubled_mm=seen.apart_mm, surely_doubled=chi2 > _SURELY_DOUBLED)


def _layer_trust(mark: Mark, index: int, name: Layer, own: list[LocalOffset]) -> LayerTrust:
    total = sum(o.energy for o in own)
    covariance = mark.covariance[3 * index : 3 * index + 2, 3 * index : 3 * index + 2]
    worst_mm = float(np.sqrt(max(np.linalg.eigvalsh(covariance)[-1], 0.0)))
    sigma_px = worst_mm / mark.scene.region.pitch_mm
    strength = (mark.significance[name], mark.contrast[name], sigma_px)
    if total <= 0:
        return LayerTrust(name, *strength, 0.0, 0.0, 0.0, None)
    # A cell that noise alone could make look empty does not count against the layer.
    seen = sum(o.energy for o in own if abs(o.strength) + 2 * o.strength_sigma > _SEEN_STRENGTH)
    tests = np.array([_disagreement(offset) for offset in own])
    lengths = np.array([float(np.hypot(*offset.shift_mm)) for offset in own])
    # Either one cell is far off by itself, or all of them together disagree more than chance and
    # texture explain; then those that stand out are named.
    alone = tests > -2 * np.log(_FAMILY_ALPHA / len(own))
    together = float(tests.sum()) > chi2_by_chance(sum(_told(offset) for offset in own))
    away = (alone | (together & (tests > _STANDS_OUT))) & (lengths > _LOCAL_MATTERS_MM)
    energy = np.array([offset.energy for offset in own])
    displaced = float(energy[away].sum())
    largest, where = 0.0, None
    if away.any():
        farthest = own[int(np.argmax(np.where(away, lengths, 0.0)))]
        largest = float(np.hypot(*farthest.shift_mm))
        where = (float(farthest.place_mm[0]), float(farthest.place_mm[1]))
    return LayerTrust(
        name,
        *strength,
        seen / total,
        displaced / total,
        largest,
        where,
    )


def _disagreement(offset: LocalOffset) -> float:
    """Return the squared length of a local offset in units of its uncertainty."""
    doubt = offset.covariance + np.eye(2) * _LOCAL_SYSTEMATIC_MM**2
    return float(offset.shift_mm @ np.linalg.solve(doubt, offset.shift_mm))


def _told(offset: LocalOffset) -> int:
    """Return in how many directions a cell tells anything of its offset."""
    return int((np.linalg.eigvalsh(offset.covariance) < _TELLS_MM**2).sum())
