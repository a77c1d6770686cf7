"""Tie a bed's map to a steel rule that was laid along it in several directions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.bed import FORM, SCALE, Bed
from calibration.plane import CAMERA, PlaneSurface
from calibration.quantity import K95, Quantity
from calibration.rule import RuleLook

Array = NDArray[np.float64]

# A workshop's steel rule over some 200 mm (95 %, relative), and how well its height is known unless
# somebody says (mm, 95 %): common practice, no source.
RULE_U_PERCENT = 0.05
HEIGHT_U_MM = 0.2
# What phases err by themselves (grid, lens, leaning lines), relative.
_LEAST_SIGMA = 5e-5
# Beforehand: a machine's axes are off by some tenths of a per cent, each for itself; a printed
# board's size is, alike in all directions.
_MACHINE = (0.01, 0.01, 0.005)
_PRINT_ALIKE, _PRINT_UNLIKE = 0.02, 2e-4
# Looks that disagree by more than chance does in one of a thousand are told.
_SURELY = 3.3


@dataclass(frozen=True, eq=False)
class RuleFit:
    """How long a map's millimetres are by a steel rule.

    Attributes
    ----------
    bed
        The map: of a printed board in the rule's millimetres now, of a burned target in the
        machine's as before, which says so.
    burned
        Whether the map's millimetres are a machine's.
    x_percent, y_percent
        Rule's millimetres per millimetre along the machine's (a board's: the bed's) X and Y, less
        one.
    skew_deg
        By how much Y leans from square toward X.
    told
        Which of x, y and skew the looks tell, and do not only assume.
    notes
        What the user should know, one line each.
    """

    bed: Bed
    burned: bool
    x_percent: Quantity
    y_percent: Quantity
    skew_deg: Quantity
    told: tuple[bool, bool, bool]
    notes: tuple[str, ...]


def tie_to_rule(
    bed: Bed,
    looks: Sequence[tuple[str, RuleLook]],
    height_mm: float,
    height_u_mm: float = HEIGHT_U_MM,
    rule_u_percent: float = RULE_U_PERCENT,
) -> RuleFit:
    """Fit scale along both axes and squareness to what the rule said in each direction.

    A length along a unit vector u is stretched by u' E u, E being the symmetric strain (x, y, half
    the skew). Generalised least squares with weak expectations; what is common to all looks (the
    rule's own length, its height) is added afterwards.

    Parameters
    ----------
    looks
        Photo's name and what it says; at least one, all usable.
    """
    burned = bool(bed.covariance[FORM].any())
    axes = np.array(bed.machine.axes, float)
    along = np.array([look.direction @ axes for _, look in looks])
    design = np.stack([along[:, 0] ** 2, along[:, 1] ** 2, 2 * along[:, 0] * along[:, 1]], axis=1)
    seen = np.array([look.stretch for _, look in looks])
    # What the map itself errs by is common to all looks, more or less.
    by_map = np.array([look.by_map for _, look in looks])
    known = PlaneSurface(bed, height_mm).calibration_covariance[: CAMERA.stop, : CAMERA.stop]
    noise = np.diag([look.own_sigma**2 + _LEAST_SIGMA**2 for _, look in looks])
    noise += by_map @ known @ by_map.T
    weight = np.linalg.inv(noise)
    if burned:
        expected = np.diag(np.array(_MACHINE) ** 2)
    else:
        expected = np.diag([_PRINT_UNLIKE**2] * 3)
        expected[:2, :2] += _PRINT_ALIKE**2
    inverse = np.linalg.inv(expected)
    covariance = np.linalg.inv(design.T @ weight @ design + inverse)
    strain = covariance @ design.T @ weight @ seen
    left = seen - design @ strain
    off = left / np.sqrt(np.diag(noise))
    notes = [
        f"{name}: the rule says {100 * one:+.3f} % more than the others do"
        for (name, _), one, far in zip(looks, left, off, strict=True)
        if abs(far) > _SURELY
    ]
    freedom = len(seen) - 3 if burned else len(seen) - 1
    if freedom > 0:
        covariance *= max(1.0, float(left @ weight @ left) / freedom)
    own = covariance.copy()
    camera = float(bed.pose.camera_mm[2])
    by_height = height_u_mm / K95 / max(camera - height_mm, 1.0)
    common = math.hypot(rule_u_percent / 100 / K95, by_height)
    covariance[:2, :2] += common**2
    told = np.sqrt(np.diag(own)) < 0.3 * np.sqrt(np.diag(expected))
    x, y = (
        Quantity.from_sigma(100 * float(strain[k]), 100 * math.sqrt(covariance[k, k]))
        for k in (0, 1)
    )
    skew = Quantity.from_sigma(
        math.degrees(2 * float(strain[2])), math.degrees(2 * math.sqrt(covariance[2, 2]))
    )
    if burned:
        made = replace(bed, traceability=_machines(x, y, skew), id="")
        told_of = (bool(told[0]), bool(told[1]), bool(told[2]))
        missing = [w for w, k in zip(("X", "Y", "a diagonal"), told_of, strict=True) if not k]
        if missing:
            notes.append(f"lay the rule along {' and '.join(missing)} too: that is not told yet")
    else:
        scale = float(strain[:2].mean())
        unsure = math.sqrt(float(covariance[:2, :2].mean()))
        made = _rescaled(bed, 1.0 + scale, unsure)
        told_of = (True, True, False)
    return RuleFit(made, burned, x, y, skew, told_of, tuple(notes))


def _machines(x: Quantity, y: Quantity, skew: Quantity) -> str:
    return (
        "the machine's own millimetres (burned target); by a steel rule its X is "
        f"{x.value:+.3f} +- {x.u95:.3f} %, its Y {y.value:+.3f} +- {y.u95:.3f} % long, and Y leans "
        f"toward X by {skew.value:+.3f} +- {skew.u95:.3f} degrees"
    )


def _rescaled(bed: Bed, scale: float, sigma: float) -> Bed:
    """Return the bed in millimetres of which `scale` go into one of its own, about its pivot."""
    pivot = np.array(bed.pivot_mm)
    moved = scale * bed.pose.translation_mm + (scale - 1) * bed.pose.rotation @ pivot
    covariance = bed.covariance.copy()
    covariance[SCALE, SCALE] = sigma**2
    left, low, right, high = bed.field_mm
    corners = np.array([[left, low], [right, high]])
    grown = pivot[:2] + scale * (corners - pivot[:2])
    made = replace(
        bed,
        pose=replace(bed.pose, translation_mm=moved),
        covariance=covariance,
        field_mm=(
            float(grown[0, 0]),
            float(grown[0, 1]),
            float(grown[1, 0]),
            float(grown[1, 1]),
        ),
        traceability="a steel rule's millimetres",
        scale_measured=True,
        id="",
    )
    marks = tuple(
        replace(
            mark,
            corners_mm=made.mm_from_px(
                bed.px_from_mm(mark.corners_mm, mark.height_mm), mark.height_mm
            ),
        )
        for mark in bed.marks
    )
    return replace(made, marks=marks, id="")
