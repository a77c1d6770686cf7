from __future__ import annotations

import math

import pytest

from calibration.quantity import K95, K95_PLANE, Quantity


def test_coverage_factors_are_the_normal_and_rayleigh_quantiles() -> None:
    assert math.erf(K95 / math.sqrt(2)) == pytest.approx(0.95, abs=1e-7)
    # P(radius <= k) = 1 - exp(-k^2 / 2) in the plane.
    assert 1 - math.exp(-(K95_PLANE**2) / 2) == pytest.approx(0.95, abs=1e-6)


def test_interval_is_symmetric_unless_ends_are_given() -> None:
    assert Quantity.from_sigma(1.0, 0.1).interval == pytest.approx((0.8040036, 1.1959964))
    assert Quantity(0.1, 0.2, low=0.0, high=0.3).interval == (0.0, 0.3)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_numbers_that_are_not_finite_never_get_in(number: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        Quantity(number, 0.1)
    with pytest.raises(ValueError, match="finite"):
        Quantity(0.1, number)
    with pytest.raises(ValueError, match="finite"):
        Quantity(0.1, 0.1, low=number)


def test_silence_needs_a_reason() -> None:
    with pytest.raises(ValueError, match="must say why"):
        Quantity(None, None)
    missing = Quantity.missing("too faint")
    with pytest.raises(ValueError, match="too faint"):
        _ = missing.interval


def test_json_carries_only_what_there_is() -> None:
    assert Quantity(1.0, 0.5).to_json() == {"value": 1.0, "u95": 0.5}
    assert Quantity(0.1, 0.2, 0.0, 0.3).to_json() == {
        "value": 0.1,
        "u95": 0.2,
        "low": 0.0,
        "high": 0.3,
    }
    assert Quantity.missing("too faint").to_json() == {
        "value": None,
        "u95": None,
        "why": "too faint",
    }
