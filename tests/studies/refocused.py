"""The study of refocused cameras: is another focal length noticed, and does the map come right?

Run it from the top of the checkout:

    python -m tests.studies.refocused --seeds 0:120 --parity odd --out FOLDER --cache FOLDER

A calibrated camera of the simulator's pool, four reference marks in view, is refocused (focal
length 0.3 to 3 % longer or shorter, nothing else changed), nudged by 0.5 to 20 pixels, both, or
neither; or its picture is a part of the calibration's, enlarged by 2 to 25 % as far as the marks
stay in it. The capture is drawn and the camera solved again from the marks. One row per seed is
appended to FOLDER/refocused.jsonl; run again, it goes on where it stopped. Then come the figures;
the exit status is 1 where a target is missed. Even seeds are for tuning, odd ones for judging.
`--sabotage` hides from the marks that the camera refocused or was cropped.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.bed import TRACKED, Bed
from calibration.marks import CORNER_SIGMA_PX
from calibration.plane import PlaneSurface
from calibration.quantity import K95
from calibration.tracking import resolve_camera
from samples.simulator.bed import MARKS
from samples.simulator.camera import Camera, nudged, pool_camera
from samples.simulator.picture import Light, Optics
from samples.simulator.scene import Scene, render
from tests.studies.calibrated import bed_of
from tests.studies.nudged import SIZE, grid_of, rms_off, said_of
from tests.studies.nudged import Case as Nudge
from tests.studies.nudged import draw_case as draw_nudge
from tests.studies.rates import Rate, Spread
from tests.studies.rows import Row, stamp
from tests.studies.single import Study
from tests.studies.summary import Target
from vision.capture.photo import Photo

Array = NDArray[np.float64]

VERSION = 2
_KINDS = {"refocused": 0.25, "both": 0.2, "nudged": 0.15, "still": 0.1, "cropped": 0.3}
_PX = (0.5, 20.0)
_PERCENT = (0.3, 3.0)
_ZOOM = (1.02, 1.25)
_HEIGHT_MM = (1.0, 40.0)
# Marks whose white ground comes nearer to the rim of the picture may be missed.
_RIM_PX = 8.0


@dataclass(frozen=True)
class Case:
    """One capture by a camera that may have refocused since it was calibrated.

    `nudge` holds its nudge, bed and light; `focal_percent` is how much longer the focal length is
    now; of a crop `zoom` is the scale, and `corner` where it lies in what is left over, 0 to 1 from
    left and top; the map is looked at on the bed and at `height_mm`.
    """

    kind: str
    nudge: Nudge
    focal_percent: float
    height_mm: float
    zoom: float = 1.0
    corner: tuple[float, float] = (0.5, 0.5)


def draw_case(seed: int) -> Case:
    """Return the capture of a seed; equal seeds give equal captures."""
    rng = np.random.default_rng([9007, seed])
    kind = str(rng.choice(list(_KINDS), p=list(_KINDS.values())))
    shift_px, percent = (
        math.exp(float(rng.uniform(math.log(low), math.log(high)))) for low, high in (_PX, _PERCENT)
    )
    nudge = replace(draw_nudge(seed), nudge_px=shift_px if kind in ("nudged", "both") else 0.0)
    case = Case(
        kind,
        nudge,
        (percent if kind in ("refocused", "both") else 0.0) * float(rng.choice([-1.0, 1.0])),
        float(rng.uniform(*_HEIGHT_MM)),
    )
    if kind == "cropped":
        return _drawn_crop(case, rng)
    # A longer focal length may push marks out of view: then a shorter one, or another way.
    turned = replace(nudge, heading_rad=nudge.heading_rad + math.pi)
    choices = [
        replace(case, nudge=way, focal_percent=sign * case.focal_percent)
        for way in (nudge, turned)
        for sign in (1, -1)
    ]
    return next((one for one in choices if _marks_in_view(_camera(one))), choices[-1])


def _drawn_crop(case: Case, rng: np.random.Generator) -> Case:
    """Return a crop that the marks are in, the smallest of 200 that were drawn at the latest."""
    zoom = math.exp(float(rng.uniform(*(math.log(end) for end in _ZOOM))))
    least = math.log(_ZOOM[0])
    for number in range(200):
        part = math.exp(least + (math.log(zoom) - least) * (1 - number / 199))
        u, v = rng.uniform(0, 1, 2).tolist()
        drawn = replace(case, zoom=part, corner=(u, v))
        if _marks_in_view(_camera(drawn)):
            return drawn
    return drawn


def run_capture(seed: int, cache: Path, sabotage: bool, code: str) -> Row:
    """Draw the capture of a seed, solve its camera, and hold the map against the truth."""
    case = draw_case(seed)
    nudge = case.nudge
    calibrated = bed_of(nudge.camera_index, nudge.variant, SIZE, cache)
    before, now = pool_camera(nudge.camera_index, SIZE), _camera(case)
    shown = _camera(replace(case, focal_percent=0.0, zoom=1.0)) if sabotage else now
    optics = Optics(nudge.psf_px, nudge.noise_levels, jpeg_quality=nudge.jpeg_quality)
    scene = Scene(shown, nudge.bed, 0, light=Light(nudge.tilt, 0.08, 0.98), optics=optics)
    rgb = render(scene, np.random.default_rng([9008, seed]))
    solved, told = resolve_camera(calibrated, Photo(rgb, "capture", "").grey)
    places = grid_of(calibrated)
    off = calibrated.mm_from_px(now.project(places), 0.0) - places[:, :2]
    shift_mm = off - (calibrated.mm_from_px(before.project(places), 0.0) - places[:, :2])
    place = places[np.random.default_rng([9009, seed]).integers(len(places)), :2]
    refocus = told.refocus
    return {
        "code": code,
        "kind": case.kind,
        "spec": {"camera": nudge.camera_index, "nudge_px": nudge.nudge_px, "bed": nudge.bed},
        "marks": told.marks_seen,
        "note": told.note,
        "moved": told.moved,
        "corrected": told.corrected,
        "zoom": case.zoom,
        "refocus": None if refocus is None or refocus.cropped else refocus.confidence,
        "cropped": refocus is not None and refocus.cropped,
        "said_moved_too": None if refocus is None else refocus.also_moved,
        "focal_percent": case.focal_percent,
        "told_percent": None if refocus is None else refocus.focal_percent.value,
        "u95_percent": None if refocus is None else refocus.focal_percent.u95,
        "least_percent": _focal_u95_percent(calibrated),
        "shift_mm": float(np.hypot(*shift_mm.T).max()),
        "told_mm": told.shift_mm.value,
        "u95_mm": told.shift_mm.u95,
        "fresh_mm": rms_off(calibrated, before),
        "after_mm": rms_off(solved, now),
        "height_mm": case.height_mm,
        "on_bed": _within(solved, now, place, 0.0),
        "above": _within(solved, now, place, case.height_mm),
    }


def _camera(case: Case) -> Camera:
    """Return the true camera of a capture."""
    nudge = case.nudge
    moved = nudged(pool_camera(nudge.camera_index, SIZE), nudge.nudge_px, nudge.heading_rad)
    longer = case.zoom * (1 + case.focal_percent / 100)
    fx, fy = (focal * longer for focal in moved.focal_px)
    # Pixels are counted from the middle of the first.
    cx, cy = (
        case.zoom * (centre + 0.5 - share * side * (1 - 1 / case.zoom)) - 0.5
        for centre, share, side in zip(moved.centre_px, case.corner, moved.size, strict=True)
    )
    return replace(moved, focal_px=(fx, fy), centre_px=(cx, cy))


def _marks_in_view(camera: Camera) -> bool:
    corners = [
        (*(np.array(mark.centre_mm) + mark.ground_mm / 2 * np.array(way)), 0.0)
        for mark in MARKS
        for way in ((-1, -1), (-1, 1), (1, -1), (1, 1))
    ]
    px = camera.project(np.array(corners))
    return bool((px >= _RIM_PX).all() and (px <= np.array(SIZE) - 1 - _RIM_PX).all())


def _focal_u95_percent(bed: Bed) -> float:
    """Return how well a change of the focal length can be told beside one of the pose."""
    points = np.concatenate([np.c_[m.corners_mm, np.full(4, m.height_mm)] for m in bed.marks])
    _, _, per_pose, per_lens = bed.px_with_jacobians(points)
    per_tracked = bed.per_tracked(per_pose, per_lens).reshape(-1, TRACKED)[:, :7]
    # This capture's corners and the calibration's are as unsure.
    covariance = np.linalg.inv(per_tracked.T @ per_tracked) * 2 * CORNER_SIGMA_PX**2
    return float(100 * K95 * math.sqrt(covariance[6, 6]))


def _within(bed: Bed, camera: Camera, place_mm: Array, height_mm: float) -> dict[str, float]:
    """Return how far a place is off at a height, and the radius that holds it with 95 %."""
    px = camera.project(np.array([[*place_mm, height_mm]]))
    seen = bed.mm_from_px(px, height_mm)
    u95 = PlaneSurface(bed, height_mm).calibration_u95_mm(seen)[0]
    return {"off_mm": float(np.hypot(*(seen[0] - place_mm))), "u95_mm": float(u95)}


def _longer(row: Row) -> float:
    """Return by how many per cent the focal length is longer, in pixels."""
    return float(100 * (row["zoom"] * (1 + row["focal_percent"] / 100) - 1))


def figures(rows: Sequence[Row]) -> list[Target]:
    """Hold the rows against what is asked of a refocused camera."""
    seen = [row for row in rows if "error" not in row and row["moved"] is not None]
    refocused = [row for row in seen if row["focal_percent"] != 0.0]
    same = [row for row in seen if row["focal_percent"] == 0.0 and row["zoom"] == 1.0]
    cropped = [row for row in seen if row["zoom"] != 1.0]
    told = Rate(len(seen), len(rows))
    out = [Target("told what the camera did", "all", str(told), told.k == told.n)]
    large = [row for row in refocused if row["shift_mm"] >= 2 * row["u95_mm"]]
    kept = Rate(sum(not row["corrected"] for row in large), len(large))
    out.append(Target("shifts of 2 U95 or more not corrected", "0", str(kept), kept.k == 0))
    clear = [row for row in refocused if abs(row["focal_percent"]) >= 2 * row["least_percent"]]
    missed = Rate(sum(row["refocus"] is None for row in clear), len(clear))
    out.append(Target("refocus of 2 U95 or more unnamed", "0", str(missed), missed.k == 0))
    false = Rate(sum(row["refocus"] is not None for row in same), len(same))
    out.append(Target("refocus named, was none", "<= 1 %", str(false), false.interval[0] <= 0.01))
    others = [row for row in seen if row["zoom"] == 1.0]
    crops = Rate(sum(row["cropped"] for row in cropped), len(cropped))
    out.append(Target("crops named", "all", str(crops), crops.k == crops.n))
    false = Rate(sum(row["cropped"] for row in others), len(others))
    out.append(Target("crop named, was none", "0", str(false), false.k == 0))
    for kind, wanted in (("refocused", False), ("both", True)):
        named = [row for row in seen if row["kind"] == kind]
        sure = Rate(sum(row["refocus"] == "sure" for row in named), len(named))
        likely = Rate(sum(row["refocus"] == "likely" for row in named), len(named))
        right = sum(row["said_moved_too"] is wanted for row in named)
        text = f"sure {sure}; likely {likely}; movement right {right}"
        out.append(Target(f"named, {kind}", "", text, True))
    for name, group in (("refocused", refocused), ("cropped", cropped)):
        if not group:
            continue
        fresh, after = (
            Spread.of([row[key] for row in group]).rmse for key in ("fresh_mm", "after_mm")
        )
        ratio = f"{after / fresh:.2f} ({after:.4f} / {fresh:.4f} mm), n = {len(group)}"
        met = after <= 1.3 * fresh
        out.append(Target(f"bed error after / before, {name}", "<= 1.3", ratio, met))
    named = [row for row in refocused if row["refocus"] is not None]
    for name, group in (("focal length", named), ("zoom", [r for r in seen if r["cropped"]])):
        inside = sum(abs(r["told_percent"] - _longer(r)) <= r["u95_percent"] for r in group)
        held = Rate(inside, len(group))
        if group:
            out.append(Target(f"{name} inside U95", ">= 90 %", str(held), held.share >= 0.9))
    for where, words in (("on_bed", "on the bed"), ("above", "1 to 40 mm above it")):
        held = Rate(sum(r[where]["off_mm"] <= r[where]["u95_mm"] for r in seen), len(seen))
        if seen:
            name = f"a place inside U95, {words}"
            out.append(Target(name, ">= 90 %", str(held), held.share >= 0.9))
    return out


def _stamp(seed: int) -> str:
    return stamp(VERSION, draw_case(seed))


STUDY = Study(
    "refocused",
    "Cameras refocused after their calibration, four reference marks in view.",
    "captures",
    ("calibration", "samples/simulator"),
    _stamp,
    run_capture,
    said_of,
    figures,
    sabotage="hide the refocus from the marks",
    cached=True,
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
