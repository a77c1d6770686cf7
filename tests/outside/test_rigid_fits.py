"""Rigid displacements against closed forms and registrations of other libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, optimize, stats
from skimage.transform import EuclideanTransform, SimilarityTransform

from tests.unit.drawn_scenes import (
    HOOK,
    KERF_MM,
    PLATE,
    STILL,
    AffineSurface,
    Scene,
    about,
    artwork_of,
)
from vision.artwork.placing import Rigid
from vision.measure.offsets import (
    Offset,
    combine,
    length_factor,
    length_interval,
    offset_between,
    rigid_response,
    worst,
)
from vision.register.mark import Mark, measure
from vision.register.scene import nudge
from vision.register.view import View

SITK = pytest.importorskip("SimpleITK")
RNG = np.random.default_rng(7)
POINTS = RNG.uniform(0, 60, (40, 2))


def fitted(a: np.ndarray, b: np.ndarray, kind: type = EuclideanTransform) -> EuclideanTransform:
    """Umeyama's closed form (IEEE PAMI 13, 1991), as scikit-image has it."""
    if hasattr(kind, "from_estimate"):
        return kind.from_estimate(a, b)
    form = kind()
    form.estimate(a, b)
    return form


def test_a_nudged_pose_is_the_rigid_motion_that_a_closed_form_finds() -> None:
    pose = nudge(Rigid(3.0, -2.0, 0.4), (20.0, 30.0), 0.31, -0.12, 0.007)
    form = fitted(POINTS, pose.apply(POINTS))
    assert form.rotation == pytest.approx(pose.angle_rad, abs=1e-12)
    assert form.translation == pytest.approx(pose.shift_mm, abs=1e-10)


def test_small_displacements_of_many_points_give_the_closed_forms_shift_and_turn() -> None:
    turn, shift = 0.002, np.array([0.05, -0.03])
    at = POINTS.mean(axis=0)
    c, s = math.cos(turn), math.sin(turn)
    moved = (POINTS - at) @ np.array([[c, -s], [s, c]]).T + at + shift
    noisy = moved + RNG.normal(0, 0.001, moved.shape)
    response = rigid_response((noisy - POINTS)[:, :, None], POINTS, at)[:, 0]
    form = fitted(POINTS - at, noisy - at)
    assert response[:2] == pytest.approx(form.translation, abs=1e-6)
    assert response[2] == pytest.approx(form.rotation, abs=2e-6)


def test_a_displacement_told_elsewhere_moves_every_point_alike() -> None:
    expected = Rigid(10.0, 5.0, 0.2)
    found = nudge(expected, (30.0, 20.0), 0.2, 0.1, 0.004)
    page = np.array([12.0, 9.0])
    at = expected.apply(page[None])[0]
    told = offset_between(found, expected, page, at, np.eye(3) * 1e-6)
    there = told.told_at(at + np.array([25.0, -40.0]))
    point = expected.invert((at + np.array([25.0, -40.0]))[None])
    exact = (found.apply(point) - expected.apply(point))[0]
    # The turn is small: what is left out is of second order.
    assert there.vector[:2] == pytest.approx(exact, abs=5e-4)


def test_the_interval_of_a_length_holds_the_shortest_and_longest_vector_of_the_ellipse() -> None:
    shift = np.array([[0.08, 0.02], [0.01, 0.0], [0.3, -0.4]])
    covariance = np.array([[[4e-4, 1e-4], [1e-4, 2e-4]]] * 3)
    low, high = length_interval(shift, covariance)
    root = np.linalg.cholesky(covariance[0])
    angle = np.linspace(0, 2 * math.pi, 4001)
    # 2.4477: square root of the 95 % quantile of chi-square with two degrees of freedom.
    ring = root @ np.stack([np.cos(angle), np.sin(angle)])
    narrow, wide = np.sqrt(np.linalg.eigvalsh(covariance[0]))
    longest = length_quantile(narrow / wide)
    for k in range(3):
        away = math.sqrt(shift[k] @ np.linalg.solve(covariance[k], shift[k])) / 2.447747
        # From the quantile of lengths about nothing to 1.960, that of one dimension.
        factor = max(longest + (1.959964 - longest) * away, 1.959964)
        near, far = (
            np.hypot(shift[k, 0] + factor * ring[0], shift[k, 1] + factor * ring[1])
            for factor in (2.447747, factor)
        )
        inside = away < 1
        assert low[k] == pytest.approx(0.0 if inside else near.min(), abs=2e-4)
        assert high[k] == pytest.approx(far.max(), abs=2e-4)


