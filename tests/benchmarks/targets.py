"""The core's rows held against its targets."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from tests.benchmarks.scenes import PITCHES_MM
from tests.benchmarks.summary import CORE, result_of, rms
from tests.studies.rates import Rate, Spread
from tests.studies.rows import Row
from tests.studies.summary import Target

ONE_LAYER = ("fill", "outline")
COVERAGE = (0.92, 0.98)
REFUSED = 0.005
SIGMAS = 1.1
# From this many scenes on a rate is held to its limit as it is; below, chance is allowed for.
MANY = 300


def targets_of(rows: Iterable[Row]) -> list[Target]:
    """Hold the core's rows against the targets; a target that no scene speaks of is left out."""
    every = list(rows)
    core = [row for row in every if row["method"] == CORE]
    clean = [row for row in core if row["ground"] == "none"]
    single = [row for row in clean if row["layers"] in ONE_LAYER]
    found = [
        _ratio_target("one layer, clean: RMSE / bound", single, 1.15),
        _ratio_target(
            "fill to outline, clean, coincident: RMSE / bound",
            [row for row in clean if row["layers"] == "coincident"],
            1.3,
        ),
        _ratio_target(
            "textured, with before capture: RMSE / bound",
            [row for row in core if row["ground"].endswith("before")],
            1.5,
        ),
    ]
    for kind in ("none", "brushed", "wood"):
        own = [row for row in core if row["ground"].split(",")[0] == kind]
        found += [_coverage_target(kind, own), _sigma_target(kind, own)]
    found += [_coverage_target("all", core), _sigma_target("all", core)]
    wrong = result_of(core).wrong
    name = "wrong by more than 50 um, outside the stated region, not refused"
    found.append(Target(name, "0", str(wrong), wrong.k == 0) if core else None)
    found.append(_refused_target(core))
    raised = [row for row in core if "error" in row]
    if core:
        found.append(
            Target("raised", "0", str(Rate(len(raised), len(core))), not raised, asked="own")
        )
    for pitch in PITCHES_MM:
        found.append(_peer_target(pitch, [row for row in every if row["pitch_mm"] == pitch]))
    pair = [row for row in core if row["layers"] not in ONE_LAYER and row["pitch_mm"] == 0.10]
    times = result_of(pair).times_ecc
    if np.isfinite(times):
        name = "time of both layers, 460 x 310 px, against template + ECC of one"
        found.append(Target(name, "<= 3", f"{times:.1f}", times <= 3))
    return [target for target in found if target is not None]


def _ratio_target(name: str, rows: Sequence[Row], limit: float) -> Target | None:
    result = result_of(rows)
    if not np.isfinite(result.ratio):
        return None
    told = result.scenes - result.refused
    return Target(
        name, f"<= {limit}", f"{result.ratio:.2f}, n = {told} scenes", result.ratio <= limit
    )


def _coverage_target(kind: str, rows: Sequence[Row]) -> Target | None:
    inside = result_of(rows).inside
    if not inside.n:
        return None
    low, high = (inside.share, inside.share) if inside.n >= MANY else inside.interval
    met = high >= COVERAGE[0] and low <= COVERAGE[1]
    return Target(f"stated 95 % region covers, ground {kind}", "92 to 98 %", str(inside), met)


def _sigma_target(kind: str, rows: Sequence[Row]) -> Target | None:
    """Ask for sigmas no smaller than the errors, which tells sooner than the share inside."""
    misfit = [row["misfit"] for row in rows if "misfit" in row and row["refused"] is None]
    if not misfit:
        return None
    # Two axes: both count as independent numbers of the same size.
    spread = Spread.of(np.repeat(np.sqrt(np.array(misfit) / 2), 2).tolist())
    low = spread.rmse if len(misfit) >= MANY else spread.interval[0]
    measured = "{:.2f} ({:.2f} to {:.2f})".format(spread.rmse, *spread.interval)
    name = f"RMS of error / stated sigma, ground {kind}"
    return Target(name, f"<= {SIGMAS}", measured, low <= SIGMAS, asked="own")


def _refused_target(rows: Sequence[Row]) -> Target | None:
    """Count refusals: every scene here is fit to be measured."""
    if not rows:
        return None
    rate = Rate(sum(row.get("refused") is not None for row in rows), len(rows))
    low = rate.share if rate.n >= MANY else rate.interval[0]
    return Target("refused though fit", "<= 0.5 %", str(rate), low <= REFUSED)


def _peer_target(pitch_mm: float, rows: Sequence[Row]) -> Target | None:
    """Compare offsets on the scenes that peers ran on, with the best of them."""
    pairs = [row for row in rows if row["layers"] not in ONE_LAYER]
    shared = {row["seed"] for row in pairs if row["method"] != CORE}
    own = result_of([row for row in pairs if row["method"] == CORE and row["seed"] in shared])
    errors = {}
    for method in sorted({row["method"] for row in pairs} - {CORE}):
        peer = result_of([row for row in pairs if row["method"] == method])
        if np.isfinite(peer.ratio):
            errors[method] = float(rms(np.array(peer.rmse_um)))
    if not errors or not np.isfinite(own.ratio):
        return None
    best = min(errors, key=lambda method: errors[method])
    share = float(rms(np.array(own.rmse_um))) / errors[best]
    name = f"fill to outline at {pitch_mm:.2f} mm per pixel: RMSE / best peer's"
    measured = f"{share:.3f} ({best}, {errors[best]:.1f} um), n = {own.scenes}"
    return Target(name, "<= 1/8", measured, share <= 1 / 8)
