import cv2
import numpy as np
import pytest

from samples.simulator.camera import (
    POOL,
    Tile,
    nudged,
    pool_camera,
    ray_map,
    rotation_matrix,
    rotation_vector,
)


@pytest.mark.parametrize("index", range(POOL))
def test_projection_agrees_with_an_independent_library(index):
    camera = pool_camera(index)
    rng = np.random.default_rng(index)
    points = rng.uniform((0, 0, 0), (400, 300, 60), (200, 3))
    other, _ = cv2.projectPoints(
        points, np.array(camera.rvec), np.array(camera.tvec), camera.matrix, np.array(camera.lens)
    )
    assert np.abs(camera.project(points) - other[:, 0]).max() < 1e-8


@pytest.mark.parametrize("index", range(POOL))
def test_a_pixel_leads_back_to_the_bed_point_that_it_shows(index):
    camera = pool_camera(index, (4000, 3000))
    points = np.random.default_rng(index).uniform((0, 0), (400, 300), (100, 2))
    pixels = camera.project(np.column_stack([points, np.full(100, 2.5)]))
    assert np.abs(camera.to_bed(pixels, 2.5) - points).max() < 1e-9


@pytest.mark.parametrize("index", range(POOL))
def test_the_whole_bed_is_in_view_at_about_a_third_of_a_millimetre_per_pixel(index):
    camera = pool_camera(index)
    corners = np.array([[0, 0, 0], [400, 0, 0], [400, 300, 0], [0, 300, 0]], float)
    pixels = camera.project(corners)
    assert pixels.min() > 0
    assert (pixels < np.array(camera.size) - 1).all()
    middle = camera.project(np.array([[200.0, 150.0, 0.0], [201.0, 150.0, 0.0]]))
    assert 0.24 < 1 / np.linalg.norm(middle[1] - middle[0]) < 0.42
    assert 440 < camera.place_mm[2] < 510


def test_bed_x_goes_right_and_bed_y_goes_up_in_the_picture():
    camera = pool_camera(0)
    origin, right, away = camera.project(np.array([[200.0, 150, 0], [210, 150, 0], [200, 160, 0]]))
    assert right[0] > origin[0] + 20
    assert away[1] < origin[1] - 20


@pytest.mark.parametrize("index", range(POOL))
@pytest.mark.parametrize("tile", [Tile(0, 0, 1920, 1080), Tile(700, 400, 903, 577)])
def test_supersampled_rays_follow_the_exact_inverse(index, tile):
    camera = pool_camera(index)
    homography = camera.bed_from_ray(1.5)
    fine = 3
    x, y = ray_map(camera, homography, tile, fine)
    rng = np.random.default_rng(5)
    row, column = rng.integers(0, x.shape[0], 300), rng.integers(0, x.shape[1], 300)
    pixels = np.column_stack(
        [tile.u0 - 0.5 + (column + 0.5) / fine, tile.v0 - 0.5 + (row + 0.5) / fine]
    )
    exact = camera.to_bed(pixels, 1.5)
    # 0.5 um is about 0.002 pixel; single precision alone leaves about 0.1 um.
    assert np.abs(np.column_stack([x[row, column], y[row, column]]) - exact).max() < 5e-4


def test_rotation_vector_and_matrix_agree_with_an_independent_library_also_near_half_a_turn():
    rng = np.random.default_rng(3)
    for angle in (0.0, 1e-9, 0.3, 2.0, 3.0, np.pi - 1e-9):
        axis = rng.normal(size=3)
        rvec = angle * axis / np.linalg.norm(axis)
        assert np.abs(rotation_matrix(rvec) - cv2.Rodrigues(rvec)[0]).max() < 1e-9
        back = rotation_matrix(rotation_vector(rotation_matrix(rvec)))
        assert np.abs(back - rotation_matrix(rvec)).max() < 1e-7


@pytest.mark.parametrize("shift_px", [0.5, 3.0, 20.0])
def test_a_bump_moves_the_picture_by_about_what_was_asked(shift_px):
    camera = pool_camera(1)
    points = np.array([[200.0, 150.0, 0.0], [150.0, 100.0, 0.0], [260.0, 190.0, 0.0]])
    moved = nudged(camera, shift_px, 1.0).project(points) - camera.project(points)
    length = np.linalg.norm(moved, axis=1).mean()
    assert 0.6 * shift_px < length < 1.6 * shift_px


def test_no_bump_leaves_the_camera_as_it_was():
    assert nudged(pool_camera(1), 0.0, 1.0) == pool_camera(1)
