"""How many jobs in place no method could pass: the study's own jobs at the statistical limit.

Run it from the top of the checkout:

    python -m tests.studies.ideal --seeds 1001:1401 --parity odd --out FOLDER --cache FOLDER

Every job of the family `in_place` is checked as in the main study. Then the camera's noise alone,
as it was drawn and taken as white, goes through the model of the fit that ended: what the most
efficient estimator could know of fill against outline that knows no more of kerf, strengths, light
and burn beforehand than Witmark does. The posterior covariance of that linear model is the Bayesian
Cramer-Rao bound (H. L. Van Trees, "Detection, Estimation, and Modulation Theory", part I, 1968,
section 2.4). Errors of that covariance are drawn about no offset and judged with the job's own
systematic terms: the share that ends beyond the tolerance could not be passed.

Left out, all in favour of the ideal: the noise of the before capture, compression, grain, what the
model draws otherwise than a burn is (a hatch as solid), and every other clause than fill against
outline. So the difference between the two says how much room is left, not how it is to be had.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.studies.families import TOLERANCE_MM, draw_case
from tests.studies.measure import run_seed, stamp_of
from tests.studies.rates import Rate, markdown
from tests.studies.rows import Row
from tests.studies.single import Study
from tests.studies.summary import Target
from vision import job, piece
from vision.measure.offsets import Offset, worst
from vision.piece import PieceResult
from vision.register.equations import normal_equations
from vision.register.mark import Mark
from vision.register.scene import CELLS_ALIKE, Burn

Array = NDArray[np.float64]

_FAMILY = "in_place"
_DRAWS = 200
# Rounding to whole grey levels adds the variance of an even distribution one level wide.
_ROUNDING = 1 / 12


def bound_of(mark: Mark, noise_levels: float) -> Array:
    """Return (3, 3) least covariance of fill minus outline at the mark's pivot (mm, mm, rad).

    Parameters
    ----------
    mark
        A mark with both layers, measured.
    noise_levels
        Standard deviation of the camera's white noise.
    """
    fit = mark.fit
    noise2 = noise_levels**2 + _ROUNDING
    # Burns vary over lengths of a few cells: neighbouring gains say less than their number.
    uneven = tuple(CELLS_ALIKE**0.5 * value for value in fit.setting.burn.uneven)
    burn = Burn(uneven, noise2, held=1.0, soft_held=1.0)
    setting = replace(fit.setting, burn=burn)
    equations = normal_equations(
        setting, fit.state, fit.seen, fit.weight, free=True, uneven=fit.uneven
    )
    unit = np.ones(fit.motions)
    unit[2::3] = 1.0 / fit.motion_scale_mm
    motions = noise2 * np.linalg.inv(equations.normal)[: fit.motions, : fit.motions]
    take = np.zeros((3, fit.motions))
    for sign, layer in ((1.0, "fill"), (-1.0, "outline")):
        first = 3 * mark.layers.index(layer)
        take[:, first : first + 3] = sign * np.eye(3)
    if mark.round_layers:
        # Told with the turn of the other layer: there is none between them.
        take[2] = 0.0
    take = take * unit
    return np.asarray(take @ motions @ take.T)


def not_passed(
    covariance: Array, systematic: Array, away_mm: Array, rng: np.random.Generator
) -> float:
    """Return the share of errors with which work in place could not pass.

    Parameters
    ----------
    covariance, systematic
        (3, 3) statistical and systematic covariance at the point that `away_mm` is counted from.
    away_mm
        (n, 2) the strokes.
    """
    origin = np.zeros(2)
    root = np.linalg.cholesky(covariance + 1e-14 * np.eye(3))
    beyond = 0
    for error in rng.standard_normal((_DRAWS, 3)) @ root.T:
        reach, _ = worst(Offset(error, origin, covariance, systematic), away_mm)
        beyond += reach.interval[1] > TOLERANCE_MM
    return beyond / _DRAWS


def run_ideal(seed: int, cache: Path, code: str) -> Row:
    """Check the job of a seed, and tell how likely the ideal would not have passed it."""
    with _overheard() as (marks, pieces):
        row = run_seed(seed, _FAMILY, cache, code)
    noise = draw_case(_FAMILY, seed).spec.noise_levels
    rng = np.random.default_rng([9003, seed])
    shares, sigmas = [], []
    for mark, result in zip(marks, pieces, strict=True):
        told = result.evidence.fill_to_outline
        if told is None or result.stroke_points_mm is None or result.reference_mm is None:
            continue
        pivot = np.array(mark.pivot_mm)
        bound = Offset(np.zeros(3), pivot, bound_of(mark, noise), np.zeros((3, 3)))
        bound = bound.told_at(result.reference_mm)
        systematic = told.covariance_systematic
        shares.append(
            not_passed(
                bound.statistical,
                np.zeros((3, 3)) if systematic is None else systematic,
                result.stroke_points_mm - result.reference_mm,
                rng,
            )
        )
        sigmas.append(np.sqrt(np.diag(bound.statistical)).tolist())
    return {
        **{key: row[key] for key in ("family", "code", "spec", "verdict", "reasons")},
        # All pieces of a sheet must pass.
        "not_passed": float(1 - np.prod([1 - share for share in shares])),
        "sigma": sigmas,
        "fill_to_outline": row["measured"].get("fill_to_outline"),
    }


@contextmanager
def _overheard() -> Iterator[tuple[list[Mark], list[PieceResult]]]:
    """Keep what a check measures on its way, which its result does not hold."""
    marks: list[Mark] = []
    pieces: list[PieceResult] = []
    measure, measure_piece = piece.measure, job.measure_piece

    def keep_mark(*args: object, **named: object) -> object:
        found = measure(*args, **named)  # type: ignore[arg-type]
        if isinstance(found, Mark):
            marks.append(found)
        return found

    def keep_piece(*args: object, **named: object) -> PieceResult:
        found = measure_piece(*args, **named)  # type: ignore[arg-type]
        if found.reference_mm is not None:
            pieces.append(found)
        return found

    piece.measure, job.measure_piece = keep_mark, keep_piece  # type: ignore[assignment]
    try:
        yield marks, pieces
    finally:
        piece.measure, job.measure_piece = measure, measure_piece


def table(rows: Sequence[Row]) -> str:
    """Return, by artwork, how many jobs ended undecided and how many the ideal would leave."""
    lines = []
    arts = sorted({row["spec"]["art"] for row in rows})
    for name, own in [
        ("all", list(rows)),
        *((art, [row for row in rows if row["spec"]["art"] == art]) for art in arts),
    ]:
        left = sum(row["not_passed"] for row in own)
        undecided = Rate(sum(row["verdict"] != "pass" for row in own), len(own))
        lines.append((name, str(undecided), f"{left:.1f} of {len(own)} = {left / len(own):.1%}"))
    return markdown(("artwork", "not passed", "expected at the limit"), lines)


def figures(rows: Sequence[Row]) -> list[Target]:
    """Print the table by artwork; nothing is asked but that no job raised."""
    whole = [row for row in rows if "error" not in row]
    print("\n" + table(whole))
    raised = Rate(len(rows) - len(whole), len(rows))
    return [Target("raised", "0", str(raised), raised.k == 0)]


def _said(row: Row) -> str:
    return f": {row.get('verdict', 'raised')}, {row.get('not_passed', 1.0):.2f} at the limit"


STUDY = Study(
    "ideal",
    "How many jobs in place no method could pass.",
    "jobs",
    ("calibration", "vision"),
    partial(stamp_of, family=_FAMILY, sabotage=None),
    run_ideal,
    _said,
    figures,
    cached=True,
)
main = STUDY.main

if __name__ == "__main__":
    sys.exit(main())
