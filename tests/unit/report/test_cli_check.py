"""What `check` says and returns once a job is measured; the measuring itself is left out here."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from cli.app import run

Judge = Callable[..., int]


@pytest.fixture
def judge(make_job: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Judge:
    """Return a function that runs `check` as if it had measured one of the made-up jobs."""

    def go(name: str, *options: str) -> int:
        job = SimpleNamespace(name=f"../{name} 7/\n", result=make_job(name))
        monkeypatch.setattr("cli.jobfiles.read_job", lambda files, today: job)
        monkeypatch.setattr("vision.job.check_job", lambda job: job.result)
        monkeypatch.chdir(tmp_path)
        return run(["check", "photo.jpg", "--bed", "bed.json", "--artwork", "a.svg", *options])

    return go


@pytest.mark.parametrize(
    ("name", "state", "status"),
    [
        ("in_place", "pass", 0),
        ("bumped", "fail", 1),
        ("too_faint", "undecided", 3),
        ("not_judged", "not_judged", 0),
    ],
)
def test_exit_status_is_the_verdict(
    name: str,
    state: str,
    status: int,
    judge: Judge,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert judge(name, "--out", "report") == status
    said = capsys.readouterr()
    assert said.err == ""
    report = json.loads((tmp_path / "report" / "report.json").read_text("utf-8"))
    assert report["verdict"]["state"] == state
    assert " ".join(report["summary"].split()) in " ".join(said.out.split())
    assert str(Path("report") / "report.html") in said.out


@pytest.mark.parametrize("name", ["in_place", "bumped", "too_faint", "hostile"])
def test_json_on_standard_output_is_the_report_file(
    name: str, judge: Judge, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    judge(name, "--json", "--out", "report")
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out == (tmp_path / "report" / "report.json").read_text("utf-8")


def test_without_out_the_report_is_named_after_the_job_and_lies_here(
    judge: Judge, tmp_path: Path
) -> None:
    assert judge("in_place") == 0
    (folder,) = tmp_path.iterdir()
    assert folder.name == "witmark-in_place-7"
    names = sorted(path.name for path in folder.iterdir())
    assert names == ["report.csv", "report.html", "report.json"]
