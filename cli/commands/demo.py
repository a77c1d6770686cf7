"""`witmark demo`: the whole job on the shipped, simulated scenario, by the user's own code."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from datetime import datetime

    from vision.result import Displacement, JobResult

app = typer.Typer(add_completion=False, rich_markup_mode=None)

# How well the simulated workshop knows where it put board and artwork (95 %): mm, degrees.
_BOARD_U = "0.05,0.01"
_PLACE_U = (0.05, 0.02)
# Pieces are checked side by side.
_PROCESSES = 2


@app.command()
def demo(
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for calibration and reports.")
    ] = Path("witmark-demo"),
    json: Annotated[bool, typer.Option("--json", help="Print the table as JSON.")] = False,
) -> int:
    """Run the whole job on the shipped scenario: calibrate, check six pieces, write the reports.

    The captures are simulated, so each measured number can be put beside the truth. The exit status
    is 0 if every verdict is the true one.
    """
    import sys
    from concurrent.futures import ProcessPoolExecutor
    from datetime import datetime
    from functools import partial
    from importlib.resources import as_file
    from multiprocessing import get_context

    from cli.terminal import show, show_json
    from samples.scenario import data_folder, load

    now = datetime.now().astimezone()
    scenario = load()
    pieces = scenario["pieces"]
    rows: list[dict[str, Any]] = []
    with (
        as_file(data_folder()) as folder,
        typer.progressbar(length=2 + len(pieces), file=sys.stderr, label="witmark demo") as bar,
        # A process that is forked inherits locks of the libraries' threads; one that is spawned
        # does not.
        ProcessPoolExecutor(_PROCESSES, mp_context=get_context("spawn")) as pool,
    ):
        bed = _calibrate(folder, scenario, out, bar)
        for row in pool.map(partial(_check, folder, bed, out, now), pieces):
            rows.append(row)
            bar.update(1)
    right = all(row["verdict"] == row["expected"] for row in rows)
    if json:
        show_json({"pieces": rows, "right": right, "reports": str(out)})
    else:
        show(_text(rows, out, right))
    return 0 if right else 1


def _calibrate(folder: Path, scenario: dict[str, Any], out: Path, bar: Any) -> Path:
    """Calibrate lens and bed by the commands of the user; their words go into a text file."""
    import io
    from contextlib import redirect_stderr, redirect_stdout

    from calibration.files import write_text
    from cli.commands.calibrate import bed, lens

    words = io.StringIO()
    board, lens_file, bed_file = folder / scenario["board"], out / "lens.json", out / "bed.json"
    photo = scenario["bed_photo"]
    with redirect_stdout(words), redirect_stderr(words):
        lens([folder / name for name in scenario["lens_photos"]], board, lens_file)
    bar.update(1)
    with redirect_stdout(words), redirect_stderr(words):
        bed(
            [folder / photo["file"]],
            board,
            bed_file,
            lens=lens_file,
            marks=folder / scenario["marks"],
            at=["{},{}".format(*photo["at_mm"])],
            turn=[photo["turn_deg"]],
            height=[photo["height_mm"]],
            at_u=_BOARD_U,
        )
    write_text(out / "calibration.txt", words.getvalue())
    bar.update(1)
    return bed_file


def _check(
    folder: Path, bed: Path, out: Path, now: datetime, piece: dict[str, Any]
) -> dict[str, Any]:
    """Check one piece, write its report, and return its row of the table."""
    from cli.report.write import write_report
    from vision.job import check_job

    result = check_job(_job(folder, piece, bed, now.date()))
    paths = write_report(result, out / piece["name"], now)
    return _row(piece, result, str(paths["html"]))


def _job(folder: Path, piece: dict[str, Any], bed: Path, today: Any) -> Any:
    from cli.jobfiles import JobFiles, read_job

    x, y = piece["at_mm"]
    files = JobFiles(
        after=(folder / piece["after"],),
        before=(folder / piece["before"],) if piece["before"] else (),
        bed=bed,
        artwork=folder / piece["artwork"],
        at_mm=(float(x), float(y)),
        turn_deg=float(piece["turn_deg"]),
        at_u=_PLACE_U,
        height_mm=float(piece["height_mm"]),
        height_u_mm=0.1,
        kerf_mm=float(piece["kerf_mm"]),
        tolerance_mm=float(piece["tolerance_mm"]),
        name=piece["name"],
        order="bed labels of an allotment society (invented)",
        piece=piece["title"],
    )
    return read_job(files, today)


def _row(piece: dict[str, Any], result: JobResult, report: str) -> dict[str, Any]:
    truth = piece["truth"]["worst"]
    return {
        "piece": piece["name"],
        "title": piece["title"],
        "fill_to_outline_true_mm": truth["fill_to_outline"],
        "fill_to_outline_mm": _worst(result.fill_to_outline),
        "placement_on_work_true_mm": truth["placement_on_work"],
        "placement_on_work_mm": _worst(result.placement_on_work),
        "verdict": result.verdict.state,
        "expected": piece["expected_verdict"],
        "summary": result.summary,
        "report": report,
    }


def _worst(displacement: Displacement | None) -> dict[str, Any] | None:
    return None if displacement is None else displacement.worst_mm.to_json()


def _text(rows: list[dict[str, Any]], out: Path, right: bool) -> str:
    from cli.terminal import table

    lines = [
        table(
            (
                "piece",
                "fill-outline true",
                "measured",
                "on work true",
                "measured",
                "verdict",
                "true",
            ),
            [
                (
                    row["piece"],
                    _number(row["fill_to_outline_true_mm"]),
                    _measured(row["fill_to_outline_mm"]),
                    _number(row["placement_on_work_true_mm"]),
                    _measured(row["placement_on_work_mm"]),
                    row["verdict"],
                    row["expected"],
                )
                for row in rows
            ],
        ),
        "",
        "Worst point over the strokes, mm, with the ends of its 95 % interval. The captures are",
        "simulated, so the truth is known.",
        "",
    ]
    lines.extend(f"{row['piece']}: {row['summary']}" for row in rows)
    lines.extend(
        [
            "",
            "Every verdict is the true one." if right else "Not every verdict is the true one.",
            f"The reports lie in {out}: open {rows[0]['report']} first.",
            "Witmark is a measuring aid, not a safety device: never leave a running laser alone.",
        ]
    )
    return "\n".join(lines)


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _measured(worst: dict[str, Any] | None) -> str:
    if worst is None or worst["value"] is None:
        return "-"
    return f"{worst['value']:.3f} [{worst.get('low', 0):.2f}, {worst.get('high', 0):.2f}]"
