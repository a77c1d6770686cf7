"""One job, from captures and artwork to a judged result: the straight line of the whole product."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed, FocusPlane
from calibration.quantity import K95, K95_PLANE, Quantity
from calibration.side_by_side import side_by_side
from vision.artwork.blanks import one_blank
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork
from vision.capture.photo import Photo
from vision.diagnose.causes import findings_of, summary_of
from vision.diagnose.doubts import doubts_of
from vision.diagnose.verdict import judge
from vision.measure.budget import HATCH_SPACING_MM, Assumptions
from vision.measure.margins import margins
from vision.piece import PieceResult, conditions, measure_piece, not_found
from vision.register.view import NotFound
from vision.result import (
    CalibrationRow,
    CaptureRow,
    Clause,
    Displacement,
    JobResult,
    Picture,
    PieceRow,
    Verdict,
)
from vision.sheet import on_sheet
from vision.situation import Situation, see_captures, see_work
from vision.whereabouts import Wanted

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# How thick work on a lowered bed is assumed to be: a common sheet or a thin board (no source).
_THICKNESS_MM = 5.0
# Nearer to the camera than this share of the distance at which it was calibrated, a wrong height
# shifts points more than twice as far.
_NEAR = 0.5


@dataclass(frozen=True, eq=False)
class Job:
    """Everything that one job is measured from, already read.

    Attributes
    ----------
    name, order, piece
        What the user calls it.
    after, before
        Photos of the job done (at least one) and of the work before (none or more); several of
        one kind are repeats and averaged.
    bed
        The calibration.
    artwork
        What was intended.
    at_mm, turn_deg, anchor, mirror
        Where it should be; at_mm None: nobody says where.
    at_u
        Expanded uncertainty (95 %) of the place (mm) and the turn (degrees) as typed; None:
        0.5 mm and 0.3 degrees are assumed.
    height_mm, height_u_mm
        Height of the work's surface above the bed (or the focus plane), and its expanded
        uncertainty; None: 0.2 mm is assumed.
    focus, thickness_mm
        The focus plane where heights are told from it: then the bed was lowered, and how thick the
        work is must be told for itself (None: `_THICKNESS_MM` is assumed). None: heights are told
        from the bed as calibrated, on which the work lies.
    depth_mm, kerf_mm, hatch_mm
        Depth of the fill's floor, width of the burned line, spacing of the hatch (None: 0.1 mm is
        assumed).
    negative, put_back, so_far
        The ground is burned; the work was lifted after the job; not all layers are burned yet.
    tolerance_mm
        Largest allowed displacement, or None.
    inputs
        For the report: role -> file name and SHA-256.
    calibration, notes
        For the report; notes are what is to be warned of beforehand.
    """

    name: str
    order: str | None
    piece: str | None
    after: tuple[Photo, ...]
    before: tuple[Photo, ...]
    bed: Bed
    artwork: Artwork
    at_mm: tuple[float, float] | None
    turn_deg: float
    anchor: str | None
    mirror: bool
    at_u: tuple[float, float] | None
    height_mm: float
    height_u_mm: float | None
    depth_mm: float
    kerf_mm: float
    hatch_mm: float | None
    negative: bool
    put_back: bool
    so_far: bool
    tolerance_mm: float | None
    inputs: dict[str, dict[str, str]]
    calibration: CalibrationRow
    notes: tuple[str, ...] = ()
    focus: FocusPlane | None = None
    thickness_mm: float | None = None

    @property
    def above_bed_mm(self) -> float:
        """Height of the work's surface above the bed as calibrated."""
        return self.height_mm + (0.0 if self.focus is None else self.focus.height_mm)

    @property
    def thick_mm(self) -> float | None:
        """How thick the work is, or None where it lies on the bed as calibrated."""
        if self.focus is None:
            return None
        return _THICKNESS_MM if self.thickness_mm is None else self.thickness_mm

    @property
    def wanted(self) -> Wanted:
        """What is looked for in the captures, and where it should lie."""
        return Wanted(
            self.artwork,
            self.at_mm,
            self.turn_deg,
            self.anchor,
            self.mirror,
            self.kerf_mm,
            self.negative,
        )


