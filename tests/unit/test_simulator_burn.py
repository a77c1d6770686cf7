import math

import numpy as np
import pytest
from shapely import LineString, Polygon

from samples.simulator.burn import Beam, Hatch, burn_fill, burn_lines, hatch_segments
from samples.simulator.shapes import Area, Line

EVEN = Beam(kerf_mm=0.2, softness_mm=0.0, strength=1.0, unevenness=0.0)
RING = np.array([[1.03, 2.01], [9.37, 2.01], [9.37, 7.53], [1.03, 7.53]])


def moments(burned):
    """Return area (mm2) and centroid (mm, page) of what was burned."""
    raster = burned.opacity
    x, y = raster.axes_mm()
    total = raster.values.astype(float).sum()
    across = (raster.values.sum(axis=0) @ x) / total
    down = (raster.values.sum(axis=1) @ y) / total
    place = burned.page_from_raster.apply(np.array([across, down]))
    return total * raster.pitch_mm**2, place


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 45.0, 90.0])
def test_a_stroke_covers_its_capsule_exactly(turn_deg):
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    points = np.array([[0.0, 0.0], [6.3, 0.0]]) @ np.array([[c, s], [-s, c]]) + [3.217, 2.119]
    (burned,) = burn_lines((Line(points, False, "a"),), EVEN, np.random.default_rng(1))
    area, place = moments(burned)
    assert area == pytest.approx(6.3 * 0.2 + math.pi * 0.01, rel=1e-3)
    assert np.abs(place - points.mean(axis=0)).max() < 5e-4


def test_a_closed_stroke_covers_the_band_round_its_line():
    (burned,) = burn_lines((Line(RING, True, "a"),), EVEN, np.random.default_rng(1))
    area, place = moments(burned)
    band = LineString([*RING, RING[0]]).buffer(0.1, quad_segs=32)
    assert area == pytest.approx(band.area, rel=1e-3)
    assert np.abs(place - RING.mean(axis=0)).max() < 2e-4


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0])
def test_hatch_strokes_end_on_the_rim_and_stay_out_of_holes(angle_deg):
    hole = np.array([[4.0, 4.0], [4.0, 6.0], [6.0, 6.0], [6.0, 4.0]])
    area = Area((RING, hole), "a")
    segments = hatch_segments((area,), Hatch((angle_deg,), 0.11, 0.3), 0)
    shape = Polygon(RING, [hole])
    # The hatch lines cut the shape into strips of their spacing: midpoint rule for its area.
    assert np.sum(segments[:, 2] - segments[:, 1]) * 0.11 == pytest.approx(shape.area, rel=0.03)
    assert (
        np.abs((segments[:, 0] / 0.11 - 0.3) - np.round(segments[:, 0] / 0.11 - 0.3)) < 1e-9
    ).all()


def test_a_cross_hatched_fill_covers_its_area_widened_by_half_a_kerf():
    hatch = Hatch((0.0, 90.0), 0.08, 0.4)
    burned = burn_fill((Area((RING,), "a"),), hatch, EVEN, np.random.default_rng(1))
    assert len(burned) == 2
    for run, narrow in zip(burned, (1, 0), strict=True):
        raster = run.opacity
        solid = np.argwhere(raster.values > 0.5)
        low = np.array(raster.first_mm)[::-1] + solid.min(axis=0) * raster.pitch_mm
        high = np.array(raster.first_mm)[::-1] + solid.max(axis=0) * raster.pitch_mm
        # Along the strokes the rim lies exactly half a kerf beyond the area.
        along = np.sort(np.abs([low[1], high[1]]))
        rim = RING[:, 1 - narrow]
        assert along == pytest.approx([rim.min() - 0.1, rim.max() + 0.1], abs=0.03)


def test_the_parts_of_a_disturbed_fill_make_up_the_whole():
    hatch = Hatch((0.0, 90.0), 0.1, 0.4)
    areas = (Area((RING,), "a"),)
    rng = np.random.default_rng
    whole = burn_fill(areas, hatch, EVEN, rng(1))
    first = burn_fill(areas, hatch, EVEN, rng(1), (0.0, 0.2))
    second = burn_fill(areas, hatch, EVEN, rng(1), (0.2, 1.0))
    rows = [run.opacity.values.shape[0] for run in (*first, *second)]
    assert len(first) == 1
    assert len(second) == 2
    assert rows[0] < whole[0].opacity.values.shape[0]


def test_an_uneven_burn_varies_by_about_the_stated_share():
    beam = Beam(kerf_mm=0.2, softness_mm=0.0, strength=0.6, unevenness=0.1)
    line = Line(np.array([[0.0, 0.0], [180.0, 0.0]]), False, "a")
    (burned,) = burn_lines((line,), beam, np.random.default_rng(4))
    middle = burned.opacity.values.max(axis=0)[40:-40]
    assert middle.mean() == pytest.approx(0.6, rel=0.06)
    assert 0.05 < middle.std() / middle.mean() < 0.15


def test_a_scorch_darkens_one_side_only():
    beam = Beam(0.2, 0.0, 1.0, 0.0, scorch_share=0.3, scorch_mm=(0.0, 0.3))
    line = Line(np.array([[0.0, 0.0], [10.0, 0.0]]), False, "a")
    (burned,) = burn_lines((line,), beam, np.random.default_rng(1))
    _, y = burned.opacity.axes_mm()
    profile = burned.opacity.values[:, burned.opacity.values.shape[1] // 2]
    assert profile[(y > 0.15)].sum() > 3 * profile[(y < -0.15)].sum()