def length_quantile(ratio: float) -> float:
    """Return the 95 % quantile of hypot(z1, ratio z2) by integrating the chi-square of the rest.

    Hoyt, Bell Syst. Tech. J. 26 (1947) 318-359 treats the same variable.
    """

    def at(z: float, length: float) -> float:
        return float(stats.norm.pdf(z) * stats.chi2.cdf((length**2 - z**2) / ratio**2, 1))

    def beyond(length: float) -> float:
        return 0.95 - float(integrate.quad(at, -length, length, (length,), limit=200)[0])

    return float(optimize.brentq(beyond, 1.9, 2.5))


@pytest.mark.parametrize("ratio", [0.05, 0.2, 0.5, 0.8, 1.0])
def test_the_factor_of_a_length_is_the_quantile_of_its_distribution(ratio: float) -> None:
    found = float(length_factor(np.array([ratio]))[0])
    assert found == pytest.approx(length_quantile(ratio), abs=5e-4)


@pytest.mark.parametrize("ratio", [0.02, 0.3, 1.0])
@pytest.mark.parametrize("true_mm", [(0.0, 0.0), (0.0, 0.02), (0.06, 0.0), (0.04, 0.04)])
def test_lengths_of_uneven_certainty_are_covered(
    ratio: float, true_mm: tuple[float, float]
) -> None:
    sigma, n = 0.02, 4000
    drawn = RNG.normal(0, sigma, (n, 2)) * [1.0, ratio] + true_mm
    covariance = np.diag([sigma**2, (ratio * sigma) ** 2])
    low, high = length_interval(drawn, np.tile(covariance, (n, 1, 1)))
    length = math.hypot(*true_mm)
    assert float(((low <= length) & (length <= high)).mean()) > 0.94
    # Each end is missed in one case of forty; three standard deviations of 4000 draws on top.
    assert float((high < length).mean()) < 0.025 + 3 * math.sqrt(0.025 * 0.975 / n)


@pytest.mark.parametrize("measured", [0.0, 0.5, 1.0, 1.5, 2.0, 2.4, 3.0, 10.0])
@pytest.mark.parametrize("ratio", [0.1, 0.6, 1.0])
def test_the_high_end_holds_what_the_truth_may_be_given_what_was_measured(
    ratio: float, measured: float
) -> None:
    # Propagation of distributions (JCGM 101), so many standard deviations from zero.
    n = 20000
    sigma = np.array([1.0, ratio])
    drawn = RNG.normal(0, 1, (n, 2)) * sigma
    for axis, share in ((0, 0.95), (1, 0.93)):
        # Across the ellipse what was not measured adds more to a length than to its error: held
        # as often as stated over repeats, but hardly less often given one of them.
        shift = measured * sigma * (np.arange(2) == axis)
        _, high = length_interval(shift[None], np.diag(sigma**2)[None])
        held = float((np.hypot(*(drawn + shift).T) <= high[0]).mean())
        assert held > share - 3 * math.sqrt(share * (1 - share) / n)


def test_a_length_near_zero_is_covered_as_often_as_is_stated() -> None:
    sigma, n = 0.02, 4000
    drawn = RNG.normal(0, sigma, (n, 2))
    low, high = length_interval(drawn, np.tile(np.eye(2) * sigma**2, (n, 1, 1)))
    assert 0.94 < float(((low <= 0.0) & (high >= 0.0)).mean()) < 0.96


def test_the_worst_point_lies_farthest_from_the_pivot_of_a_turn() -> None:
    told = Offset(np.array([0.0, 0.0, 0.01]), np.zeros(2), np.eye(3) * 1e-8, np.zeros((3, 3)))
    points = np.array([[1.0, 0.0], [30.0, 40.0], [-10.0, 5.0]])
    length, where = worst(told, points)
    assert where == (30.0, 40.0)
    assert length.value == pytest.approx(0.5, rel=1e-3)


