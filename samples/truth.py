"""What really happened to a simulated job, in the words of a report.

A beam that burns at a bed point q while the work lies at pose T_k marks the work; when the work
lies at T_f in the after capture, that mark is seen at T_f T_k^-1 q. Poses are told against the
before capture, where T is the identity.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from samples.simulator.camera import Camera
from samples.simulator.motion import Motion

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class BurnedPart:
    """Strokes of one layer that were burned while the work lay still.

    Attributes
    ----------
    layer
        "outline", "fill" or "cut".
    seen_from_intended
        Motion from the intended place on the bed to where the after capture shows the mark.
    points_mm
        (n, 2) points of the strokes and area rims at their intended place on the bed.
    first, last
        Share of the layer's strokes burned before and after this part's last stroke.
    """

    layer: str
    seen_from_intended: Motion
    points_mm: Array
    first: float = 0.0
    last: float = 1.0


def displacement(motion: Motion, against: Motion, reference_mm: Array) -> dict[str, float]:
    """Return where `motion` takes the reference point minus where `against` takes it."""
    shift = motion.apply(reference_mm) - against.apply(reference_mm)
    return {
        "dx_mm": float(shift[0]),
        "dy_mm": float(shift[1]),
        "rotation_deg": math.degrees(motion.angle_rad - against.angle_rad),
    }


def worst(motion: Motion, against: Motion, points_mm: Array) -> float:
    """Return the largest distance of the two images of (n, 2) points."""
    return float(np.linalg.norm(motion.apply(points_mm) - against.apply(points_mm), axis=1).max())


def describe(
    parts: tuple[BurnedPart, ...], moved_work: Motion, reference_mm: Array
) -> dict[str, Any]:
    """Return the displacements of a job (design: frames of reference and signs).

    A layer that moved within its own pass has no single displacement: its entry is None and
    `moved_within_pass` tells the displacement of each part.

    Parameters
    ----------
    moved_work
        The work's motion from the before to the after capture.
    reference_mm
        (2,) centre of the artwork's box at its intended place.
    """
    still = Motion()
    single: dict[str, BurnedPart] = {}
    split: dict[str, list[dict[str, Any]]] = {}
    for layer in dict.fromkeys(part.layer for part in parts):
        own = [part for part in parts if part.layer == layer]
        if len(own) == 1:
            single[layer] = own[0]
        else:
            split[layer] = [
                {
                    "from_fraction": part.first,
                    "to_fraction": part.last,
                    **displacement(part.seen_from_intended, still, reference_mm),
                }
                for part in own
            ]
    layers = dict.fromkeys(part.layer for part in parts)
    content: dict[str, Any] = {
        "reference_point_mm": [float(value) for value in reference_mm],
        "placement": {},
        "placement_on_work": {},
        "fill_to_outline": None,
        "part_movement": displacement(moved_work, still, reference_mm),
        "moved_within_pass": split or None,
    }
    for layer in layers:
        part = single.get(layer)
        for key, against in (("placement", still), ("placement_on_work", moved_work)):
            content[key][layer] = (
                displacement(part.seen_from_intended, against, reference_mm) if part else None
            )
    content["worst"] = {
        "placement": max(worst(p.seen_from_intended, still, p.points_mm) for p in parts),
        "placement_on_work": max(
            worst(p.seen_from_intended, moved_work, p.points_mm) for p in parts
        ),
        "fill_to_outline": None,
    }
    if "outline" in layers and "fill" in layers:
        everything = np.vstack([part.points_mm for part in parts])
        pairs = [
            (fill.seen_from_intended, outline.seen_from_intended)
            for fill in parts
            for outline in parts
            if (fill.layer, outline.layer) == ("fill", "outline")
        ]
        content["worst"]["fill_to_outline"] = max(worst(f, o, everything) for f, o in pairs)
        if "fill" in single and "outline" in single:
            content["fill_to_outline"] = displacement(*pairs[0], reference_mm)
    return content


def describe_camera(camera: Camera) -> dict[str, Any]:
    """Return a camera's exact parameters as plain data: K, lens (k1 k2 p1 p2 k3), pose.

    rvec (rad) and tvec (mm) are camera_from_bed.
    """
    return {
        "size": list(camera.size),
        "K": camera.matrix.tolist(),
        "dist": list(camera.lens),
        "rvec": list(camera.rvec),
        "tvec": list(camera.tvec),
    }


def rounded(content: Any, digits: int = 6) -> Any:
    """Return plain data with every float rounded, for files that people read."""
    if isinstance(content, float):
        return round(content, digits)
    if isinstance(content, Mapping):
        return {key: rounded(value, digits) for key, value in content.items()}
    if isinstance(content, list | tuple):
        return [rounded(value, digits) for value in content]
    return content
