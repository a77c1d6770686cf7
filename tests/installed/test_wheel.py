"""The program as a user installs it: from the wheel, in an environment and a folder of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("calibration", "vision", "cli", "samples")
pytestmark = pytest.mark.slow


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built by the build backend itself: nothing is fetched."""
    folder = tmp_path_factory.mktemp("wheel")
    program = f"from hatchling.build import build_wheel; build_wheel({str(folder)!r})"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    (built,) = folder.iterdir()
    return built


@pytest.fixture(scope="session")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the commands of a fresh environment that holds the wheel.

    Its dependencies are those of the environment that runs the tests, by a path file; packages
    that are installed there in editable form are not reached that way.
    """
    folder = tmp_path_factory.mktemp("environment")
    venv.create(folder, symlinks=os.name != "nt", with_pip=False)
    scheme = {"base": str(folder), "platbase": str(folder)}
    own = Path(sysconfig.get_path("purelib", "venv", scheme))
    (own / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    commands = Path(sysconfig.get_path("scripts", "venv", scheme))
    options = ["--no-deps", "--no-index", "--ignore-installed", "--quiet"]
    done = subprocess.run(
        [commands / "python", "-m", "pip", "install", *options, str(wheel)],
        capture_output=True,
        text=True,
        timeout=60,
        env=_environment(),
    )
    assert done.returncode == 0, done.stderr
    return commands


def _environment() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}


def _run(commands: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [commands / "witmark", *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        env=_environment(),
    )


def test_wheel_holds_every_file_of_the_packages_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        packed = {name for name in archive.namelist() if ".dist-info/" not in name}
    there = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert packed == there
    assert {name.partition("/")[0] for name in packed} == set(PACKAGES)
    # What the program opens at run time, by name: were it missing from the tree, the sets above
    # would still be equal.
    for name in (
        "cli/report/templates/report.html",
        "cli/report/templates/report.css",
        "cli/report/schemas/report.json",
        *(
            f"calibration/schemas/{kind}.json"
            for kind in ("bed", "board", "lens", "marks", "verified")
        ),
        "samples/data/scenario.json",
        "samples/data/bed.jpg",
        "samples/data/in-place-after.jpg",
        "samples/data/label-beans.svg",
        "samples/data/marks.json",
    ):
        assert name in packed
    # Sizes promised for the shipped captures.
    pictures = [path for path in there if path.startswith("samples/data/") and ".jpg" in path]
    assert len(pictures) <= 24
    assert sum((ROOT / path).stat().st_size for path in pictures) <= 10_000_000


def test_wheel_names_its_command_and_carries_its_licence(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        about = {
            name.partition(".dist-info/")[2]: archive.read(name).decode()
            for name in archive.namelist()
            if ".dist-info/" in name
        }
    assert "witmark = cli.app:main" in about["entry_points.txt"]
    assert about["licenses/LICENSE"] == (ROOT / "LICENSE").read_text()
    assert "Root-Is-Purelib: true" in about["WHEEL"]


def test_help_and_version_work_outside_the_checkout(
    installed: Path, wheel: Path, tmp_path: Path
) -> None:
    done = _run(installed, tmp_path, "--help")
    assert done.returncode == 0, done.stderr
    assert "Usage: witmark" in done.stdout
    assert done.stderr == ""
    done = _run(installed, tmp_path, "--version")
    assert done.stdout == f"witmark {wheel.name.split('-')[1]}\n"
    program = "import calibration, vision, cli, samples; print(cli.__file__)"
    found = subprocess.run(
        [installed / "python", "-c", program],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        env=_environment(),
    )
    assert installed.parent in Path(found.stdout.strip()).parents


def test_whole_job_runs_from_the_wheel(installed: Path, tmp_path: Path) -> None:
    done = _run(installed, tmp_path, "demo", "--out", "out")
    assert done.returncode == 0, done.stderr
    assert "Every verdict is the true one." in done.stdout
    out = tmp_path / "out"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    pieces = {path.name for path in out.iterdir() if path.is_dir()}
    assert pieces == {"in-place", "placed-wrong", "bumped", "turned", "moved-after", "too-faint"}
    for piece in pieces:
        report = json.loads((out / piece / "report.json").read_text("utf-8"))
        assert report["schema"] == "witmark.report/1"
        assert (out / piece / "report.csv").stat().st_size > 0
        assert "</html>" in (out / piece / "report.html").read_text("utf-8")
    for name in ("lens.json", "bed.json", "calibration.txt"):
        assert (out / name).stat().st_size > 0

    # The user's own command on the calibration that the demo made: a mark that was bumped.
    data = next((installed.parent / "lib").glob("python*/site-packages")) / "samples" / "data"
    piece = next(
        piece
        for piece in json.loads((data / "scenario.json").read_text("utf-8"))["pieces"]
        if piece["name"] == "bumped"
    )
    options = {
        "--before": data / piece["before"],
        "--bed": out / "bed.json",
        "--artwork": data / piece["artwork"],
        "--at": "{},{}".format(*piece["at_mm"]),
        "--height": piece["height_mm"],
        "--kerf": piece["kerf_mm"],
        "--tolerance": piece["tolerance_mm"],
        "--out": out / "again",
    }
    words = [str(word) for option in options.items() for word in option]
    done = _run(installed, tmp_path, "check", str(data / piece["after"]), *words, "--json")
    assert done.returncode == 1, done.stderr
    assert done.stderr == ""
    assert done.stdout == (out / "again" / "report.json").read_text("utf-8")
    assert json.loads(done.stdout)["verdict"]["state"] == "fail"
