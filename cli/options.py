"""Options that several commands read alike."""

from __future__ import annotations

import math

from calibration.errors import WitmarkError


def number_pair(text: str, option: str, form: str) -> tuple[float, float]:
    """Return the two finite numbers of an option such as `--at 10,20`.

    Parameters
    ----------
    option, form
        The option's name and how it is written, for the complaint.
    """
    try:
        first, second = (_finite(part) for part in text.split(","))
    except ValueError as error:
        raise WitmarkError(
            f"{option} {text}", "is not two numbers", f"write it as {form}, without a space"
        ) from error
    return first, second


def with_doubt(text: str, option: str, usual: float) -> tuple[float, float, bool]:
    """Return the number of an option such as `--camera-height 450,10` and how well it is known.

    Last whether that was typed; otherwise it is the usual one.
    """
    if "," in text:
        return *number_pair(text, option, "MM or MM,U"), True
    try:
        value = _finite(text)
    except ValueError as error:
        raise WitmarkError(
            f"{option} {text}", "is not a number", "write it as MM or MM,U, without a space"
        ) from error
    return value, usual, False


def _finite(text: str) -> float:
    """Return the number that was typed; raises ValueError where it is none or not finite."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value
