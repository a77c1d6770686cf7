"""How much a mark is stretched against its artwork, by drawn scenes of known strain."""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from tests.unit.drawn_scenes import HOOK, KERF_MM, PLATE, STILL, Scene, artwork_of
from vision.diagnose.causes import Evidence, findings_of
from vision.measure.scale import strain_response, strains
from vision.register.mark import Mark, measure

SEEDS = range(4)
MIDDLE = np.array([23.5, 16.0])
ARTWORK = artwork_of((PLATE,), (PLATE, HOOK))
STRAINS = {
    "none": (0.0, 0.0, 0.0),
    "longer along X": (0.004, -0.003, 0.0),
    "larger": (0.004, 0.004, 0.0),
    "out of square": (0.0, 0.0, 0.004),
}


class KnownMap:
    """A map without any doubt; higher surfaces look larger by a four-hundredth per mm."""

    calibration_covariance = np.zeros((1, 1))

    def calibration_jacobian_mm(self, points):
        return np.zeros((len(points), 2, 1))

    def height_jacobian_mm(self, points):
        return -(points - MIDDLE) / 400


def stretched(shape, strain):
    along_x, along_y, skew = strain
    matrix = np.array([[1 + along_x, skew / 2], [skew / 2, 1 + along_y]])
    return shapely.transform(shape, lambda points: MIDDLE + (points - MIDDLE) @ matrix.T)


def measured(strain, seed):
    plate, hook = stretched(PLATE, strain), stretched(HOOK, strain)
    layers = {"fill": ((plate,), STILL, 0.5), "outline": ((plate, hook), STILL, 0.7)}
    view = Scene(layers, noise=2.0).capture(seed=seed)
    mark = measure(view, None, ARTWORK, STILL, (), KERF_MM)
    assert isinstance(mark, Mark)
    points = {name: np.array(PLATE.exterior.coords) for name in mark.layers}
    said = SimpleNamespace(hatch_mm=0.0, height_sigma_mm=0.1)
    return strains(mark, KnownMap(), points, said, mark.layers)


@pytest.fixture(scope="module")
def told():
    return {name: [measured(strain, seed) for seed in SEEDS] for name, strain in STRAINS.items()}


@pytest.mark.slow
@pytest.mark.parametrize("name", list(STRAINS))
def test_the_stated_interval_of_a_strain_holds_the_true_one(told, name):
    true = np.array(STRAINS[name])
    for run in told[name]:
        for strain in run.values():
            away = np.abs(strain.value - true)
            assert (away < 3 * np.sqrt(np.diag(strain.statistical))).all()
    together = np.mean([run["all"].value for run in told[name]], axis=0)
    assert np.abs(together - true).max() < 0.0012
    # Worth telling: a tenth of a per cent or so of a mark 30 mm wide.
    assert np.sqrt(np.diag(told[name][0]["all"].statistical)).max() < 0.0015


def findings(strains_of):
    evidence = Evidence({}, None, None, None, (), 0, False, None, None, strains=strains_of)
    return [finding.kind for finding in findings_of(evidence, ())]


@pytest.mark.slow
def test_strain_is_named_by_its_kind_and_nothing_is_named_where_there_is_none(told):
    for run in told["none"]:
        assert findings(run) == ["none"]
    assert any(findings(run) == ["scale"] for run in told["longer along X"])
    assert all(findings(run) != ["lifted"] for run in told["longer along X"])
    for run in told["larger"]:
        assert findings(run) == ["lifted"]
        assert abs(run["all"].lift_mm.value - 1.6) < run["all"].lift_mm.u95
    assert any(findings(run) == ["skew"] for run in told["out of square"])


@pytest.mark.slow
@pytest.mark.parametrize("shape", [shapely.box(10, 16, 36, 16.01), shapely.box(20, 14, 20.8, 14.8)])
def test_what_a_mark_is_too_small_to_tell_is_not_told(shape):
    """A single line tells its length alone; a mark smaller than a millimetre nothing."""
    view = Scene({"fill": ((shape,), STILL, 0.5)}, noise=2.0).capture(seed=1)
    mark = measure(view, None, artwork_of((shape,)), STILL, (), KERF_MM)
    said = SimpleNamespace(hatch_mm=0.1, height_sigma_mm=0.1)
    points = {"fill": np.array(shape.exterior.coords)}
    told = strains(mark, KnownMap(), points, said, ["fill"])["all"]
    long = shape.bounds[2] - shape.bounds[0] > 10
    assert (told.quantities["x_percent"].value is not None) == long
    assert told.quantities["y_percent"].why == "the mark is too small to tell"
    assert (told.lift_mm.value is not None) == long
    assert findings({"all": told}) == ["none"]


def test_the_strain_of_moves_is_told_beside_their_shift_and_turn():
    points = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 5.0], [0.0, 5.0], [3.0, 2.0]])
    gradient = np.array([[0.003, 0.001], [0.004, -0.002]])  # du/dx, du/dy; dv/dx, dv/dy
    moves = (points @ gradient.T + [0.7, -0.4])[:, :, None]
    assert strain_response(moves, points)[:, 0] == pytest.approx([0.003, -0.002, 0.005])
