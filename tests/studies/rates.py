"""Rates and errors with their 95 % intervals, and tables in Markdown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import beta, chi2


@dataclass(frozen=True)
class Rate:
    """k of n with its 95 % interval after Clopper and Pearson.

    C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the
    case of the binomial", Biometrika 26 (1934), 404-413. Exact, so never narrower than 95 %, also
    at k = 0, where most rates of a study should be.
    """

    k: int
    n: int

    @property
    def share(self) -> float:
        """k / n; NaN without any."""
        return self.k / self.n if self.n else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        """Low and high end, shares."""
        k, n = self.k, self.n
        low = float(beta.ppf(0.025, k, n - k + 1)) if k > 0 else 0.0
        high = float(beta.ppf(0.975, k + 1, n - k)) if k < n else 1.0
        return low, high

    def __str__(self) -> str:
        """Return as "3 of 40 = 7.5 % (1.6 to 20.4)"."""
        if not self.n:
            return "0 of 0"
        low, high = self.interval
        return (
            f"{self.k} of {self.n} = {100 * self.share:.1f} % ({100 * low:.1f} to {100 * high:.1f})"
        )


@dataclass(frozen=True)
class Spread:
    """Errors about zero: root mean square with its 95 % interval, mean, largest.

    The interval takes the errors as independent and normal about zero: n RMSE^2 / sigma^2 is
    chi-square with n degrees of freedom. Errors with heavier tails have a wider one.
    """

    n: int
    rmse: float
    mean: float
    largest: float

    @classmethod
    def of(cls, errors: Sequence[float]) -> Spread:
        """Return the spread of errors; NaN where there are none."""
        if not len(errors):
            return cls(0, math.nan, math.nan, math.nan)
        values = np.asarray(errors, float)
        return cls(
            len(values),
            float(np.sqrt((values**2).mean())),
            float(values.mean()),
            float(np.abs(values).max()),
        )

    @property
    def interval(self) -> tuple[float, float]:
        """Low and high end of the root mean square."""
        if self.n == 0:
            return math.nan, math.nan
        low, high = chi2.ppf([0.025, 0.975], self.n)
        return self.rmse * math.sqrt(self.n / high), self.rmse * math.sqrt(self.n / low)

    def __str__(self) -> str:
        """Return as "0.0123 (0.0110 to 0.0140), n = 143"."""
        low, high = self.interval
        return f"{self.rmse:.4f} ({low:.4f} to {high:.4f}), n = {self.n}"


def markdown(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table in Markdown, its columns padded so that it also reads as plain text."""
    cells = [[str(cell).replace("|", "\\|") for cell in row] for row in (header, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(header))]
    lines = [
        "| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |"
        for row in cells
    ]
    lines.insert(1, "|" + "|".join("-" * (w + 2) for w in widths) + "|")
    return "\n".join(lines)
