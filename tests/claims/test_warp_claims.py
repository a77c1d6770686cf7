"""How a mark is warped against its artwork, by drawn scenes that are bent by a known field."""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from tests.unit.drawn_scenes import HOOK, KERF_MM, PLATE, STILL, AffineSurface, Scene, artwork_of
from vision.diagnose.causes import Evidence, findings_of
from vision.measure.scale import affine_moves
from vision.measure.warp import warp_of
from vision.register.mark import Mark, measure

SEEDS = range(3)
MIDDLE = np.array([23.5, 16.0])
ARTWORK = artwork_of((PLATE,), (PLATE, HOOK))
FOOT = np.array([-120.0, -40.0])
CAMERA_MM = 450.0
RISE_MM = 1.2


class HighCamera(AffineSurface):
    """Heights move what is seen away from below the camera; the drawn pixels are the plane's."""

    def height_jacobian_mm(self, points_mm):
        return -(points_mm - FOOT) / CAMERA_MM


def nothing(points):
    return 0 * points


def along_x(points):
    """A parabola along X: 0.12 mm at 15 mm from the middle."""
    away = (points[:, 0] - MIDDLE[0]) / 15
    return np.stack([0.12 * away**2, 0 * away], axis=1)


def bowed(points):
    """A sheet bowed like a gutter along Y, seen from the side by a camera at CAMERA_MM."""
    height = RISE_MM * ((points[:, 0] - MIDDLE[0]) / 15.5) ** 2
    return height[:, None] * (points - FOOT) / CAMERA_MM


FIELDS = {"none": nothing, "parabola": along_x, "bow": bowed}


def bent(shape, field):
    return shapely.transform(shapely.segmentize(shape, 0.5), lambda p: p + field(p))


def measured(field, seed):
    plate, hook = bent(PLATE, field), bent(HOOK, field)
    layers = {"fill": ((plate,), STILL, 0.5), "outline": ((plate, hook), STILL, 0.7)}
    view = Scene(layers, noise=2.0).capture(seed=seed)
    mark = measure(view, None, ARTWORK, STILL, (), KERF_MM)
    assert isinstance(mark, Mark)
    said = SimpleNamespace(hatch_mm=0.0)
    return warp_of(mark, HighCamera(), by_layer(), said, mark.layers)


def along(shape):
    return np.array(shapely.segmentize(shape, 0.5).exterior.coords)


def by_layer():
    return {"fill": along(PLATE), "outline": np.concatenate([along(PLATE), along(HOOK)])}


def strokes():
    return np.concatenate(list(by_layer().values()))


def true_warp(field):
    """Return the lengths of what a rigid motion and a strain leave of a field on the strokes."""
    points = strokes()
    moves = field(points).ravel()
    rigid = affine_moves(points).reshape(len(moves), -1)
    left = moves - rigid @ np.linalg.lstsq(rigid, moves, rcond=None)[0]
    return np.hypot(*left.reshape(-1, 2).T)


@pytest.fixture(scope="module")
def told():
    return {name: [measured(field, seed) for seed in SEEDS] for name, field in FIELDS.items()}


def kinds(warp):
    evidence = Evidence({}, None, None, None, (), 0, False, None, None, warp=warp)
    return [finding.kind for finding in findings_of(evidence, ())]


@pytest.mark.slow
@pytest.mark.parametrize("name", list(FIELDS))
def test_the_interval_of_a_warp_holds_the_true_one(told, name):
    lengths = true_warp(FIELDS[name])
    for warp in told[name]:
        quantities = warp.quantities
        for key, true in (("peak_mm", lengths.max()), ("rms_mm", np.sqrt((lengths**2).mean()))):
            low, high = quantities[key].interval
            assert low <= true <= high
        # Worth telling: half a tenth of a millimetre or so.
        assert quantities["rms_mm"].u95 < 0.065


@pytest.mark.slow
def test_a_warp_is_named_and_nothing_is_named_where_there_is_none(told):
    assert [kinds(warp) for warp in told["none"]] == [["none"]] * len(SEEDS)
    for name in ("parabola", "bow"):
        assert [kinds(warp) for warp in told[name]] == [["warp"]] * len(SEEDS)


@pytest.mark.slow
def test_how_much_a_bowed_sheet_bows_is_told_with_an_interval_that_holds_it(told):
    points = strokes()
    height = RISE_MM * ((points[:, 0] - MIDDLE[0]) / 15.5) ** 2
    plane = np.column_stack([np.ones(len(points)), points])
    true = np.ptp(height - plane @ np.linalg.lstsq(plane, height, rcond=None)[0])
    for warp in told["bow"]:
        low, high = warp.bow_mm.interval
        assert 0 < low <= true <= high
    bows = [warp.bow_mm.value for warp in told["bow"]]
    assert np.mean(bows) == pytest.approx(true, abs=0.3)


@pytest.mark.slow
def test_of_a_mark_that_tells_no_warp_none_is_named():
    """Of a small square four short edges are all there is."""
    shape = shapely.box(20, 14, 21.2, 15.2)
    view = Scene({"fill": ((shape,), STILL, 0.5)}, noise=2.0).capture(seed=1)
    mark = measure(view, None, artwork_of((shape,)), STILL, (), KERF_MM)
    assert isinstance(mark, Mark)
    points = {"fill": along(shape)}
    warp = warp_of(mark, HighCamera(), points, SimpleNamespace(hatch_mm=0.1), ["fill"])
    assert not warp.surely
    assert kinds(warp) == ["none"]
    assert warp.quantities["peak_mm"].interval[0] == 0.0
    assert warp_of(mark, HighCamera(), points, SimpleNamespace(hatch_mm=0.1), []) is None
