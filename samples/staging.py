"""From a job's specification to the scenes before and after it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely import box

from samples.simulator.burn import Beam, Burned, Hatch, burn_fill, burn_lines
from samples.simulator.camera import Camera
from samples.simulator.material import (
    MATERIALS,
    ground,
    ground_reflectance,
    mark_reflectance,
    opacity_for,
)
from samples.simulator.motion import Motion, placed
from samples.simulator.occluder import gantry
from samples.simulator.picture import Light, Optics, relit
from samples.simulator.raster import polygon_share
from samples.simulator.scene import Mark, Scene, Work
from samples.simulator.shapes import Drawing
from samples.specification import JobSpec

Array = NDArray[np.float64]
_FAINT_LEVELS = 2.5
_OUTLINE_OPACITY = 0.9


def _beam(spec: JobSpec, drawing: Drawing, layer: str, rng: np.random.Generator) -> Beam:
    x0, _, x1, _ = drawing.box_mm
    side = float(rng.uniform(0, 2 * math.pi))
    return Beam(
        kerf_mm=spec.kerf_mm,
        softness_mm=spec.softness_mm,
        strength=_OUTLINE_OPACITY if layer == "outline" else _hatch_strength(spec),
        unevenness=spec.unevenness,
        unevenness_scale_mm=spec.unevenness_scale_mm,
        scorch_share=spec.scorch_share,
        scorch_mm=(0.3 * math.cos(side), 0.3 * math.sin(side)),
        pitch_mm=0.025 if x1 - x0 < 60 else 0.03,
    )


def _mark_tone(spec: JobSpec) -> tuple[tuple[float, float, float], float, float]:
    """Return tint and reflectance of a fully burned place, and the contrast of the fill.

    The outline is burned slower than the fill and stands out from it.
    """
    material = MATERIALS[spec.texture]
    if spec.faint:
        # A mark that hardly stands out in grey has hardly a colour of its own either.
        tint, contrast, more = material.tint, _FAINT_LEVELS, 0.0
    else:
        tint, contrast, more = material.mark_tint, spec.contrast_levels, spec.outline_more_levels
    reflectance = mark_reflectance(material, tint, contrast + more, _OUTLINE_OPACITY)
    return tint, reflectance, contrast


def _hatch_strength(spec: JobSpec) -> float:
    """Return the opacity of one hatch stroke, so that all that lie over a place give the fill's."""
    tint, reflectance, contrast = _mark_tone(spec)
    opacity = opacity_for(MATERIALS[spec.texture], tint, reflectance, contrast)
    over = max(1.0, len(spec.hatch_angles_deg) * spec.kerf_mm / spec.hatch_mm)
    return float(1 - (1 - min(opacity, 0.98)) ** (1 / over))


def burn(
    spec: JobSpec,
    drawing: Drawing,
    layer: str,
    part: tuple[float, float],
    rng: np.random.Generator,
) -> list[Burned]:
    """Draw what a share of a layer's strokes leaves on the page."""
    beam = _beam(spec, drawing, layer, rng)
    if layer == "outline":
        return burn_lines(drawing.outlines, beam, rng, part)
    return burn_fill(drawing.areas, hatch_of(spec), beam, rng, part)


def hatch_of(spec: JobSpec) -> Hatch:
    """Return the hatch of a job; both parts of a pass that was disturbed share it."""
    phase = spec.hatch_phase
    if phase is None:
        phase = float(np.random.default_rng([7307, spec.seed]).random())
    return Hatch(spec.hatch_angles_deg, spec.hatch_mm, phase)


def mark(spec: JobSpec, burned: Burned, layer: str, bed_from_page: Motion) -> Mark:
    """Return burned strokes as they lie on the job's material."""
    tint, reflectance, _ = _mark_tone(spec)
    return Mark(
        burned,
        bed_from_page,
        reflectance,
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


def scenes(
    spec: JobSpec,
    camera: Camera,
    bumped: Camera,
    final: Motion,
    marks: tuple[Mark, ...],
    middle: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[Scene, Scene]:
    """Return the scenes before and after the job."""
    light = _light(rng)
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
        replace(work, bed_from_work=final.after(lies), marks=marks, bow_mm=spec.bow_mm),
        panels=(gantry(bumped, middle),) if spec.occluder else (),
        light=replace(changed, haze=spec.haze),
        optics=replace(
            optics,
            motion_px=(spec.motion_px, float(rng.uniform(0, math.pi)) if spec.motion_px else 0.0),
        ),
    )
    return before, after
