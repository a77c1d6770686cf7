"""Rims of plain work on a bed of bright walls and dark cells, drawn by supersampling."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.unit.drawn_marks import FlatSurface
from vision.register.edge_motion import by_rims
from vision.register.edges import Edge
from vision.register.rim import RimShift, fit_rim, rim_shift, rim_shift_near
from vision.register.tone import grey_from_linear, linear_from_grey
from vision.register.view import View

SURFACE = FlatSurface(size=(360, 300), v0=280.6)
FINE = 5
WORK, WALL, CELL = 0.030, 0.11, 0.026
BOX = (20.0, 18.0, 62.0, 52.0)
SIDES = {"right": (62.0, 35.0, 0.0, 17.0), "top": (41.0, 52.0, math.pi / 2, 21.0)}
SIDES |= {"left": (20.0, 35.0, math.pi, 17.0), "bottom": (41.0, 18.0, -math.pi / 2, 21.0)}


def bed(x, y):
    """Return the light of a honeycomb-like grid: thin bright walls in three directions."""
    walls = np.zeros(np.broadcast(x, y).shape, bool)
    for angle in (0.13, 0.13 + math.pi / 3, 0.13 + 2 * math.pi / 3):
        across = math.cos(angle) * x + math.sin(angle) * y
        walls |= np.abs((across / 4.1) % 1 - 0.5) < 0.07
    return np.where(walls, WALL, CELL)


def capture(shift=(0.0, 0.0), seed=0, work=True, light=1.0):
    """Return a view of a plain plate on the bed, moved by a shift, with noise of two levels."""
    width, height = SURFACE.size
    u = (np.arange(width * FINE) + 0.5) / FINE - 0.5
    v = (np.arange(height * FINE) + 0.5) / FINE - 0.5
    x = (u[None, :] - SURFACE.u0) * SURFACE.pitch_mm
    y = (SURFACE.v0 - v[:, None]) * SURFACE.pitch_mm
    picture = bed(x, y)
    if work:
        x0, y0, x1, y1 = BOX
        inside = (x > x0 + shift[0]) & (x < x1 + shift[0])
        picture = np.where(inside & (y > y0 + shift[1]) & (y < y1 + shift[1]), WORK, picture)
    soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.9 * FINE)
    linear = light * cv2.resize(soft, (width, height), interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(seed).normal(0, 2.0, linear.shape)
    grey = np.clip(np.round(grey_from_linear(linear) + noise), 0, 255).astype(np.float32)
    return View(linear_from_grey(grey), grey, np.ones_like(grey), SURFACE)


def rough(side, off=0.0):
    """Return a rough line beside a side of the plate, half a pixel's turn askew."""
    x, y, normal, half = SIDES[side]
    place = (x + off * math.cos(normal), y + off * math.sin(normal))
    return Edge(side, place, normal + 0.004, half - 3.0, np.zeros((2, 2)), 0.25, 0.0)


@pytest.fixture(scope="module")
def before():
    return capture(seed=1)


@pytest.mark.parametrize("side", list(SIDES))
@pytest.mark.parametrize("off", [-0.4, 0.4])
def test_a_rim_is_found_where_the_plate_ends(before, side, off):
    rim = fit_rim(before, rough(side, off))
    x, y, normal, _ = SIDES[side]
    beyond = (rim.middle_mm[0] - x) * math.cos(normal) + (rim.middle_mm[1] - y) * math.sin(normal)
    assert beyond == pytest.approx(0.0, abs=0.12)
    assert rim.normal_rad == pytest.approx(normal, abs=0.006)


def test_where_there_is_no_work_there_is_no_rim():
    empty = capture(work=False)
    assert [fit_rim(empty, rough(side)) for side in SIDES] == [None] * 4


def shifts(before, after):
    rims = [fit_rim(before, rough(side)) for side in SIDES]
    told = [rim_shift(before, after, rim, None) for rim in rims if rim is not None]
    return [one for one in told if one is not None]


