"""A joint fit that ended, and what can be read from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vision.register.equations import Equations, GainsTold, normal_equations
from vision.register.model import (
    added_levels,
    even_levels,
    expected_levels,
    gap_changes,
    ground_cost,
)
from vision.register.scene import Seen, Setting, State
from vision.register.weights import weigh_down

Array = NDArray[np.float64]
Image = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Fit:
    """A fit that ended.

    Attributes
    ----------
    setting, state, seen
        What was fitted, where it ended, and the model there.
    weight
        (rows, columns) final weights of the pixels, 0 to 1.
    uneven
        Whether the burn's slow variation was fitted too.
    cost
        Sum of weighted squares at the end, priors included.
    noise
        Robust standard deviation of the residuals, grey levels.
    """

    setting: Setting
    state: State
    seen: Seen
    weight: Image
    uneven: bool
    cost: float
    noise: float

    @property
    def layers(self) -> tuple[str, ...]:
        """Names of the layers."""
        return tuple(layer.layer for layer in self.setting.maps)

    @property
    def pivot_mm(self) -> tuple[float, float]:
        """Surface place about which the rotations are told."""
        return self.setting.pivot_mm

    @property
    def motion_scale_mm(self) -> float:
        """Scale of the rotation parameters: parameter = angle * scale."""
        return self.setting.scale_mm

    @property
    def motions(self) -> int:
        """Number of motion parameters; they come first, three to a layer (three if tied)."""
        return 3 if self.setting.tied else 3 * len(self.setting.maps)

    @property
    def moves(self) -> Image:
        """(motions, rows, columns) d(grey) / d(motion), everything else held."""
        return self._equations.columns[: self.motions]

    @property
    def by_gain(self) -> Image:
        """(layers, rows, columns) d(grey) / d(gain of a pixel's own cell); none if even."""
        return self._equations.local

    @property
    def gains_told(self) -> GainsTold:
        """What the pixels alone tell of the gains."""
        return self._equations.gains_told

    @property
    def residual(self) -> Image:
        """(rows, columns) grey levels, seen minus model."""
        return self.seen.residual

    @cached_property
    def _equations(self) -> Equations:
        return normal_equations(
            self.setting, self.state, self.seen, self.weight, free=True, uneven=self.uneven
        )

    @property
    def normal(self) -> Array:
        """(p, p) J'WJ with the weak priors, the burn's slow variation eliminated."""
        return self._equations.normal

    @property
    def prior(self) -> Array:
        """(p, p) the priors' part of it."""
        return self._equations.prior

    @cached_property
    def jacobian(self) -> Image:
        """(p, rows, columns) d(grey) / d(parameter), the burn's slow variation following."""
        return self._equations.effective(self.setting.cell)

    @property
    def tells_softness(self) -> bool:
        """Whether the beam's softness shows at all: whether layers share edges."""
        return any(bool(overlap.by_softness.any()) for overlap in self.seen.overlaps)

    def weighed_anew(self, residual: Image) -> Fit:
        """Return the fit where it ended, its pixels weighed by other residuals (rows, columns)."""
        scene = self.setting.scene
        base = scene.usable * scene.region.core * self.setting.near
        return replace(self, weight=np.asarray(base * weigh_down(residual, base)))

    def beside(self, extra: Image, held: float = 0.0) -> tuple[Array, Image, Array]:
        """Return one step (k,) of further parameters, their change by each pixel and by gradients.

        Parameters
        ----------
        extra
            (k, rows, columns) d(grey) / d(further parameter).
        held
            How firmly each is held at nothing: a grey level's variance over its own.
        """
        return self._equations.beside(extra, self.residual, self.weight, self.setting.cell, held)

    @cached_property
    def added(self) -> tuple[Image, ...]:
        """Per layer, (rows, columns) grey levels that the layer adds to the model."""
        indices = range(len(self.setting.maps))
        return tuple(added_levels(self.setting, self.state, self.seen, i) for i in indices)

    @cached_property
    def shape(self) -> tuple[Image, ...]:
        """Per layer, (rows, columns) grey levels that an even burn of strength one adds."""
        return tuple(even_levels(self.seen, i) for i in range(len(self.setting.maps)))

    @cached_property
    def expected(self) -> tuple[Image, ...]:
        """Per layer, (rows, columns) grey levels that it would add if burned evenly all over.

        Features that are hardly seen are taken like the others.
        """
        return expected_levels(self.setting, self.state)

    @cached_property
    def gap(self) -> Array:
        """(motions, n) answers of the motions to fills that stop short of their edges.

        Per millimetre, for every feature and the page's four sides. To first order the fit answers
        to a change of the picture with (J'WJ)^-1 J'W change. This is not the shift of the fill's
        middle alone: an outline on the fill's edge is drawn along.
        """
        answer = np.linalg.inv(self.normal)[: self.motions].astype(np.float32)
        return self.answers_to_gaps(np.tensordot(answer, self.jacobian, 1) * self.weight)

    def answers_to_gaps(self, influence: Image) -> Array:
        """Return (k, n) answers of results to fills that stop short, as in `gap`.

        Parameters
        ----------
        influence
            (k, rows, columns) change of each result per grey level of a pixel.
        """
        flat = influence.reshape(len(influence), -1)
        answers = [np.zeros((len(influence), 0))]
        for change, label in gap_changes(self.setting, self.state, self.seen):
            products = flat * change.ravel()
            answers.append(np.array([np.bincount(label.ravel(), row) for row in products])[:, 1:])
        return np.concatenate(answers, axis=1)

    @cached_property
    def ground_cost(self) -> float:
        """Sum of weighted squares of the best smooth light without any layer."""
        return ground_cost(self.setting, self.weight)

    @property
    def explained(self) -> float:
        """Share of the sum of squares that the layers explain, 0 to 1."""
        return max(0.0, 1.0 - self.cost / max(self.ground_cost, 1e-9))


def drop(one: Fit, other: Fit, everywhere: bool = False) -> float:
    """Return by how much less one fit leaves of the pixels than another, where both count.

    Everywhere: where either counts, so that a mark that only one of them knows of counts too.
    """
    weight = (np.maximum if everywhere else np.minimum)(one.weight, other.weight)
    return float(np.sum(weight * (other.residual**2 - one.residual**2), dtype=np.float64))
