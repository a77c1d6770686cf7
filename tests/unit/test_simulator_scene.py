import math
from dataclasses import replace

import numpy as np
import pytest
from shapely import Polygon

from samples.simulator.burn import Burned
from samples.simulator.camera import pool_camera
from samples.simulator.motion import Motion, about, placed
from samples.simulator.picture import Light, Optics, expose
from samples.simulator.raster import Raster, blank, polygon_share
from samples.simulator.scene import Mark, Scene, Work, linear_picture, render

OPTICS = Optics(psf_px=0.8, noise_levels=0.0, jpeg_quality=None)
GREY = (1.0, 1.0, 1.0)
SIZE = (960, 540)


def plain_work(thickness_mm=0.0, lies=None, marks=(), ground=None):
    rim = np.array([[0.0, 0.0], [80.0, 0.0], [80.0, 60.0], [0.0, 60.0]])
    if ground is None:
        ground = blank((-2.0, -2.0, 82.0, 62.0), 1.0)
        ground.values[:] = 1.0
    lies = lies or placed((150.0, 110.0), 7.0)
    return Work(polygon_share(rim, 0.1, 1.0), ground, lies, thickness_mm, 0.5, GREY, marks)


RAMP_MM = 0.2


def disc(radius_mm, centre_mm):
    raster = blank((0.0, 0.0, 30.0, 30.0), 0.02)
    x, y = raster.axes_mm()
    distance = np.hypot(x[None, :] - centre_mm[0], y[:, None] - centre_mm[1])
    share = np.clip((radius_mm - distance) / RAMP_MM + 0.5, 0, 1)
    return Burned(Raster(share.astype(np.float32), 0.02, raster.first_mm), Motion())


def seen(camera, work):
    return linear_picture(Scene(camera, "sheet", 0, work=work, optics=OPTICS))[..., 1]


def centroid(darkness):
    v, u = np.indices(darkness.shape)
    total = darkness.sum()
    return np.array([(u * darkness).sum(), (v * darkness).sum()]) / total


@pytest.mark.parametrize(("index", "height_mm"), [(0, 0.0), (6, 3.0), (3, 0.6)])
def test_a_disc_is_seen_where_the_camera_projects_it(index, height_mm):
    camera = pool_camera(index, SIZE)
    page = placed((181.3, 127.9), 21.0)
    mark = Mark(disc(4.3, (13.37, 11.91)), page, 0.0, GREY)
    bare = seen(camera, plain_work(height_mm))
    darkness = np.maximum(bare - seen(camera, plain_work(height_mm, marks=(mark,))), 0)
    turns = np.linspace(0, 2 * math.pi, 2000, endpoint=False)
    rim = np.array([13.37, 11.91]) + 4.3 * np.column_stack([np.cos(turns), np.sin(turns)])
    lifted = np.column_stack([page.apply(rim), np.full(2000, height_mm)])
    shape = Polygon(camera.project(lifted))
    expected = np.array([shape.centroid.x, shape.centroid.y])
    assert np.abs(centroid(darkness.astype(float)) - expected).max() < 0.003
    # Integral of the ramp round the rim: pi (r^2 + ramp^2 / 12).
    area = shape.area * (1 + RAMP_MM**2 / (12 * 4.3**2))
    assert darkness.sum() / 0.5 == pytest.approx(area, rel=5e-4)


def test_on_a_bowed_work_a_disc_is_seen_where_its_height_puts_it():
    camera, bow_mm = pool_camera(3, SIZE), 4.0
    work = plain_work(0.6)
    page = work.bed_from_work.after(placed((15.0, 20.0), 0.0))
    mark = Mark(disc(1.5, (10.0, 10.0)), page, 0.0, GREY)
    bowed = replace(work, bow_mm=bow_mm)
    darkness = np.maximum(seen(camera, bowed) - seen(camera, replace(bowed, marks=(mark,))), 0)
    # The disc's middle lies 25 mm from the side of a work 80 mm long.
    height = 0.6 + bow_mm * (1 - (25.0 / 40.0 - 1) ** 2)
    middle = page.apply(np.array([10.0, 10.0]))
    expected = camera.project(np.array([[*middle, height]]))[0]
    flat = camera.project(np.array([[*middle, 0.6]]))[0]
    off = centroid(darkness.astype(float)) - expected
    assert np.hypot(*off) < 0.02 * np.hypot(*(flat - expected))


