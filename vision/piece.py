"""One blank of a job: its layers measured, its displacements with budget, its evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.artwork.sampling import artwork_layers, outline_points
from vision.artwork.strokes import Artwork, Layer
from vision.diagnose.causes import Evidence
from vision.diagnose.doubts import CAMERA_UNSURE
from vision.diagnose.verdict import Condition
from vision.measure.budget import Assumptions, Influence, influences, table
from vision.measure.features import feature_rows, local_table
from vision.measure.lift import lift_instead
from vision.measure.offsets import (
    Offset,
    combine,
    displacement,
    offset_between,
    only_worst,
    reaching,
    rigid_response,
)
from vision.measure.scale import strains
from vision.measure.trust import trust
from vision.measure.warp import unsure_mm, warp_of
from vision.register.glare import glare_over
from vision.register.mark import Mark, measure
from vision.register.view import NotFound
from vision.result import BudgetTerm, Displacement, FeatureRow
from vision.situation import Situation

Array = NDArray[np.float64]

_SPACING_MM = 0.5
# A bow that makes places less sure than this is worth telling beside everything else.
_PART_MM = 0.02
# Less of a layer under a cover than this is not worth a word.
_COVERED_MATTERS = 0.02
# Quantile of chi-square at one in ten thousand, per degree of freedom (3 of them).
DISAGREE = 7.0


@dataclass(frozen=True, eq=False)
class PieceResult:
    """What was measured of one blank.

    Attributes
    ----------
    name
        "piece 1".
    reference_mm
        Where displacements are told; None where the artwork was not found.
    evidence
        Displacements and trust.
    found
        bed <- page by layer.
    stroke_points_mm
        (n, 2) places of the strokes as found.
    features, budget, local_mm, local_layer, warnings
        For the report.
    """

    name: str
    reference_mm: Array | None
    evidence: Evidence
    found: dict[str, Rigid]
    stroke_points_mm: Array | None
    features: tuple[FeatureRow, ...]
    budget: tuple[BudgetTerm, ...]
    local_mm: Array
    local_layer: tuple[str, ...]
    warnings: tuple[str, ...]


def measure_piece(
    artwork: Artwork,
    number: int,
    situation: Situation,
    start: Rigid,
    intended: Rigid | None,
    rivals: tuple[Rigid, ...],
    said: Assumptions,
    kerf_mm: float,
    negative: bool,
    put_back: bool,
) -> PieceResult:
    """Measure one blank, starting from where the artwork was found."""
    x0, y0, x1, y1 = artwork.box_mm
    ground = situation.ground_around(
        start.apply(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    )
    mark = measure(situation.after, ground, artwork, start, rivals, kerf_mm, negative)
    if isinstance(mark, NotFound):
        return not_found(artwork, mark, number)
    expected = intended or _common(mark)
    centre = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    reference = expected.apply(centre[None])[0]
    pages: dict[str, Array] = {
        name: outline_points(artwork, name, _SPACING_MM)[0] for name in artwork_layers(artwork)
    }
    points = {name: expected.apply(page) for name, page in pages.items()}
    every = np.concatenate(list(points.values()))
    causes = influences(situation.surface, points, reference, said, _gaps(mark, reference))
    statistical = _told_at(mark, reference)
    offsets: dict[str, Offset] = {
        name: offset_between(
            mark.poses[name],
            expected,
            centre,
            reference,
            statistical[3 * i : 3 * i + 3, 3 * i : 3 * i + 3],
        )
        for i, name in enumerate(mark.layers)
    }
    offsets = {name: _corrected_for_depth(o, name, causes, said) for name, o in offsets.items()}
    budget: list[BudgetTerm] = []
    placed: dict[str, Offset] = {
        name: offset.plus_systematic(_sum([cause.on(name) for cause in causes]))
        for name, offset in offsets.items()
    }
    trusted = trust(mark)
    unseen = {name: f"the {name} is round: its turn cannot be seen" for name in mark.round_layers}
    faint = {layer.layer: layer.faint for layer in trusted if layer.faint}
    placement: dict[str, Displacement] = {}
    everywhere: Offset | None = None
    if intended is not None and situation.camera_doubt:
        # Whatever the map says of places on the bed is off by as much as the camera moved.
        placement = dict.fromkeys((*mark.layers, "all"), Displacement.missing(CAMERA_UNSURE))
    elif intended is not None:
        placement = {
            name: Displacement.missing(faint[name])
            if name in faint
            else displacement(o, points[name], unseen.get(name, ""))
            for name, o in placed.items()
        }
        seen = {name: o for name, o in placed.items() if name not in faint}
        own = {name: _sum([c.on(name) for c in causes if not c.common]) for name in seen}
        everywhere = _all(placement, seen, own, every)
        budget.extend(
            table(
                "placement.all", placed[mark.layers[0]], [(c, c.on(mark.layers[0])) for c in causes]
            )
        )
    offset = _fill_to_outline(mark, offsets, statistical, causes, every, budget, faint)
    movement = situation.movement_at(reference)
    part_movement, on_work = None, None
    if situation.before is not None:
        part_movement, on_work = _against_work(
            movement,
            situation.movement_why,
            {name: o for name, o in placed.items() if name not in faint},
            everywhere,
            points,
            intended is not None and not situation.camera_doubt,
        )
    believed = [name for name in mark.layers if name not in faint]
    strained = strains(mark, situation.surface, points, said, believed)
    warp = warp_of(mark, situation.surface, points, said, believed)
    bent, apart = (unsure_mm(warp, strained.get("all"), between) for between in (False, True))
    # Directions of a hatch that lie apart lie to both sides of the one motion that was told.
    further: dict[str, float] = {layer.layer: layer.doubled_mm / 2 for layer in trusted}
    most = max(further.values())
    placement = {
        name: reaching(told, further.get(name, most) + bent, bent)
        for name, told in placement.items()
    }
    offset = None if offset is None else reaching(offset, most + apart, apart)
    on_work = None if on_work is None else reaching(on_work, most + bent, bent)
    lift = None
    if everywhere is not None:
        by_height = situation.surface.height_jacobian_mm(every)[:, :, None]
        # What lies higher than it is taken to looks moved the other way.
        by_lift = -rigid_response(by_height, every, reference)[:, 0]
        lift = lift_instead(everywhere, by_lift, strained.get("all"))
    if lift is not None and not said.height_stated:
        placement["all"] = reaching(placement["all"], 0.0, math.inf)
    systematic: dict[str, Array] = {
        name: _sum([cause.on(name) for cause in causes]) for name in mark.layers
    }
    local, layers = local_table(mark, expected, mark.local)
    evidence = Evidence(
        placement=placement,
        fill_to_outline=offset,
        placement_on_work=on_work,
        part_movement=part_movement,
        trust=trusted,
        rivals=len(mark.rivals) if intended is None else 0,
        put_back=put_back,
        not_found=None,
        light_changed=situation.light_changed,
        strains=strained,
        warp=warp,
        lift_instead=lift,
        glare=glare_over(mark.fit),
    )
    warnings = [f"the {name} is round: its turn cannot be seen" for name in mark.round_layers]
    warnings.extend(
        f"something in front of the work covers {100 * layer.covered_share:.0f} % of the "
        f"{layer.layer}: what lies under it is taken to lie like the rest"
        for layer in trusted
        if layer.covered_share > _COVERED_MATTERS
    )
    if any(mark.fit.setting.scene.smear):
        warnings.append(
            "the picture is smeared one way, as if the camera or the whole work had moved while it "
            "was taken; the numbers allow for it: a firmer mount, or more light for a shorter "
            "exposure"
        )
    if mark.scene.stray.any():
        warnings.append(
            "a glare lies over the mark; the light that it adds is taken off: move or shade the "
            "lamp for surer numbers"
        )
    if mark.rivals and intended is not None:
        other = mark.rivals[0].apply(centre[None])[0]
        warnings.append(
            f"another mark like this one lies at X {other[0]:.0f}, Y {other[1]:.0f} mm; the one "
            "nearest to --at was measured"
        )
    return PieceResult(
        f"piece {number + 1}",
        reference,
        evidence,
        mark.poses,
        np.concatenate([mark.poses[name].apply(pages[name]) for name in mark.layers]),
        tuple(feature_rows(artwork, number, mark, expected, systematic)),
        tuple(budget),
        local,
        layers,
        tuple(warnings),
    )


def not_found(artwork: Artwork, missed: NotFound, number: int = 0) -> PieceResult:
    """Return the result of a blank whose artwork was not found."""
    missing = Displacement.missing(missed.why)
    layers = artwork_layers(artwork)
    both = "fill" in layers and "outline" in layers
    evidence = Evidence(
        placement=dict.fromkeys((*layers, "all"), missing),
        fill_to_outline=missing if both else None,
        placement_on_work=None,
        part_movement=None,
        trust=(),
        rivals=0,
        put_back=False,
        not_found=missed.why,
        hint=missed.hint,
        light_changed=None,
    )
    return PieceResult(
        f"piece {number + 1}", None, evidence, {}, None, (), (), np.zeros((0, 4)), (), ()
    )


def conditions(piece: PieceResult) -> list[Condition]:
    """Return the clauses that a tolerance applies to (design, section 5)."""
    evidence = piece.evidence
    out = []
    if evidence.fill_to_outline is not None:
        out.append(
            Condition(
                "fill against outline",
                "fill_to_outline",
                evidence.fill_to_outline.worst_mm,
                _would_decide("fill_to_outline", piece),
            )
        )
    on_work, place = evidence.placement_on_work, evidence.placement.get("all")
    advice = _would_decide("placement.all", piece)
    if on_work is not None:
        # Where a before capture does not tell how the work moved, the place on the bed
        # is no substitute: work nudged before the first stroke would pass by it.
        out.append(Condition("mark on the work", "placement_on_work", on_work.worst_mm, advice))
    elif place is not None and not evidence.put_back:
        out.append(Condition("mark on the bed", "placement.all", place.worst_mm, advice))
    return out


def _would_decide(quantity: str, piece: PieceResult) -> str:
    """Return what would make the interval shorter: the largest influence that can be helped."""
    evidence = piece.evidence
    doubled = max(evidence.trust, key=lambda layer: layer.doubled_mm, default=None)
    further_mm = 0.0 if doubled is None else doubled.doubled_mm / 2
    surely_doubled = doubled is not None and doubled.surely_doubled
    between = quantity == "fill_to_outline"
    lies_higher = unsure_mm(evidence.warp, evidence.strains.get("all"), between) > _PART_MM
    # What is doubled may look larger, too.
    if lies_higher and not surely_doubled:
        return "the sheet bows or lies higher than stated: a capture with the work pressed flat"
    lift, place = evidence.lift_instead, evidence.placement.get("all")
    # Where the height was stated it is not in doubt.
    unsure = place is not None and place.worst_mm.low == 0.0
    if quantity == "placement.all" and unsure and lift is not None and lift.value is not None:
        return (
            f"a surface {lift.value:.1f} mm higher than stated would look the same: measure it, "
            "and state its height with --height and --height-u"
        )
    for term in piece.budget:
        if term.quantity == quantity and term.advice and term.u95_mm > further_mm:
            return f"most of it is {term.name} ({term.u95_mm:.2f} mm): {term.advice}"
    if doubled is not None and further_mm > 0:
        return (
            f"the {doubled.layer} looks doubled, by about {doubled.doubled_mm:.2f} mm: its hatch "
            "directions may lie apart, or the camera shook; a second capture would tell"
        )
    return "a nearer or sharper capture would decide"


def _common(mark: Mark) -> Rigid:
    """Return the pose of the best seen layer, where nothing says where the artwork should be."""
    best = max(mark.layers, key=lambda name: mark.significance[name])
    return mark.poses[best]


def _told_at(mark: Mark, reference_mm: Array) -> Array:
    """Return the statistical covariance of all layers told at a point."""
    away = reference_mm - np.array(mark.pivot_mm)
    carry = np.array([[1.0, 0.0, -away[1]], [0.0, 1.0, away[0]], [0.0, 0.0, 1.0]])
    full = np.kron(np.eye(len(mark.layers)), carry)
    return np.asarray(full @ mark.covariance @ full.T)


def _gaps(mark: Mark, reference_mm: Array) -> dict[str, Array]:
    """Return (3, n) answers of each layer to a hatch that stops short, told at a point."""
    away = reference_mm - np.array(mark.pivot_mm)
    carry = np.array([[1.0, 0.0, -away[1]], [0.0, 1.0, away[0]], [0.0, 0.0, 1.0]])
    unit = np.array([1.0, 1.0, 1.0 / mark.fit.motion_scale_mm])[:, None]
    return {
        name: carry @ (mark.fit.gap[3 * i : 3 * i + 3] * unit) for i, name in enumerate(mark.layers)
    }


def _corrected_for_depth(
    offset: Offset, layer: str, causes: list[Influence], said: Assumptions
) -> Offset:
    """Take out half of the shift that a deep floor shows under a tilted camera."""
    if said.depth_mm <= 0 or layer != "fill":
        return offset
    response = next(c for c in causes if c.name == "depth of the burn").response["fill"][:, 0]
    # The floor lies lower than assumed by the depth, so the measured place is off by that much.
    return Offset(
        offset.vector - 0.5 * said.depth_mm * response,
        offset.at_mm,
        offset.statistical,
        offset.systematic,
    )


def _all(
    placement: dict[str, Displacement],
    placed: dict[str, Offset],
    own: dict[str, Array],
    every: Array,
) -> Offset | None:
    """Add the displacement of all layers together, or say that they differ.

    Layers differ where noise and what each has of its own (scorch, hatch ends) do not explain it.
    """
    if not placed:
        placement["all"] = Displacement.missing("the mark is too faint to judge")
        return None
    common, chi2, freedom = combine(list(placed.values()), [own[name] for name in placed])
    if freedom == 0 or chi2 < DISAGREE * freedom:
        placement["all"] = displacement(common, every)
        return common
    placement["all"] = only_worst(list(placement.values()), "the layers lie differently: see each")
    return None


def _fill_to_outline(
    mark: Mark,
    offsets: dict[str, Offset],
    statistical: Array,
    causes: list[Influence],
    every: Array,
    budget: list[BudgetTerm],
    faint: Mapping[Layer, str],
) -> Displacement | None:
    if "fill" not in offsets or "outline" not in offsets:
        return None
    for name in ("outline", "fill"):
        if name in faint:
            return Displacement.missing(faint[name])
    i, j = mark.layers.index("fill"), mark.layers.index("outline")
    take = np.zeros((3, 3 * len(mark.layers)))
    take[:, 3 * i : 3 * i + 3] = np.eye(3)
    take[:, 3 * j : 3 * j + 3] = -np.eye(3)
    parts = [(cause, cause.between("fill", "outline")) for cause in causes]
    difference = Offset(
        offsets["fill"].vector - offsets["outline"].vector,
        offsets["fill"].at_mm,
        take @ statistical @ take.T,
        _sum([covariance for _, covariance in parts]),
    )
    budget.extend(table("fill_to_outline", difference, parts))
    unseen = [f"the {name} is round: its turn cannot be seen" for name in mark.round_layers]
    return displacement(difference, every, unseen[0] if unseen else "")


def _against_work(
    movement: Offset | None,
    why: str | None,
    placed: dict[str, Offset],
    everywhere: Offset | None,
    points: dict[str, Array],
    has_place: bool,
) -> tuple[Displacement, Displacement | None]:
    """Return the work's movement, and the mark's place on the work."""
    if movement is None:
        missing = Displacement.missing(why or "the work's movement could not be seen")
        return missing, missing if has_place else None
    every = np.concatenate(list(points.values()))
    moved = displacement(movement, every)
    if not has_place:
        return moved, None

    def on_work(place: Offset) -> Offset:
        return Offset(
            place.vector - movement.vector,
            place.at_mm,
            place.statistical + movement.statistical,
            place.systematic + movement.systematic,
        )

    if everywhere is not None:
        return moved, displacement(on_work(everywhere), every)
    if not placed:
        return moved, Displacement.missing("the mark is too faint to judge")
    # Each layer by its own strokes: where it has none, nothing of it is seen to be off.
    layers = [displacement(on_work(place), points[name]) for name, place in placed.items()]
    return moved, only_worst(layers, "the layers lie differently: see each")


def _sum(covariances: list[Array]) -> Array:
    return np.asarray(np.sum([np.zeros((3, 3)), *covariances], axis=0))
