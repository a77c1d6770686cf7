"""Rows of a study: appended one by one, resumed, refused where they are another study's."""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

import pytest

from tests.studies.rows import (
    OtherSpecificationError,
    Row,
    read_rows,
    run_rows,
    seeds_of,
    sources_stamp,
    stamp,
)


def squared(seed: int) -> Row:
    if seed == 3:
        raise RuntimeError("seed three fails")
    return {"square": seed * seed, "process": os.getpid()}


def same_stamp(seed: int) -> str:
    return stamp("squares", seed)


def test_rows_are_appended_in_full_and_known_seeds_are_skipped(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "rows.jsonl"
    first = list(run_rows(path, [0, 1], same_stamp, squared, workers=0))
    again = list(run_rows(path, [0, 1, 2], same_stamp, squared, workers=0))
    assert [row["seed"] for row in first] == [0, 1]
    assert [row["seed"] for row in again] == [2]
    assert [row["square"] for row in read_rows(path)] == [0, 1, 4]


def test_every_row_is_on_the_disk_before_the_next_is_begun(tmp_path: Path) -> None:
    path = tmp_path / "rows.jsonl"
    seen = []

    def count(seed: int) -> Row:
        seen.append(len(read_rows(path)))
        return {}

    for _ in run_rows(path, [5, 6, 7], same_stamp, count, workers=0):
        pass
    assert seen == [0, 1, 2]


def test_a_row_that_was_cut_off_is_made_again(tmp_path: Path) -> None:
    path = tmp_path / "rows.jsonl"
    list(run_rows(path, [0, 1], same_stamp, squared, workers=0))
    whole = path.read_text()
    path.write_text(whole[:-10])
    assert [row["seed"] for row in read_rows(path)] == [0]
    assert [r["seed"] for r in run_rows(path, [0, 1], same_stamp, squared, workers=0)] == [1]
    assert len([json.loads(line) for line in path.read_text().splitlines()]) == 2


def test_rows_of_another_specification_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "rows.jsonl"
    list(run_rows(path, [0], same_stamp, squared, workers=0))
    before = path.read_text()
    with pytest.raises(OtherSpecificationError, match="seed 0 was made from another"):
        list(run_rows(path, [0, 1], lambda seed: "other", squared, workers=0))
    assert path.read_text() == before


def test_what_raises_becomes_a_row_with_its_traceback(tmp_path: Path) -> None:
    rows = list(run_rows(tmp_path / "rows.jsonl", [2, 3, 4], same_stamp, squared, workers=0))
    assert [("error" in row) for row in rows] == [False, True, False]
    assert "RuntimeError: seed three fails" in rows[1]["error"]
    assert "in squared" in rows[1]["error"]


@pytest.mark.slow
def test_other_processes_do_the_work(tmp_path: Path) -> None:
    path = tmp_path / "rows.jsonl"
    rows = list(run_rows(path, [1, 2, 3], same_stamp, squared, workers=2))
    assert {row["seed"]: row.get("square") for row in rows} == {1: 1, 2: 4, 3: None}
    assert os.getpid() not in {row.get("process") for row in rows}


def test_a_number_that_is_not_finite_is_no_row(tmp_path: Path) -> None:
    work = lambda seed: {"value": float("nan")}  # noqa: E731
    with pytest.raises(ValueError, match="not JSON compliant"):
        list(run_rows(tmp_path / "rows.jsonl", [0], same_stamp, work, workers=0))


def test_seeds_by_range_and_parity() -> None:
    assert seeds_of("3:8", None) == [3, 4, 5, 6, 7]
    assert seeds_of("3:8", "even") == [4, 6]
    assert seeds_of("3:8", "odd") == [3, 5, 7]
    for text in ("3", "a:b", "3:", "-1:4"):
        with pytest.raises(argparse.ArgumentTypeError):
            seeds_of(text, None)


def test_a_stamp_follows_its_parts_and_the_sources_their_text(tmp_path: Path) -> None:
    assert stamp(1, {"a": 2.0}) == stamp(1, {"a": 2.0}) != stamp(1, {"a": 2.1})
    (tmp_path / "part").mkdir()
    (tmp_path / "part" / "one.py").write_text("x = 1\n")
    first = sources_stamp(tmp_path, ["part"])
    (tmp_path / "part" / "one.py").write_text("x = 2\n")
    assert sources_stamp(tmp_path, ["part"]) != first