@pytest.mark.parametrize("axis", [0, 1])
def test_the_phase_of_a_wave_on_the_work_is_kept(axis):
    camera = pool_camera(2, SIZE)
    ground = blank((-2.0, -2.0, 82.0, 62.0), 0.1)
    x, y = ground.axes_mm()
    wave_mm, phase = 5.3, 0.8
    along = (x[None, :] + 0 * y[:, None]) if axis == 0 else (0 * x[None, :] + y[:, None])
    ground.values[:] = 1 + 0.5 * np.sin(2 * math.pi * along / wave_mm + phase)
    work = plain_work(1.2, ground=ground)
    picture = seen(camera, work)
    lifted = np.column_stack([work.bed_from_work.apply(np.array([[40.0, 30.0]])), [[1.2]]])
    u0, v0 = np.round(camera.project(lifted)[0]).astype(int)
    v, u = np.mgrid[v0 - 30 : v0 + 31, u0 - 40 : u0 + 41]
    bed = camera.to_bed(np.column_stack([u.ravel(), v.ravel()]).astype(float), 1.2)
    place = work.bed_from_work.inverse().apply(bed)[:, axis]
    angle = 2 * math.pi * place / wave_mm
    columns = np.column_stack([np.sin(angle), np.cos(angle), np.ones_like(angle)])
    a, b, _ = np.linalg.lstsq(columns, picture[v, u].ravel(), rcond=None)[0]
    shift_mm = (math.atan2(b, a) - phase) / (2 * math.pi) * wave_mm
    # Half a pixel would be 0.3 mm, half a ray 0.04 mm.
    assert abs(shift_mm) < 0.001


def test_marks_overlap_by_what_each_lets_through():
    camera = pool_camera(0, SIZE)
    page = placed((175.0, 125.0), 0.0)
    burned = disc(6.0, (15.0, 15.0))
    half = Burned(
        Raster(0.5 * burned.opacity.values, burned.opacity.pitch_mm, burned.opacity.first_mm),
        Motion(),
    )
    mark = Mark(half, page, 0.0, GREY)
    middle = np.round(camera.project(np.array([[190.0, 140.0, 0.0]]))[0]).astype(int)
    once, twice = (
        seen(camera, plain_work(marks=marks))[middle[1], middle[0]]
        for marks in ((mark,), (mark, mark))
    )
    assert once == pytest.approx(0.25, rel=1e-3)
    assert twice == pytest.approx(0.125, rel=1e-3)


def test_a_deep_floor_shifts_by_no_more_than_depth_times_the_tangent_of_the_view():
    camera = pool_camera(6, SIZE)
    page = placed((181.0, 128.0), 0.0)
    bare = seen(camera, plain_work(3.0))
    places = []
    for depth_mm in (0.0, 0.5):
        mark = Mark(disc(5.0, (15.0, 15.0)), page, 0.05, GREY, depth_mm)
        darkness = np.maximum(bare - seen(camera, plain_work(3.0, marks=(mark,))), 0)
        places.append(camera.to_bed(centroid(darkness.astype(float))[None], 3.0)[0])
    shift = places[1] - places[0]
    ray = np.array([196.0, 143.0]) - camera.place_mm[:2]
    # The camera sees the deeper point nearer to its own foot.
    limit = -0.5 * ray / (camera.place_mm[2] - 3.0)
    assert 0.02 < float(shift @ limit) / float(limit @ limit) < 1.0


def test_the_texture_moves_with_the_work():
    camera = pool_camera(4, SIZE)
    ground = blank((-2.0, -2.0, 82.0, 62.0), 0.1)
    x, y = ground.axes_mm()
    spot = np.exp(-((x[None, :] - 40) ** 2 + (y[:, None] - 30) ** 2) / 8)
    ground.values[:] = 1 - 0.9 * spot
    even = plain_work(0.6)
    first = placed((150.0, 110.0), 7.0)
    moved = about((200.0, 150.0), 0.7, -0.4, 2.0).after(first)
    for lies in (first, moved):
        plain = seen(camera, plain_work(0.6, lies=lies, ground=even.ground))
        darkness = plain - seen(camera, plain_work(0.6, lies=lies, ground=ground))
        place = camera.to_bed(centroid(np.maximum(darkness, 0).astype(float))[None], 0.6)[0]
        assert np.abs(place - lies.apply(np.array([40.0, 30.0]))).max() < 0.01


@pytest.mark.parametrize("noise_levels", [1.0, 3.0])
def test_noise_of_the_grey_picture_is_as_stated_at_mid_grey(noise_levels):
    flat = np.full((300, 400, 3), 0.216, np.float32)
    optics = Optics(0.8, noise_levels, jpeg_quality=None)
    picture = expose(flat, Light(), optics, np.random.default_rng(1)).astype(float)
    grey = picture @ [0.299, 0.587, 0.114]
    # Rounding adds 1/12 in each channel.
    assert grey.std() == pytest.approx(noise_levels, rel=0.05)
    assert grey.mean() == pytest.approx(128, abs=1.0)


def test_equal_seeds_give_equal_pictures_and_other_seeds_do_not():
    scene = Scene(pool_camera(0, SIZE), "slats", 0, work=plain_work(1.0), optics=Optics())
    first, again, other = (render(scene, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert (first == again).all()
    assert (first != other).any()