def check_job(job: Job) -> JobResult:
    """Measure and judge one job: captures, artwork, fits, findings, verdict."""
    situation = see_captures(job.after, job.before, job.bed, job.above_bed_mm, job.thick_mm)
    wanted = job.wanted
    intended = wanted.pose
    place = wanted.found(situation)
    if isinstance(place, NotFound):
        return _assemble(job, situation, intended, None, [not_found(job.artwork, place)])
    common, rivals = place.pose, place.rivals
    situation = see_work(situation, job.artwork, common, job.kerf_mm)

    def measured(artwork: Artwork, number: int) -> PieceResult:
        return measure_piece(
            artwork,
            number,
            situation,
            common,
            intended,
            rivals,
            _assumptions(job),
            job.kerf_mm,
            job.negative,
            job.put_back,
        )

    def piece_of(number: int) -> PieceResult:
        artwork = one_blank(job.artwork, number)
        piece = measured(artwork, number)
        yet = [layer.layer for layer in piece.evidence.trust if layer.faint]
        if job.so_far and 0 < len(yet) < len(piece.evidence.trust):
            # What is not burned yet must not draw on what is.
            piece = measured(artwork.without(yet), number)
            said = [f"the {name} is not seen: not burned yet, as --so-far says" for name in yet]
            evidence = replace(piece.evidence, unburned=tuple(yet))
            piece = replace(piece, evidence=evidence, warnings=(*piece.warnings, *said))
        return piece

    pieces = side_by_side(piece_of, range(job.artwork.piece_count))
    return _assemble(job, situation, intended, common, pieces)


def _assumptions(job: Job) -> Assumptions:
    at_u_mm, turn_u_deg = job.at_u or (0.5, 0.3)
    # A point in the plane whose distance from the truth is within U with 95 %: sigma = U / 2.45.
    return Assumptions(
        at_sigma_mm=at_u_mm / K95_PLANE,
        turn_sigma_rad=math.radians(turn_u_deg) / K95,
        at_stated=job.at_u is not None,
        height_sigma_mm=(0.2 if job.height_u_mm is None else job.height_u_mm) / K95,
        height_stated=job.height_u_mm is not None,
        focus_sigma_mm=0.0 if job.focus is None else job.focus.u95_mm / K95,
        focus_stated=job.focus is not None and job.focus.stated,
        depth_mm=job.depth_mm,
        has_place=job.at_mm is not None,
        hatch_mm=HATCH_SPACING_MM if job.hatch_mm is None else job.hatch_mm,
        hatch_stated=job.hatch_mm is not None,
    )


def _assemble(
    job: Job,
    situation: Situation,
    intended: Rigid | None,
    common: Rigid | None,
    pieces: list[PieceResult],
) -> JobResult:
    """Judge the pieces and put the result together."""
    verdicts = [_judge(job, situation, piece) for piece in pieces]
    sheet = on_sheet(pieces, verdicts, _reference(job, intended or common))
    verdict = _overall(verdicts)
    findings = findings_of(sheet.evidence, situation.cameras)
    strains = sheet.evidence.strains
    reference = sheet.reference_mm
    photo = job.after[0]
    return JobResult(
        job=job.name,
        order=job.order,
        piece=job.piece,
        inputs=job.inputs,
        captures=_captures(job, situation),
        calibration=job.calibration,
        reference_point_mm=None
        if reference is None
        else (float(reference[0]), float(reference[1])),
        placement=sheet.placement,
        fill_to_outline=sheet.evidence.fill_to_outline,
        placement_on_work=sheet.evidence.placement_on_work,
        part_movement=sheet.evidence.part_movement,
        margins=_margins(situation, pieces, intended or common),
        scale={name: strain.quantities for name, strain in strains.items()} or None,
        lift={"height_mm": strains["all"].lift_mm} if strains else None,
        warp=None if sheet.evidence.warp is None else sheet.evidence.warp.quantities,
        pieces=tuple(
            _piece_row(piece, verdict_of)
            for piece, verdict_of in zip(pieces, verdicts, strict=True)
        ),
        features=tuple(row for piece in pieces for row in piece.features),
        findings=findings,
        budget=tuple(term for piece in pieces[:1] for term in piece.budget),
        verdict=verdict,
        summary=summary_of(sheet.evidence, verdict),
        warnings=_warnings(job, situation, pieces),
        picture=Picture(
            after=photo.rgb,
            before=job.before[0].rgb if job.before else None,
            surface_after=situation.after.surface,
            surface_before=None if situation.before is None else situation.before.surface,
            artwork=job.artwork,
            intended=intended,
            found=sheet.found,
            local_mm=sheet.local_mm,
            local_layer=sheet.local_layer,
            worst_at_mm=sheet.worst_at_mm,
        ),
    )


