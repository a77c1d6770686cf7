"""Propagation of uncertainty against worked examples of the GUM.

H.3 is JCGM 100:2008, Annex H.3 (calibration of a thermometer: a straight line, its correlated
coefficients, a value beyond the data): inputs as GTC's examples give them, results as printed. A
line is what a small rigid displacement does to points along x: dy + turn x; so the example goes
through the product's own fit and its carrying of a covariance to another point. H.2 (resistance
and reactance from simultaneous readings) is there for correlated inputs: its three results are told
as the three numbers of a displacement, its readings are the parameters of one influence.
"""

import math

import numpy as np
import pytest

from calibration.quantity import K95, K95_PLANE
from vision.measure.budget import Influence
from vision.measure.offsets import Offset, displacement, rigid_response

T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
B = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)
T0 = 20.0
# H.2, Table H.2: five simultaneous readings of V (V), I (A) and phi (rad).
READINGS = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)


def resistance(correlated):
    """Return (3,) R, X and Z in ohms and their (3, 3) covariance by the budget's code."""
    volt, ampere, phi = READINGS.mean(axis=1)
    z = volt / ampere
    r, x = z * math.cos(phi), z * math.sin(phi)
    by_reading = np.array(
        [
            [r / volt, -r / ampere, -x],
            [x / volt, -x / ampere, r],
            [z / volt, -z / ampere, 0.0],
        ]
    )
    of_means = np.cov(READINGS) / READINGS.shape[1]
    if not correlated:
        of_means = np.diag(np.diag(of_means))
    readings = Influence("readings", "measured", "", {"fill": by_reading}, of_means)
    return np.array([r, x, z]), readings.on("fill")


def line():
    """Return (3,) displacement and (3, 3) covariance: dx (none), y1 and y2 of the example."""
    points = np.stack([T - T0, np.zeros(11)], axis=1)
    moves = np.stack([np.zeros(11), B], axis=1)
    fitted = rigid_response(moves[:, :, None], points, np.zeros(2))[:, 0]
    # How the fit answers to each reading alone, and so to readings of standard deviation s.
    each = np.zeros((11, 2, 11))
    each[np.arange(11), 1, np.arange(11)] = 1.0
    gain = rigid_response(each, points, np.zeros(2))
    left = B - fitted[1] - fitted[2] * (T - T0)
    s2 = float(left @ left) / (11 - 2)
    return fitted, s2 * gain @ gain.T, math.sqrt(s2)


def test_h3_the_line_and_its_uncertainty_are_the_printed_ones():
    fitted, covariance, s = line()
    # Printed: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, s = 0.0035.
    assert fitted == pytest.approx([0.0, -0.1712, 0.00218], abs=5e-5)
    assert math.sqrt(covariance[1, 1]) == pytest.approx(0.0029, abs=5e-5)
    assert math.sqrt(covariance[2, 2]) == pytest.approx(0.00067, abs=5e-6)
    r = covariance[1, 2] / math.sqrt(covariance[1, 1] * covariance[2, 2])
    assert r == pytest.approx(-0.930, abs=5e-4)
    assert s == pytest.approx(0.0035, abs=5e-5)


def test_h3_a_value_beyond_the_data_has_the_printed_uncertainty():
    fitted, covariance, _ = line()
    there = Offset(fitted, np.zeros(2), covariance, np.zeros((3, 3))).told_at(np.array([10.0, 0]))
    # Printed: b(30) = -0.1494, u = 0.0041.
    assert there.vector[1] == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(there.covariance[1, 1]) == pytest.approx(0.0041, abs=5e-5)
    # Who leaves the correlation out gets 0.0073.
    without = math.sqrt(covariance[1, 1] + 100 * covariance[2, 2])
    assert without > 1.7 * math.sqrt(there.covariance[1, 1])


def test_h2_correlated_readings_give_the_printed_uncertainties_and_correlations():
    values, covariance = resistance(correlated=True)
    # Printed: R = 127.732, X = 219.847, Z = 254.260 ohms; u = 0.071, 0.295, 0.236.
    assert values == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    u = np.sqrt(np.diag(covariance))
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    # Printed: r(R, X) = -0.588, r(R, Z) = -0.485, r(X, Z) = 0.993.
    r = covariance / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_h2_readings_taken_as_independent_are_far_from_what_is_printed():
    _, covariance = resistance(correlated=False)
    u = np.sqrt(np.diag(covariance))
    assert u[0] > 2 * 0.071
    assert u[2] < 0.9 * 0.236


def test_four_equal_influences_have_the_interval_of_the_supplement():
    """JCGM 101:2008, 9.2.2 and 9.2.3: four terms of unit variance, normal or rectangular.

    Printed 95 % intervals: +-3.92 and +-3.88 (both as quoted by suncal's tests). The product takes
    a sum of many terms as normal, so the rectangular one is a little too wide.
    """
    unit = Influence("one", "assumed", "", {"fill": np.eye(3)}, np.eye(3))
    told = Offset(np.zeros(3), np.zeros(2), np.zeros((3, 3)) + np.eye(3) * 1e-18, np.zeros((3, 3)))
    for _ in range(4):
        told = told.plus_systematic(unit.on("fill"))
    u95 = displacement(told, np.zeros((1, 2))).dx_mm.u95
    assert u95 == pytest.approx(3.92, abs=0.005)
    assert 3.88 < u95 < 1.02 * 3.88


def test_coverage_factors_are_those_of_the_distributions():
    stats = pytest.importorskip("scipy.stats")
    assert pytest.approx(stats.norm.ppf(0.975), abs=1e-6) == K95
    assert pytest.approx(math.sqrt(stats.chi2.ppf(0.95, 2)), abs=1e-6) == K95_PLANE
