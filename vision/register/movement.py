"""Movement between two captures: of the work, and of the bed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.camouflage import surroundings
from vision.register.edge_checks import crooked, usual_turn
from vision.register.edge_motion import (
    Pairing,
    about_pivot,
    by_edges,
    by_rims,
    edge_normal,
    edge_shift,
    nothing_known,
    pair_edges,
)
from vision.register.edges import SIDES, Edge, Side
from vision.register.follow import SEARCH_MM, follow_blank
from vision.register.rim import RimShift, rim_shift_near
from vision.register.shifts import find_shift
from vision.register.texture import TextureFit, fit_texture
from vision.register.view import View
from vision.register.work import Blank

Array = NDArray[np.float64]

State = Literal["measured", "not_told", "missing"]

_STEADY_MM = 1.3
# What is less sure than this rests on edges that hardly differ from the bed: it is not told.
_SEEN_EDGES = 2
# Rims that must tell the same, and by how many standard deviations they may differ.
_RIMS = 3
_AGREE = 3.5
# How surely rims must tell it, and edges and grain. Edges of 0.03 to 0.06 mm were told right in the
# cases tried (two of 100 works as dark as their bed, even seeds); none of 50 nudged works passed.
_RIMS_TELL_MM = 0.05
_TELLS_MM = 0.06
# Grain that tells as much as this by itself is a witness against edges.
_WITNESS_MM = 0.03
_TELLS_RAD = math.radians(0.25)
# What interpolation and point spread leave, about a hundredth of a pixel.
_MODEL_MM = 0.002
# Within this of the truth the fit of the texture finds its way.
_STEP_MM = 0.24
_GRAIN = 4.0
_LOST = 0.3
_FOUND_AGAIN = 0.6
_UNLIKE_LEVELS = 12.0
# Where so much of the bed looks like the work, and the work has no grain of its own to be found
# again, lines of the bed may pass for its edges. All that were told wrong of 23 movements of dark
# work (0.1 to 0.7 mm, honeycomb, simulated) had 0.64 or more; dark work on slats, told right, 0.44
# or less. About work that lay still (75 of even seeds, all beds) up to 0.6 mm2 had changed.
_ALIKE = 0.6
_AT_REST_MM = 0.15
_CHANGED_MM2 = 0.8
# Lines that lie still draw on what is told of a movement there: by up to four fifths of it.
_HIDES, _HIDES_MM = 0.4, 0.5


@dataclass(frozen=True, eq=False)
class Movement:
    """The rigid movement of one thing from the before to the after capture.

    Attributes
    ----------
    state
        "measured"; "not_told" where the captures do not say; "missing" where the work is gone.
    dx_mm, dy_mm, turn_rad
        After minus before at the pivot, on the bed; zero unless measured.
    pivot_mm
        Place in the before capture.
    covariance
        (3, 3) statistical covariance of (dx mm, dy mm, turn rad); None unless measured.
    apparent
        p_after = apparent(p_before) in the captures' own millimetres, the bed's own apparent
        movement not taken out: what `ground_for` takes.
    why
        Why there is no movement to tell.
    findings
        Kinds of findings (design, section 7), such as "light_changed".
    fit_note
        What the movement rests on and how well it fits, in plain words.
    coherence
        Share of the texture found again, 0 where there is none.
    """

    state: State
    dx_mm: float
    dy_mm: float
    turn_rad: float
    pivot_mm: tuple[float, float]
    covariance: Array | None
    apparent: Rigid
    why: str | None = None
    findings: tuple[str, ...] = ()
    fit_note: str = ""
    coherence: float = 0.0

    @property
    def measured(self) -> bool:
        """Whether there are numbers."""
        return self.state == "measured"


def work_movement(
    before: View,
    after: View,
    blank: Blank,
    artwork_corners_mm: Array,
    burned: NDArray[np.bool_],
    bed_motion: Rigid | None = None,
) -> Movement:
    """Measure how the work moved between the captures, within 12 mm and 5 degrees.

    Parameters
    ----------
    before, after
        The captures.
    blank
        The work as the before capture shows it.
    artwork_corners_mm
        (n, 2) corners of the artwork's box where the after capture shows it; their middle is the
        pivot.
    burned
        (h, w) pixels of the after capture that the burn may have touched, its scorch included.
    bed_motion
        How the bed itself seems to have moved; None where the maps already follow the camera. Its
        own uncertainty is the caller's to add.
    """
    pivot = (artwork_corners_mm.min(axis=0) + artwork_corners_mm.max(axis=0)) / 2
    later = follow_blank(before, after, blank, artwork_corners_mm, burned)
    pairs = pair_edges(blank, later)
    pairs, step, known = by_edges(pairs, pivot)
    start = about_pivot(pivot, step)
    # What is burned lay on the work, wherever that was before.
    inside = blank.surely_inside(start.invert(artwork_corners_mm), _STEADY_MM)
    sure = _sigmas(known, inside, pivot) < _STEP_MM
    if not sure.all() and len(inside) >= 3:
        shift = find_shift(before, after, inside, burned, start, pivot, known, SEARCH_MM)
        if shift is not None:
            start = shift
    fit = None
    if len(inside) >= 3:
        fit = fit_texture(before, after, inside, burned, None, start, pivot, known)
    gone = len(blank.edges) >= 3 and later is None
    if len(blank.edges) >= _SEEN_EDGES and not pairs and not gone:
        found = _untold(pivot, "the work's edges were not found again in the after capture")
    else:
        found = _joined(gone, pairs, known, fit, start, pivot, inside, bed_motion)
    if found.state == "not_told" and bed_motion is None:
        rims = _by_rims(before, after, blank, pairs, burned, pivot)
        found = found if rims is None else replace(rims, findings=found.findings)
    if not found.measured or len(inside) < 3:
        return found
    return _borne_out(found, before, after, blank, inside, burned, bed_motion)


def _borne_out(
    found: Movement,
    before: View,
    after: View,
    blank: Blank,
    inside: Array,
    burned: NDArray[np.bool_],
    bed_motion: Rigid | None,
) -> Movement:
    """Return a movement as sure as it is where the work hardly differs from the bed."""
    if found.covariance is None or found.coherence > _FOUND_AGAIN:
        return found
    still = bed_motion or Rigid(0.0, 0.0, 0.0)
    about = surroundings(before, after, still, inside, blank.level, burned)
    if about.alike < _ALIKE:
        return found
    pivot = np.array(found.pivot_mm)
    reach = _reach(inside, pivot)
    length = math.hypot(found.dx_mm, found.dy_mm, reach * found.turn_rad)
    if length < _AT_REST_MM and about.changed_mm2 > _CHANGED_MM2:
        return _untold(
            pivot,
            "the work hardly differs from the bed, and more has changed there than what was seen "
            "of its edges explains",
        )
    hidden = _doubt(_HIDES * min(length, _HIDES_MM), reach)
    return replace(found, covariance=np.asarray(found.covariance + hidden))


def bed_movement(before: View, after: View, keep_out: NDArray[np.bool_]) -> Movement:
    """Measure how the bed seems to have moved: a camera that was bumped, where it did.

    Parameters
    ----------
    before, after
        The captures.
    keep_out
        (h, w) pixels where the work, the head or anything else that moves is in either capture.
    """
    height, width = after.linear.shape
    u, v = np.array([0.02, 0.5, 0.98]) * width, np.array([0.02, 0.5, 0.98]) * height
    rim = [(u[0], v[0]), (u[2], v[0]), (u[2], v[2]), (u[0], v[2])]
    view = after.surface.mm_from_px(np.array(rim))
    if not np.isfinite(view).all():
        return _untold(np.zeros(2), "the picture's rim looks past the bed")
    pivot = view.mean(axis=0)
    still = Rigid(0.0, 0.0, 0.0)
    near = fit_texture(before, after, view, keep_out, keep_out, still, pivot, None, 4.0, 4)
    start = still if near is None else near.motion
    fit = fit_texture(before, after, view, keep_out, keep_out, start, pivot, None)
    if fit is None:
        return _untold(pivot, "too little of the bed is to be seen beside the work")
    return _joined(False, [], np.zeros((3, 3)), fit, start, pivot, view, None)


def _by_rims(
    before: View,
    after: View,
    blank: Blank,
    pairs: list[Pairing],
    burned: NDArray[np.bool_],
    pivot: Array,
) -> Movement | None:
    """Measure by where the plain work ends; None where three sides do not tell or do not agree."""
    told = _square({pair.side: edge_shift(pair) for pair in pairs}, blank)
    # An edge that is not found again may be a thing of the bed near the work's own rim.
    lines = {**blank.rough, **blank.edges}
    for known_turn in (False, True):
        for side, line in lines.items():
            start = _straightened(line, told, blank) if known_turn else line
            shift = None if side in told else rim_shift_near(before, after, start, burned)
            if shift is not None:
                told[side] = shift
        told = _square(told, blank)
        if len(told) == len(lines) or len(told) < 2:
            break
    shifts = list(told.values())
    if len(shifts) < _RIMS:
        return None
    step, known, misfit = by_rims(shifts, pivot)
    covariance = np.asarray(np.linalg.inv(known + nothing_known()), np.float64)
    sigma = np.sqrt(np.diag(covariance))
    if misfit > _AGREE or max(sigma[:2]) > _RIMS_TELL_MM or sigma[2] > _TELLS_RAD:
        return None
    note = f"{len(shifts)} rims and edges"
    return _measured(pivot, step, covariance, about_pivot(pivot, step), note)


def _square(told: dict[Side, RimShift], blank: Blank) -> dict[Side, RimShift]:
    """Return the rims that lie at right angles to each other, as well as each is known."""
    rims = {side: one.rim for side, one in told.items()}
    doubt = {side: math.sqrt(one.covariance[1, 1]) for side, one in told.items()}
    strange = crooked(rims, blank.turn_rad, doubt)
    return {side: one for side, one in told.items() if side not in strange}


def _straightened(line: Edge, told: dict[Side, RimShift], blank: Blank) -> Edge:
    """Return a rough line turned to lie at right angles to the rims that are known."""
    turn = usual_turn({side: one.rim for side, one in told.items()}, blank.turn_rad)
    quarter = SIDES.index(line.side) * math.pi / 2
    return replace(line, normal_rad=blank.turn_rad + quarter + turn)


def _tells(sigma: Array, most_mm: float = _TELLS_MM) -> bool:
    """Tell whether (3,) standard deviations (mm, mm, rad) are small enough to tell a movement."""
    return bool(max(sigma[:2]) <= most_mm and sigma[2] <= _TELLS_RAD)


def _measured(
    pivot: Array,
    told: Array,
    covariance: Array,
    apparent: Rigid,
    note: str,
    findings: tuple[str, ...] = (),
    coherence: float = 0.0,
) -> Movement:
    return Movement(
        "measured",
        float(told[0]),
        float(told[1]),
        float(told[2]),
        (float(pivot[0]), float(pivot[1])),
        np.asarray(covariance, np.float64),
        apparent,
        None,
        findings,
        note,
        coherence,
    )


def _sigmas(normal: Array, inside: Array, pivot: Array) -> Array:
    """Return the (3,) standard deviations in mm: along the two axes, and of the turn at the rim."""
    covariance = np.linalg.inv(normal + nothing_known())
    scale = np.array([1.0, 1.0, _reach(inside, pivot)])
    return np.asarray(np.sqrt(np.diag(covariance)) * scale)


def _doubt(sigma_mm: float, reach_mm: float) -> Array:
    """Return the (3, 3) covariance of so much doubt along both axes and, by turns, at a reach."""
    return np.asarray(sigma_mm**2 * np.diag([1.0, 1.0, reach_mm**-2]))


def _reach(inside: Array, pivot: Array) -> float:
    """Return how far the work reaches from the pivot."""
    return float(np.hypot(*(inside - pivot).T).max()) if len(inside) else 20.0


def _joined(
    gone: bool,
    pairs: list[Pairing],
    known: Array,
    fit: TextureFit | None,
    start: Rigid,
    pivot: Array,
    inside: Array,
    bed_motion: Rigid | None,
) -> Movement:
    """Join what edges and texture say, where they do not contradict each other."""
    findings: tuple[str, ...] = ()
    if fit is None:
        motion, normal, pull = start, np.zeros((3, 3)), np.zeros(3)
    else:
        motion, normal, pull = fit.motion, fit.normal, fit.pull
    here = _step(motion, pivot)
    edges, drawn, _ = edge_normal(pairs, pivot, here)
    whole = np.linalg.norm(known) > 0 and bool((_sigmas(edges, inside, pivot) < _STEP_MM).all())
    placed = whole or not pairs
    lost = fit is not None and fit.lopsided > _GRAIN and fit.coherence[0] < _LOST
    if lost and placed:
        findings = ("light_changed",)
    total = edges + normal
    covariance = np.linalg.inv(total + nothing_known())
    delta = covariance @ (drawn + pull)
    if fit is not None and pairs and _contradicts(edges, drawn, normal, pull):
        # Grain that is hardly found again and could not tell a movement by itself is no witness
        # against three edges that do.
        alone = np.sqrt(np.diag(np.linalg.inv(normal + nothing_known())))
        witness = _tells(alone, _WITNESS_MM) or fit.coherence[0] > _FOUND_AGAIN
        findings = ("light_changed",) if witness else findings
        if len(pairs) < (4 if witness else 3) or not whole:
            return _untold(
                pivot,
                "the work's edges and its grain tell different movements: the light has changed",
                findings,
            )
        covariance = np.linalg.inv(edges + nothing_known())
        delta = covariance @ drawn
    if lost and len(pairs) < 4:
        # Grain that is not found again, and no edge to spare that would bear out the others.
        return _unclear(gone, fit, pivot, np.full(3, np.inf), findings)
    coherence = 0.0 if fit is None else max(fit.coherence[0], 0.0)
    covariance = covariance + _doubt(_MODEL_MM, _reach(inside, pivot))
    sigma = np.sqrt(np.diag(covariance))
    if not _tells(sigma):
        return _unclear(gone, fit, pivot, sigma, findings)
    step = here + delta
    apparent = about_pivot(pivot, step)
    moved = apparent
    if bed_motion is not None:
        moved = _undone(bed_motion, apparent)
    told = _step(moved, pivot)
    note = f"{len(pairs)} edges" + ("" if fit is None else f", texture coherence {coherence:.2f}")
    return _measured(pivot, told, covariance, apparent, note, findings, coherence)


def _contradicts(edges: Array, drawn: Array, normal: Array, pull: Array) -> bool:
    """Tell whether two independent steps differ by more than chance lets them."""
    first, second = np.linalg.inv(edges + nothing_known()), np.linalg.inv(normal + nothing_known())
    apart = first @ drawn - second @ pull
    return float(apart @ np.linalg.solve(first + second, apart)) > 5.0**2


def _step(motion: Rigid, pivot: Array) -> Array:
    shift = motion.apply(pivot[None])[0] - pivot
    return np.array([shift[0], shift[1], motion.angle_rad])


def _undone(bed: Rigid, apparent: Rigid) -> Rigid:
    """Return the apparent motion with the bed's taken out: bed^-1 after apparent."""
    angle = apparent.angle_rad - bed.angle_rad
    place = bed.invert(apparent.shift_mm[None])[0]
    return Rigid(float(place[0]), float(place[1]), angle)


def _unclear(
    gone: bool,
    fit: TextureFit | None,
    pivot: Array,
    sigma: Array,
    findings: tuple[str, ...],
) -> Movement:
    """Say why nothing was measured."""
    unlike = fit is None or (fit.coherence[0] < _LOST and fit.residual > _UNLIKE_LEVELS)
    if gone and unlike:
        lost = _untold(pivot, "the work is not where the before capture shows it, nor near there")
        return replace(lost, state="missing")
    if findings:
        return _untold(pivot, "the work's grain shows other light than before", findings)
    way = "along X" if sigma[0] > _TELLS_MM else ("along Y" if sigma[1] > _TELLS_MM else "the turn")
    if sigma[0] > _TELLS_MM and sigma[1] > _TELLS_MM:
        way = "along X and Y"
    return _untold(
        pivot, f"too few edges and too little texture of the work are to be seen ({way})", findings
    )


def _untold(pivot: Array, why: str, findings: tuple[str, ...] = ()) -> Movement:
    still = Rigid(0.0, 0.0, 0.0)
    place = (float(pivot[0]), float(pivot[1]))
    return Movement("not_told", 0.0, 0.0, 0.0, place, None, still, why, findings)
