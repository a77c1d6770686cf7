from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cli.app import run


def bed(bench: Any, out: Path, *options: str) -> int:
    return run(["calibrate", "bed", str(bench.folder / "bed.png"), *options, "--out", str(out)])


def without(options: list[str], name: str) -> list[str]:
    at = options.index(name)
    return options[:at] + options[at + 2 :]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"schema": "witmark.lens/2"}, "newer witmark"),
        ({"schema": "witmark.bed/1"}, "not a lens file"),
        ({"parameters": {"fx": 1}}, "'fy' is missing"),
        ({"covariance": [[0.0] * 9] * 8}, "9 x 9"),
        ({"image_size": [1280]}, "no usable lens"),
        ({"parameters": None}, "no usable lens"),
    ],
)
def test_spoiled_lens_file_is_refused(
    change: dict[str, object],
    told: str,
    bench: Any,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    content = json.loads((bench.folder / "lens.json").read_text())
    (tmp_path / "lens.json").write_text(json.dumps({**content, **change}))
    options = [*without(bench.bed_options, "--lens"), "--lens", str(tmp_path / "lens.json")]
    assert bed(bench, tmp_path / "bed.json", *options) == 2
    said = capsys.readouterr()
    assert told in said.err
    assert said.err.count("\n") == 1
    assert not (tmp_path / "bed.json").exists()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--at", "1,2,3"], "write it as X,Y"),
        (["--at", "nan,3"], "write it as X,Y"),
        (["--at", "here"], "write it as X,Y"),
        (["--at-u", "-1,0.3"], "negative"),
        (["--at-u", "0.5"], "write it as MM,DEG"),
        (["--turn", "left"], "--turn"),
        (["--at", "1,2"], "2 times for 1 photos"),
        (["--marks", "nothing.json"], "no such file"),
    ],
)
def test_wrong_options_are_told_on_one_line(
    options: list[str],
    told: str,
    bench: Any,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    before = bench.bed_options
    if options[0] == "--at" and options[1] != "1,2":
        before = without(before, "--at")
    assert bed(bench, tmp_path / "bed.json", *before, *options) == 2
    said = capsys.readouterr()
    assert told in said.err
    assert said.err.count("\n") == 1
    assert not (tmp_path / "bed.json").exists()


@pytest.mark.parametrize("missing", ["--at", "--turn", "--height", "--board"])
def test_missing_option_is_named(
    missing: str, bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bed(bench, tmp_path / "bed.json", *without(bench.bed_options, missing)) == 2
    said = capsys.readouterr().err
    assert missing in said
    assert said.count("\n") == 1


def test_board_file_of_another_board_is_told(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = json.loads((bench.folder / "board.json").read_text())
    for change, told in (
        ({"squares_y": 4}, "too few squares"),
        ({"dictionary": "DICT_6X6_250"}, "board not found"),
        ({"squares_x": 11}, "not laid out as in the board file"),
    ):
        (tmp_path / "board.json").write_text(json.dumps({**content, **change}))
        options = without(bench.bed_options, "--board")
        options += ["--board", str(tmp_path / "board.json")]
        assert bed(bench, tmp_path / "bed.json", *options) == 2
        assert told in capsys.readouterr().err


def test_marks_out_of_view_are_a_note_not_a_failure(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    marks = {"dictionary": "DICT_4X4_50", "marker_mm": 24, "centres_mm": {"40": [10, 10]}}
    (tmp_path / "marks.json").write_text(json.dumps(marks))
    options = [*bench.bed_options, "--marks", str(tmp_path / "marks.json")]
    assert bed(bench, tmp_path / "bed.json", *options) == 0
    assert "reference mark 40 is not in view" in capsys.readouterr().err


def test_folder_that_cannot_be_written_is_told(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("x")
    assert bed(bench, tmp_path / "file" / "bed.json", *bench.bed_options) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_two_photos_are_too_few_for_a_lens(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photos = [str(bench.folder / "lens" / f"p{i}.png") for i in range(2)]
    out = tmp_path / "lens.json"
    options = ["--board", str(bench.folder / "board.json"), "--out", str(out)]
    assert run(["calibrate", "lens", *photos, *options]) == 2
    assert "only 2 of 2 can be used" in capsys.readouterr().err
    assert not out.exists()
