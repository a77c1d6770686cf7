"""What spoils real photos, one thing at a time: how far the core errs, and what it refuses.

Run it from the top of the checkout:

    python -m tests.benchmarks.pitfalls --scenes 24 --out FOLDER

One row per seed and spoiler is appended to FOLDER/<spoiler>.jsonl; run again, it goes on where it
stopped. Then comes the table; the exit status is 1 where a target is missed. Even seeds are for
tuning, odd ones for judging. `--sabotage` puts a fault into every fit: targets must be missed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path

import numpy as np

from tests.benchmarks.reading import SABOTAGES, read_core, spoiled
from tests.benchmarks.spoilers import SPOILERS, Spoiled, pitfall_of
from tests.benchmarks.summary import REGION, WRONG_UM, is_wrong, rms, told_of
from tests.benchmarks.targets import REFUSED
from tests.studies.rates import Rate, Spread, markdown
from tests.studies.rows import OtherSpecificationError, Row, read_rows, sources_stamp, stamp
from tests.studies.summary import Target, targets_table
from tests.studies.telling import run_telling, tell_missed, tell_sources

_ROOT = Path(__file__).resolve().parents[2]


def run_pitfall(seed: int, spoiler: str, sabotage: str | None, code: str) -> Row:
    """Draw a spoiled scene and measure it."""
    drawing = Spoiled(pitfall_of(seed), spoiler)
    reading = spoiled(read_core(drawing, drawing.capture(), None), sabotage)
    return {"spec": asdict(drawing.spec), "spoiler": spoiler, "code": code, **reading.numbers}


def targets_of(rows: Sequence[Row], spoiler: str) -> list[Target]:
    """Hold the rows of one spoiler against what is asked of it."""
    told = told_of(rows)
    wrong = [is_wrong(row) for row in told]
    found = [
        Target(
            f"{spoiler}: wrong by more than {WRONG_UM:.0f} um, outside its region, not refused",
            "0",
            str(Rate(sum(wrong), len(rows))),
            not any(wrong),
        )
    ]
    # Every scene is fit to be measured.
    refused = Rate(len(rows) - len(told), len(rows))
    met = refused.interval[0] <= REFUSED
    found.append(Target(f"{spoiler}: refused", f"<= {REFUSED:.1%}", str(refused), met))
    limit = SPOILERS[spoiler]
    for axis, name in enumerate("xy"):
        errors = [row["error_um"][axis] for row in told]
        if limit is not None and errors:
            spread = Spread.of(errors)
            measured = f"{spread.rmse:.1f}, n = {spread.n}"
            met = spread.rmse <= limit
            found.append(Target(f"{spoiler}: RMSE {name}, um", f"<= {limit:g}", measured, met))
    return found


def table(rows: dict[str, list[Row]]) -> str:
    """Return what each spoiler does, as a table."""
    lines = []
    for spoiler, own in rows.items():
        told = told_of(own)
        error = np.array([row["error_um"] for row in told]).reshape(-1, 2)
        misfit = np.array([row["misfit"] for row in told])
        rmse = rms(error, 0) if told else [np.nan, np.nan]
        lines.append(
            (
                spoiler,
                str(len(own)),
                f"{rmse[0]:.1f}, {rmse[1]:.1f}",
                f"{np.median(np.hypot(*error.T)):.1f}" if told else "",
                f"{np.sqrt(misfit.mean() / 2):.2f}" if told else "",
                str(Rate(int((misfit <= REGION).sum()), len(told))) if told else "",
                str(Rate(len(own) - len(told), len(own))),
            )
        )
    heads = (
        "spoiler",
        "scenes",
        "RMSE x, y um",
        "median um",
        "error / sigma",
        "in 95 % region",
        "refused",
    )
    return markdown(heads, lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the scenes and print the table; return the exit status."""
    said = _parser().parse_args(arguments)
    first = 1 if said.parity == "odd" else 0
    seeds = list(range(first, first + 2 * said.scenes, 2))
    folder = said.out / said.sabotage if said.sabotage else said.out
    code = sources_stamp(_ROOT, ("calibration", "vision"))
    rows: dict[str, list[Row]] = {}
    for spoiler in said.spoiler or list(SPOILERS):
        path = folder / f"{spoiler.replace(' ', '-')}.jsonl"
        work = partial(run_pitfall, spoiler=spoiler, sabotage=said.sabotage, code=code)
        stamps = partial(_stamp, spoiler=spoiler, sabotage=said.sabotage)
        try:
            run_telling(path, seeds, stamps, work, said.workers, "scenes", _raised)
        except OtherSpecificationError as error:
            print(error, file=sys.stderr)
            return 2
        rows[spoiler] = [row for row in read_rows(path) if row["seed"] in set(seeds)]
    tell_sources([row for own in rows.values() for row in own], "scenes")
    found = [target for spoiler, own in rows.items() for target in targets_of(own, spoiler)]
    print("\n" + targets_table(found))
    print("\n" + table(rows))
    return tell_missed(found)


def _stamp(seed: int, spoiler: str, sabotage: str | None) -> str:
    return stamp(asdict(pitfall_of(seed)), spoiler, sabotage)


def _raised(row: Row) -> str | None:
    return " raised" if "error" in row else None


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.pitfalls",
        description="The measuring core on scenes with one thing that spoils them.",
    )
    temporary = Path(tempfile.gettempdir()) / "witmark-pitfalls"
    parser.add_argument("--scenes", type=int, default=24, help="scenes per spoiler (24)")
    parser.add_argument("--parity", choices=("even", "odd"), default="odd", help="seeds (odd)")
    parser.add_argument("--out", type=Path, default=temporary, help="folder of the rows")
    parser.add_argument("--workers", type=int, default=2, help="processes of one thread each (2)")
    parser.add_argument("--spoiler", action="append", choices=list(SPOILERS))
    parser.add_argument("--sabotage", choices=SABOTAGES, help="put a fault into every fit")
    return parser


if __name__ == "__main__":
    sys.exit(main())
