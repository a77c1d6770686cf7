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


FISHEYE = Lens.from_values(
    SIZE, None, "fisheye", fx=820, fy=815, cx=965, cy=530, k1=0.04, k2=-0.02, k3=0.006, k4=-0.001
)
RATIONAL = Lens.from_values(
    SIZE,
    None,
    "rational",
    fx=900,
    fy=895,
    cx=965,
    cy=530,
    k1=0.5,
    k2=0.03,
    p1=0.001,
    p2=-0.0007,
    k3=0.002,
    k4=0.85,
    k5=0.16,
    k6=0.01,
)
ANY = pytest.mark.parametrize("lens", [LENS, FISHEYE, RATIONAL], ids=lambda lens: lens.model)


def grid_px() -> np.ndarray:
    u, v = np.meshgrid(np.linspace(0, 1919, 25), np.linspace(0, 1079, 15))
    return np.stack([u.ravel(), v.ravel()], axis=1)


def test_projection_agrees_with_opencv() -> None:
    points = np.random.default_rng(0).uniform([-300, -150, 300], [300, 150, 600], (500, 3))
    for lens in (LENS, RATIONAL):
        theirs, _ = cv2.projectPoints(
            points, np.zeros(3), np.zeros(3), lens.matrix, lens.coefficients
        )
        np.testing.assert_allclose(lens.project(points), theirs[:, 0], atol=1e-9)


def test_fisheye_projection_agrees_with_opencv() -> None:
    """OpenCV's `fisheye` module is the independent implementation; up to 80 degrees off axis."""
    rng = np.random.default_rng(0)
    angle, round_axis = rng.uniform(0, 1.4, 500), rng.uniform(-np.pi, np.pi, 500)
    away = np.sin(angle)
    points = 400 * np.stack(
        [away * np.cos(round_axis), away * np.sin(round_axis), np.cos(angle)], axis=1
    )
    theirs, _ = cv2.fisheye.projectPoints(
        points[:, None], np.zeros(3), np.zeros(3), FISHEYE.matrix, FISHEYE.coefficients
    )
    np.testing.assert_allclose(FISHEYE.project(points), theirs[:, 0], atol=1e-9)


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


@ANY
def test_every_pixel_has_a_ray_that_leads_back_to_it(lens: Lens) -> None:
    px = grid_px()
    np.testing.assert_allclose(lens.project(lens.rays(px)), px, atol=1e-8)


def test_pixels_beyond_a_right_angle_of_a_fisheye_have_no_ray() -> None:
    lens = Lens.from_values(SIZE, None, "fisheye", fx=500, fy=500, cx=960, cy=540)
    # Of a fisheye without higher terms the radius is the field angle times the focal length.
    right_angle = 960 + 500 * math.pi / 2
    rays = lens.rays(np.array([[right_angle - 60, 540.0], [right_angle + 20, 540.0]]))
    assert np.isfinite(rays[0]).all()
    assert np.isnan(rays[1]).all()


def test_a_fisheye_folds_where_its_angle_stops_growing() -> None:
    lens = Lens.from_values(SIZE, None, "fisheye", fx=900, fy=900, cx=960, cy=540, k1=-0.4)
    # t (1 - 0.4 t^2) has its maximum at t = sqrt(1 / 1.2).
    assert lens.monotone_radius == pytest.approx(math.tan(math.sqrt(1 / 1.2)))


def test_a_rational_lens_ends_before_its_pole() -> None:
    lens = Lens.from_values(SIZE, None, "rational", fx=900, fy=900, cx=960, cy=540, k4=-0.5)
    # r / (1 - r^2 / 2) grows up to its pole at r = sqrt(2).
    assert lens.monotone_radius == pytest.approx(math.sqrt(2))


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


@ANY
def test_jacobians_agree_with_finite_differences(lens: Lens) -> None:
    points = np.random.default_rng(1).uniform([-200, -100, 300], [200, 100, 600], (20, 3))
    # On the axis a fisheye's quotients are nought over nought.
    points = np.concatenate([points, [[0.0, 0.0, 400.0], [1e-3, 0.0, 400.0]]])
    px, per_point, per_parameter = lens.project_with_jacobians(points)
    np.testing.assert_allclose(px, lens.project(points), atol=1e-12)
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = 1e-4
        numeric = (lens.project(points + step) - lens.project(points - step)) / 2e-4
        np.testing.assert_allclose(per_point[:, :, axis], numeric, rtol=1e-6, atol=1e-6)
    for index in range(len(lens.names)):
        h = 1e-6 * max(1.0, abs(lens.parameters[index]))
        up, down = lens.parameters.copy(), lens.parameters.copy()
        up[index] += h
        down[index] -= h
        numeric = (
            lens.with_parameters(up).project(points) - lens.with_parameters(down).project(points)
        ) / (2 * h)
        np.testing.assert_allclose(per_parameter[:, :, index], numeric, rtol=1e-5, atol=1e-5)
    assert not per_parameter[:, :, len(lens.names) :].any()


@ANY
def test_json_round_trip_keeps_every_digit(lens: Lens) -> None:
    count = len(lens.names)
    covariance = np.zeros((COUNT, COUNT))
    covariance[:count, :count] = np.diag(np.arange(1.0, count + 1)) / 7
    lens = lens.with_parameters(lens.parameters / 3, covariance)
    back = lens_from_json(lens.to_json(), "lens.json")
    assert (back.image_size, back.model) == (SIZE, lens.model)
    np.testing.assert_array_equal(back.parameters, lens.parameters)
    np.testing.assert_array_equal(back.covariance, covariance)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"model": "mirror"}, "unknown lens model 'mirror'"),
        ({"model": "fisheye"}, "field 'k4' is missing"),
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
