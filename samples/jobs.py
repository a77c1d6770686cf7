"""Simulated jobs for studies: a specification drawn at random, its two captures, its truth."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import box

from samples.simulator.bed import BEDS, marks_file
from samples.simulator.burn import Beam, Burned, Hatch, burn_fill, burn_lines
from samples.simulator.camera import POOL, Camera, nudged, pool_camera
from samples.simulator.material import MATERIALS, ground, ground_reflectance, mark_reflectance
from samples.simulator.motion import Motion, about, placed
from samples.simulator.occluder import gantry
from samples.simulator.picture import Light, Optics, relit
from samples.simulator.raster import polygon_share
from samples.simulator.scene import Mark, Scene, Work, render
from samples.simulator.shapes import ARTS, Drawing
from samples.simulator.svg import write_svg
from samples.truth import BurnedPart, describe, describe_camera

Picture = NDArray[np.uint8]
Shift = tuple[float, float, float]
STILL: Shift = (0.0, 0.0, 0.0)
FAINT_LEVELS = 2.5


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
        Mark against ground and noise in grey levels at mid exposure; blur; None for no JPEG.
    kerf_mm, hatch_mm, hatch_angles_deg, softness_mm
        The burn: width of a stroke, spacing and angles of the hatch, sigma of the edge.
    unevenness, unevenness_scale_mm, scorch_share, depth_mm
        Variation of the burn along a stroke, one-sided scorch, depth of the fill's floor.
    art, art_size_mm, drawing
        One of shapes.ARTS and its width, or a drawing that replaces them.
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
    noise_levels: float = 2.0
    psf_px: float = 0.9
    jpeg_quality: int | None = 90
    kerf_mm: float = 0.2
    hatch_mm: float = 0.1
    hatch_angles_deg: tuple[float, ...] = (0.0, 90.0)
    softness_mm: float = 0.05
    unevenness: float = 0.10
    unevenness_scale_mm: float = 7.0
    scorch_share: float = 0.0
    depth_mm: float = 0.0
    art: str = "label"
    art_size_mm: float = 48.0
    drawing: Drawing | None = None
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
    camera_bump_px: float = 0.0
    light_change: float = 0.0
    haze: float = 0.0
    motion_px: float = 0.0
    glare: bool = False
    occluder: bool = False
    faint: bool = False


@dataclass(frozen=True, eq=False)
class SimulatedJob:
    """A job with its captures: (rows, columns, 3) uint8 RGB, artwork, truth, reference marks."""

    spec: JobSpec
    before: Picture
    after: Picture
    svg: str
    truth: dict[str, Any]
    marks: dict[str, Any]


@dataclass(frozen=True, eq=False)
class _Step:
    """A run of strokes and the work's pose (against the before capture) while it was burned."""

    layer: str
    part: tuple[float, float]
    moved: Motion


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
            x0, y0, x1, y1 = _drawing(JobSpec(**drawn)).box_mm
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
            np.array(_drawing(JobSpec(**drawn)).centre_mm)
        )
        drawn["at_mm"] = (
            round(float(middle[0] - page[0]), 2),
            round(float(middle[1] - page[1]), 2),
        )
    return JobSpec(**drawn)


def make_job(spec: JobSpec) -> SimulatedJob:
    """Draw the captures before and after a job, with its artwork and its truth."""
    drawing = _drawing(spec)
    camera = pool_camera(spec.camera_index, spec.size)
    rng = np.random.default_rng([7305, spec.seed])
    page = placed(spec.at_mm, spec.turn_deg)
    centre = page.apply(np.array(drawing.centre_mm))
    middle = (float(centre[0]), float(centre[1]))
    steps, final = _poses(spec, drawing, middle)
    wrong = about(middle, *spec.misplacement)
    marks: list[Mark] = []
    parts: list[BurnedPart] = []
    for step in steps:
        seen = final.after(step.moved.inverse()).after(wrong)
        marks += [
            _mark(spec, burned, step.layer, seen.after(page))
            for burned in _burn(spec, drawing, step, rng)
        ]
        parts.append(
            BurnedPart(step.layer, seen, page.apply(drawing.points_mm(step.layer)), *step.part)
        )
    direction = float(rng.uniform(0, 2 * math.pi))
    bumped = nudged(camera, spec.camera_bump_px, direction)
    light = _light(rng)
    before, after = _scenes(spec, camera, bumped, light, final, tuple(marks), middle, rng)
    truth = {
        "schema": "witmark.truth/1",
        "camera": describe_camera(camera),
        "camera_after": describe_camera(bumped),
        "at_mm": list(spec.at_mm),
        "turn_deg": spec.turn_deg,
        "height_mm": spec.thickness_mm,
        "kerf_mm": spec.kerf_mm,
        "depth_mm": spec.depth_mm,
        **describe(tuple(parts), final, centre),
    }
    return SimulatedJob(
        spec, render(before, rng), render(after, rng), write_svg(drawing), truth, marks_file()
    )


def _drawing(spec: JobSpec) -> Drawing:
    if spec.drawing is not None:
        return spec.drawing
    return ARTS[spec.art](spec.art_size_mm, np.random.default_rng([7306, spec.seed]))


