"""Regions: where each sub-sample looks, binning, mosaics of tiles."""

import math

import numpy as np
import pytest

from calibration.bed import COUNT, Bed
from calibration.lens import Lens
from calibration.plane import PlaneSurface
from calibration.pose import Pose
from tests.unit.drawn_scenes import AffineSurface
from vision.register.region import cubic_weights, make_region, region_around

SURFACE = AffineSurface()


def lens_surface():
    """A strongly distorting lens under a tilt of 20 degrees."""
    lens = Lens.from_values((640, 480), fx=520.0, fy=520.0, cx=318.0, cy=241.0, k1=-0.25, k2=0.05)
    tilt = math.radians(160.0)
    c, s = math.cos(tilt), math.sin(tilt)
    rotation = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    centre = np.array([100.0, 75.0 - 400 * math.tan(math.radians(20.0)), 400.0])
    pose = Pose(rotation, -rotation @ centre)
    zero = np.zeros((COUNT, COUNT))
    box = (0.0, 0.0, 200.0, 150.0)
    return PlaneSurface(Bed(lens, pose, zero, (0.0, 0.0, 0.0), box, 0.05, "drawn", ""), 0.0)


@pytest.mark.parametrize(("bin_px", "sub"), [(1, 2), (1, 3), (2, 2), (3, 4)])
def test_each_sub_sample_looks_where_the_camera_says(bin_px, sub):
    surface = lens_surface()
    region = make_region(surface, (37, 81), (40, 60), bin_px, sub)
    rng = np.random.default_rng(5)
    i, j = rng.integers(0, 40 * sub, 50), rng.integers(0, 60 * sub, 50)
    u = 37 - 0.5 + bin_px / sub * (j + 0.5)
    v = 81 - 0.5 + bin_px / sub * (i + 0.5)
    want = surface.mm_from_px(np.stack([u, v], axis=1))
    # float32 holds 200 mm to 0.00002 mm.
    assert np.abs(region.places_mm[i, j] - want).max() < 5e-5


def test_pixel_centres_lie_at_integers():
    region = make_region(SURFACE, (10, 20), (30, 40), 1, 4)
    x, y = region.centre_places()
    want = SURFACE.mm_from_px(np.array([[10.0, 20.0], [49.0, 49.0]]))
    assert (x[0, 0], y[0, 0]) == pytest.approx(want[0], abs=1e-4)
    assert (x[29, 39], y[29, 39]) == pytest.approx(want[1], abs=1e-4)
    assert region.pitch_mm == pytest.approx(0.25, rel=1e-9)


def test_binned_pixels_are_means_that_look_at_their_middle():
    region = make_region(SURFACE, (4, 6), (20, 30), 2, 2)
    picture = np.arange(136 * 196, dtype=np.float32).reshape(136, 196)
    cut = region.cut(picture)
    assert cut.shape == (20, 30)
    assert cut[3, 5] == picture[12:14, 14:16].mean()
    x, y = region.centre_places()
    want = SURFACE.mm_from_px(np.array([[14.5, 12.5]]))[0]
    assert (x[3, 5], y[3, 5]) == pytest.approx(want, abs=1e-4)
    assert region.pitch_mm == pytest.approx(0.5, rel=1e-9)


def test_a_region_covers_its_corners_with_a_margin_and_stays_in_the_picture():
    corners = np.array([[10.0, 10.0], [30.0, 10.0], [30.0, 20.0], [10.0, 20.0]])
    region = region_around(SURFACE, corners, 2.0, 1, 2)
    x, y = region.centre_places()
    assert x.min() < 8.2
    assert x.max() > 31.8
    assert y.min() < 8.2
    assert y.max() > 21.8
    beyond = region_around(SURFACE, corners + np.array([25.0, 0.0]), 2.0, 1, 2)
    rows, columns = beyond.frame
    assert beyond.left + columns <= 196
    assert beyond.top + rows <= 136
    assert region_around(SURFACE, corners + np.array([200.0, 0.0]), 2.0, 1, 2) is None


def test_a_mosaic_holds_each_wanted_pixel_once_with_its_own_place():
    plain = make_region(SURFACE, (0, 0), (136, 196), 1, 2)
    wanted = np.zeros((136, 196), bool)
    wanted[20:60, 30] = True
    wanted[130, 100:190] = True
    mosaic = plain.tiled(wanted, 24, 5)
    assert mosaic.row.size < 0.7 * wanted.size
    counted = mosaic.core > 0
    pairs = list(zip(mosaic.row[counted], mosaic.column[counted], strict=True))
    assert len(set(pairs)) == len(pairs)
    assert set(map(tuple, np.argwhere(wanted))) <= set(pairs)
    x, y = mosaic.centre_places()
    px, py = plain.centre_places()
    assert (x == px[mosaic.row, mosaic.column]).all()
    assert (y == py[mosaic.row, mosaic.column]).all()


def test_a_mosaic_cuts_and_spreads_the_same_pixels():
    plain = make_region(SURFACE, (8, 4), (120, 180), 1, 2)
    wanted = np.zeros((120, 180), bool)
    wanted[10:40, 20:50] = True
    mosaic = plain.tiled(wanted, 24, 5)
    picture = np.random.default_rng(1).normal(size=(136, 196)).astype(np.float32)
    back = mosaic.spread(mosaic.cut(picture))
    kept = mosaic.spread(np.ones(mosaic.shape, np.float32)) > 0
    assert kept[wanted].all()
    assert (back[kept] == plain.cut(picture)[kept]).all()
    assert (back[~kept] == 0).all()


def test_where_tiles_would_save_little_the_region_stays_whole():
    plain = make_region(SURFACE, (0, 0), (120, 180), 1, 2)
    assert plain.tiled(np.ones((120, 180), bool), 24, 5) is plain
    assert plain.tiled(np.zeros((120, 180), bool), 24, 5) is plain


def test_cubic_weights_reproduce_every_cubic():
    at = np.array([0.0, 0.3, 1.7, 4.5, 6.9, 7.0])
    weights = cubic_weights(at, 8)
    nodes = np.arange(8.0)
    for power in range(4):
        assert weights @ nodes**power == pytest.approx(at**power, abs=1e-9)
