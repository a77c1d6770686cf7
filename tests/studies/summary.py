"""What the rows of the main study come to, held against its targets."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tests.studies.rates import Rate, Spread, markdown
from tests.studies.rows import Row

AXES = ("dx_mm", "dy_mm", "rotation_deg")
SCALES = ("x_percent", "y_percent", "skew_deg")
# What is pooled under one name in tables.
QUANTITIES: dict[str, tuple[str, ...]] = {
    "fill_to_outline": ("fill_to_outline",),
    "placement": ("placement.fill", "placement.outline"),
    "placement_on_work": ("placement_on_work",),
    "part_movement": ("part_movement",),
}
# Families whose jobs are as the targets describe them; the effects' are worse on purpose.
PLAIN = ("offsets", "in_place", "bad", "after")
BAD_MM = 0.24
TOLERANCE_MM = 0.2
K95 = 1.959964
_RATIO = 1.3


@dataclass(frozen=True)
class Pair:
    """One measured number beside its truth."""

    row: Row
    error: float
    u95: float
    inside: bool


@dataclass(frozen=True)
class Target:
    """One condition on the study, what was measured, and whether it is met.

    Attributes
    ----------
    asked
        "required", or "own" where the study asks more so that a fault cannot hide.
    """

    name: str
    limit: str
    measured: str
    met: bool
    asked: str = "required"


def pairs(rows: Iterable[Row], quantity: str, axis: str) -> list[Pair]:
    """Return every measured number of a quantity for which there is one truth."""
    out = []
    for row in rows:
        if "error" in row:
            continue
        for name in QUANTITIES[quantity]:
            told = (row["measured"].get(name) or {}).get(axis)
            true = row["truth"].get(name, {}).get(axis)
            if told is not None and true is not None:
                inside = told["low"] <= true <= told["high"]
                out.append(Pair(row, told["value"] - true, told["u95"], inside))
    return out


def true_worst(row: Row) -> float:
    """Return the worst true displacement that the clauses of this job's verdict are about."""
    truth = row["truth"]
    second = "placement_on_work" if row["spec"]["before"] else "placement.all"
    lengths = [truth["fill_to_outline"]["worst_mm"], truth[second]["worst_mm"]]
    return float(max(length for length in lengths if length is not None))


def targets(families: dict[str, list[Row]]) -> list[Target]:
    """Return every target of the families that were run."""
    every = [row for rows in families.values() for row in rows]
    good = [row for row in every if "error" not in row]
    found = [_rate_target("jobs that raised", [("error" in row) for row in every], 0.0)]
    plain = [row for row in good if row["family"] in PLAIN]
    found += _verdict_targets(families, good)
    if families.get("offsets"):
        found += _error_targets(_good(families["offsets"]), plain)
        found += _coverage_targets("offsets", _good(families["offsets"]))
    sized = [row for row in good if row["family"] in ("offsets", "in_place") and row.get("scale")]
    found += _scale_targets(sized)
    if families.get("effects"):
        found += _coverage_targets("effects", _good(families["effects"]))
        found += _spread_targets(_good(families["effects"]))
    return found


def _good(rows: list[Row]) -> list[Row]:
    return [row for row in rows if "error" not in row]


def _verdict_targets(families: dict[str, list[Row]], good: list[Row]) -> list[Target]:
    bad = [row["verdict"] == "pass" for row in good if true_worst(row) >= BAD_MM]
    found = []
    if bad:
        found.append(_rate_target(f"passed with a true worst of {BAD_MM} mm or more", bad, 0.0))
    missing = [row["verdict"] == "pass" for row in _good(families.get("missing", []))]
    if missing:
        found.append(_rate_target("passed with a layer never burned", missing, 0.0))
    whole = [row for row in good if row["family"] != "missing"]
    fair = [row["verdict"] == "fail" for row in whole if true_worst(row) <= TOLERANCE_MM]
    if fair:
        found.append(_rate_target("failed within the tolerance", fair, 0.0))
    for family, name, asked in (
        ("in_place", "in place", "required"),
        ("averaged", "in place, nine captures averaged", "own"),
    ):
        states = [row["verdict"] for row in _good(families.get(family, []))]
        if states:
            failed, undecided = ([s == state for s in states] for state in ("fail", "undecided"))
            found.append(_rate_target(f"{name}: failed", failed, 0.0, asked))
            found.append(_rate_target(f"{name}: undecided", undecided, 0.05, asked))
    after = _good(families.get("after", []))
    if after:
        states = [row["verdict"] for row in after]
        found.append(
            _rate_target("moved after the job: failed", [s == "fail" for s in states], 0.0)
        )
        refused = [s == "undecided" for s in states]
        found.append(_rate_target("moved after the job: undecided", refused, 0.10, "own"))
    return found