def _poses(
    spec: JobSpec, drawing: Drawing, middle: tuple[float, float]
) -> tuple[list[_Step], Motion]:
    """Return the runs of strokes with the work's pose at each, and its pose at the end."""
    layers = ["fill", "outline"] if spec.order == "fill_first" else ["outline", "fill"]
    there = {"fill": bool(drawing.areas), "outline": bool(drawing.outlines)}
    pose = about(middle, *spec.place_error)
    steps: list[_Step] = []
    for place, layer in enumerate(layers):
        if place == 1:
            pose = about(middle, *spec.bump_after_outline).after(pose)
        if not there[layer]:
            continue
        if spec.moved_within is not None and spec.moved_within[0] == layer:
            share, shift = spec.moved_within[1:]
            steps.append(_Step(layer, (0.0, share), pose))
            pose = about(middle, *shift).after(pose)
            steps.append(_Step(layer, (share, 1.0), pose))
        else:
            steps.append(_Step(layer, (0.0, 1.0), pose))
    return steps, about(middle, *spec.moved_after_job).after(pose)


def _beam(spec: JobSpec, drawing: Drawing, layer: str, rng: np.random.Generator) -> Beam:
    x0, _, x1, _ = drawing.box_mm
    side = float(rng.uniform(0, 2 * math.pi))
    return Beam(
        kerf_mm=spec.kerf_mm,
        softness_mm=spec.softness_mm,
        # A hatch line leaves less than an outline stroke: its neighbours burn over it.
        strength=0.75 if layer == "fill" else 0.9,
        unevenness=spec.unevenness,
        unevenness_scale_mm=spec.unevenness_scale_mm,
        scorch_share=spec.scorch_share,
        scorch_mm=(0.3 * math.cos(side), 0.3 * math.sin(side)),
        pitch_mm=0.025 if x1 - x0 < 60 else 0.03,
    )


def _burn(spec: JobSpec, drawing: Drawing, step: _Step, rng: np.random.Generator) -> list[Burned]:
    beam = _beam(spec, drawing, step.layer, rng)
    if step.layer == "outline":
        return burn_lines(drawing.outlines, beam, rng, step.part)
    # Both parts of a pass that was disturbed belong to one hatch: its phase comes from the seed.
    phase = float(np.random.default_rng([7307, spec.seed]).random())
    hatch = Hatch(spec.hatch_angles_deg, spec.hatch_mm, phase)
    return burn_fill(drawing.areas, hatch, beam, rng, step.part)


def _mark(spec: JobSpec, burned: Burned, layer: str, bed_from_page: Motion) -> Mark:
    material = MATERIALS[spec.texture]
    contrast = FAINT_LEVELS if spec.faint else spec.contrast_levels
    # A mark that hardly stands out in grey has hardly a colour of its own either.
    tint = material.tint if spec.faint else material.mark_tint
    return Mark(
        burned,
        bed_from_page,
        mark_reflectance(material, tint, contrast, 0.9),
        tint,
        spec.depth_mm if layer == "fill" else 0.0,
    )


def _light(rng: np.random.Generator) -> Light:
    return Light(
        tilt=(float(rng.uniform(-0.12, 0.12)), float(rng.uniform(-0.12, 0.12))),
        bow=float(rng.uniform(0.0, 0.12)),
        gain=float(rng.uniform(0.94, 1.04)),
        warmth=float(rng.uniform(-0.03, 0.06)),
    )


def _scenes(
    spec: JobSpec,
    camera: Camera,
    bumped: Camera,
    light: Light,
    final: Motion,
    marks: tuple[Mark, ...],
    middle: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[Scene, Scene]:
    """Return the scenes before and after the job."""
    material = MATERIALS[spec.texture]
    width, height = spec.sheet_mm
    corner = Motion(math.radians(spec.sheet_turn_deg)).apply(np.array([width, height]) / 2)
    lies = placed(
        (spec.sheet_centre_mm[0] - float(corner[0]), spec.sheet_centre_mm[1] - float(corner[1])),
        spec.sheet_turn_deg,
    )
    low = spec.corner_mm
    rim = np.array(
        box(low, low, width - low, height - low).buffer(low, quad_segs=12).exterior.coords
    )[:-1]
    work = Work(
        shape=polygon_share(rim, 0.1, 6.0),
        ground=ground(spec.texture, spec.sheet_mm, spec.seed, 0.1 if width < 100 else 0.15),
        bed_from_work=lies,
        thickness_mm=spec.thickness_mm,
        reflectance=ground_reflectance(material),
        tint=material.tint,
    )
    optics = Optics(spec.psf_px, spec.noise_levels, jpeg_quality=spec.jpeg_quality)
    before = Scene(
        camera, spec.bed, spec.bed_variant, replace(work, marks=()), light=light, optics=optics
    )
    changed = relit(light, rng, spec.light_change) if spec.light_change else light
    if spec.glare:
        where = camera.project(np.array([[*middle, spec.thickness_mm]]))[0]
        spot = where + rng.uniform(-60, 60, 2) * spec.size[0] / 1920
        changed = replace(changed, glare=(float(spot[0]), float(spot[1]), 0.02 * spec.size[0], 0.8))
    after = Scene(
        bumped,
        spec.bed,
        spec.bed_variant,
        replace(work, bed_from_work=final.after(lies), marks=marks),
        panels=(gantry(bumped, middle),) if spec.occluder else (),
        light=replace(changed, haze=spec.haze),
        optics=replace(
            optics,
            motion_px=(spec.motion_px, float(rng.uniform(0, math.pi)) if spec.motion_px else 0.0),
        ),
    )
    return before, after
