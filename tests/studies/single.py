"""Studies whose rows are one file: their options, their run, their table."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from tests.studies.rows import OtherSpecificationError, Row, read_rows, seeds_of, sources_stamp
from tests.studies.summary import Target, targets_table
from tests.studies.telling import run_telling, tell_missed, tell_sources

_ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Study:
    """One study.

    Attributes
    ----------
    name, about, noun
        Its file's name, what it does in a line, and what a row is of.
    sources
        Folders of the checkout that its rows depend on.
    stamp_of
        What the row of a seed is made from.
    run
        Makes the row of a seed; also gets `code`, and `cache` and `sabotage` where it has them.
    said_of
        What is told of a row while the study runs, or None.
    figures
        Holds all rows against what is asked of them.
    sabotage
        What `--sabotage` does; empty where there is none.
    cached
        Whether it keeps calibrations in a folder.
    """

    name: str
    about: str
    noun: str
    sources: tuple[str, ...]
    stamp_of: Callable[[int], str]
    run: Callable[..., Row]
    said_of: Callable[[Row], str | None]
    figures: Callable[[Sequence[Row]], list[Target]]
    sabotage: str = ""
    cached: bool = False

    def main(self, arguments: Sequence[str] | None = None) -> int:
        """Run what the file of rows lacks and print what they say; return the exit status."""
        said = self._parser().parse_args(arguments)
        seeds = seeds_of(said.seeds, said.parity)
        options: dict[str, Any] = {"code": sources_stamp(_ROOT, self.sources)}
        folder = said.out
        if self.cached:
            options["cache"] = said.cache
        if self.sabotage:
            options["sabotage"] = said.sabotage
            folder = folder / "sabotage" if said.sabotage else folder
        path = folder / f"{self.name}.jsonl"
        work = partial(self.run, **options)
        try:
            run_telling(path, seeds, self.stamp_of, work, said.workers, self.noun, self.said_of)
        except OtherSpecificationError as error:
            print(error, file=sys.stderr)
            return 2
        rows = [row for row in read_rows(path) if row["seed"] in set(seeds)]
        tell_sources(rows, self.noun)
        found = self.figures(rows)
        print("\n" + targets_table(found))
        return tell_missed(found)

    def _parser(self) -> argparse.ArgumentParser:
        parser = argparse.ArgumentParser(
            prog=f"python -m tests.studies.{self.name}", description=self.about
        )
        temporary = Path(tempfile.gettempdir()) / "witmark-study"
        parser.add_argument("--seeds", default="0:40", help="A:B, A included, B not (0:40)")
        parser.add_argument("--parity", choices=("even", "odd"), help="only these seeds")
        parser.add_argument(
            "--workers", type=int, default=2, help="processes of one thread each (2)"
        )
        parser.add_argument(
            "--out", type=Path, default=temporary / self.name, help="folder of the rows"
        )
        if self.cached:
            parser.add_argument(
                "--cache", type=Path, default=temporary / "beds", help="folder of the calibrations"
            )
        if self.sabotage:
            parser.add_argument("--sabotage", action="store_true", help=self.sabotage)
        return parser


def refusal_of(row: Row) -> str | None:
    """Return why the product refused what a row is of, or that it raised; None where it did not."""
    if "error" in row:
        return ": raised"
    return f": {row['refused']}" if row["refused"] else None
