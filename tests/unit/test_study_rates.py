"""Intervals of rates and of errors against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.studies.rates import Rate, Spread, markdown


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        # R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in
        # Medicine 17 (1998), 857-872, table I, method 5 (Clopper-Pearson); values from memory.
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
    ],
)
def test_rates_have_the_published_interval(k: int, n: int, low: float, high: float) -> None:
    assert Rate(k, n).interval == pytest.approx((low, high), abs=5e-5)


def test_none_and_all_of_n_follow_the_closed_form() -> None:
    low, high = Rate(0, 200).interval
    assert low == 0.0
    assert high == pytest.approx(1 - 0.025 ** (1 / 200))
    low, high = Rate(200, 200).interval
    assert (low, high) == (pytest.approx(0.025 ** (1 / 200)), 1.0)


def test_rates_hold_the_truth_in_at_least_95_percent() -> None:
    rng = np.random.default_rng(1)
    for share in (0.02, 0.3, 0.9):
        held = [
            low <= share <= high
            for low, high in (Rate(int(k), 40).interval for k in rng.binomial(40, share, 400))
        ]
        assert np.mean(held) >= 0.95 - 0.02


def test_the_interval_of_a_root_mean_square_comes_from_published_quantiles() -> None:
    # Chi-square with 10 degrees of freedom: 3.247 and 20.483 leave 2.5 % outside on each side
    # (NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.4; values from memory).
    spread = Spread.of([1.0, -1.0] * 5)
    assert spread.rmse == 1.0
    assert spread.interval == pytest.approx(
        (math.sqrt(10 / 20.483), math.sqrt(10 / 3.247)), rel=1e-4
    )


def test_a_spread_tells_root_mean_square_mean_and_largest() -> None:
    spread = Spread.of([0.3, -0.4])
    assert spread.rmse == pytest.approx(math.sqrt(0.125))
    assert spread.mean == pytest.approx(-0.05)
    assert spread.largest == pytest.approx(0.4)
    assert math.isnan(Spread.of([]).rmse)


def test_a_table_is_padded_markdown() -> None:
    lines = markdown(("a", "long"), [("xyz", "1"), ("p|q", "22")]).splitlines()
    assert lines[0] == "| a    | long |"
    assert lines[1] == "|------|------|"
    assert lines[3] == "| p\\|q | 22   |"
