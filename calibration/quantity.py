"""A number with its uncertainty, or the reason why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

# Coverage factors for 95 %: of one normal variable, and of the radius of a normal vector in the
# plane (square root of the chi-square quantile with two degrees of freedom, 5.9915).
K95 = 1.959964
K95_PLANE = 2.447747
# Quantile of chi-square with three degrees of freedom that chance passes once in a thousand.
CHI2_SURELY = 16.27


@dataclass(frozen=True)
class Quantity:
    """A value with its expanded uncertainty U95, in the unit that its field names.

    Attributes
    ----------
    value
        The estimate, or None where it could not be measured.
    u95
        Half-width of the symmetric 95 % interval, or None.
    low, high
        Ends of the 95 % interval where it is not symmetric (a length near zero).
    why
        Reason why there is no value.
    """

    value: float | None
    u95: float | None
    low: float | None = None
    high: float | None = None
    why: str | None = None

    def __post_init__(self) -> None:
        """Refuse numbers that would reach a report as NaN, and silence without a reason."""
        for number in (self.value, self.u95, self.low, self.high):
            if number is not None and not math.isfinite(number):
                raise ValueError(f"a quantity must be finite: {self.value!r} +- {self.u95!r}")
        if self.value is None and not self.why:
            raise ValueError("a quantity without a value must say why")

    @classmethod
    def missing(cls, why: str) -> Quantity:
        """Return the quantity that could not be measured, with the reason."""
        return cls(None, None, why=why)

    @classmethod
    def from_sigma(cls, value: float, sigma: float) -> Quantity:
        """Return a value whose standard uncertainty is sigma (normal distribution)."""
        return cls(float(value), float(K95 * sigma))

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval (low, high); raises ValueError where there is no value."""
        if self.value is None or self.u95 is None:
            raise ValueError(self.why or "no value")
        low = self.value - self.u95 if self.low is None else self.low
        high = self.value + self.u95 if self.high is None else self.high
        return low, high

    def to_json(self) -> dict[str, Any]:
        """Return the form that reports carry (design: value, u95, and low/high or why)."""
        out: dict[str, Any] = {"value": self.value, "u95": self.u95}
        if self.low is not None:
            out["low"] = self.low
        if self.high is not None:
            out["high"] = self.high
        if self.why is not None:
            out["why"] = self.why
        return out


def chi2_by_chance(freedom: int, normal: float = 4.265) -> float:
    """Return the quantile of chi-square that chance passes once in 100,000.

    Or as often as a normal variable exceeds so many standard deviations. Wilson and Hilferty, PNAS
    17 (1931): the cube root of chi-square over its freedom is normal.
    """
    freedom = max(freedom, 1)
    spread = 2 / (9 * freedom)
    return float(freedom * (1 - spread + normal * spread**0.5) ** 3)
