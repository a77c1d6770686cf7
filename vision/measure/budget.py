"""What the uncertainty of a displacement is made of, by name, size and kind (GUM, JCGM 100).

Every influence is a set of independent parameters with a covariance, and a response: how the rigid
displacement of each layer at the reference point moves with them. Statistical noise is one more
line of the table.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.plane import PlaneSurface
from calibration.quantity import K95
from vision.measure.offsets import Offset, rigid_response
from vision.result import BudgetTerm

Array = NDArray[np.float64]
Kind = Literal["measured", "assumed"]

# A mark may be scorched or smoked on one side by up to 0.03 mm (half-width, 95 %), which one
# capture cannot tell from a displacement: simulated one-sided scorch of 0.3 mm moved marks by 0.020
# to 0.026 mm. Per layer and axis, taken as normal.
SCORCH_SIGMA_MM = 0.03 / K95
# The first and the last stroke of a hatch lie anywhere up to one spacing from the edge: on each
# side each feature's fill stops short by a uniform number of its own, variance spacing^2 / 12.
HATCH_SPACING_MM = 0.10


@dataclass(frozen=True, eq=False)
class Influence:
    """One cause of systematic error.

    Attributes
    ----------
    name, kind, advice
        As in `BudgetTerm`.
    response
        (3, p) displacement (dx mm, dy mm, turn rad) per unit of each parameter, by layer; a layer
        that is not named does not feel it.
    covariance
        (p, p) covariance of the parameters.
    shared
        Whether all layers feel the same parameters (then they cancel where responses are alike),
        or each has its own, independent ones.
    common
        Whether it moves all layers much alike; a hatch's ends and scorch do not.
    """

    name: str
    kind: Kind
    advice: str
    response: Mapping[str, Array]
    covariance: Array
    shared: bool = True
    common: bool = True

    def on(self, layer: str) -> Array:
        """Return the (3, 3) covariance that it gives one layer's place."""
        response = self.response.get(layer)
        if response is None:
            return np.zeros((3, 3))
        return np.asarray(response @ self.covariance @ response.T)

    def between(self, minuend: str, subtrahend: str) -> Array:
        """Return the (3, 3) covariance that it gives the difference of two layers."""
        if not self.shared:
            return np.asarray(self.on(minuend) + self.on(subtrahend))
        zero = np.zeros((3, len(self.covariance)))
        response = self.response.get(minuend, zero) - self.response.get(subtrahend, zero)
        return np.asarray(response @ self.covariance @ response.T)


@dataclass(frozen=True)
class Assumptions:
    """What the user said, or what is assumed, about things that no picture shows.

    Attributes
    ----------
    at_sigma_mm, turn_sigma_rad
        Standard uncertainty of the place and turn that were typed.
    at_stated
        Whether the user stated them.
    height_sigma_mm
        Standard uncertainty of the height of the surface.
    height_stated
        Whether the user stated it.
    focus_sigma_mm, focus_stated
        The same of the focus plane, where heights are told from it; else nothing.
    depth_mm
        Depth of the fill's floor.
    has_place
        Whether a place was given at all.
    hatch_mm, hatch_stated
        Spacing of the fill's hatch, and whether the user stated it.
    """

    at_sigma_mm: float
    turn_sigma_rad: float
    at_stated: bool
    height_sigma_mm: float
    height_stated: bool
    depth_mm: float
    has_place: bool
    hatch_mm: float = HATCH_SPACING_MM
    hatch_stated: bool = False
    focus_sigma_mm: float = 0.0
    focus_stated: bool = False