def _error_targets(offsets: list[Row], plain: list[Row]) -> list[Target]:
    found = []
    both = [row for row in offsets if row["truth"]["fill_to_outline"]["dx_mm"] is not None]
    numbers = pairs(offsets, "fill_to_outline", "dx_mm")
    rate = Rate(len(numbers), len(both))
    found.append(
        Target("fill to outline: gave a number", ">= 95 %", str(rate), rate.share >= 0.95, "own")
    )
    for quantity, limit, mean_limit in (
        ("fill_to_outline", 0.02, 0.01),
        ("placement", 0.08, 0.03),
    ):
        for axis in AXES[:2]:
            spread = Spread.of([pair.error for pair in pairs(offsets, quantity, axis)])
            name = f"{quantity} {axis}"
            found.append(
                Target(f"{name}: RMSE, mm", f"<= {limit}", str(spread), spread.rmse <= limit)
            )
            mean = f"{spread.mean:+.4f}, n = {spread.n}"
            met = abs(spread.mean) <= mean_limit
            found.append(Target(f"{name}: mean error, mm", f"+-{mean_limit}", mean, met, "own"))
    for axis in AXES[:2]:
        far = [abs(pair.error) > 0.10 for pair in pairs(plain, "fill_to_outline", axis)]
        found.append(_rate_target(f"fill_to_outline {axis}: error above 0.10 mm", far, 0.0))
    return found


def _coverage_targets(family: str, rows: list[Row]) -> list[Target]:
    found = []
    for quantity in QUANTITIES:
        for axis in (*AXES, "worst_mm"):
            inside = [pair.inside for pair in pairs(rows, quantity, axis)]
            if not inside:
                continue
            rate = Rate(sum(inside), len(inside))
            name = f"{family}: {quantity} {axis} inside U95"
            found.append(Target(name, ">= 90 %", str(rate), rate.share >= 0.9))
    return found


def _scale_targets(rows: list[Row]) -> list[Target]:
    """Hold scale and skew against nothing: marks are drawn as large as their artwork."""
    found = []
    for key in SCALES:
        told = [row["scale"][key] for row in rows if row["scale"][key][0] is not None]
        if not told:
            continue
        inside = Rate(sum(abs(value) <= u95 for value, u95 in told), len(told))
        met = inside.share >= 0.9
        found.append(Target(f"{key} of the mark inside U95", ">= 90 %", str(inside), met, "own"))
    named = [bool({"scale", "skew", "lifted"} & set(row["findings"])) for row in rows]
    if named:
        found.append(_rate_target("scale, skew or lift named, though none", named, 0.01, "own"))
    return found


def _spread_targets(rows: list[Row]) -> list[Target]:
    """Ask that errors spread no wider than stated where every budgeted effect is at work."""
    found = []
    for quantity in QUANTITIES:
        for axis in AXES:
            ratios = [p.error * K95 / p.u95 for p in pairs(rows, quantity, axis) if p.u95 > 0]
            if not ratios:
                continue
            spread = Spread.of(ratios)
            found.append(
                Target(
                    f"effects: {quantity} {axis} error over stated sigma, RMS",
                    f"<= {_RATIO}",
                    str(spread),
                    spread.rmse <= _RATIO,
                    "own",
                )
            )
    return found


def _rate_target(name: str, hits: Sequence[bool], limit: float, asked: str = "required") -> Target:
    rate = Rate(sum(hits), len(hits))
    text = "none" if limit == 0 else f"<= {100 * limit:.0f} %"
    return Target(name, text, str(rate), rate.n > 0 and rate.share <= limit, asked)


def targets_table(found: Sequence[Target]) -> str:
    """Return the targets beside what was measured."""
    rows = [(t.name, t.limit, t.measured, "yes" if t.met else "NO", t.asked) for t in found]
    return markdown(("target", "limit", "measured (95 % interval)", "met", "asked"), rows)


def errors_table(rows: Sequence[Row]) -> str:
    """Return every quantity's errors beside what was stated for them."""
    lines = []
    for quantity in QUANTITIES:
        for axis in AXES:
            found = pairs(rows, quantity, axis)
            if not found:
                continue
            spread = Spread.of([p.error for p in found])
            ratio = Spread.of([p.error * K95 / p.u95 for p in found if p.u95 > 0])
            lines.append(
                (
                    f"{quantity} {axis}",
                    str(spread),
                    f"{float(np.median([abs(p.error) for p in found])):.4f}",
                    f"{spread.mean:+.4f}",
                    f"{spread.largest:.4f}",
                    f"{float(np.median([p.u95 for p in found])):.4f}",
                    f"{ratio.rmse:.2f}",
                    str(Rate(sum(p.inside for p in found), len(found))),
                )
            )
    return markdown(
        (
            "quantity",
            "RMSE",
            "median",
            "mean",
            "largest",
            "median U95",
            "RMS of error / sigma",
            "inside U95",
        ),
        lines,
    )


