"""Studies as files of rows: one row per seed, appended as it is done, resumable."""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

Row = dict[str, Any]

# What keeps numerical libraries to one thread; read when they are loaded.
_SINGLE = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


class OtherSpecificationError(Exception):
    """A file holds rows that were made from another specification."""


def stamp(*parts: Any) -> str:
    """Return 12 hexadecimal digits that stand for a specification (plain data, dataclasses)."""
    text = json.dumps(parts, sort_keys=True, default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def sources_stamp(root: Path, folders: Sequence[str]) -> str:
    """Return 12 hexadecimal digits that stand for all Python sources in folders of a checkout."""
    digest = hashlib.sha256()
    for folder in folders:
        for path in sorted((root / folder).rglob("*.py")):
            digest.update(str(path.relative_to(root)).encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def seeds_of(text: str, parity: str | None) -> list[int]:
    """Return the seeds of "A:B" (A included, B not), all or the even or the odd ones."""
    first, colon, last = text.partition(":")
    if not colon or not first.strip().isdigit() or not last.strip().isdigit():
        raise argparse.ArgumentTypeError(f"'{text}' is not A:B with whole numbers")
    rest = {None: (0, 1), "even": (0,), "odd": (1,)}[parity]
    return [seed for seed in range(int(first), int(last)) if seed % 2 in rest]


def read_rows(path: Path) -> list[Row]:
    """Return a file's rows; a last line that was cut off while being written is left out."""
    if not path.exists():
        return []
    return [json.loads(line) for line in _whole_lines(path.read_text("utf-8"))]


def run_rows(
    path: Path,
    seeds: Sequence[int],
    stamp_of: Callable[[int], str],
    work: Callable[[int], Row],
    workers: int = 2,
) -> Iterator[Row]:
    """Work off the seeds that a file does not hold yet; yield the rows as they are appended.

    A row is `work(seed)` with `seed` and `stamp`; where `work` raised, it has the traceback under
    `error` instead. Every row is on the disk before the next is begun.

    Parameters
    ----------
    stamp_of
        What the row of a seed is made from, as a short text.
    work
        Goes to other processes, so it must be importable there.
    workers
        Number of processes, each with one thread; 0 works in this process.

    Raises
    ------
    OtherSpecificationError
        Where the file holds a row of one of the seeds with another stamp.
    """
    known = {row["seed"]: row["stamp"] for row in read_rows(path)}
    for seed in seeds:
        if seed in known and known[seed] != stamp_of(seed):
            raise OtherSpecificationError(
                f"{path}: the row of seed {seed} was made from another specification "
                f"({known[seed]}, now {stamp_of(seed)}); write to another folder"
            )
    path.parent.mkdir(parents=True, exist_ok=True)
    _cut_torn_line(path)
    left = [seed for seed in seeds if seed not in known]
    with path.open("a", encoding="utf-8") as file:
        for seed, row in _worked_off(left, work, workers):
            full = {"seed": seed, "stamp": stamp_of(seed), **row}
            # Numbers that are not finite are a fault of the study, not a value.
            file.write(json.dumps(full, allow_nan=False, default=_plain) + "\n")
            file.flush()
            os.fsync(file.fileno())
            yield full


def _worked_off(
    seeds: Sequence[int], work: Callable[[int], Row], workers: int
) -> Iterator[tuple[int, Row]]:
    if workers == 0 or not seeds:
        for seed in seeds:
            yield seed, _tried(work, seed)
        return
    os.environ.update(_SINGLE)
    # Spawned, not forked: a fork copies the locks of libraries that have threads of their own.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, context, initializer=_one_thread) as pool:
        waiting = {pool.submit(_tried, work, seed): seed for seed in seeds}
        try:
            for done in as_completed(waiting):
                yield waiting[done], done.result()
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


def _tried(work: Callable[[int], Row], seed: int) -> Row:
    """Return the row of a seed, or the traceback of what went wrong as a row."""
    try:
        return work(seed)
    except Exception:
        return {"error": traceback.format_exc()}


def _whole_lines(text: str) -> list[str]:
    end = text.rfind("\n")
    return [line for line in text[: end + 1].splitlines() if line.strip()]


def _cut_torn_line(path: Path) -> None:
    """Take away a last line without an end, so that the next row begins on a line of its own."""
    if not path.exists():
        return
    content = path.read_bytes()
    end = content.rfind(b"\n") + 1
    if end < len(content):
        with path.open("r+b") as file:
            file.truncate(end)


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} is no plain data")
