"""The decision rule against ISO 14253-1, worked edge cases.

ISO 14253-1: conformity is proved where |y| <= T - U, non-conformity where |y| >= T + U, and neither
in between (the standard's text from memory; the numbers below follow from it: T = 0.10, u = 0.02,
k = 2).
"""

from __future__ import annotations

import pytest

from calibration.quantity import Quantity
from vision.diagnose.verdict import Condition, judge

T = 0.10
U = 0.04


def state(value: float, doubts: tuple[str, ...] = ()) -> str:
    length = Quantity(value, U, low=max(0.0, value - U), high=value + U)
    return judge([Condition("a", "a", length, "")], T, doubts).state


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.0599, "pass"),
        (0.0600001, "undecided"),
        (0.08, "undecided"),
        (0.1399, "undecided"),
        (0.141, "fail"),
    ],
)
def test_a_single_value_is_judged_by_its_whole_interval(value: float, expected: str) -> None:
    assert state(value) == expected


def test_doubt_rules_out_pass_and_fail() -> None:
    assert state(0.0, ("too faint",)) == "undecided"
    assert state(1.0, ("too faint",)) == "undecided"


def test_one_failed_clause_fails_and_one_open_clause_leaves_open() -> None:
    good = Condition("good", "a", Quantity(0.01, 0.01, low=0.0, high=0.02), "")
    open_ = Condition("open", "b", Quantity(0.1, 0.05, low=0.05, high=0.15), "")
    bad = Condition("bad", "c", Quantity(0.3, 0.05, low=0.25, high=0.35), "")
    assert judge([good, open_], T, ()).state == "undecided"
    assert judge([good, open_, bad], T, ()).state == "fail"
    assert judge([good], T, ()).state == "pass"


def test_a_clause_without_a_number_is_never_a_pass() -> None:
    missing = Condition("m", "a", Quantity.missing("not seen"), "")
    assert judge([missing], T, ()).state == "undecided"
    assert judge([], T, ()).state == "undecided"


def test_without_a_tolerance_nothing_is_judged() -> None:
    good = Condition("good", "a", Quantity(0.01, 0.01), "")
    assert judge([good], None, ()).state == "not_judged"