def verdicts_table(families: dict[str, list[Row]]) -> str:
    """Return how often each kind of job was judged how."""
    states = ("pass", "undecided", "fail", "not_judged", "raised")
    counted: dict[str, Counter[str]] = {}
    for family, rows in families.items():
        for row in rows:
            kind = f"{family}: {row['kind']}" if "kind" in row else family
            counted.setdefault(kind, Counter())[row.get("verdict", "raised")] += 1
    lines = [(kind, *(str(count[state]) for state in states)) for kind, count in counted.items()]
    return markdown(("jobs", *states), lines)


def by_table(rows: Sequence[Row], key: str) -> str:
    """Return errors and verdicts by one field of the specification, as "texture"."""
    groups: dict[str, list[Row]] = {}
    for row in rows:
        if "error" not in row:
            groups.setdefault(str(row["spec"][key]), []).append(row)
    lines = []
    for value, own in sorted(groups.items()):
        offsets = [pairs(own, "fill_to_outline", axis) for axis in AXES[:2]]
        place = [pairs(own, "placement", axis) for axis in AXES[:2]]
        every = [p for found in offsets for p in found]
        lines.append(
            (
                value,
                str(len(own)),
                _two(offsets, lambda s: s.rmse),
                _two(offsets, lambda s: s.largest),
                str(Rate(sum(p.inside for p in every), len(every))),
                _two(place, lambda s: s.rmse),
                str(sum(row["verdict"] == "undecided" for row in own)),
                str(sum(row["verdict"] == "pass" and true_worst(row) >= BAD_MM for row in own)),
            )
        )
    return markdown(
        (
            key,
            "jobs",
            "offset RMSE x, y",
            "largest x, y",
            "offset inside U95",
            "placement RMSE x, y",
            "undecided",
            "false pass",
        ),
        lines,
    )


def _two(found: list[list[Pair]], take: Callable[[Spread], float]) -> str:
    values = [take(Spread.of([p.error for p in own])) for own in found]
    return ", ".join("-" if math.isnan(value) else f"{value:.4f}" for value in values)


def worst_table(families: dict[str, list[Row]], count: int) -> str:
    """Return the jobs that did worst: raised, misjudged, undecided, farthest outside of U95."""
    ranked: list[tuple[float, tuple[str, ...]]] = []
    for family, rows in families.items():
        for row in rows:
            score, why = _blame(row)
            if score > 0:
                spec = row.get("spec", {})
                look = " ".join(str(spec.get(key, "")) for key in ("texture", "bed", "art"))
                kind = row.get("kind", "")
                ranked.append((score, (family, str(row["seed"]), kind, look, why)))
    ranked.sort(key=lambda one: -one[0])
    return markdown(("family", "seed", "kind", "look", "why"), [r for _, r in ranked[:count]])


def _blame(row: Row) -> tuple[float, str]:
    """Return how bad a job went (0: well) and what went wrong."""
    if "error" in row:
        return 1e6, row["error"].strip().splitlines()[-1]
    worst, score, why = true_worst(row), 0.0, []
    if row["verdict"] == "pass" and worst >= BAD_MM:
        score = 1e5
        why.append(f"passed, true worst {worst:.2f} mm")
    elif row["verdict"] == "fail" and worst <= TOLERANCE_MM:
        score = 1e5
        why.append(f"failed, true worst {worst:.2f} mm: {'; '.join(row['reasons'])}")
    elif row["verdict"] == "undecided" and row["family"] in ("in_place", "averaged", "after"):
        score = 50.0
        why.append(f"undecided: {'; '.join(row['reasons'])}")
    outside = [
        (abs(pair.error) * K95 / max(pair.u95, 1e-9), f"{quantity} {axis}", pair)
        for quantity in QUANTITIES
        for axis in AXES
        for pair in pairs([row], quantity, axis)
        if not pair.inside
    ]
    outside.sort(key=lambda one: -abs(one[2].error))
    why += [
        f"{name} off by {pair.error:+.3f} (U95 {pair.u95:.3f})" for _, name, pair in outside[:3]
    ]
    return max([score, *(ratio for ratio, _, _ in outside)]), "; ".join(why)


def costs(rows: Sequence[Row]) -> str:
    """Return one line about time and memory of the checks."""
    good = [row for row in rows if "error" not in row]
    if not good:
        return "no job was checked"
    seconds = [row["check_s"] for row in good]
    peaks = [row for row in good if row.get("base_mb") and row.get("peak_mb")]
    memory = "not known"
    if peaks:
        whole = max(row["peak_mb"] for row in peaks)
        grown = max(row["peak_mb"] - row["base_mb"] for row in peaks)
        memory = f"{whole:.0f} MB, of which the check's own at most {grown:.0f} MB"
    return (
        f"Check (without start-up and reading): median {float(np.median(seconds)):.2f} s, "
        f"largest {max(seconds):.2f} s; largest memory of a process that also simulates {memory}."
    )
