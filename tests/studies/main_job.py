"""The study of the main job: many simulated jobs, checked as a user's, against the targets.

Run it from the top of the checkout:

    python -m tests.studies.main_job --seeds 0:400 --parity odd --out FOLDER

One row per seed and family is appended to FOLDER/<family>.jsonl; run again, it goes on where it
stopped. Then come the tables; the exit status is 1 where a target is missed. Even seeds are for
tuning, odd ones for judging. `--sabotage` puts a fault into every result: the study must then miss
a target. `--pictures` keeps the captures of the jobs that are run, to look at.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from tests.studies.families import FAMILIES
from tests.studies.measure import run_seed, stamp_of
from tests.studies.rows import (
    OtherSpecificationError,
    Row,
    read_rows,
    seeds_of,
    sources_stamp,
)
from tests.studies.sabotage import SABOTAGES
from tests.studies.summary import (
    by_table,
    costs,
    errors_table,
    targets,
    targets_table,
    verdicts_table,
    worst_table,
)
from tests.studies.telling import run_telling, tell_missed, tell_sources

_ROOT = Path(__file__).resolve().parents[2]
_PRODUCT = ("calibration", "vision", "samples")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the study and print its tables; return the exit status."""
    said = _parser().parse_args(arguments)
    seeds = seeds_of(said.seeds, said.parity)
    folder = said.out / said.sabotage if said.sabotage else said.out
    code = sources_stamp(_ROOT, _PRODUCT)
    families: dict[str, list[Row]] = {}
    for family in said.family or list(FAMILIES):
        path = folder / f"{family}.jsonl"
        if not said.only_table:
            work = partial(
                run_seed,
                family=family,
                cache=said.cache,
                code=code,
                sabotage=said.sabotage,
                pictures=said.pictures,
            )
            stamps = partial(stamp_of, family=family, sabotage=said.sabotage)
            try:
                run_telling(path, seeds, stamps, work, said.workers, "jobs", _verdict)
            except OtherSpecificationError as error:
                print(error, file=sys.stderr)
                return 2
        families[family] = [row for row in read_rows(path) if row["seed"] in set(seeds)]
    return _tell(families, said.by, said.worst)


def _verdict(row: Row) -> str:
    return f": {row.get('verdict', 'raised')}"


def _tell(families: dict[str, list[Row]], by: list[str], worst: int) -> int:
    every = [row for rows in families.values() for row in rows]
    tell_sources(every, "jobs")
    found = targets(families)
    print("\n" + targets_table(found))
    print("\n" + verdicts_table(families))
    for family in ("offsets", "effects"):
        if families.get(family):
            print(f"\n{family}:\n\n" + errors_table(families[family]))
    for key in by:
        print("\n" + by_table(every, key))
    if worst:
        print("\n" + worst_table(families, worst))
    print("\n" + costs(every))
    return tell_missed(found)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.main_job",
        description="Simulated jobs, checked as a user's, against the targets.",
    )
    temporary = Path(tempfile.gettempdir()) / "witmark-study"
    parser.add_argument("--seeds", default="0:40", help="A:B, A included, B not (0:40)")
    parser.add_argument("--parity", choices=("even", "odd"), help="only these seeds")
    parser.add_argument(
        "--family", action="append", choices=list(FAMILIES), help="one of them; repeat for more"
    )
    parser.add_argument("--workers", type=int, default=2, help="processes of one thread each (2)")
    parser.add_argument("--out", type=Path, default=temporary / "main", help="folder of the rows")
    parser.add_argument(
        "--cache", type=Path, default=temporary / "beds", help="folder of the calibrations"
    )
    parser.add_argument("--sabotage", choices=list(SABOTAGES), help="put a fault into every result")
    parser.add_argument("--pictures", type=Path, help="folder to keep the captures in")
    parser.add_argument("--by", action="append", default=[], help="a table by texture, bed, art...")
    parser.add_argument("--worst", type=int, default=12, help="how many bad jobs to list (12)")
    parser.add_argument(
        "--only-table", action="store_true", help="run nothing, tell what the rows say"
    )
    return parser


if __name__ == "__main__":
    sys.exit(main())
