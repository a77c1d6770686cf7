"""From numbers to causes: what moved, and when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from calibration.quantity import Quantity
from vision.artwork.strokes import Layer
from vision.diagnose.camera import of_camera
from vision.diagnose.words import (
    ONE_SURELY,
    degrees,
    direction,
    millimetres,
    seen_to_differ,
    turned,
)
from vision.measure.scale import Strain
from vision.measure.trust import DISPLACED_TOO_MUCH, LayerTrust
from vision.measure.warp import Warp
from vision.result import CameraMovement, Displacement, Finding, Verdict

_BY_RULE = "measure the mark with a steel rule: it tells the machine from the camera's calibration"


@dataclass(frozen=True, eq=False)
class Evidence:
    """Everything that causes are told from, for one piece.

    Attributes
    ----------
    placement
        Mark against intended place, by layer; empty without an intended place.
    fill_to_outline, placement_on_work, part_movement
        As in the report; None where not applicable.
    trust
        By layer.
    rivals
        Number of other places that explain the capture nearly as well.
    put_back
        The work was lifted after the job.
    not_found
        Why the artwork was not found, or None.
    hint
        What may help to find it.
    light_changed
        What says that the light changed between the captures, or None.
    unburned
        Layers that are not seen and, as the user says, not burned yet.
    strains
        How the believed layers are stretched, each and all together ("all"); empty where none is.
    warp
        How they are warped; None where none is believed.
    lift_instead
        How much higher than stated the surface would lie to show the same place; None of none.
    glare
        Brightest bare ground about the mark over what its light is taken for (`glare_over`).
    """

    placement: dict[str, Displacement]
    fill_to_outline: Displacement | None
    placement_on_work: Displacement | None
    part_movement: Displacement | None
    trust: tuple[LayerTrust, ...]
    rivals: int
    put_back: bool
    not_found: str | None
    light_changed: str | None
    hint: str = ""
    unburned: tuple[Layer, ...] = ()
    strains: Mapping[str, Strain] = field(default_factory=dict)
    warp: Warp | None = None
    lift_instead: Quantity | None = None
    glare: float = 1.0


def findings_of(
    evidence: Evidence, cameras: tuple[tuple[str, CameraMovement], ...]
) -> tuple[Finding, ...]:
    """Return the findings, the weightiest first; `none` where nothing moved."""
    found: list[Finding] = []
    if evidence.not_found is not None:
        found.append(
            Finding(
                "not_found",
                "sure",
                f"The artwork was not found: {evidence.not_found}.",
                next_capture=evidence.hint
                or "a sharp capture with the whole mark in view and even light",
            )
        )
    found.extend(_within_a_pass(evidence))
    between = _between_passes(evidence)
    found.extend(between)
    bent = _warped(evidence)
    placed = _work_and_place(evidence, bool(between))
    stretched = _stretched(evidence)
    lifted = bent or any(finding.kind == "lifted" for finding in stretched)
    found.extend([_unsure(finding) for finding in placed] if lifted else placed)
    found.extend(stretched)
    found.extend(bent)
    for role, camera in cameras:
        found.extend(of_camera(role, camera))
    if evidence.light_changed:
        found.append(Finding("light_changed", "likely", evidence.light_changed))
    for layer in evidence.trust:
        if layer.faint:
            found.append(
                Finding(
                    "cannot_tell",
                    "sure",
                    _sentence(layer.faint),
                    next_capture="a capture with more light from the side, nothing in front of the "
                    "mark, and a before capture",
                )
            )
    if not found:
        found.append(Finding("none", "likely", "Nothing was seen to have moved."))
    return tuple(found)


def summary_of(evidence: Evidence, verdict: Verdict) -> str:
    """Return the one sentence: what moved, how far, which way, how sure, and what follows."""
    if evidence.not_found is not None:
        return f"The artwork was not found in the capture: {evidence.not_found}."
    parts = [f"the {layer} is not burned yet" for layer in evidence.unburned]
    parts += list(dict.fromkeys(layer.faint for layer in evidence.trust if layer.faint))
    offset = evidence.fill_to_outline
    if offset is not None and offset.measured:
        parts.append(_offset_words(offset))
    elif evidence.placement:
        parts.extend(_place_words(evidence.placement.get("all"), "the mark", "from its place"))
    moved = evidence.part_movement
    if seen_to_differ(moved) and not evidence.put_back:
        parts.extend(_place_words(moved, "the work", "between the captures", verb="moved"))
    on_work = evidence.placement_on_work
    told = any("from its place" in part or "of its place" in part for part in parts)
    if on_work is not None and on_work.measured:
        parts.extend(_place_words(on_work, "the mark", "from its place on the work"))
    elif not told and evidence.placement:
        parts.extend(_place_words(evidence.placement.get("all"), "the mark", "from its place"))
    if evidence.warp is not None and evidence.warp.surely:
        peak = evidence.warp.quantities["peak_mm"]
        parts.append(f"the mark is bent by {millimetres(peak)}, so the sheet may bow")
    if not parts:
        parts.append("the mark was found, but nothing says where it should be")
    text = "; ".join(parts)
    text = text[0].upper() + text[1:]
    decision = {
        "pass": "it passes",
        "fail": "it fails",
        "undecided": "undecided",
        "not_judged": "",
    }[verdict.state]
    if verdict.tolerance_mm is not None:
        text += f": {decision} at a tolerance of {verdict.tolerance_mm:g} mm"
    return text + "."


def _offset_words(offset: Displacement) -> str:
    dx, dy = offset.dx_mm.value or 0.0, offset.dy_mm.value or 0.0
    low, _ = offset.distance_mm.interval
    if low > 0.0:
        text = (
            f"the outline sits {millimetres(offset.distance_mm)} {direction(-dx, -dy)} of the fill"
        )
        if abs(dy) > abs(dx) / 3:
            text = text.replace(" of the fill", ", seen from the fill")
        if turned(offset):
            text += f" and is turned against it by {degrees(_negative(offset))}"
        return text
    if turned(offset):
        return (
            f"the outline is turned by {degrees(_negative(offset))} against the fill, "
            f"{millimetres(offset.worst_mm)} at the worst point"
        )
    return f"outline and fill lie on each other within {offset.worst_mm.interval[1]:.2f} mm"


def _place_words(
    displacement: Displacement | None, what: str, where: str, verb: str = "lies"
) -> list[str]:
    if displacement is None or not displacement.measured:
        return []
    dx, dy = displacement.dx_mm.value or 0.0, displacement.dy_mm.value or 0.0
    if displacement.distance_mm.interval[0] > 0.0:
        text = f"{what} {verb} {millimetres(displacement.distance_mm)} {direction(dx, dy)} {where}"
        if turned(displacement):
            text += f", turned by {degrees(displacement.rotation_deg)}"
        return [text.replace("moved", "moved", 1)]
    if turned(displacement):
        done = "turned" if verb == "moved" else "is turned"
        return [f"{what} {done} by {degrees(displacement.rotation_deg)} {where}"]
    high = displacement.worst_mm.interval[1]
    if verb == "moved":
        return [f"{what} stayed within {high:.2f} mm"]
    return [f"{what} lies within {high:.2f} mm {where.replace('from', 'of')}"]


def _negative(offset: Displacement) -> Quantity:
    rotation = offset.rotation_deg
    return Quantity(-(rotation.value or 0.0), rotation.u95)


def _within_a_pass(evidence: Evidence) -> list[Finding]:
    found = []
    for layer in evidence.trust:
        if layer.displaced_share > DISPLACED_TOO_MUCH and layer.displaced_at_mm is not None:
            x, y = layer.displaced_at_mm
            found.append(
                Finding(
                    "moved_within_pass",
                    "likely",
                    f"Part of the {layer.layer} lies up to {layer.displaced_mm:.2f} mm off the "
                    f"rest, most at X {x:.0f}, Y {y:.0f} mm: something moved while it was burned.",
                    (f"{100 * layer.displaced_share:.0f} % of the {layer.layer} disagrees",),
                    ("the sheet bowed", "scorch or smoke on one side"),
                    "a capture with the work pressed flat",
                )
            )
        elif layer.surely_doubled:
            found.append(
                Finding(
                    "moved_within_pass",
                    "likely",
                    f"The {layer.layer} looks like two that lie about {layer.doubled_mm:.2f} mm "
                    "apart: something moved between the directions of its hatch.",
                    (f"the edges of the {layer.layer} are softer one way than across it",),
                    ("the camera shook", "one direction of the hatch lags (switching)"),
                    "a second capture from a camera that stands still",
                )
            )
    return found


def _between_passes(evidence: Evidence) -> list[Finding]:
    offset = evidence.fill_to_outline
    if offset is None or not offset.measured or offset.worst_mm.interval[0] <= 0.0:
        return []
    only_turned = turned(offset) and offset.distance_mm.interval[0] <= 0.0
    outline, fill = evidence.placement.get("outline"), evidence.placement.get("fill")
    proof, when = [], None
    if outline is not None and fill is not None:
        off = {"outline": seen_to_differ(outline), "fill": seen_to_differ(fill)}
        if off["outline"] != off["fill"]:
            first = "outline" if off["outline"] else "fill"
            second = "fill" if off["outline"] else "outline"
            proof.append(
                f"the {second} lies where it should and the {first} does not, so the work moved "
                f"after the {first} and before the {second} was burned"
            )
            when = {"pass": f"between {first} and {second}"}
    if seen_to_differ(evidence.part_movement):
        proof.append("the work itself is seen to have moved between the captures")
    return [
        Finding(
            "work_turned" if only_turned else "work_moved",
            "sure" if proof else "likely",
            _sentence(_offset_words(offset)),
            tuple(proof),
            ()
            if proof
            else (
                "the machine lost steps between the passes",
                "the artwork's layers were placed differently",
            ),
            None if proof else "a before capture, to see the work itself move",
            when,
        )
    ]


def _work_and_place(evidence: Evidence, between: bool) -> list[Finding]:
    found = []
    place = evidence.placement.get("all")
    moved, on_work = evidence.part_movement, evidence.placement_on_work
    if seen_to_differ(moved) and not evidence.put_back and moved is not None:
        words = _place_words(moved, "the work", "between the captures", verb="moved")
        if on_work is not None and on_work.measured and not seen_to_differ(on_work):
            found.append(
                Finding(
                    "moved_after_job",
                    "sure",
                    _sentence(words[0] + " after the last stroke; the mark on it is in place"),
                    ("mark and work are displaced alike",),
                )
            )
        elif not between and on_work is not None and seen_to_differ(on_work):
            found.append(
                Finding(
                    "placed_wrong_on_work",
                    "sure",
                    _sentence(words[0] + " before the first stroke"),
                    ("the mark is in place on the bed but not on the work",),
                )
            )
    if place is not None and place.measured and seen_to_differ(place) and not between:
        explained = any(f.kind == "moved_after_job" for f in found)
        if not explained:
            words = _place_words(place, "the mark", "from its place on the bed")
            watched, lift = evidence.part_movement is not None, evidence.lift_instead
            rivals = [] if watched else ["the work moved after the last stroke"]
            if lift is not None and lift.value is not None:
                rivals.append(
                    f"the surface lies {lift.value:.1f} ± {lift.u95:.1f} mm higher than stated"
                )
            found.append(
                Finding(
                    "placement",
                    "likely" if rivals else "sure",
                    _sentence(words[0]),
                    (),
                    tuple(rivals),
                    None
                    if watched
                    else "a before capture, to tell a wrong place from a work that moved",
                )
            )
    return found


def _stretched(evidence: Evidence) -> list[Finding]:
    """Return what a mark that is larger, smaller or out of square says."""
    strain = evidence.strains.get("all")
    if strain is None or not strain.surely:
        return []
    told = strain.quantities
    longer = [
        f"{abs(q.value):.2f} ± {q.u95:.2f} % {'longer' if q.value > 0 else 'shorter'} along {axis}"
        for axis, q in (("X", told["x_percent"]), ("Y", told["y_percent"]))
        if q.value is not None and q.u95 is not None
    ]
    size = f"The mark is {' and '.join(longer)} than its artwork"
    lift = strain.lift_mm
    if strain.looks_lifted and lift.value is not None and lift.u95:
        way = "higher" if lift.value > 0 else "lower"
        return [
            Finding(
                "lifted",
                "possible",
                f"{size}: its surface may lie {abs(lift.value):.1f} ± {lift.u95:.1f} mm {way} than "
                "stated, which also shifts it away from below the camera.",
                ("it is larger or smaller alike in all directions",),
                ("it was burned larger or smaller", "the board's print is not true to scale"),
                "measure how high the surface lies there and state it with --height",
            )
        ]
    skew = told["skew_deg"]
    if skew.value is not None and skew.u95 and abs(skew.value) > ONE_SURELY * skew.u95:
        return [
            Finding(
                "skew",
                "likely",
                f"The mark is out of square by {abs(skew.value):.2f} ± {skew.u95:.2f} degrees.",
                (f"{size}.",) if longer else (),
                ("the sheet bowed", "the camera's calibration"),
                _BY_RULE,
            )
        ]
    if not longer:
        return []
    return [
        Finding(
            "scale",
            "likely",
            f"{size}.",
            (),
            ("the sheet bowed", "the camera's calibration"),
            _BY_RULE,
        )
    ]


def _unsure(finding: Finding) -> Finding:
    """Return a finding about places as no more than possible: the sheet may lie higher."""
    rival = "the sheet lies higher or bows, and so looks moved away from below the camera"
    return replace(finding, confidence="possible", rivals=(*finding.rivals, rival))


def _warped(evidence: Evidence) -> list[Finding]:
    """Return what a mark that is surely bent against its artwork says."""
    warp = evidence.warp
    if warp is None or not warp.surely:
        return []
    told = warp.quantities
    peak, typical = told["peak_mm"], told["rms_mm"]
    bow = warp.bow_mm
    proof = [f"rigid motion and scale leave {millimetres(typical)} (rms)"]
    if bow is not None and bow.value is not None and bow.interval[0] > 0.0:
        proof.append(f"a sheet that bows by {millimetres(bow)} under the mark looks like this")
    return [
        Finding(
            "warp",
            "likely",
            f"The mark is bent against its artwork by up to {millimetres(peak)}: the sheet bows "
            "in the capture, or bowed while it was burned.",
            tuple(proof),
            ("the camera's calibration", "something moved slowly while it was burned"),
            "a capture with the work pressed flat",
        )
    ]


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "."