def test_equal_displacements_combine_to_half_the_variance_and_different_ones_disagree() -> None:
    one = Offset(np.array([0.1, 0.0, 0.0]), np.zeros(2), np.eye(3) * 1e-4, np.zeros((3, 3)))
    other = Offset(np.array([0.2, 0.0, 0.0]), np.zeros(2), np.eye(3) * 1e-4, np.zeros((3, 3)))
    none = [np.zeros((3, 3))] * 2
    both, chi2, freedom = combine([one, one], none)
    assert both.statistical == pytest.approx(np.eye(3) * 5e-5)
    assert (chi2, freedom) == (pytest.approx(0.0), 3)
    _, chi2, _ = combine([one, other], none)
    assert chi2 == pytest.approx(0.05**2 / 1e-4 * 2)


def test_the_closed_form_used_here_gives_umeyamas_own_example() -> None:
    """Umeyama 1991, section IV; a plain decomposition gives a reflection there."""
    a = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
    b = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    form = fitted(a, b, SimilarityTransform)
    # Printed (from memory, and computed anew): R = [.832 .555; -.555 .832], t = (-.8, .4), c = .721
    assert form.scale == pytest.approx(0.7211103, abs=1e-6)
    assert form.params[:2, :2] / form.scale == pytest.approx(
        np.array([[0.8320503, 0.5547002], [-0.5547002, 0.8320503]]), abs=1e-6
    )
    assert form.translation == pytest.approx([-0.8, 0.4], abs=1e-9)


def by_least_squares(first: View, second: View, centre_px: np.ndarray) -> np.ndarray:
    """Return shift (px) at a place and turn of a second picture against a first: SimpleITK."""
    turn = SITK.Euler2DTransform()
    turn.SetCenter(centre_px.tolist())
    method = SITK.ImageRegistrationMethod()
    method.SetMetricAsMeanSquares()
    method.SetInterpolator(SITK.sitkBSpline)
    method.SetOptimizerAsRegularStepGradientDescent(0.5, 1e-6, 300, 0.5, 1e-8)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetInitialTransform(turn, inPlace=True)
    method.Execute(*(SITK.GetImageFromArray(v.grey) for v in (first, second)))
    return np.array([*turn.GetTranslation(), turn.GetAngle()])


@pytest.mark.parametrize(
    ("layer", "dx", "dy", "turn"),
    [
        ("fill", 0.43, -0.27, 0.011),
        ("outline", -0.31, 0.52, -0.006),
        ("outline", 0.05, 0.0, 0.0),
    ],
)
def test_how_a_rendered_mark_moved_is_what_a_registration_library_finds(
    layer: str, dx: float, dy: float, turn: float
) -> None:
    """Two captures of one mark: each measured against the artwork, and both against each other."""
    middle = (23.5, 16.0)
    shapes = (PLATE, HOOK)
    artwork = artwork_of(shapes) if layer == "fill" else artwork_of((), shapes)
    truth = about(middle, dx, dy, turn)
    surface = AffineSurface(shear=0.0)
    views = [
        Scene({layer: (shapes, pose, 0.6)}, surface, noise=1.0).capture(seed)
        for seed, pose in enumerate((STILL, truth))
    ]
    poses = []
    for view in views:
        mark = measure(view, None, artwork, STILL, (), KERF_MM)
        assert isinstance(mark, Mark)
        poses.append(mark.poses[layer])
    page = poses[0].invert(np.array([middle]))
    ours = np.array([*(poses[1].apply(page)[0] - middle), poses[1].angle_rad - poses[0].angle_rad])
    centre = surface.px_from_mm(np.array([middle]))[0]
    u, v, angle = by_least_squares(*views, centre)
    theirs = surface.mm_from_px((centre + np.array([u, v]))[None])[0] - middle
    assert ours == pytest.approx([dx, dy, turn], abs=0.004)
    assert ours[:2] == pytest.approx(theirs, abs=0.008)
    # v points down, so that a picture turns the other way round.
    assert ours[2] == pytest.approx(-angle, abs=6e-4)
