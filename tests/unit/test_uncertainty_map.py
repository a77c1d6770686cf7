"""U95 all over the bed, against the spread of maps drawn from the stated covariance."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.bed import COUNT, PLACE, POSE, SCALE, Bed
from calibration.lens import Lens
from calibration.plane import PlaneSurface
from calibration.pose import Pose
from calibration.uncertainty_map import uncertainty_map

LENS_TRUE = Lens.from_values(
    (1280, 720), fx=1250, fy=1250, cx=640, cy=360, k1=0, k2=0, p1=0, p2=0, k3=0
)
TILTED = Pose.from_vectors([np.pi - 0.2, 0.04, 0.1], [0, 0, 0]).rotation
POSE_TRUE = Pose(TILTED, -TILTED @ np.array([200.0, 60.0, 430.0]))


def bed_of(covariance):
    return Bed(
        LENS_TRUE,
        POSE_TRUE,
        covariance,
        (150.0, 100.0, 0.0),
        (60.0, 40.0, 300.0, 220.0),
        0.1,
        "drawn",
        "2026-01-01",
    )


def covariance_of(**sigmas):
    out = np.zeros((COUNT, COUNT))
    for name, sigma in sigmas.items():
        where = {"pose": POSE, "place": PLACE, "scale": SCALE}[name]
        out[where, where] = np.diag(np.broadcast_to(sigma, out[where, where].shape[0]) ** 2)
    return out


def test_a_shift_of_the_board_is_known_alike_everywhere():
    told = uncertainty_map(bed_of(covariance_of(place=[0.1, 0.1, 0.0])))
    seen = told.u95_mm[np.isfinite(told.u95_mm)]
    assert seen == pytest.approx(2.447747 * 0.1)


def test_a_wrong_scale_grows_with_the_distance_from_the_board():
    told = uncertainty_map(bed_of(covariance_of(scale=0.001)))
    x, y = np.meshgrid(told.x_mm, told.y_mm)
    away = np.hypot(x - 150.0, y - 100.0)
    seen = np.isfinite(told.u95_mm)
    assert told.u95_mm[seen] == pytest.approx(2.447747 * 0.001 * away[seen])


def test_places_outside_the_picture_are_left_out():
    told = uncertainty_map(bed_of(covariance_of(scale=0.001)))
    surface = PlaneSurface(bed_of(covariance_of(scale=0.001)))
    x, y = np.meshgrid(told.x_mm, told.y_mm)
    pixels = surface.px_from_mm(np.stack([x, y], axis=-1).reshape(-1, 2)).reshape(*x.shape, 2)
    inside = (pixels > -0.5).all(axis=-1) & (pixels < [1279.5, 719.5]).all(axis=-1)
    assert (np.isfinite(told.u95_mm) == inside).all()
    assert inside.any()
    assert not inside.all()


def test_the_radius_holds_what_wrong_poses_do_as_often_as_it_says():
    """Rotations and places of the camera drawn from the covariance, mapped without derivatives."""
    sigmas = np.array([4e-4, 4e-4, 4e-4, 0.15, 0.15, 0.15])
    bed = bed_of(covariance_of(pose=sigmas))
    told = uncertainty_map(bed, height_mm=3.0)
    j, i = np.argwhere(np.isfinite(told.u95_mm))[[0, -1]].T
    places = np.stack([told.x_mm[i], told.y_mm[j]], axis=1)
    pixels = PlaneSurface(bed, 3.0).px_from_mm(places)
    rng = np.random.default_rng(4)
    steps = rng.normal(0, sigmas, (600, 6))
    moved = [
        PlaneSurface(replace(bed, pose=bed.pose.moved(step)), 3.0).mm_from_px(pixels)
        for step in steps
    ]
    away = np.linalg.norm(np.array(moved) - places, axis=2)
    inside = (away <= told.u95_mm[j, i]).mean(axis=0)
    # A circle about the worst direction of an ellipse holds 95 % or more.
    assert (inside > 0.935).all()
    assert (inside < 0.995).all()


def test_the_grid_is_of_round_numbers_and_not_too_fine():
    told = uncertainty_map(bed_of(covariance_of(scale=0.001)))
    assert told.step_mm in (10, 20, 50, 100)
    assert max(told.u95_mm.shape) <= 13
    assert (np.diff(told.x_mm) > 0).all()
