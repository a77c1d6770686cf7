"""What speaks against judging a mark at all: reasons why neither pass nor fail may be said."""

from __future__ import annotations

from vision.diagnose.causes import Evidence
from vision.measure.trust import DISPLACED_TOO_MUCH
from vision.register.glare import NO_GLARE

_SEEN_ENOUGH = 0.75
_COVERED_TOO_MUCH = 0.5
# Labels of which a glare had blotted out 0.37 and 0.42 of the outline were turned by 1.1 and 1.3
# degrees, twice what was stated; others up to 0.35 were told right (35 simulated ones).
_WHITE_TOO_MUCH = 0.3
# Why nothing is told of places on the bed.
CAMERA_UNSURE = "the camera may have moved, and no reference marks tell by how much"


def doubts_of(evidence: Evidence, uncorrected_camera: bool) -> tuple[str, ...]:
    """Return the reasons why neither pass nor fail may be said."""
    if evidence.not_found is not None:
        return (f"the artwork was not found: {evidence.not_found}",)
    doubts = []
    for layer in evidence.trust:
        if layer.faint:
            doubts.append(layer.faint)
        elif layer.covered_share > _COVERED_TOO_MUCH:
            doubts.append(
                f"something in front of the work covers {100 * layer.covered_share:.0f} % of the "
                f"{layer.layer}"
            )
        elif layer.white_share > _WHITE_TOO_MUCH:
            doubts.append(
                f"{100 * layer.white_share:.0f} % of the {layer.layer} lies where the picture is "
                "white: move or shade the lamp, or use less light"
            )
        elif layer.seen_share < _SEEN_ENOUGH:
            doubts.append(
                f"{100 * (1 - layer.seen_share):.0f} % of the {layer.layer} is not seen where it "
                "should be: covered, smeared or not burned"
            )
        elif layer.displaced_share > DISPLACED_TOO_MUCH:
            doubts.append(
                f"{100 * layer.displaced_share:.0f} % of the {layer.layer} lies elsewhere than "
                f"the rest, by up to {layer.displaced_mm:.2f} mm"
            )
    if evidence.glare > NO_GLARE and evidence.fill_to_outline is not None:
        doubts.append(
            f"a glare lies over the mark, {evidence.glare:.1f} times as bright as it should be "
            "there, which may hide where fill and outline lie: move or shade the lamp"
        )
    if evidence.rivals:
        doubts.append(
            "the artwork fits at more than one place of the capture: give --at to say which"
        )
    if uncorrected_camera:
        doubts.append(CAMERA_UNSURE)
    return tuple(doubts)
