"""The command `witmark`: finds the command, and is the one place that ends the process."""

from __future__ import annotations

import os
import sys
import tempfile
import traceback
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from calibration.errors import BAD_INPUT, WitmarkError

OUR_BUG = 70
INTERRUPTED = 130

# Command name -> module with a typer application named `app`, and its line in the help. Modules are
# imported when their command runs, so that help needs none of the heavy libraries.
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("cli.commands.demo", "The whole job on the shipped scenario: start here."),
    "board": ("cli.commands.board", "Write a calibration board to print, with its board file."),
    "calibrate": ("cli.commands.calibrate", "Measure the lens, and where the camera sees the bed."),
    "check": ("cli.commands.check", "Measure a burned job against its artwork: the main job."),
}

# The common base of all complaints about usage; the library does not export it by name.
_UsageComplaint: type[Exception] = typer.BadParameter.__mro__[2]


class _Commands(TyperGroup):
    """The table above as a group of commands."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(COMMANDS[cmd_name][0])
        command = typer.main.get_command(module.app)
        command.name = cmd_name
        return command

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


app = typer.Typer(
    cls=_Commands,
    add_completion=False,
    rich_markup_mode=None,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"witmark {program_version()}")
        raise typer.Exit


@app.callback()
def _witmark(
    _version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version and exit."
        ),
    ] = False,
) -> None:
    """Turn a webcam above a laser bed into a measuring instrument.

    Data goes to standard output, everything else to standard error. Exit status: 0 pass or done,
    1 fail, 3 undecided, 2 bad usage or bad input, 70 a bug of ours, 130 interrupted.
    """


def program_version() -> str:
    """Return the version of the installed program."""
    try:
        return version("witmark")
    except PackageNotFoundError:
        return "not installed"


def main(arguments: list[str] | None = None) -> None:
    """Run a command and end the process with the exit status of the contract."""
    # Threads of linear algebra wait for each other for longer than our small sums take: where
    # other work keeps the cores busy, the demo takes half as long again with them as without.
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    sys.exit(run(sys.argv[1:] if arguments is None else arguments))


def run(arguments: list[str]) -> int:
    """Run a command and return its exit status; complaints go to standard error, on one line."""
    try:
        status = app(args=arguments, prog_name="witmark", standalone_mode=False)
        sys.stdout.flush()
        if status == INTERRUPTED:
            raise KeyboardInterrupt
        return status if isinstance(status, int) else 0
    except WitmarkError as error:
        print(f"witmark: {error.line}", file=sys.stderr)
        return error.exit_status
    except (BrokenPipeError, SystemExit):
        # The reader of our output has gone (typer turns that into SystemExit): what it wanted, it
        # has. What is still buffered must not fail again when the interpreter ends.
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        return 0
    except (KeyboardInterrupt, typer.Abort):
        print("witmark: interrupted", file=sys.stderr)
        return INTERRUPTED
    except _UsageComplaint as error:
        return _complain(error)
    except Exception as error:  # the one place that may catch everything
        return _own_bug(error, arguments)


def _complain(error: Any) -> int:
    message = " ".join(error.format_message().split())
    where = error.ctx.command_path if getattr(error, "ctx", None) else "witmark"
    # Called without arguments, a group shows its help as its complaint.
    if type(error).__name__ == "NoArgsIsHelpError":
        print(error.format_message(), file=sys.stderr)
    else:
        print(f"witmark: {message}; see '{where} --help'", file=sys.stderr)
    return BAD_INPUT


def _own_bug(error: Exception, arguments: list[str]) -> int:
    with tempfile.NamedTemporaryFile(
        "w", prefix="witmark-bug-", suffix=".txt", delete=False, encoding="utf-8"
    ) as details:
        details.write(f"witmark {program_version()} {arguments}\n")
        details.write("".join(traceback.format_exception(error)))
    print(
        f"witmark: a bug of ours: {type(error).__name__}; the details lie in {details.name}",
        file=sys.stderr,
    )
    return OUR_BUG