def influences(
    surface: PlaneSurface,
    points_mm: Mapping[str, Array],
    reference_mm: Array,
    said: Assumptions,
    gap: Mapping[str, Array],
) -> list[Influence]:
    """Return every systematic influence on the places of the layers.

    Parameters
    ----------
    surface
        The after capture's map.
    points_mm
        (n, 2) places of each layer's strokes.
    reference_mm
        Where displacements are told.
    said
        What was typed or assumed.
    gap
        (3, n) how each layer's fit answers to a hatch that stops one millimetre short of a
        feature's edge, for every feature and side.
    """
    out = []
    responses = {
        layer: rigid_response(surface.calibration_jacobian_mm(points), points, reference_mm)
        for layer, points in points_mm.items()
    }
    for name, term in surface.terms().items():
        covariance = surface.calibration_covariance[term.where, term.where]
        if not covariance.any():
            continue
        part = {layer: response[:, term.where] for layer, response in responses.items()}
        out.append(Influence(name, term.kind, term.advice, part, covariance))
    lifted = {
        layer: rigid_response(surface.height_jacobian_mm(points)[:, :, None], points, reference_mm)
        for layer, points in points_mm.items()
    }
    heights: tuple[tuple[str, float, bool, str], ...] = (
        (
            "height of the surface",
            said.height_sigma_mm,
            said.height_stated,
            "measure the sheet's thickness and state it with --height-u",
        ),
        (
            "height of the focus plane",
            said.focus_sigma_mm,
            said.focus_stated,
            "measure it above the bed as calibrated and state how well ('calibrate bed "
            "--focus-height MM,U')",
        ),
    )
    out.extend(
        Influence(name, "measured" if stated else "assumed", advice, lifted, np.array([[sigma**2]]))
        for name, sigma, stated, advice in heights
        if sigma > 0
    )
    if said.depth_mm > 0 and "fill" in lifted:
        # The floor's apparent shift lies anywhere from nothing to the full one: its middle is
        # corrected, the rest is uniform.
        out.append(
            Influence(
                "depth of the burn",
                "assumed",
                "mount the camera overhead",
                {"fill": lifted["fill"]},
                np.array([[said.depth_mm**2 / 12]]),
            )
        )
    own = {layer: np.eye(3)[:, :2] for layer in points_mm}
    out.append(
        Influence(
            "scorch on one side of the strokes",
            "assumed",
            "clean the mark, or compare with a job burned in the other direction",
            own,
            np.eye(2) * SCORCH_SIGMA_MM**2,
            shared=False,
            common=False,
        )
    )
    if "fill" in own:
        out.append(
            Influence(
                "where the last hatch stroke lies",
                "measured" if said.hatch_stated else "assumed",
                "a narrower hatch spacing; state it with --hatch",
                gap,
                np.eye(next(iter(gap.values())).shape[1]) * said.hatch_mm**2 / 12,
                common=False,
            )
        )
    if said.has_place and (said.at_sigma_mm > 0 or said.turn_sigma_rad > 0):
        out.append(
            Influence(
                "place of the artwork as typed",
                "measured" if said.at_stated else "assumed",
                "state how well you know it with --at-u",
                dict.fromkeys(points_mm, np.eye(3)),
                np.diag([said.at_sigma_mm**2, said.at_sigma_mm**2, said.turn_sigma_rad**2]),
            )
        )
    return out


def table(quantity: str, offset: Offset, parts: list[tuple[Influence, Array]]) -> list[BudgetTerm]:
    """Return the budget of one displacement, largest share first, nothings left out.

    Parameters
    ----------
    quantity
        Dotted key of the result.
    offset
        The displacement; its statistical part is the first line.
    parts
        Each influence with the (3, 3) covariance that it gives this displacement.
    """
    terms = [
        BudgetTerm(
            quantity,
            "image noise, texture and uneven burn",
            _share(offset.statistical),
            "measured",
            "more light, a sharper camera, or several captures",
        )
    ]
    terms.extend(
        BudgetTerm(quantity, i.name, _share(covariance), i.kind, i.advice)
        for i, covariance in parts
    )
    return sorted((t for t in terms if t.u95_mm >= 0.0005), key=lambda t: -t.u95_mm)


def _share(covariance: Array) -> float:
    """Return the U95 of the larger axis of a displacement's shift, mm."""
    return K95 * math.sqrt(max(float(np.linalg.eigvalsh(covariance[:2, :2])[-1]), 0.0))
