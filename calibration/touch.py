"""Where a printed board lies, from its corners: the machine's pointer is jogged to each of them.

The rigid motion that carries the board's own corners to the touched places with the least sum of
squares (Kabsch, Acta Cryst. A 32, 1976, in the plane), with the covariance of its linear model.
Three corners say more than two: whether one is typed wrong, whether left and right are exchanged,
and whether the print is as large as the board file says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board, BoardPlace
from calibration.errors import WitmarkError
from calibration.quantity import K95, Quantity

Array = NDArray[np.float64]

# How well a pointer is jogged to a printed corner, each coordinate, 95 %: about the width of its
# spot (common practice, no source).
TOUCH_U_MM = 0.3
CORNERS = ("top-left", "top-right", "bottom-left", "bottom-right")
_UNMOVED = BoardPlace((0.0, 0.0), 0.0, 0.0)
_LEAST = 3
# Corners that are farther off than that many U95 are a mistake, not noise.
_MISTAKE = 4.0
# No print is so much smaller than it should be: corners touched at one place are.
_SURELY_SMALLER = 0.9
# A print is told to be larger or smaller than its file says from that many U95 on.
_SCALED = 1.5


@dataclass(frozen=True)
class Touched:
    """Where the corners put the board.

    Attributes
    ----------
    at_mm, turn_deg
        Bed place of the outer corner of the first square (top left as printed), and the board's
        counter-clockwise turn.
    at_u_mm, turn_u_deg
        U95 of each coordinate of that place, and of the turn.
    larger_percent
        How much further apart the corners lie than the board file says.
    apart_mm
        By corner, how far it lies from where the board's motion puts it.
    """

    at_mm: tuple[float, float]
    turn_deg: float
    at_u_mm: float
    turn_u_deg: float
    larger_percent: Quantity
    apart_mm: dict[str, float]

    @property
    def place_note(self) -> str:
        """Where the board lies, in one line, as --at, --turn and --at-u would say it."""
        x, y = self.at_mm
        worst = max(self.apart_mm.values())
        return (
            f"the touched corners put the board at {x:.2f},{y:.2f} turned by {self.turn_deg:.3f} "
            f"degrees (U95 {self.at_u_mm:.2f} mm and {self.turn_u_deg:.2f} degrees); they fit to "
            f"{worst:.2f} mm"
        )

    @property
    def scale_note(self) -> str | None:
        """What to do about a print that is not as large as its file says; None where it is."""
        larger = self.larger_percent
        if larger.value is None or larger.u95 is None or abs(larger.value) < _SCALED * larger.u95:
            return None
        way = "further apart" if larger.value > 0 else "closer together"
        return (
            f"the touched corners lie {abs(larger.value):.2f} +- {larger.u95:.2f} % {way} than the "
            "board file says: measure the print with a steel rule and set print_scale"
        )


def board_from_corners(
    board: Board, touched_mm: Mapping[str, tuple[float, float]], touch_u_mm: float = TOUCH_U_MM
) -> Touched:
    """Return where a board lies whose outer corners were touched.

    Parameters
    ----------
    board
        The board.
    touched_mm
        Bed place (x, y) of at least three of CORNERS, as they are printed.
    touch_u_mm
        U95 of each coordinate of a touch.

    Raises
    ------
    WitmarkError
        Where corners are unknown, too few, mirrored, or contradict each other.
    """
    names = _checked(touched_mm)
    width, height = (side * board.print_scale for side in board.size_mm)
    printed = dict(zip(CORNERS, [(x, y) for y in (0.0, height) for x in (0.0, width)], strict=True))
    own = _UNMOVED.bed_points(np.array([printed[name] for name in names]))[:, :2]
    seen = np.array([touched_mm[name] for name in names], np.float64)
    sigma = touch_u_mm / K95
    away = own - own.mean(axis=0)
    spread = float((away**2).sum())
    turn, left = _turn(own, seen)
    c, s = math.cos(turn), math.sin(turn)
    turned = away @ np.array([[c, s], [-s, c]])
    larger = float((turned * left).sum()) / spread
    beside = left - larger * turned
    _refuse_mirrored(own, seen, left, sigma)
    _refuse_mistakes(names, own, seen, left, beside, larger, sigma)
    # A misfit that is larger than typed says that the touches are worse than typed.
    own_sigma = max(sigma, _spread(left, 3))
    size_sigma = max(sigma, _spread(beside, 4))
    at = seen.mean(axis=0) - np.array([[c, -s], [s, c]]) @ own.mean(axis=0)
    at_sigma = own_sigma * math.sqrt(1 / len(names) + float((own.mean(axis=0) ** 2).sum()) / spread)
    return Touched(
        (float(at[0]), float(at[1])),
        math.degrees(turn),
        K95 * at_sigma,
        math.degrees(K95 * own_sigma / math.sqrt(spread)),
        Quantity.from_sigma(100 * larger, 100 * size_sigma / math.sqrt(spread)),
        {name: float(np.hypot(*off)) for name, off in zip(names, left, strict=True)},
    )


def _checked(touched_mm: Mapping[str, tuple[float, float]]) -> list[str]:
    for name in touched_mm:
        if name not in CORNERS:
            raise WitmarkError(
                f"--touch {name}", "is no corner of the board", f"name it {', '.join(CORNERS)}"
            )
    if len(touched_mm) < _LEAST:
        raise WitmarkError(
            "--touch",
            f"is given for {len(touched_mm)} corners",
            "touch three or four: two fix the place, but show no mistake",
        )
    return list(touched_mm)


def _turn(own: Array, seen: Array) -> tuple[float, Array]:
    """Return the turn (rad) of the best rigid motion, and (n, 2) what it leaves, mm."""
    a, b = own - own.mean(axis=0), seen - seen.mean(axis=0)
    turn = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    c, s = math.cos(turn), math.sin(turn)
    return turn, np.asarray(b - a @ np.array([[c, s], [-s, c]]))


def _refuse_mirrored(own: Array, seen: Array, left: Array, sigma: float) -> None:
    """Refuse corners that only a mirror image of the board would fit."""
    _, mirrored = _turn(own * [-1.0, 1.0], seen)
    if _rms(left) > _MISTAKE * sigma and _rms(mirrored) < 0.2 * _rms(left):
        raise WitmarkError(
            "--touch",
            "the corners lie as on a mirror image of the board",
            "name them as they are printed, and give X to the right and Y away from you",
        )


def _refuse_mistakes(
    names: list[str],
    own: Array,
    seen: Array,
    left: Array,
    beside: Array,
    larger: float,
    sigma: float,
) -> None:
    """Refuse corners that lie too far from where the others put them; say why where that shows."""
    farthest = float(np.hypot(*left.T).max())
    if farthest < _MISTAKE * K95 * sigma:
        return
    without = []
    for k in range(len(names)):
        rest = np.arange(len(names)) != k
        without.append(_rms(_turn(own[rest], seen[rest])[1]))
    best = int(np.argmin(without))
    why = "the corners contradict each other"
    if larger > -_SURELY_SMALLER and _rms(beside) < 0.2 * _rms(left):
        way = "further apart" if larger > 0 else "closer together"
        why = f"the corners lie {100 * abs(larger):.1f} % {way} than the board file says"
    elif without[best] < 0.2 * min(w for k, w in enumerate(without) if k != best):
        why = f"{names[best]} does not fit the others"
    raise WitmarkError(
        "--touch",
        f"{why}: they lie up to {farthest:.1f} mm from where the board would have them",
        "touch them again, and check the board file's squares and print_scale",
    )


def _spread(left: Array, fitted: int) -> float:
    """Return the standard deviation of a coordinate from what a fit of some parameters leaves."""
    return math.sqrt(float((left**2).sum()) / (left.size - fitted))


def _rms(left: Array) -> float:
    return math.sqrt(float((left**2).sum(axis=1).mean()))
