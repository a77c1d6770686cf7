"""What every study tells while it runs and at its end."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.studies.rows import Row, run_rows
from tests.studies.summary import Target


def run_telling(
    path: Path,
    seeds: Sequence[int],
    stamps: Callable[[int], str],
    work: Callable[[int], Row],
    workers: int,
    noun: str,
    said_of: Callable[[Row], str | None],
) -> None:
    """Work off the seeds that a file lacks; tell what `said_of` says of each row, and how many."""
    began, number = time.monotonic(), 0
    for row in run_rows(path, seeds, stamps, work, workers):
        number += 1
        said = said_of(row)
        if said is not None:
            print(f"{path.stem} seed {row['seed']}{said}", file=sys.stderr)
    if number:
        took = time.monotonic() - began
        print(f"{path.stem}: {number} {noun} in {took:.0f} s", file=sys.stderr)


def tell_sources(rows: Sequence[Row], noun: str) -> None:
    """Print how many rows there are, and which state of the sources they come from."""
    codes = {row["code"] for row in rows if "code" in row}
    print(f"{len(rows)} {noun}; sources {', '.join(sorted(codes))}")
    if len(codes) > 1:
        print("These rows come from different states of the sources: run them again to judge.")


def tell_missed(found: Sequence[Target]) -> int:
    """Print the missed targets; return the exit status."""
    missed = [target.name for target in found if not target.met]
    print(f"\nMissed: {'; '.join(missed) or 'none'}")
    return 1 if missed else 0
