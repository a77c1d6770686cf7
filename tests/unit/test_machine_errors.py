"""What a burned target's crosses say of machine and sheet, without pictures: drawn pixels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.bed import Bed
from calibration.bed_fit import solve_bed
from calibration.bed_solve import BoardObservation
from calibration.lens import Lens
from calibration.machine import MachineAxes
from calibration.machine_errors import axes_notes, form_of, reversal_of, uneven_notes
from calibration.pose import Pose
from calibration.target import Burned, lay_out
from samples.simulator.camera import pool_camera

Array = NDArray[np.float64]

CAMERA = pool_camera(2)
TARGET = lay_out((0.0, 0.0, 400.0, 300.0), 30.0, 7.0, 16.0, "DICT_4X4_50")
AXES = MachineAxes()
REVERSAL_MM = np.array([0.12, -0.05])


def lens() -> Lens:
    """Return the lens as photos of a board would tell it."""
    sigmas = np.array([0.4, 0.4, 0.4, 0.4, 1e-3, 2e-3, 5e-5, 5e-5, 1e-3])
    names = ("k1", "k2", "p1", "p2", "k3")
    return Lens.from_values(
        CAMERA.size,
        np.diag(sigmas**2),
        fx=CAMERA.focal_px[0],
        fy=CAMERA.focal_px[1],
        cx=CAMERA.centre_px[0],
        cy=CAMERA.centre_px[1],
        **dict(zip(names, CAMERA.lens, strict=True)),
    )


def solved(seed: int, lift_mm: float = 0.0, sigma_px: float = 0.05) -> tuple[Bed, list[str], Array]:
    """Return the bed from a sheet that bulges in waves of 200 mm, its notes, its reversal."""
    rng = np.random.default_rng(seed)
    places = TARGET.crosses_mm + TARGET.approach[:, None] * REVERSAL_MM / 2
    waves = np.sin(places / 200 * 2 * math.pi).prod(axis=1)
    px = CAMERA.project(np.c_[places, 3.0 + lift_mm * waves])
    px += rng.normal(0, sigma_px, px.shape)
    burned = Burned(TARGET.crosses_mm, 3.0)
    seen = [BoardObservation("photo", np.arange(len(px)), px, burned.place)]
    fit = solve_bed(lens(), burned, seen, created="", with_form=True)
    reversal, left = reversal_of(TARGET, AXES, fit, seen)
    notes = uneven_notes(TARGET, AXES, fit.bed, seen, reversal, left)
    told = np.array([[q.value, q.u95] for q in reversal])
    return fit.bed, notes, told


def test_reversal_is_told_within_its_uncertainty_and_passes_for_no_lens() -> None:
    inside = np.zeros(2)
    for seed in range(40):
        _, _, told = solved(seed)
        inside += np.abs(told[:, 0] - REVERSAL_MM) <= told[:, 1]
    assert (inside >= 36).all()


def test_a_sheet_that_bulges_is_noticed_and_a_flat_one_is_not() -> None:
    assert [solved(seed)[1] for seed in range(30)] == [[]] * 30
    for seed in range(5):
        [note] = solved(seed, lift_mm=1.0)[1]
        assert "does not lie flat" in note


def test_a_square_machine_is_told_to_be_square() -> None:
    inside = 0
    for seed in range(40):
        stretch, skew = form_of(solved(seed)[0], AXES)
        inside += abs(stretch.value or 0.0) <= (stretch.u95 or 0.0)
        inside += abs(skew.value or 0.0) <= (skew.u95 or 0.0)
    assert inside >= 70


@pytest.mark.parametrize(
    ("axes", "mirrored"),
    [(((1, 0), (0, 1)), False), (((0, 1), (-1, 0)), False), (((1, 0), (0, -1)), True)],
)
def test_mirrored_axes_are_told(
    axes: tuple[tuple[int, int], tuple[int, int]], mirrored: bool
) -> None:
    assert bool(axes_notes(MachineAxes(axes))) is mirrored


def test_the_cameras_height_moves_with_its_small_motions_as_its_derivative_says() -> None:
    pose = Pose.from_vectors(CAMERA.rvec, CAMERA.tvec)
    for k, told in enumerate(pose.height_jacobian):
        step = np.zeros(6)
        step[k] = 1e-5
        moved = pose.moved(step).camera_mm[2] - pose.moved(-step).camera_mm[2]
        assert told == pytest.approx(moved / 2e-5, rel=1e-6, abs=1e-6)
