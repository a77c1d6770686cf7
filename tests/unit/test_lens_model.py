from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.errors import WitmarkError
from calibration.lens import COUNT, Lens, lens_from_json

SIZE = (1920, 1080)
LENS = Lens.from_values(
    SIZE, fx=1500, fy=1490, cx=965, cy=530, k1=-0.28, k2=0.09, p1=0.001, p2=-0.0007, k3=-0.01
)


def grid_px() -> np.ndarray:
    u, v = np.meshgrid(np.linspace(0, 1919, 25), np.linspace(0, 1079, 15))
    return np.stack([u.ravel(), v.ravel()], axis=1)


def test_projection_agrees_with_opencv() -> None:
    points = np.random.default_rng(0).uniform([-300, -150, 300], [300, 150, 600], (500, 3))
    theirs, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), LENS.matrix, LENS.distortion)
    np.testing.assert_allclose(LENS.project(points), theirs[:, 0], atol=1e-9)


@given(
    k1=st.floats(-0.35, 0.3),
    k2=st.floats(-0.05, 0.15),
    p1=st.floats(-0.002, 0.002),
    p2=st.floats(-0.002, 0.002),
)
def test_rays_are_the_inverse_of_projection_or_nan(
    k1: float, k2: float, p1: float, p2: float
) -> None:
    lens = Lens.from_values(SIZE, fx=1500, fy=1490, cx=965, cy=530, k1=k1, k2=k2, p1=p1, p2=p2)
    px = grid_px()
    rays = lens.rays(px)
    back = lens.project(rays)
    known = np.isfinite(rays).all(axis=1)
    assert known[len(px) // 2]
    np.testing.assert_allclose(back[known], px[known], atol=1e-9)
    assert (rays[known, 2] == 1.0).all()


def test_every_pixel_of_an_ordinary_lens_has_a_ray() -> None:
    assert np.isfinite(LENS.rays(grid_px())).all()


def test_no_ray_beyond_the_fold() -> None:
    lens = Lens.from_values(SIZE, fx=900, fy=900, cx=960, cy=540, k1=-0.4)
    # r (1 - 0.4 r^2) has its maximum at r = sqrt(1 / 1.2), where it is 2/3 of that.
    fold = math.sqrt(1 / 1.2)
    assert lens.monotone_radius == pytest.approx(fold)
    highest = 900 * fold * 2 / 3
    inside, outside = 960 + highest - 0.5, 960 + highest + 0.5
    rays = lens.rays(np.array([[inside, 540.0], [outside, 540.0]]))
    assert rays[0, 0] < fold
    assert np.isnan(rays[1]).all()
    beyond = np.array([[fold * 1.01, 0.0, 1.0], [fold * 0.99, 0.0, 1.0]])
    assert np.isnan(lens.project(beyond)).any(axis=1).tolist() == [True, False]


def test_points_behind_the_camera_have_no_pixel() -> None:
    assert np.isnan(LENS.project(np.array([[0.0, 0.0, -1.0], [0.0, 0.0, 0.0]]))).all()


def test_jacobians_agree_with_finite_differences() -> None:
    points = np.random.default_rng(1).uniform([-200, -100, 300], [200, 100, 600], (20, 3))
    px, per_point, per_parameter = LENS.project_with_jacobians(points)
    np.testing.assert_allclose(px, LENS.project(points), atol=1e-12)
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = 1e-4
        numeric = (LENS.project(points + step) - LENS.project(points - step)) / 2e-4
        np.testing.assert_allclose(per_point[:, :, axis], numeric, rtol=1e-6, atol=1e-7)
    for index in range(COUNT):
        h = 1e-6 * max(1.0, abs(LENS.parameters[index]))
        up, down = LENS.parameters.copy(), LENS.parameters.copy()
        up[index] += h
        down[index] -= h
        numeric = (
            LENS.with_parameters(up).project(points) - LENS.with_parameters(down).project(points)
        ) / (2 * h)
        np.testing.assert_allclose(per_parameter[:, :, index], numeric, rtol=1e-5, atol=1e-5)


def test_json_round_trip_keeps_every_digit() -> None:
    covariance = np.diag(np.arange(1.0, 10.0)) / 7
    lens = Lens(SIZE, LENS.parameters / 3, covariance)
    back = lens_from_json(lens.to_json(), "lens.json")
    assert back.image_size == SIZE
    np.testing.assert_array_equal(back.parameters, lens.parameters)
    np.testing.assert_array_equal(back.covariance, covariance)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"model": "fisheye"}, "unknown lens model 'fisheye'"),
        ({"covariance": [[1.0]]}, "9 x 9"),
        ({"image_size": [0, 10]}, "must be positive"),
        ({"image_size": None}, "lens.json"),
    ],
)
def test_unusable_lens_is_refused_in_one_line(change: dict[str, object], told: str) -> None:
    with pytest.raises(WitmarkError, match=told) as caught:
        lens_from_json({**LENS.to_json(), **change}, "lens.json")
    assert "\n" not in caught.value.line


def test_missing_field_of_a_lens_is_named() -> None:
    content = LENS.to_json()
    del content["parameters"]["k2"]
    with pytest.raises(WitmarkError, match="'k2' is missing"):
        lens_from_json(content, "lens.json")
