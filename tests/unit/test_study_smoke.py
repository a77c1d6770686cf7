"""The study of the main job from end to end: two real jobs, one calibration, both exit statuses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.studies.main_job import main
from tests.studies.rows import read_rows

# In both families the job of this seed is seen by the same calibrated camera, and is small.
SEED = 8


@pytest.mark.slow
def test_two_jobs_run_through_the_study(
    tmp_path: Path, study_of: Callable[[int], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    options = study_of(SEED)

    assert main(["--family", "after", *options]) == 0
    table = capsys.readouterr().out
    assert "moved after the job: failed" in table
    assert "Missed: none" in table
    [row] = read_rows(tmp_path / "rows" / "after.jsonl")
    assert row["verdict"] == "pass"
    moved, truth = row["measured"]["part_movement"], row["truth"]["part_movement"]
    assert moved["dx_mm"]["value"] == pytest.approx(truth["dx_mm"], abs=0.1)

    assert main(["--family", "offsets", "--sabotage", "swap", *options]) == 1
    assert "fill_to_outline dx_mm: RMSE" in capsys.readouterr().out.rpartition("Missed:")[2]
    [row] = read_rows(tmp_path / "rows" / "swap" / "offsets.jsonl")
    measured, truth = row["measured"]["fill_to_outline"], row["truth"]["fill_to_outline"]
    assert measured["dx_mm"]["value"] == pytest.approx(-truth["dx_mm"], abs=0.1)
    assert len(list((tmp_path / "beds").iterdir())) == 1
