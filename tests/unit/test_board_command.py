from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from calibration.marks import detect_marks
from calibration.marks_file import read_marks
from cli.app import COMMANDS, run

ROOT = Path(__file__).parents[2]


def test_writes_pdf_png_and_board_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["board", "--out", str(tmp_path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["board"] == json.loads((tmp_path / "board.json").read_text())
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF")
    with Image.open(tmp_path / "board.png") as picture:
        assert picture.info["dpi"][0] == pytest.approx(12 * 25.4, rel=1e-3)
        # 11 squares of 15 mm and half a square of white on either side.
        assert picture.size == (180 * 12, 135 * 12)
        assert set(np.unique(np.array(picture))) == {0, 255}


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--squares", "30x20"], "DICT_5X5_250 has 250"),
        (["--squares", "18x13"], "does not fit"),
        (["--squares", "many"], "write it as 11x8"),
        (["--page", "B5"], "no known page"),
        (["--px-per-mm", "0"], "--px-per-mm"),
        (["--burn"], "--power: is missing"),
        (["--burn", "--power", "0"], "out of range"),
        (["--burn", "--power", "nan"], "out of range"),
        (["--burn", "--power", "9", "--speed", "-3"], "out of range"),
        (["--burn", "--power", "9", "--pitch", "12"], "leaves no room"),
        (["--burn", "--power", "9", "--area", "0,0,90,90"], "there must be 4 to 60"),
        (["--burn", "--power", "9", "--area", "9,9,1,1"], "is no box"),
        (["--burn", "--power", "9", "--area", "0,0,inf,300"], "is no box"),
        (["--burn", "--power", "9", "--dictionary", "MINE"], "not one of OpenCV's"),
        (["--burn", "--power", "9", "--first-marker", "48"], "0 to 49"),
        (["--burn", "--power", "9", "--reference", "1,2"], "one at a time"),
        (["--power", "9"], "without --burn"),
        (["--area", "0,0,400,300"], "without --burn"),
    ],
)
def test_refuses_and_writes_nothing(
    arguments: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert run(["board", "--out", str(out), *arguments]) == 2
    said = capsys.readouterr()
    assert told in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""
    assert not out.exists()


def test_folder_that_cannot_be_written_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("x")
    assert run(["board", "--out", str(tmp_path / "file")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_reference_marks_are_written_for_their_places(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    places = ["14,14", "386,14", "386,286", "14,286"]
    options = [word for place in places for word in ("--reference", place)]
    assert run(["board", "--out", str(tmp_path), *options, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["marks"]["centres_mm"]["11"] == [386.0, 14.0]
    marks = read_marks(tmp_path / "marks.json")
    sheet = pypdfium2.PdfDocument(tmp_path / "marks.pdf")[0]
    per_mm = 16.0
    page = np.array(sheet.render(scale=per_mm * 25.4 / 72).to_pil().convert("L"))
    found = detect_marks(page, marks.dictionary, sorted(marks.centres_mm))
    assert sorted(found) == [10, 11, 12, 13]
    for px in found.values():
        sides = np.linalg.norm(px - np.roll(px, 1, axis=0), axis=1) / per_mm
        # One pixel of the rendered page is 0.0625 mm, and rectangles are rounded outward.
        np.testing.assert_allclose(sides, 14.0, atol=0.13)
        # Printed upright: the first corner is the upper left one.
        assert px[0].sum() == px.sum(axis=1).min()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--reference", "14"], "write it as X,Y"),
        (["--reference", "1,1", "--marker", "300"], "do not fit"),
        (["--reference", "1,1", "--first-marker", "50"], "markers 0 to 49"),
    ],
)
def test_reference_marks_that_cannot_be_are_refused(
    options: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["board", "--out", str(tmp_path / "out"), *options]) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("arguments", [["--help"], ["--version"]])
def test_help_loads_no_heavy_library(arguments: list[str]) -> None:
    program = (
        "import sys\n"
        "from cli.app import run\n"
        f"status = run({arguments!r})\n"
        "heavy = {'cv2', 'scipy', 'numpy', 'PIL', 'skimage'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else status)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr


def test_every_command_has_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--help"]) == 0
    listed = capsys.readouterr().out
    for name, (_, line) in COMMANDS.items():
        assert name in listed
        assert line in " ".join(listed.split())
        assert run([name, "--help"]) == 0
        assert f"Usage: witmark {name}" in capsys.readouterr().out


def test_without_a_command_the_help_is_a_complaint(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "Usage: witmark" in said.err


def test_unknown_command_and_option_are_told_on_one_line(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for arguments, name in ((["bord"], "bord"), (["board", "--size", "3"], "--size")):
        assert run(arguments) == 2
        said = capsys.readouterr().err
        assert name in said
        assert said.count("\n") == 1


def test_own_bug_is_one_line_and_the_details_in_a_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setattr("calibration.sheet.board_pdf", lambda *_: 1 / 0)
    assert run(["board", "--out", str(tmp_path)]) == 70
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    details = Path(line.strip().rpartition(" ")[2])
    assert "ZeroDivisionError" in details.read_text()
    details.unlink()


def test_interrupt_gives_130(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def interrupt(*_: object) -> bytes:
        raise KeyboardInterrupt

    monkeypatch.setattr("calibration.sheet.board_pdf", interrupt)
    assert run(["board", "--out", str(tmp_path)]) == 130
    assert capsys.readouterr().err == "witmark: interrupted\n"


def test_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    program = "from cli.app import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", program, "board", "--out", str(tmp_path), "--json"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        said = process.stderr.read().decode()
        assert process.wait(60) == 0
    assert "Traceback" not in said
    assert "Exception" not in said