def _reference(job: Job, placed: Rigid | None) -> Array | None:
    """Return the centre of the artwork's box where it should be (or, unplaced, where it is)."""
    if placed is None:
        return None
    x0, y0, x1, y1 = job.artwork.box_mm
    return np.asarray(placed.apply(np.array([[(x0 + x1) / 2, (y0 + y1) / 2]]))[0])


def _judge(job: Job, situation: Situation, piece: PieceResult) -> Verdict:
    doubts = doubts_of(piece.evidence, situation.camera_doubt)
    return judge(conditions(piece), job.tolerance_mm, doubts)


def _overall(verdicts: list[Verdict]) -> Verdict:
    """Return the worst of the pieces' verdicts, with the clauses of all where there are several."""
    if len(verdicts) == 1:
        return verdicts[0]
    order = ("fail", "undecided", "pass", "not_judged")
    state = min((v.state for v in verdicts), key=order.index)
    clauses: list[Clause] = []
    reasons: list[str] = []
    for number, verdict in enumerate(verdicts, start=1):
        clauses.extend(replace(c, name=f"piece {number}: {c.name}") for c in verdict.clauses)
        if verdict.state in (state, "fail", "undecided"):
            reasons.extend(f"piece {number}: {reason}" for reason in verdict.reasons)
    return Verdict(
        state, verdicts[0].tolerance_mm, tuple(clauses), tuple(reasons), verdicts[0].rule
    )


def _piece_row(piece: PieceResult, verdict: Verdict) -> PieceRow:
    evidence = piece.evidence
    placement: dict[str, Displacement | None] = {
        name: evidence.placement.get(name) for name in ("outline", "fill", "cut", "all")
    }
    reference = piece.reference_mm if piece.reference_mm is not None else np.zeros(2)
    return PieceRow(
        piece.name,
        (float(reference[0]), float(reference[1])),
        placement,
        evidence.fill_to_outline,
        evidence.placement_on_work,
        evidence.part_movement,
        verdict,
    )


def _captures(job: Job, situation: Situation) -> tuple[CaptureRow, ...]:
    rows = []
    movements = dict(situation.cameras)
    for role, photos in (("before", job.before), ("after", job.after)):
        for photo in photos:
            width, height = photo.size
            rows.append(
                CaptureRow(
                    "before" if role == "before" else "after",
                    Path(photo.name).name,
                    photo.sha256,
                    width,
                    height,
                    movements[role],
                )
            )
    return tuple(rows)


def _margins(
    situation: Situation, pieces: list[PieceResult], placed: Rigid | None
) -> dict[str, Quantity] | None:
    if situation.blank is None or placed is None or len(pieces) != 1:
        return None
    points = pieces[0].stroke_points_mm
    if points is None:
        return None
    blank = situation.blank
    if situation.motion is not None:
        blank = blank.moved(situation.motion)
    return margins(blank, points, placed.angle_rad)


def _warnings(job: Job, situation: Situation, pieces: list[PieceResult]) -> tuple[str, ...]:
    out = [*job.notes, *situation.warnings]
    if not job.before:
        out.append(
            "no before capture: whether the work moved, and where the mark lies on the work, "
            "cannot be told"
        )
    elif situation.motion is None and situation.movement_why is not None:
        out.append(
            "the before capture does not show whether the work moved, and where the mark lies on "
            f"the work: {situation.movement_why}"
        )
    if job.at_mm is None:
        out.append("no place was given (--at): the mark's place on the bed is not judged")
    if situation.surface.distance_share < _NEAR:
        out.append(
            "the work's surface is less than half as far from the camera as what the map was "
            "calibrated on: a wrong height shifts points more than twice as far there, and what "
            "the lens's model cannot follow is not in U95; calibrate with the board at about that "
            "height, or hang the camera higher"
        )
    if job.focus is not None and job.thickness_mm is None:
        out.append(
            f"how thick the work is was not stated (--thickness): {_THICKNESS_MM:g} mm is assumed "
            "for how wide its sides may show"
        )
    for photo in (*job.before, *job.after):
        out.extend(f"{photo.name}: {note}" for note in photo.notes)
    for piece in pieces:
        out.extend(piece.warnings)
    return tuple(dict.fromkeys(out))