@pytest.mark.parametrize("light", [1.0, 0.9])
def test_a_plate_that_lies_still_is_told_to_lie_still(before, light):
    told = shifts(before, capture(seed=2, light=light))
    assert len(told) >= 3
    step, known, misfit = by_rims(told, np.array([41.0, 35.0]))
    sigma = np.sqrt(np.diag(np.linalg.inv(known)))
    assert (np.abs(step) < 3 * sigma).all()
    assert np.abs(step[:2]).max() < 0.02
    assert sigma[:2].max() < 0.02
    assert misfit < 3.5


@pytest.mark.parametrize("shift", [(0.06, 0.0), (0.0, -0.08), (0.1, 0.05)])
def test_a_small_shift_lies_within_what_is_told(before, shift):
    told = shifts(before, capture(shift, seed=3))
    if len(told) < 3:  # then nothing is told
        assert shift != (0.06, 0.0)
        return
    step, known, _ = by_rims(told, np.array([41.0, 35.0]))
    sigma = np.sqrt(np.diag(np.linalg.inv(known)))
    assert (np.abs(step[:2] - shift) < 2.5 * sigma[:2]).all()


@pytest.mark.parametrize("shift", [(0.6, 0.4), (-1.5, 0.7), (4.1, 0.0)])
def test_a_large_shift_is_never_told_as_a_small_one(before, shift):
    told = shifts(before, capture(shift, seed=4))
    if len(told) >= 3:
        step, known, misfit = by_rims(told, np.array([41.0, 35.0]))
        sigma = np.sqrt(np.diag(np.linalg.inv(known)))
        assert misfit > 3.5 or (np.abs(step[:2] - shift) < 3 * sigma[:2]).all()


def test_a_rim_out_of_view_is_not_told(before):
    far = replace(rough("right"), middle_mm=(500.0, 35.0))
    assert fit_rim(before, far) is None


def beside_a_wall(view):
    """Return the view with a dark strip a millimetre inside of the plate's lower edge.

    As where the camera looks from a tilt, and a wall of other grey lies between the edge of the
    work's surface and the bed.
    """
    linear = view.linear.copy()
    rows, columns = linear.shape
    u, v = np.meshgrid(np.arange(columns), np.arange(rows))
    x = (u - SURFACE.u0) * SURFACE.pitch_mm
    y = (SURFACE.v0 - v) * SURFACE.pitch_mm
    x0, y0, x1, _ = BOX
    linear[(x > x0 + 2) & (x < x1 - 14) & (y > y0 + 0.2) & (y < y0 + 1.4)] *= 0.5
    grey = grey_from_linear(linear.astype(np.float32))
    return View(linear_from_grey(grey), grey, view.usable, SURFACE)


def test_a_rim_that_was_not_plain_before_is_no_less_told_where_nothing_moved(before):
    later = beside_a_wall(capture(seed=2))
    earlier = beside_a_wall(before)
    rim = fit_rim(before, rough("bottom"))
    told = rim_shift(earlier, later, rim, None)
    assert told is not None
    assert abs(told.shift[0]) < 2 * math.sqrt(told.covariance[0, 0]) < 0.2


@pytest.mark.parametrize(
    ("tells", "turned_from", "longest"),
    [
        ((1.0, 1.5, 2.0, 3.0), 9.0, 3.0),
        ((1.0, 1.5, 3.0), 9.0, 1.5),
        ((1.5, 2.0, 3.0), 9.0, None),
        ((1.0, 1.5, 2.0, 3.0), 2.0, 1.5),
    ],
)
def test_a_rim_is_followed_outwards_only_as_far_as_it_tells_and_stays_in_line(
    before, monkeypatch, tells, turned_from, longest
):
    start = rough("right")

    def rim(_view, line):
        reach = line.half_mm / start.half_mm
        turn = math.radians(0.5) if reach >= turned_from else 0.0
        return replace(line, normal_rad=line.normal_rad + turn)

    def shift(_before, _after, line, _keep_out):
        told = any(math.isclose(line.half_mm, reach * start.half_mm) for reach in tells)
        return RimShift(line, np.zeros(2), np.eye(2)) if told else None

    monkeypatch.setattr("vision.register.rim.fit_rim", rim)
    monkeypatch.setattr("vision.register.rim.rim_shift", shift)
    found = rim_shift_near(before, before, start, None)
    assert (None if found is None else found.rim.half_mm / start.half_mm) == longest
