"""The pieces of a job looked at together: what is told of the whole sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import Quantity
from vision.artwork.placing import Rigid
from vision.diagnose.causes import Evidence
from vision.measure.offsets import combine, displacement, offset_of, only_worst
from vision.piece import DISAGREE, PieceResult
from vision.result import Displacement, Verdict

Array = NDArray[np.float64]

_LAYERS = ("outline", "fill", "cut", "all")
_ORDER = ("fail", "undecided", "pass", "not_judged")


@dataclass(frozen=True, eq=False)
class Sheet:
    """What the report tells at its top.

    Attributes
    ----------
    evidence
        Displacements of the whole sheet, with the trust of the worst piece.
    placement
        By layer, and of all.
    reference_mm
        Where displacements are told; None where the artwork was not found.
    found
        bed <- page by layer, of the worst piece.
    local_mm, local_layer
        Local offsets of all pieces.
    worst_at_mm
        Where to look first.
    """

    evidence: Evidence
    placement: dict[str, Displacement | None]
    reference_mm: Array | None
    found: dict[str, Rigid]
    local_mm: Array
    local_layer: tuple[str, ...]
    worst_at_mm: tuple[float, float] | None


def on_sheet(
    pieces: list[PieceResult], verdicts: list[Verdict], reference_mm: Array | None
) -> Sheet:
    """Return what is told of the whole sheet, at its own reference point."""
    worst = min(range(len(pieces)), key=lambda k: _ORDER.index(verdicts[k].state))
    piece = pieces[worst]
    evidence = piece.evidence
    if len(pieces) > 1 and reference_mm is not None:
        evidence = _together(pieces, evidence, reference_mm)
    else:
        reference_mm = piece.reference_mm
    return Sheet(
        evidence=evidence,
        placement={name: evidence.placement.get(name) for name in _LAYERS},
        reference_mm=reference_mm,
        found=piece.found,
        local_mm=np.concatenate([p.local_mm for p in pieces]),
        local_layer=tuple(name for p in pieces for name in p.local_layer),
        worst_at_mm=_where_to_look(piece),
    )


def _together(pieces: list[PieceResult], worst: Evidence, reference_mm: Array) -> Evidence:
    names = dict.fromkeys(name for piece in pieces for name in piece.evidence.placement)
    placement = {
        name: _common([p.evidence.placement.get(name) for p in pieces], pieces, reference_mm)
        for name in names
    }
    return replace(
        worst,
        placement={name: told for name, told in placement.items() if told is not None},
        fill_to_outline=_common([p.evidence.fill_to_outline for p in pieces], pieces, reference_mm),
        placement_on_work=_common(
            [p.evidence.placement_on_work for p in pieces], pieces, reference_mm
        ),
        part_movement=_common([p.evidence.part_movement for p in pieces], pieces, reference_mm),
        unburned=tuple(dict.fromkeys(name for p in pieces for name in p.evidence.unburned)),
    )


def _common(
    told: list[Displacement | None], pieces: list[PieceResult], reference_mm: Array
) -> Displacement | None:
    """Return one displacement for several pieces, or only the worst of them where they differ."""
    present = [
        (one, piece.reference_mm)
        for one, piece in zip(told, pieces, strict=True)
        if one is not None and piece.reference_mm is not None
    ]
    if not present:
        return next((one for one in told if one is not None), None)
    several = [one for one, _ in present]
    if all(one.worst_mm.value is None for one in several):
        return several[0]
    offsets = [offset_of(one, at) for one, at in present]
    moved = [o.told_at(reference_mm) for o in offsets if o is not None]
    if len(moved) < len(told):
        return only_worst(several, "not every piece could be measured: see the pieces")
    common, chi2, freedom = combine(moved, [o.systematic for o in moved])
    worst = only_worst(several, "the pieces lie differently: see each")
    if freedom and chi2 > DISAGREE * freedom:
        return worst
    whole = displacement(common, reference_mm[None])
    turn = next((o.rotation_deg for o in several if o.rotation_deg.value is None), None)
    return replace(
        whole,
        rotation_deg=Quantity.missing(turn.why or "not seen") if turn else whole.rotation_deg,
        worst_mm=worst.worst_mm,
        worst_at_mm=worst.worst_at_mm,
    )


def _where_to_look(piece: PieceResult) -> tuple[float, float] | None:
    for one in (
        piece.evidence.fill_to_outline,
        piece.evidence.placement_on_work,
        piece.evidence.placement.get("all"),
    ):
        if one is not None and one.worst_at_mm is not None:
            return one.worst_at_mm
    if piece.stroke_points_mm is None:
        return None
    centre = piece.stroke_points_mm.mean(axis=0)
    return float(centre[0]), float(centre[1])
