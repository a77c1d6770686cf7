"""The decision: clauses with intervals against a tolerance.

Rule of ISO 14253-1 (conformity is proved only where the whole interval lies inside the tolerance,
non-conformity only where it lies outside), here with the two-sided 95 % interval, which is stricter
than the default of the 2017 edition.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.quantity import Quantity
from vision.result import Clause, State, Verdict

RULE = (
    "pass: whole U95 interval inside the tolerance; fail: wholly outside; else undecided "
    "(ISO 14253-1 with two-sided U95, k = 1.96 for one number and 2.45 in the plane, at the far "
    "end of a length between the two: stricter than its 2017 default)"
)


@dataclass(frozen=True)
class Condition:
    """What one clause asks.

    Attributes
    ----------
    name
        In the user's words.
    quantity
        Dotted key of the result in the report.
    length_mm
        The length to hold against the tolerance, with its interval.
    would_decide
        What would decide it where the interval straddles the limit.
    """

    name: str
    quantity: str
    length_mm: Quantity
    would_decide: str


def judge(
    conditions: list[Condition], tolerance_mm: float | None, doubts: tuple[str, ...]
) -> Verdict:
    """Judge a job.

    Parameters
    ----------
    conditions
        The clauses that apply; none where nothing could be judged.
    tolerance_mm
        Largest allowed displacement of any point of the strokes, or None.
    doubts
        Reasons why the measurement cannot be trusted; any of them rules out pass and fail.
    """
    if tolerance_mm is None:
        clauses = tuple(_clause(c, None) for c in conditions)
        return Verdict("not_judged", None, clauses, ("no tolerance was given", *doubts), RULE)
    clauses = tuple(_clause(c, tolerance_mm) for c in conditions)
    states = {clause.state for clause in clauses}
    reasons = tuple(f"{c.name}: {c.reason}" for c in clauses if c.state != "pass")
    state: State
    if doubts or not clauses:
        state = "undecided"
    elif "fail" in states:
        state = "fail"
    elif "undecided" in states:
        state = "undecided"
    else:
        state = "pass"
    if not clauses:
        reasons = ("nothing could be measured that a tolerance applies to",)
    return Verdict(state, tolerance_mm, clauses, (*doubts, *reasons), RULE)


def _clause(condition: Condition, tolerance_mm: float | None) -> Clause:
    length = condition.length_mm
    state: State
    if length.value is None:
        state = "not_judged" if tolerance_mm is None else "undecided"
        return Clause(
            condition.name,
            condition.quantity,
            None,
            None,
            None,
            tolerance_mm,
            state,
            length.why or "not measured",
        )
    low, high = length.interval
    if tolerance_mm is None:
        state, reason = "not_judged", "no tolerance was given"
    elif high <= tolerance_mm:
        state, reason = "pass", f"the whole interval lies within {tolerance_mm:g} mm"
    elif low > tolerance_mm:
        state, reason = "fail", f"the whole interval lies beyond {tolerance_mm:g} mm"
    else:
        state = "undecided"
        reason = f"{tolerance_mm:g} mm lies within the interval; {condition.would_decide}"
    return Clause(
        condition.name, condition.quantity, length.value, low, high, tolerance_mm, state, reason
    )
