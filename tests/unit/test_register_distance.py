"""Distance maps against distances and areas of another geometry library (shapely)."""

import math

import numpy as np
import pytest
import shapely
from shapely.geometry import LinearRing, Polygon

from tests.unit.drawn_scenes import DISC, HOOK, PLATE, about, artwork_of
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Area, Artwork, Feature, Stroke
from vision.register.distance import layer_distance
from vision.register.layers import half_widths, is_round, layer_maps

PITCH, REACH = 0.1, 2.0
HOLED = Polygon(
    PLATE.exterior.coords,
    [[(11, 11), (11, 17), (17, 17), (17, 11)], [(20, 10), (20, 13), (27, 10)]],
)


def nodes_mm(found):
    rows, columns = found.stack.shape[:2]
    x = found.origin_mm[0] + found.pitch_mm * np.arange(columns)
    y = found.origin_mm[1] + found.pitch_mm * np.arange(rows)
    return np.meshgrid(x, y)


def filled(shape):
    rings = tuple(np.asarray(r.coords)[:-1] for r in (shape.exterior, *shape.interiors))
    return Artwork((), (Area(rings, 0),), (Feature("one", shape.bounds, 0),), 1, 0.01)


@pytest.mark.parametrize("shape", [PLATE, HOLED, DISC], ids=["plate", "with holes", "disc"])
def test_the_distance_to_an_area_is_signed_and_true(shape):
    found = layer_distance(filled(shape), "fill", PITCH, REACH)
    x, y = nodes_mm(found)
    places = shapely.points(x.ravel(), y.ravel())
    rim = shapely.distance(places, shape.boundary)
    signed = np.where(shapely.contains_xy(shape, x.ravel(), y.ravel()), -rim, rim)
    want = np.clip(signed, -REACH, REACH).reshape(x.shape)
    # Vertices nearer to their neighbours' line than a tenth of the pitch are left out.
    assert np.abs(found.stack[..., 0] - want).max() < 0.011


def test_the_distance_to_lines_is_true_for_open_and_closed_ones():
    zigzag = np.array([[2.0, 3.0], [14.0, 4.5], [13.0, 9.0], [21.0, 9.0]])
    dot = np.array([[25.0, 5.0]])
    strokes = (
        Stroke("outline", zigzag, False, 0),
        Stroke("outline", np.asarray(HOOK.exterior.coords)[:-1], True, 1),
        Stroke("outline", dot, False, 2),
        Stroke("cut", np.array([[0.0, 0.0], [40.0, 0.0]]), False, 3),
    )
    features = tuple(Feature(f"f{k}", (0, 0, 40, 24), 0) for k in range(4))
    found = layer_distance(Artwork(strokes, (), features, 1, 0.01), "outline", PITCH, REACH)
    x, y = nodes_mm(found)
    places = shapely.points(x.ravel(), y.ravel())
    lines = [shapely.LineString(zigzag), LinearRing(HOOK.exterior.coords), shapely.Point(25, 5)]
    each = np.array([shapely.distance(places, line) for line in lines])
    want = np.minimum(each.min(axis=0), REACH).reshape(x.shape)
    assert np.abs(found.stack[..., 0] - want).max() < 0.011
    first, second = np.sort(each, axis=0)[:2]
    clear = ((second - first > 0.05) & (first < REACH - 0.05)).reshape(x.shape)
    assert (found.label[clear] == each.argmin(axis=0).reshape(x.shape)[clear]).all()
    beyond = (first > REACH + 0.011).reshape(x.shape)
    assert (found.label[beyond] == -1).all()


@pytest.mark.parametrize("shape", [PLATE, HOLED, DISC], ids=["plate", "with holes", "disc"])
def test_what_lies_nearer_than_half_a_kerf_has_the_area_of_the_grown_shape(shape):
    found = layer_distance(filled(shape), "fill", 0.05, REACH)
    inside = np.clip(0.5 - (found.stack[..., 0] - 0.1) / 0.05, 0, 1).sum() * 0.05**2
    assert inside == pytest.approx(shape.buffer(0.1, quad_segs=32).area, rel=5e-4)


def test_the_gradient_is_one_across_an_edge_and_points_outwards():
    found = layer_distance(filled(DISC), "fill", PITCH, REACH)
    x, y = nodes_mm(found)
    away = np.hypot(x - 23.0, y - 16.0)
    near = np.abs(away - 8.0) < 1.0
    gx, gy = found.stack[near, 1], found.stack[near, 2]
    # A vertex left out turns the edge by up to a tenth of a radian.
    assert gx == pytest.approx((x[near] - 23.0) / away[near], abs=0.1)
    assert gy == pytest.approx((y[near] - 16.0) / away[near], abs=0.1)


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_map_is_read_where_the_pose_puts_it(mirrored):
    found = layer_distance(artwork_of((PLATE,)), "fill", 0.05, REACH)
    pose = Rigid(60.0, 12.0, 0.3, mirrored)
    rng = np.random.default_rng(2)
    page = rng.uniform([6, 6], [32, 26], (400, 2))
    on_bed = pose.apply(page).astype(np.float32)[None]
    rim = shapely.distance(shapely.points(page), PLATE.boundary)
    want = np.clip(np.where(shapely.contains_xy(PLATE, *page.T), -rim, rim), -REACH, REACH)
    assert found.distance_at(pose, on_bed)[0] == pytest.approx(want, abs=0.03)
    far = np.array([[[400.0, 300.0]]], np.float32)
    assert found.distance_at(pose, far)[0, 0] == pytest.approx(REACH)
    assert found.label_at(pose, far)[0, 0] == -1


def test_a_layer_that_the_artwork_lacks_has_no_map():
    artwork = artwork_of((PLATE,), (HOOK,))
    assert layer_distance(artwork, "cut", PITCH, REACH) is None
    assert [m.layer for m in layer_maps(artwork, PITCH, REACH)] == ["outline", "fill"]


def test_the_middle_of_a_large_fill_still_bears_its_name():
    found = layer_distance(artwork_of((HOOK, PLATE)), "fill", PITCH, 1.0)
    x, y = nodes_mm(found)
    deep = np.hypot(x - 14.0, y - 14.0) < 3.0
    assert (found.label[deep] == 1).all()
    assert (found.stack[deep, 0] == -1.0).all()


def test_where_the_ground_is_burned_the_beam_eats_into_the_fill_alone():
    maps = layer_maps(artwork_of((PLATE,), (HOOK,)), PITCH, REACH)
    assert half_widths(maps, 0.2, False) == (0.1, 0.1)
    assert half_widths(maps, 0.2, True) == (0.1, -0.1)


def test_only_what_a_turn_moves_along_its_own_edges_is_round():
    disc = shapely.transform(DISC, about((23.0, 16.0), 5.0, -3.0, 0.2).apply)
    twelve = Polygon([(20 + 8 * math.cos(a), 8 * math.sin(a)) for a in np.arange(12) * math.pi / 6])
    two = (disc, shapely.transform(disc, lambda p: p + np.array([30.0, 0.0])))
    assert is_round(artwork_of((), (disc,)), "outline")
    assert is_round(artwork_of((disc,)), "fill")
    assert not is_round(artwork_of((), (PLATE,)), "outline")
    assert not is_round(artwork_of((), (twelve,)), "outline")
    assert not is_round(artwork_of((), two), "outline")
