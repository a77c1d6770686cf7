"""What decides a simulated job, and how to draw one at random."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from samples.simulator.bed import BEDS
from samples.simulator.camera import POOL
from samples.simulator.material import MATERIALS
from samples.simulator.motion import Motion
from samples.simulator.shapes import ARTS, Drawing

Shift = tuple[float, float, float]
STILL: Shift = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class JobSpec:
    """Everything that decides a simulated job. Shifts are (dx mm, dy mm, rotation deg).

    Attributes
    ----------
    seed
        Seeds textures, strokes and noise.
    size, camera_index
        Picture size and number of the camera in the pool; equal numbers are the same camera.
    bed, bed_variant, texture
        One of bed.BEDS, which drawing of it, and one of material.MATERIALS.
    contrast_levels, noise_levels, psf_px, jpeg_quality
        Mark (a fill, or an outline alone less outline_more_levels) against ground and noise, in
        grey levels at mid exposure; blur; None for no JPEG.
    outline_more_levels
        How much further than the fill the outline, burned slower, stands from the ground.
    kerf_mm, hatch_mm, hatch_angles_deg, hatch_phase, softness_mm
        The burn: width of a stroke; spacing and angles of the hatch, and where its lines fall
        (share of the spacing from the page's origin; None: at random); sigma of the edge.
    unevenness, unevenness_scale_mm, scorch_share, depth_mm
        Variation of the burn along a stroke, one-sided scorch, depth of the fill's floor.
    art, art_size_mm, drawing
        One of shapes.ARTS and its width, or a drawing that replaces them.
    unburned
        A layer of the drawing that was never burned.
    at_mm, turn_deg
        Bed place of the page's lower left corner, and its turn.
    sheet_mm, sheet_centre_mm, sheet_turn_deg, corner_mm, thickness_mm
        The work: (width, height), where its centre lies in the before capture, its turn, radius of
        its corners, height.
    order
        "fill_first" or "outline_first".
    misplacement
        The machine burned everything displaced by this, about the artwork's centre.
    place_error
        Nudge of the work after the before capture and before the first stroke.
    bump_after_outline
        Nudge of the work between the two layers (after the outline where that is burned first,
        before the outline where the fill is).
    moved_within
        (layer, share of its strokes burned before, shift) of a nudge within a pass, or None.
    moved_after_job
        Nudge of the work between the last stroke and the after capture. All nudges are about the
        artwork's centre at its intended place.
    bow_mm
        How much higher the middle of the work lies than two of its sides in the after capture.
    camera_bump_px, light_change, haze, motion_px, glare, occluder, faint
        What disturbs the after capture; a faint mark stands 2.5 grey levels from its ground.
    """

    seed: int
    size: tuple[int, int] = (1920, 1080)
    camera_index: int = 0
    bed: str = "honeycomb"
    bed_variant: int = 0
    texture: str = "painted"
    contrast_levels: float = 80.0
    outline_more_levels: float = 30.0
    noise_levels: float = 2.0
    psf_px: float = 0.9
    jpeg_quality: int | None = 90
    kerf_mm: float = 0.2
    hatch_mm: float = 0.1
    hatch_angles_deg: tuple[float, ...] = (0.0, 90.0)
    hatch_phase: float | None = None
    softness_mm: float = 0.05
    unevenness: float = 0.10
    unevenness_scale_mm: float = 7.0
    scorch_share: float = 0.0
    depth_mm: float = 0.0
    art: str = "label"
    art_size_mm: float = 48.0
    drawing: Drawing | None = None
    unburned: str = ""
    at_mm: tuple[float, float] = (175.0, 130.0)
    turn_deg: float = 0.0
    sheet_mm: tuple[float, float] = (60.0, 40.0)
    sheet_centre_mm: tuple[float, float] = (200.0, 150.0)
    sheet_turn_deg: float = 0.0
    corner_mm: float = 0.0
    thickness_mm: float = 0.6
    order: str = "fill_first"
    misplacement: Shift = STILL
    place_error: Shift = STILL
    bump_after_outline: Shift = STILL
    moved_within: tuple[str, float, Shift] | None = None
    moved_after_job: Shift = STILL
    bow_mm: float = 0.0
    camera_bump_px: float = 0.0
    light_change: float = 0.0
    haze: float = 0.0
    motion_px: float = 0.0
    glare: bool = False
    occluder: bool = False
    faint: bool = False


def drawing_of(spec: JobSpec) -> Drawing:
    """Return the artwork of a job."""
    if spec.drawing is not None:
        return spec.drawing
    return ARTS[spec.art](spec.art_size_mm, np.random.default_rng([7306, spec.seed]))


def draw_spec(seed: int, **overrides: Any) -> JobSpec:
    """Return a random specification; equal seeds give equal ones; `overrides` replace fields.

    Nothing moves and nothing disturbs unless overridden. Artwork and work that are not overridden
    fit each other and the bed.
    """
    rng = np.random.default_rng([7304, seed])
    texture = str(rng.choice(list(MATERIALS)))
    small = bool(rng.random() < 0.4)
    sheet = (60.0, 40.0) if small else (rng.uniform(150, 200), rng.uniform(110, 150))
    art = str(rng.choice(list(ARTS)))
    turn = float(rng.uniform(-12, 12)) if rng.random() < 0.7 else 0.0
    size = rng.uniform(0.55, 0.75) * 50 if small else rng.uniform(30, 105)
    centre = (float(rng.uniform(140, 260)), float(rng.uniform(110, 190)))
    drawn: dict[str, Any] = {
        "seed": seed,
        "camera_index": int(rng.integers(POOL)),
        "bed": str(rng.choice(BEDS)),
        "bed_variant": int(rng.integers(2)),
        "texture": texture,
        "contrast_levels": float(rng.uniform(40, 120)),
        "noise_levels": float(rng.uniform(1, 4)),
        "psf_px": float(rng.uniform(0.7, 1.2)),
        "jpeg_quality": int(rng.integers(85, 96)),
        "kerf_mm": float(rng.uniform(0.15, 0.25)),
        "hatch_mm": float(rng.uniform(0.06, 0.12)),
        "hatch_angles_deg": ((0.0, 90.0), (45.0, 135.0), (0.0,), (90.0,))[int(rng.integers(4))],
        "art": art,
        "art_size_mm": float(size),
        "turn_deg": turn,
        "sheet_mm": (float(sheet[0]), float(sheet[1])),
        "sheet_centre_mm": centre,
        "sheet_turn_deg": turn + float(rng.normal(0, 0.5)),
        "thickness_mm": float(rng.uniform(0.6, 3.0)),
        "order": str(rng.choice(["fill_first", "outline_first"])),
    }
    drawn.update(overrides)
    if "art_size_mm" not in overrides:
        # Shrink the artwork until it lies within the work with a margin of a few millimetres.
        for _ in range(8):
            x0, y0, x1, y1 = drawing_of(JobSpec(**drawn)).box_mm
            room = min(
                (drawn["sheet_mm"][0] - 8) / (x1 - x0), (drawn["sheet_mm"][1] - 8) / (y1 - y0)
            )
            if room >= 1:
                break
            drawn["art_size_mm"] *= max(0.98 * room, 0.3)
    if "at_mm" not in overrides:
        # The artwork's centre lies near the work's centre; a larger sheet leaves it room to roam.
        free = 0.0 if drawn["sheet_mm"][0] < 100 else 12.0
        middle = np.array(drawn["sheet_centre_mm"]) + rng.uniform(-1, 1, 2) * (1 + free)
        page = Motion(math.radians(drawn["turn_deg"])).apply(
            np.array(drawing_of(JobSpec(**drawn)).centre_mm)
        )
        drawn["at_mm"] = (
            round(float(middle[0] - page[0]), 2),
            round(float(middle[1] - page[1]), 2),
        )
    return JobSpec(**drawn)
