"""The verdict: from displacements with intervals to pass, fail or undecided."""

import numpy as np
import pytest

from calibration.quantity import K95, K95_PLANE, Quantity
from vision.diagnose.verdict import RULE, Condition, judge
from vision.measure.offsets import Offset, displacement


def condition(dx_mm, sigma_mm, name="fill against outline"):
    """Return the clause of a shift measured with an equal sigma on both axes."""
    covariance = np.diag([sigma_mm**2, sigma_mm**2, 1e-14])
    told = displacement(
        Offset(np.array([dx_mm, 0.0, 0.0]), np.zeros(2), covariance, np.zeros((3, 3))),
        np.zeros((1, 2)),
    )
    return Condition(name, "fill_to_outline", told.worst_mm, "a sharper capture")


@pytest.mark.parametrize(
    ("dx_mm", "state"),
    [
        (0.0, "pass"),
        (0.16, "pass"),
        (0.161, "undecided"),
        (0.2, "undecided"),
        (0.248, "undecided"),
        (0.25, "fail"),
    ],
)
def test_the_guard_band_is_u95_of_a_length_below_and_of_the_plane_above(dx_mm, state):
    """Tolerance 0.2 mm, sigma 0.02 mm: 0.2 - 0.039 and 0.2 + 0.049 mm (ISO 14253-1)."""
    assert (pytest.approx(0.0392, abs=1e-5), pytest.approx(0.04896, abs=1e-5)) == (
        K95 * 0.02,
        K95_PLANE * 0.02,
    )
    assert judge([condition(dx_mm, 0.02)], 0.2, ()).state == state


def test_with_a_true_offset_at_the_limit_hardly_any_job_passes_and_hardly_any_fails():
    rng = np.random.default_rng(4)
    states = [
        judge([condition(0.2 + rng.normal(0, 0.02), 0.02)], 0.2, ()).state for _ in range(2000)
    ]
    # U95 leaves 2.5 % below, the ellipse's factor on one axis 0.7 % above; three standard
    # deviations of chance on top.
    assert states.count("pass") <= 50 + 21
    assert states.count("fail") <= 14 + 12


def test_an_interval_that_ends_on_the_limit_passes():
    edge = Condition("a", "a", Quantity(0.1, 0.1, low=0.0, high=0.2), "")
    assert judge([edge], 0.2, ()).state == "pass"
    beyond = Condition("a", "a", Quantity(0.1, 0.1, low=0.0, high=np.nextafter(0.2, 1)), "")
    assert judge([beyond], 0.2, ()).state == "undecided"


def test_an_interval_that_begins_on_the_limit_does_not_fail():
    edge = Condition("a", "a", Quantity(0.3, 0.1, low=0.2, high=0.4), "")
    assert judge([edge], 0.2, ()).state == "undecided"


def test_each_clause_keeps_its_number_its_limit_and_its_reason():
    verdict = judge([condition(0.01, 0.02), condition(0.21, 0.02, "mark on the bed")], 0.2, ())
    first, second = verdict.clauses
    assert (first.state, second.state) == ("pass", "undecided")
    assert second.limit_mm == 0.2
    assert second.value_mm == pytest.approx(0.21)
    assert second.low_mm == pytest.approx(0.161, abs=1e-3)
    assert "a sharper capture" in second.reason
    assert verdict.reasons == (f"mark on the bed: {second.reason}",)


def test_the_verdict_names_its_rule_and_its_coverage_factors():
    rule = judge([condition(0.0, 0.02)], 0.2, ()).rule
    assert rule == RULE
    for word in ("ISO 14253-1", "U95", "1.96", "2.45"):
        assert word in rule


@pytest.mark.parametrize("dx_mm", [0.0, 0.2, 0.9])
def test_any_doubt_leaves_it_undecided_and_is_told_first(dx_mm):
    verdict = judge([condition(dx_mm, 0.01)], 0.2, ("the fill is too faint",))
    assert verdict.state == "undecided"
    assert verdict.reasons[0] == "the fill is too faint"


def test_what_could_not_be_measured_is_a_clause_that_says_why():
    missing = Condition("a", "a", Quantity.missing("nothing seen"), "")
    verdict = judge([missing, condition(0.0, 0.01)], 0.2, ())
    assert verdict.state == "undecided"
    assert verdict.clauses[0].reason == "nothing seen"
    assert verdict.clauses[0].value_mm is None


def test_a_measured_fail_outweighs_a_clause_without_a_number():
    missing = Condition("a", "a", Quantity.missing("nothing seen"), "")
    assert judge([missing, condition(0.9, 0.01)], 0.2, ()).state == "fail"


def test_nothing_to_judge_is_undecided_and_no_tolerance_is_not_judged():
    nothing = judge([], 0.2, ())
    assert nothing.state == "undecided"
    assert nothing.reasons
    without = judge([condition(0.9, 0.01)], None, ("faint",))
    assert without.state == "not_judged"
    assert without.tolerance_mm is None
    assert without.clauses[0].state == "not_judged"
    assert "faint" in without.reasons
