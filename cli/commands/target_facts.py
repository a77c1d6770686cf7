"""What `witmark calibrate bed` tells of a burned target: the machine's axes and its own errors."""

from __future__ import annotations

from typing import Any

from calibration.machine import MachineAxes
from calibration.target_fit import TargetFit

# Errors of machines are some tenths of a per cent: what is known worse than that says nothing.
_POOR_PERCENT = 0.3
_WAYS = {
    (1, 0): "to the right",
    (-1, 0): "to the left",
    (0, 1): "away from you",
    (0, -1): "toward you",
}


def machine_facts(found: TargetFit) -> dict[str, Any]:
    """Return the machine's axes and errors, for machines."""
    return {
        "bed_from_machine": found.axes.to_json(),
        "reversal_mm": {
            axis: quantity.to_json() for axis, quantity in zip("xy", found.reversal_mm, strict=True)
        },
        "stretch_percent": found.stretch_percent.to_json(),
        "skew_deg": found.skew_deg.to_json(),
        "left_mm": dict(zip("xy", found.left_mm, strict=True)),
    }


def machine_text(found: TargetFit) -> str:
    """Return the same as text."""
    x, y = found.reversal_mm
    percent, degrees = found.stretch_percent, found.skew_deg
    poor = (percent.u95 or 0.0) > _POOR_PERCENT
    return "\n".join(
        [
            f"The machine's X counts {_way(found.axes, 0)}, its Y {_way(found.axes, 1)}.",
            "Its own errors over the target, 95 % (the words are those of ISO 230-2; this is no "
            "test certificate):",
            f"  reversal: X {x.value:+.3f} +- {x.u95:.3f} mm, Y {y.value:+.3f} +- {y.u95:.3f} mm",
            *(["  (without a lens file one photo hardly tells the next two)"] if poor else []),
            f"  X against Y: longer by {percent.value:+.3f} +- {percent.u95:.3f} %",
            f"  squareness: Y leans toward X by {degrees.value:+.3f} +- {degrees.u95:.3f} degrees",
            f"  what is left of crosses: {found.left_mm[0]:.3f} mm along X, "
            f"{found.left_mm[1]:.3f} along Y (RMS; machine, sheet and camera together)",
        ]
    )


def _way(axes: MachineAxes, axis: int) -> str:
    return _WAYS[(axes.axes[0][axis], axes.axes[1][axis])]
