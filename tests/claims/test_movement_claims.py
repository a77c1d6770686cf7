"""Claims on the movement of the work: its error, its interval, and that it invents none."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from calibration.bed import COUNT, Bed
from calibration.lens import Lens
from calibration.plane import PlaneSurface
from calibration.pose import Pose
from samples.jobs import draw_spec, drawing_of, make_job
from vision.artwork.placing import Rigid
from vision.capture.photo import linear_luminance
from vision.register.movement import work_movement
from vision.register.tone import grey_from_linear
from vision.register.view import View
from vision.register.work import find_blank

# 99.9 % quantile of chi-square with three degrees of freedom.
CHI2 = 16.27


def surface(camera: dict, height_mm: float) -> PlaneSurface:
    k, lens = np.array(camera["K"]), camera["dist"]
    names = ("k1", "k2", "p1", "p2", "k3")
    made = Lens.from_values(
        tuple(camera["size"]),
        fx=k[0, 0],
        fy=k[1, 1],
        cx=k[0, 2],
        cy=k[1, 2],
        **dict(zip(names, lens, strict=True)),
    )
    pose = Pose.from_vectors(camera["rvec"], camera["tvec"])
    bed = Bed(made, pose, np.zeros((COUNT, COUNT)), (0, 0, 0), (0, 0, 400, 300), 0.05, "drawn", "")
    return PlaneSurface(bed, height_mm)


def view(rgb, where: PlaneSurface) -> View:
    linear = linear_luminance(rgb)
    usable = (rgb.max(axis=2) < 254).astype(np.float32)
    return View(linear, grey_from_linear(linear), usable, where)


def movement_of(seed: int, shift: tuple[float, float, float], **overrides):
    """Return the movement measured and its error (mm, mm, rad) at its own pivot."""
    spec = draw_spec(seed, moved_after_job=shift, **overrides)
    job = make_job(spec)
    before = view(job.before, surface(job.truth["camera"], spec.thickness_mm))
    after = view(job.after, surface(job.truth["camera_after"], spec.thickness_mm))
    true, centre = job.truth["part_movement"], np.array(job.truth["reference_point_mm"])
    angle = math.radians(true["rotation_deg"])
    turned = Rigid(0.0, 0.0, angle).apply(centre[None])[0]
    place = centre + np.array([true["dx_mm"], true["dy_mm"]]) - turned
    motion = Rigid(float(place[0]), float(place[1]), angle)
    x0, y0, x1, y1 = drawing_of(spec).box_mm
    page = Rigid(*spec.at_mm, math.radians(spec.turn_deg))
    box = motion.apply(page.apply(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])))
    burned = np.zeros(after.linear.shape, np.uint8)
    cv2.fillPoly(burned, [np.round(after.surface.px_from_mm(box)).astype(np.int32)], 1)
    burned = cv2.dilate(burned, np.ones((9, 9), np.uint8)) > 0
    blank = find_blank(before, box, page.angle_rad + angle, 12.0)
    moved = work_movement(before, after, blank, box, burned, None)
    pivot = np.array(moved.pivot_mm)
    went = motion.apply(pivot[None])[0] - pivot
    return moved, np.array([moved.dx_mm, moved.dy_mm, moved.turn_rad]) - [*went, angle]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "texture", "bed"),
    [(1, "none", "honeycomb"), (3, "brushed", "sheet"), (5, "anodised_black", "slats")],
)
def test_moved_work_is_measured_within_its_interval(seed, texture, bed):
    moved, off = movement_of(
        seed, (2.4, -3.1, 1.1), texture=texture, bed=bed, sheet_mm=(60.0, 40.0)
    )
    assert moved.measured, moved.why
    assert np.abs(off[:2]).max() < 0.05
    assert off @ np.linalg.solve(moved.covariance, off) < CHI2


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "texture", "bed"), [(7, "wood", "honeycomb"), (9, "printed", "sheet")]
)
def test_work_that_lay_still_shows_no_movement(seed, texture, bed):
    moved, off = movement_of(seed, (0.0, 0.0, 0.0), texture=texture, bed=bed)
    assert moved.measured, moved.why
    assert off @ np.linalg.solve(moved.covariance, off) < CHI2
