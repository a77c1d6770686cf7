"""What the benchmark's rows come to, and tables of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.studies.rates import Rate, markdown
from tests.studies.rows import Row

CORE = "core"
WRONG_UM = 50.0
# Peers farther off than this are lost: counted, but not part of their RMSE.
LOST_UM = 1000.0
# 95 % quantile of chi-square with two degrees of freedom.
REGION = -2 * math.log(0.05)


@dataclass(frozen=True)
class Result:
    """What one method did on some scenes.

    Attributes
    ----------
    scenes
        How many were given to it.
    refused
        How many it refused or raised on.
    lost
        How many of a peer's are farther off than LOST_UM; RMSE and ratio are without them.
    rmse_um
        Along x and y.
    median_um
        Of the error's length.
    ratio
        Root mean square of error / bound over scenes and axes.
    inside
        In the stated 95 % region, of those that state one.
    wrong
        Farther off than WRONG_UM, outside the stated region (for peers: farther off) and not
        refused.
    seconds
        Median time of a scene.
    times_ecc
        Median ratio to a template-plus-ECC run of one layer on the same scene.
    """

    scenes: int
    refused: int
    lost: int
    rmse_um: tuple[float, float]
    median_um: float
    ratio: float
    inside: Rate
    wrong: Rate
    seconds: float
    times_ecc: float


def result_of(rows: Sequence[Row]) -> Result:
    """Sum up the rows of one method; NaN where nothing was told."""
    told = told_of(rows)
    core = all(row["method"] == CORE for row in rows)
    kept = [row for row in told if core or _length(row) <= LOST_UM]
    stated = [row for row in kept if "misfit" in row]
    inside = [row["misfit"] <= REGION for row in stated]
    wrong = [is_wrong(row) for row in told]
    timed = [row for row in rows if "seconds" in row]
    error = np.array([row["error_um"] for row in kept]).reshape(-1, 2)
    bound = np.array([row["bound_um"] for row in kept]).reshape(-1, 2)
    rmse = rms(error, 0) if kept else np.full(2, np.nan)
    return Result(
        len(rows),
        len(rows) - len(told),
        len(told) - len(kept),
        (float(rmse[0]), float(rmse[1])),
        _median([_length(row) for row in told]),
        float(rms(error / bound)) if kept else np.nan,
        Rate(sum(inside), len(inside)),
        Rate(sum(wrong), len(told)),
        _median([row["seconds"] for row in timed]),
        _median([row["seconds"] / row["ecc_seconds"] for row in timed if "ecc_seconds" in row]),
    )


def told_of(rows: Sequence[Row]) -> list[Row]:
    """Return the rows that tell a number that may be used."""
    return [row for row in rows if "error_um" in row and row.get("refused") is None]


def is_wrong(row: Row) -> bool:
    """Tell whether a number is farther off than WRONG_UM and outside the region that it states."""
    return _length(row) > WRONG_UM and bool(row.get("misfit", np.inf) > REGION)


def rms(values: Any, axis: int | None = None) -> Any:
    """Return the root mean square."""
    return np.sqrt((values**2).mean(axis=axis))


def _median(values: Sequence[float]) -> float:
    return float(np.median(values)) if values else np.nan


def _length(row: Row) -> float:
    return float(np.hypot(*row["error_um"]))


HEADER = (
    "method",
    "scenes",
    "RMSE x, y um",
    "median um",
    "x bound",
    "in 95 % region",
    "wrong",
    "lost",
    "refused",
    "s",
    "x ECC",
)


def table(rows: Iterable[Row], head: str, group: Callable[[Row], str]) -> str:
    """Return what each method did, by what `group` says of a row."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((group(row), row["method"]), []).append(row)
    lines = []
    for (value, method), own in sorted(groups.items()):
        result = result_of(own)
        lines.append(
            (
                value,
                method,
                str(result.scenes),
                "{:.2f}, {:.2f}".format(*result.rmse_um),
                f"{result.median_um:.2f}",
                f"{result.ratio:.2f}",
                str(result.inside) if result.inside.n else "-",
                str(result.wrong.k),
                str(result.lost),
                str(result.refused),
                f"{result.seconds:.3f}",
                f"{result.times_ecc:.1f}",
            )
        )
    return markdown((head, *HEADER), lines)


def worst_table(rows: Iterable[Row], count: int) -> str:
    """Return the core's scenes that lie farthest from their bound, and those it refused."""
    ranked = []
    for row in rows:
        if row["method"] != CORE:
            continue
        scene = (str(row["seed"]), f"{row['pitch_mm']:.2f}", row["layers"], row["ground"])
        if "error" in row:
            ranked.append((np.inf, (*scene, "-", "-", row["error"].strip().splitlines()[-1])))
        elif "error_um" not in row:
            ranked.append((np.inf, (*scene, "-", "-", row["refused"])))
        else:
            times = float(rms(np.array(row["error_um"]) / row["bound_um"]))
            error = "{:.1f}, {:.1f}".format(*row["error_um"])
            why = row["refused"] or f"{times:.1f} x bound"
            ranked.append((times, (*scene, error, f"{row['misfit']:.1f}", why)))
    ranked.sort(key=lambda one: -one[0])
    head = ("seed", "mm per px", "layers", "ground", "error um", "misfit", "why")
    return markdown(head, [line for _, line in ranked[:count]])
