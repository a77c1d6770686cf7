"""Every command and every option explains itself."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest
import typer

from cli.app import COMMANDS, app, main, program_version, run


def commands(group: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Return all commands that do something, with the words that lead to them."""
    for name in group.list_commands(None):
        command = group.get_command(None, name)
        if hasattr(command, "list_commands"):
            yield from commands(command, (*path, name))
        else:
            yield (*path, name), command


EVERY = dict(commands(typer.main.get_command(app)))


def test_commands_are_those_of_the_table_and_none_is_empty() -> None:
    assert {path[0] for path in EVERY} == set(COMMANDS)
    assert ("calibrate", "lens") in EVERY
    assert ("calibrate", "bed") in EVERY


@pytest.mark.parametrize("path", EVERY, ids=" ".join)
def test_every_option_has_a_line_of_help_that_is_shown(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    command = EVERY[path]
    assert command.help
    assert run([*path, "--help"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    shown = " ".join(said.out.split())
    assert f"Usage: witmark {' '.join(path)}" in shown
    assert " ".join(command.help.split()[:6]) in shown
    told = [parameter for parameter in command.params if parameter.name != "help"]
    assert told
    for parameter in told:
        assert parameter.help, f"{' '.join(path)}: {parameter.name} has no help"
        assert " ".join(parameter.help.split()) in shown
        for option in parameter.opts:
            assert not option.startswith("-") or option in shown


@pytest.mark.parametrize("path", EVERY, ids=" ".join)
def test_short_and_long_help_are_one(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*path, "-h"]) == 0
    short = capsys.readouterr().out
    assert run([*path, "--help"]) == 0
    assert capsys.readouterr().out == short


def test_version_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    said = capsys.readouterr()
    assert said.out == f"witmark {program_version()}\n"
    assert said.err == ""


def test_help_names_every_exit_status(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--help"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    for words in ("0 pass", "1 fail", "3 undecided", "2 bad usage", "70 a bug", "130 interrupted"):
        assert words in shown


@pytest.mark.parametrize(("given", "used"), [(None, "1"), ("2", "2")])
def test_linear_algebra_has_one_thread_unless_the_user_says_otherwise(
    given: str | None, used: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for library in ("OMP", "OPENBLAS", "MKL"):
        name = f"{library}_NUM_THREADS"
        # Set and then taken away, so that what the command sets is undone after the test.
        monkeypatch.setenv(name, given or "")
        if given is None:
            monkeypatch.delenv(name)
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert {os.environ[f"{library}_NUM_THREADS"] for library in ("OMP", "OPENBLAS", "MKL")} == {
        used
    }
