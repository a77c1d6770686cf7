"""Simulated jobs for studies: a specification drawn at random, its two captures, its truth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from samples.simulator.bed import marks_file
from samples.simulator.camera import Camera, nudged, pool_camera
from samples.simulator.motion import Motion, about, placed
from samples.simulator.scene import Mark, render
from samples.simulator.shapes import Drawing
from samples.simulator.svg import write_svg
from samples.specification import STILL, JobSpec, Shift, draw_spec, drawing_of
from samples.staging import burn, hatch_of, mark, scenes
from samples.truth import BurnedPart, describe, describe_camera

__all__ = [
    "STILL",
    "JobSpec",
    "Shift",
    "SimulatedJob",
    "draw_spec",
    "drawing_of",
    "job_truth",
    "make_job",
]

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]


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


def job_truth(spec: JobSpec) -> dict[str, Any]:
    """Return the truth of a job without drawing its captures."""
    drawing = drawing_of(spec)
    page, middle = _place(spec, drawing)
    steps, final = _poses(spec, drawing, middle)
    parts = tuple(
        BurnedPart(
            step.layer,
            _seen(spec, step, final, middle),
            page.apply(drawing.points_mm(step.layer)),
            *step.part,
        )
        for step in steps
    )
    before, after = _cameras(spec)
    hatch = hatch_of(spec)
    return {
        "schema": "witmark.truth/1",
        "camera": describe_camera(before),
        "camera_after": describe_camera(after),
        "at_mm": list(spec.at_mm),
        "turn_deg": spec.turn_deg,
        "height_mm": spec.thickness_mm,
        "kerf_mm": spec.kerf_mm,
        "depth_mm": spec.depth_mm,
        "hatch": {
            "spacing_mm": hatch.spacing_mm,
            "angles_deg": list(hatch.angles_deg),
            "phase": hatch.phase,
        },
        **describe(parts, final, np.array(middle)),
    }


def make_job(spec: JobSpec) -> SimulatedJob:
    """Draw the captures before and after a job, with its artwork and its truth."""
    drawing = drawing_of(spec)
    rng = np.random.default_rng([7305, spec.seed])
    page, middle = _place(spec, drawing)
    steps, final = _poses(spec, drawing, middle)
    marks: list[Mark] = []
    for step in steps:
        lies = _seen(spec, step, final, middle).after(page)
        marks += [
            mark(spec, burned, step.layer, lies)
            for burned in burn(spec, drawing, step.layer, step.part, rng)
        ]
    before, after = scenes(spec, *_cameras(spec), final, tuple(marks), middle, rng)
    return SimulatedJob(
        spec,
        render(before, rng),
        render(after, rng),
        write_svg(drawing),
        job_truth(spec),
        marks_file(),
    )


def _place(spec: JobSpec, drawing: Drawing) -> tuple[Motion, tuple[float, float]]:
    """Return where the page should lie, and the bed place of the artwork's centre there."""
    page = placed(spec.at_mm, spec.turn_deg)
    centre = page.apply(np.array(drawing.centre_mm))
    return page, (float(centre[0]), float(centre[1]))


def _seen(spec: JobSpec, step: _Step, final: Motion, middle: tuple[float, float]) -> Motion:
    """Return the motion from a step's intended place to where the after capture shows it."""
    burned_at = about(middle, *spec.misplacement)
    return final.after(step.moved.inverse()).after(burned_at)


def _cameras(spec: JobSpec) -> tuple[Camera, Camera]:
    """Return the camera before and after the job."""
    camera = pool_camera(spec.camera_index, spec.size)
    direction = float(np.random.default_rng([7311, spec.seed]).uniform(0, 2 * math.pi))
    return camera, nudged(camera, spec.camera_bump_px, direction)


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
        if not there[layer] or layer == spec.unburned:
            continue
        if spec.moved_within is not None and spec.moved_within[0] == layer:
            share, shift = spec.moved_within[1:]
            steps.append(_Step(layer, (0.0, share), pose))
            pose = about(middle, *shift).after(pose)
            steps.append(_Step(layer, (share, 1.0), pose))
        else:
            steps.append(_Step(layer, (0.0, 1.0), pose))
    return steps, about(middle, *spec.moved_after_job).after(pose)
