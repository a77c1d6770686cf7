"""The studies of the statistical limit, of targets, boards, nudged and refocused cameras."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.studies import (
    boards,
    camouflaged,
    displaced,
    nudged,
    one_photo,
    refocused,
    spoilt_boards,
    target,
    wide,
)
from tests.studies.ideal import bound_of, not_passed
from tests.studies.rows import read_rows
from tests.unit.drawn_marks import KERF, STILL, FlatSurface, artwork, capture
from vision.register.mark import Mark, measure

STROKES = np.array([[-20.0, -10.0], [20.0, -10.0], [20.0, 10.0], [-20.0, 10.0]])


def test_what_is_known_well_passes_and_what_is_not_known_never() -> None:
    rng = np.random.default_rng(3)
    nothing = np.zeros((3, 3))
    assert not_passed(np.diag([1e-4, 1e-4, 1e-8]), nothing, STROKES, rng) == 0.0
    assert not_passed(np.diag([1e-2, 1e-2, 1e-8]), nothing, STROKES, rng) == 1.0
    # What is systematic keeps from passing as well as noise does.
    assert not_passed(np.diag([1e-6] * 3), np.diag([1e-2, 1e-2, 0.0]), STROKES, rng) == 1.0
    some = not_passed(np.diag([4e-3, 4e-3, 1e-8]), nothing, STROKES, rng)
    assert 0.0 < some < 1.0


def test_the_bound_grows_with_the_noise_and_stays_below_what_is_stated() -> None:
    view = capture(FlatSurface(), (0.1, 0.0), (0.0, 0.0), noise=2.0, seed=3)
    mark = measure(view, None, artwork("both"), STILL, (), KERF)
    assert isinstance(mark, Mark)
    fill, outline = (3 * mark.layers.index(layer) for layer in ("fill", "outline"))
    take = np.zeros((3, 6))
    take[:, fill : fill + 3], take[:, outline : outline + 3] = np.eye(3), -np.eye(3)
    stated = np.sqrt(np.diag(take @ mark.covariance @ take.T))
    quiet, loud = (np.sqrt(np.diag(bound_of(mark, noise))) for noise in (1.0, 4.0))
    assert (quiet < loud).all()
    assert (loud < 4 * quiet).all()
    assert (np.sqrt(np.diag(bound_of(mark, 2.0))) < stated).all()


def test_one_photo_of_a_target_runs_through_its_study_and_a_shifted_map_is_rejected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ["--seeds", "2:3", "--workers", "0", "--out", str(tmp_path)]
    target.main(options)
    missed = capsys.readouterr().out.rpartition("Missed:")[2]
    assert "bed point" not in missed
    assert "axes" not in missed
    [row] = read_rows(tmp_path / "target.jsonl")
    assert row["crosses"] > 100
    assert target.main([*options, "--sabotage"]) == 1
    missed = capsys.readouterr().out.rpartition("Missed:")[2]
    assert "bed point, middle" in missed


@pytest.mark.slow
def test_a_nudge_runs_through_its_study_and_one_that_is_hidden_is_found_out(
    tmp_path: Path, study_of: Callable[[int], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    seed = next(s for s in range(50) if nudged.draw_case(s).nudge_px > 2.0)
    options = study_of(seed)
    nudged.main(options)
    assert "unnoticed" not in capsys.readouterr().out.rpartition("Missed:")[2]
    [row] = read_rows(tmp_path / "rows" / "nudged.jsonl")
    assert row["moved"] is True
    assert row["told_mm"] == pytest.approx(row["shift_mm"], abs=3 * row["u95_mm"])
    assert nudged.main([*options, "--sabotage"]) == 1
    assert "unnoticed" in capsys.readouterr().out.rpartition("Missed:")[2]


@pytest.mark.slow
def test_dark_work_runs_through_its_study_and_one_told_too_surely_is_found_out(
    tmp_path: Path, study_of: Callable[[int], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    # Moved on a honeycomb by 0.3 mm, and told, though not for certain.
    options = study_of(28)
    assert camouflaged.main(options) == 0
    assert "Missed: none" in capsys.readouterr().out
    [row] = read_rows(tmp_path / "rows" / "camouflaged.jsonl")
    assert row["kind"] == "moved"
    assert row["told_mm"] is not None
    assert camouflaged.main([*options, "--sabotage"]) == 1
    assert "inside U95" in capsys.readouterr().out.rpartition("Missed:")[2]


@pytest.mark.slow
def test_a_mark_far_from_its_place_runs_through_its_study_and_one_told_beside_it_is_found_out(
    tmp_path: Path, study_of: Callable[[int], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    # An outline beside a glare, which blots out little of it.
    options = study_of(12)
    displaced.main(options)
    assert "Missed: none" in capsys.readouterr().out
    [row] = read_rows(tmp_path / "rows" / "displaced.jsonl")
    assert row["verdict"] == "fail"
    assert displaced.main([*options, "--sabotage"]) == 1
    missed = capsys.readouterr().out.rpartition("Missed:")[2]
    assert "found" in missed
    assert "not doubted" in missed


@pytest.mark.slow
def test_a_refocus_runs_through_its_study_and_one_that_is_hidden_is_found_out(
    tmp_path: Path, study_of: Callable[[int], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    cases = {seed: refocused.draw_case(seed) for seed in range(80)}
    # The camera that leans most tells a refocus best.
    seed = next(
        seed
        for seed, case in cases.items()
        if case.kind == "refocused" and case.nudge.camera_index == 6
    )
    options = study_of(seed)
    refocused.main(options)
    missed = capsys.readouterr().out.rpartition("Missed:")[2]
    assert "unnamed" not in missed
    assert "inside U95" not in missed
    [row] = read_rows(tmp_path / "rows" / "refocused.jsonl")
    assert row["refocus"] in ("sure", "likely")
    assert row["moved"] is False
    assert row["told_percent"] == pytest.approx(row["focal_percent"], abs=row["u95_percent"])
    assert refocused.main([*options, "--sabotage"]) == 1
    missed = capsys.readouterr().out.rpartition("Missed:")[2]
    assert "not corrected" in missed
    assert "unnamed" in missed


@pytest.mark.slow
def test_a_camera_runs_through_the_study_of_boards_and_a_shifted_map_is_rejected(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(boards, "PHOTOS", 5)
    seed = next(s for s in range(50) if boards.draw_case(s).size == (1280, 720))
    options = ["--seeds", f"{seed}:{seed + 1}", "--workers", "0", "--out", str(tmp_path)]
    boards.main(options)
    [row] = read_rows(tmp_path / "boards.jsonl")
    assert row["found"] == 5
    assert row["wrong_ids"] == 0
    assert row["middle_px"] < 0.25
    capsys.readouterr()
    assert boards.main([*options, "--sabotage"]) == 1
    assert "bed point, middle" in capsys.readouterr().out.rpartition("Missed:")[2]
    [row] = read_rows(tmp_path / "sabotage" / "boards.jsonl")
    assert row["middle_px"] > 0.4


@pytest.mark.slow
def test_a_half_hidden_board_runs_through_its_study_and_wrong_numbers_are_rejected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = next(s for s in range(4, 60, 6) if boards.draw_case(s).size == (1280, 720))
    options = ["--seeds", f"{seed}:{seed + 1}", "--workers", "0", "--out", str(tmp_path)]
    spoilt_boards.main(options)
    [row] = read_rows(tmp_path / "spoilt_boards.jsonl")
    assert (row["kind"], row["why"], row["wrong_ids"]) == ("half hidden", None, 0)
    assert 8 <= row["corners"] <= row["bare"] < 70
    capsys.readouterr()
    assert spoilt_boards.main([*options, "--sabotage"]) == 1
    assert "wrong corner ids" in capsys.readouterr().out.rpartition("Missed:")[2]


@pytest.mark.slow
def test_a_fisheye_runs_through_the_study_of_wide_lenses_and_is_taken_for_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(boards, "PHOTOS", 4)
    seed = next(s for s in range(50) if boards.draw_case(s).size == (1280, 720))
    options = ["--seeds", f"{seed}:{seed + 1}", "--workers", "0", "--out", str(tmp_path)]
    wide.main(options)
    [row] = read_rows(tmp_path / "wide.jsonl")
    assert row["model"] == "fisheye"
    assert row["middle_px"] < 0.25
    capsys.readouterr()
    assert wide.main([*options, "--sabotage"]) == 1
    assert "bed point, middle" in capsys.readouterr().out.rpartition("Missed:")[2]


def test_one_photo_of_a_printed_board_runs_through_its_study_and_a_shifted_map_is_rejected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # A fisheye at 720p.
    options = ["--seeds", "10:11", "--workers", "0", "--out", str(tmp_path)]
    one_photo.main(options)
    assert "bed point" not in capsys.readouterr().out.rpartition("Missed:")[2]
    [row] = read_rows(tmp_path / "one_photo.jsonl")
    assert row["model"] == row["true"] == "fisheye"
    assert row["spec"]["size"] == [1280, 720]
    assert one_photo.main([*options, "--sabotage"]) == 1
    assert "bed point, middle" in capsys.readouterr().out.rpartition("Missed:")[2]
